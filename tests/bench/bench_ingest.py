"""Messages per second of the whole way in, against a client that only counts, from the same broker in the same run.

    python -m tests.bench.bench_ingest [MESSAGES]

Both read the same backlog of QoS 1 messages from mosquitto over loopback. The counting one is plain paho-mqtt with a
callback that adds one, acknowledging at once. Ours is the loop as it runs: it decodes, judges quality, stores with FULL
durability, takes in, and acknowledges after the commit. They take turns; the best of each counts, because the machine may
have other things to do. On a busy machine two threads suffer more than one: then only the share by processor time says
something.
"""

from __future__ import annotations

import gc
import json
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, NamedTuple

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

from sensord.adapters.broker import BrokerAccess
from sensord.adapters.clock import RealClock
from sensord.adapters.mqtt import MqttInbox
from sensord.adapters.sender import InlineSender
from sensord.commands import _build, _house
from sensord.model import Message
from tests.adapters.broker import Mosquitto
from tests.kept import opened

TARGET = 0.85
PROBES = 24


class Kindred(NamedTuple):
    """A form of message: how it is written, how a probe's configuration reads it, and how many readings it carries."""

    name: str
    write: Callable[[int, datetime], str]
    configured: str
    readings: int


def _json(number: int, at: datetime) -> str:
    return json.dumps({"temperature": 20 + number % 97 / 50, "humidity": 50 + number % 89 / 20})


def _dated(number: int, at: datetime) -> str:
    return json.dumps({"temperature": 20 + number % 97 / 50, "at": (at + timedelta(milliseconds=number)).isoformat()})


def _senml(number: int, at: datetime) -> str:
    seconds = round(at.timestamp() + number / 1000, 3)
    return json.dumps([{"bn": "urn:dev:a:", "n": "t", "u": "Cel", "v": 20 + number % 97 / 50, "t": seconds}])


def _number(number: int, at: datetime) -> str:
    return str(20 + number % 97 / 50)


def _read(quantity: str, pointer: str, unit: str) -> str:
    return f'{{ quantity = "{quantity}", pointer = "{pointer}", unit = "{unit}" }}'


WARMTH, DAMPNESS = _read("temperature", "/temperature", "°C"), _read("relative_humidity", "/humidity", "%")
BARE = '{ quantity = "temperature" }'
FORMS = {
    "number": Kindred("number", _number, f'form = "number"\nreads = [{BARE}]', 1),
    "json": Kindred("json", _json, f"reads = [{WARMTH}, {DAMPNESS}]", 2),
    "dated": Kindred("dated", _dated, f'time = {{ pointer = "/at" }}\nreads = [{WARMTH}]', 1),
    "senml": Kindred("senml", _senml, f'form = "senml"\nreads = [{BARE}]', 1),
}


def configuration(form: Kindred) -> str:
    """A garden with two probes in each of twelve places, one of them the post."""
    text = '[site]\nname = "lane"\nlatitude_deg = 41.5\nlongitude_deg = -83.5\ntime_zone = "America/Detroit"\n'
    for number in range(1, 12):
        text += f'[[enclosure]]\nname = "e{number}"\nwidth_m = 0.6\ndepth_m = 0.6\nheight_m = 0.9\nown_mass_kg = 1\n'
    for number in range(PROBES):
        place = f"e{number % 12}" if number % 12 else "ambient"
        text += f'[[probe]]\nname = "p{number}"\nplace = "{place}"\ntopic = "garden/{number}"\n{form.configured}\n'
    return text


def subscribe(settings: BrokerAccess) -> None:
    """Open a session that the broker will keep messages for."""
    ready = threading.Event()
    client = Client(CallbackAPIVersion.VERSION2, settings.client_id, clean_session=False)
    client.on_connect = lambda *_: client.subscribe([(topic, 1) for topic in settings.topics])
    client.on_subscribe = lambda *_: ready.set()
    client.connect(settings.host, settings.port)
    client.loop_start()
    assert ready.wait(10)
    client.disconnect()
    client.loop_stop()


def fill(settings: BrokerAccess, form: Kindred, messages: int) -> None:
    """The backlog."""
    client = Client(CallbackAPIVersion.VERSION2)
    client.max_inflight_messages_set(500)
    client.connect(settings.host, settings.port)
    client.loop_start()
    at = datetime.now(UTC)
    infos = [client.publish(f"garden/{n % PROBES}", form.write(n, at), qos=1) for n in range(messages)]
    for info in infos:
        info.wait_for_publish(120)
    client.disconnect()
    client.loop_stop()


