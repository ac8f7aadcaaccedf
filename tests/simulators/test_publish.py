"""The garden over real MQTT: through mosquitto, and through the demonstration's own broker."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

from sensord.adapters.clock import ScaledClock
from simulators import faults
from simulators.broker import BrokerDidNotStart, EmbeddedBroker
from simulators.garden import Garden
from simulators.publish import Connection, NotPublished, Published, Publisher
from simulators.scenario import larkfield
from tests.adapters.broker import Mosquitto, free_port

PATIENCE_S = 60.0


@contextmanager
def listening(port: int, topic: str = "#") -> Iterator[list[Any]]:
    """A subscriber with QoS 1, and what it gets."""
    got: list[Any] = []
    ready = threading.Event()
    client = Client(CallbackAPIVersion.VERSION2, client_id="listener")
    client.on_connect = lambda c, *_: c.subscribe(topic, 1)
    client.on_subscribe = lambda *_: ready.set()
    client.on_message = lambda _c, _d, message: got.append(message)
    client.connect("127.0.0.1", port)
    client.loop_start()
    try:
        assert ready.wait(PATIENCE_S)
        yield got
    finally:
        client.disconnect()
        client.loop_stop()


def wait_until(true: Callable[[], bool]) -> None:
    """Give it time, and fail if it does not come true."""
    deadline = time.monotonic() + PATIENCE_S
    while not true():
        assert time.monotonic() < deadline, "it did not happen in time"
        time.sleep(0.05)


def play(port: int, hours: float, seconds: float, garden: Garden | None = None, **arguments: Any) -> Published:
    """Publish some garden hours within some seconds."""
    garden = garden or larkfield(7, faults=faults.NONE)
    until = garden.start + timedelta(hours=hours)
    clock = ScaledClock(garden.start, hours * 3600 / seconds)
    return Publisher(**arguments).run(garden, clock, "127.0.0.1", port, until)


@pytest.fixture
def mosquitto(tmp_path: Path) -> Iterator[Mosquitto]:
    """A real broker."""
    with Mosquitto(tmp_path / "broker") as running:
        yield running


def test_everything_arrives_in_order_through_mosquitto(mosquitto: Mosquitto) -> None:
    """What the subscriber gets is what the garden sent, byte for byte, acknowledged by the broker."""
    expected = larkfield(7, faults=faults.NONE).step(larkfield(7).start + timedelta(hours=6))
    with listening(mosquitto.port) as got:
        result = play(mosquitto.port, hours=6, seconds=3)
        wait_until(lambda: len(got) >= result.sent)
    assert result.sent == result.acknowledged == len(got)
    assert [(m.topic, m.payload) for m in got] == [(m.topic, m.payload) for m in expected]


def test_the_pace_is_the_clock_s(mosquitto: Mosquitto) -> None:
    """A run takes as long as its clock says, and no message leaves before its instant."""
    began = time.monotonic()
    play(mosquitto.port, hours=1, seconds=2)
    assert 1.9 < time.monotonic() - began < 10.0


def test_a_run_can_be_stopped_and_tells_how_far_it_is(mosquitto: Mosquitto) -> None:
    """From another thread, or from the callback after a step; what was sent is acknowledged."""
    publisher, garden = Publisher(), larkfield(7, faults=faults.NONE)
    seen: list[timedelta] = []

    def on_step(there: Garden) -> None:
        seen.append(there.now - there.start)
        if there.now >= there.start + timedelta(hours=2):
            publisher.stop()

    clock = ScaledClock(garden.start, 3600.0)
    result = publisher.run(
        garden, clock, "127.0.0.1", mosquitto.port, garden.start + timedelta(days=300), on_step=on_step
    )
    assert seen == sorted(seen)
    assert seen[-1] < timedelta(hours=4)
    assert result.sent == result.acknowledged > 500


def test_topics_can_be_retained(mosquitto: Mosquitto) -> None:
    """Who subscribes later gets the last value of a retained topic at once, marked as retained."""
    play(mosquitto.port, hours=0.2, seconds=0.5, retained=["larkfield/cedar/temperature"])
    with listening(mosquitto.port) as got:
        wait_until(lambda: len(got) >= 1)
    assert [(m.topic, m.retain) for m in got] == [("larkfield/cedar/temperature", True)]


def test_a_missing_broker_is_said_plainly() -> None:
    """Host, port and reason."""
    with pytest.raises(NotPublished, match=r"no broker at 127\.0\.0\.1:\d+"):
        play(free_port(), hours=1, seconds=1)


def test_the_demonstration_s_broker_loses_nothing() -> None:
    """QoS 1 end to end, as fast as it goes: as many, the same, in order, and not a word on standard error."""
    garden = larkfield(7)
    expected = garden.step(garden.start + timedelta(hours=12))
    with EmbeddedBroker() as broker:
        with listening(broker.port) as got:
            connection = Connection(broker.host, broker.port)
            for message in expected:
                connection.publish(message)
            connection.settle()
            wait_until(lambda: len(got) >= len(expected))
            connection.close()
        assert broker.running
    assert connection.sent == connection.acknowledged == len(got) == len(expected)
    assert [m.payload for m in got] == [m.payload for m in expected]
    assert broker.said() == ""


def test_the_demonstration_s_broker_bears_clients_that_vanish() -> None:
    """Orderly or not, a client that leaves with messages under way leaves the broker running and silent."""
    with EmbeddedBroker() as broker:
        for orderly in (True, False, True, False):
            client = Client(CallbackAPIVersion.VERSION2, client_id="guest", clean_session=False)
            connected = threading.Event()
            client.on_connect = lambda *_, said=connected: said.set()
            client.connect("127.0.0.1", broker.port)
            client.loop_start()
            assert connected.wait(PATIENCE_S)
            client.subscribe("#", 1)
            for _ in range(100):
                client.publish("a/b", "x", 1)
            if orderly:
                client.disconnect()
            else:
                client.socket().close()
            client.loop_stop()
        with listening(broker.port) as got:
            assert play(broker.port, hours=0.5, seconds=1).sent <= 180 + 5
            wait_until(lambda: len([m for m in got if m.topic != "a/b"]) > 150)
        assert broker.running
    assert broker.said() == ""


def test_the_demonstration_s_broker_ends_with_its_block() -> None:
    """Nothing is left behind, and it can be told from outside."""
    with EmbeddedBroker() as broker:
        assert broker.running
        assert broker.pid
    assert not broker.running


def test_a_broker_that_can_t_start_says_why(monkeypatch: pytest.MonkeyPatch, mosquitto: Mosquitto) -> None:
    """On a port that is taken, somebody else is not mistaken for it, and what its process said is in the error."""
    monkeypatch.setattr("simulators.broker._free_port", lambda: mosquitto.port)
    with pytest.raises(BrokerDidNotStart, match="address already in use"), EmbeddedBroker():
        pass