def count_only(settings: BrokerAccess, messages: int) -> tuple[float, float]:
    """Seconds that a client takes that only counts, by the clock and by the processor."""
    seen = 0
    done = threading.Event()

    def on_message(*_: Any) -> None:
        nonlocal seen
        seen += 1
        if seen == messages:
            done.set()

    client = Client(CallbackAPIVersion.VERSION2, settings.client_id, clean_session=False)
    client.on_message = on_message
    client.connect(settings.host, settings.port)
    started, computed = time.perf_counter(), time.process_time()
    client.loop_start()
    assert done.wait(120), seen
    seconds = time.perf_counter() - started, time.process_time() - computed
    client.disconnect()
    client.loop_stop()
    return seconds


class Nobody:
    """A phone that takes everything."""

    name = "nobody"

    def send(self, message: Message) -> None:
        """Taken."""


class Watch:
    """How long the parts of the way take, on the loop's own thread."""

    def __init__(self) -> None:
        self.spent: dict[str, float] = {}

    def over(self, part: str, work: Callable[..., Any]) -> Callable[..., Any]:
        """The same work, timed."""

        def timed(*given: Any) -> Any:
            begun = time.perf_counter()
            try:
                return work(*given)
            finally:
                self.spent[part] = self.spent.get(part, 0.0) + time.perf_counter() - begun

        return timed


def take_in(
    settings: BrokerAccess, form: Kindred, messages: int, directory: Path
) -> tuple[tuple[float, float], dict[str, float]]:
    """Seconds of the whole way by the clock and by the processor, and where our own thread spent them."""
    config = directory / "sensord.toml"
    config.write_text(configuration(form))
    built, watch, clock = _house.garden_in(config), Watch(), RealClock(_build.RELEASED)
    store = opened(built, directory / "store.sqlite3")
    gc.collect()
    started, computed = time.perf_counter(), time.process_time()
    inbox = MqttInbox(settings, "lane", clock, subscribed=())
    loop = _build.loop(built, clock, inbox, store.parts, InlineSender({"phone": Nobody()}))
    loop.begin()
    inbox.next_batch = watch.over("wait", inbox.next_batch)  # type: ignore[method-assign]
    inbox.acknowledge = watch.over("acknowledge", inbox.acknowledge)  # type: ignore[method-assign]
    loop.store.journal.commit = watch.over("store", loop.store.journal.commit)  # type: ignore[method-assign]
    loop.reception.take = watch.over("understand", loop.reception.take)  # type: ignore[method-assign]
    begun, batches = time.perf_counter(), 0
    while loop.counts.arrivals < messages:
        batches += not loop.once()
    whole = time.perf_counter() - begun
    while inbox.status().acknowledged < messages:
        time.sleep(0.001)
    seconds = time.perf_counter() - started, time.process_time() - computed
    inbox.close()
    assert store.accounts.counters()["readings"] == messages * form.readings, store.accounts.counters()
    store.close()
    spent = {**watch.spent, "engine and loop": whole - sum(watch.spent.values())}
    return seconds, {name: s / messages * 1e6 for name, s in spent.items()} | {"per batch": messages / batches}


def measure(form: Kindred, messages: int, turns: int = 3) -> tuple[float, float]:
    """Our rate as a share of the counting client's, by the clock and by processor time."""
    bare: list[tuple[float, float]] = []
    full: list[tuple[float, float]] = []
    with tempfile.TemporaryDirectory() as name:
        directory = Path(name)
        with Mosquitto(directory / "broker") as broker:
            topics = ("garden/#",)
            for turn in range(turns):
                plain = BrokerAccess("127.0.0.1", broker.port, f"plain{turn}", topics=topics)
                ours = BrokerAccess("127.0.0.1", broker.port, f"ours{turn}", topics=topics)
                subscribe(plain)
                subscribe(ours)
                fill(plain, form, messages)
                (directory / str(turn)).mkdir()
                bare.append(count_only(plain, messages))
                seconds, spent = take_in(ours, form, messages, directory / str(turn))
                full.append(seconds)
                if turn == turns - 1:
                    parts = ", ".join(f"{part} {value:.1f}" for part, value in spent.items())
                    rates = f"{messages / bare[-1][0]:.0f}/s against {messages / full[-1][0]:.0f}/s"
                    print(f"  {form.name}: {rates}; µs a message: {parts}")
    by_clock, by_processor = (min(b[n] for b in bare) / min(f[n] for f in full) for n in (0, 1))
    return by_clock, by_processor


def main() -> int:
    """All forms; fails if any is below the target."""
    messages = int(sys.argv[1]) if len(sys.argv) > 1 else 20_000
    names = sys.argv[2:] or list(FORMS)
    ratios = {name: measure(FORMS[name], messages) for name in names}
    for name, (by_clock, by_processor) in ratios.items():
        print(
            f"ingest {name}: {by_clock:.2f} of a counting subscriber (target {TARGET}); by processor time {by_processor:.2f}"
        )
    return 0 if min(by_clock for by_clock, _ in ratios.values()) >= TARGET else 1


if __name__ == "__main__":
    sys.exit(main())
