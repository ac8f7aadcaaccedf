"""Messages per second of the whole way in, against a client that only counts, from the same broker in the same run.

    python -m tests.bench.bench_ingest [MESSAGES]

Both read the same backlog of QoS 1 messages from mosquitto over loopback. The counting one is plain paho-mqtt with a
callback that adds one, acknowledging at once. Ours decodes, judges quality, stores with FULL durability, and acknowledges
after the commit. They take turns; the best of each counts, because the machine may have other things to do. On a busy
machine two threads suffer more than one: then only the share by processor time says something.
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

from sensord.edges.broker import BrokerSettings
from sensord.edges.clock import RealClock
from sensord.edges.mqtt import MqttInbox
from sensord.model import AMBIENT, Arrival, Enclosure, Form, Kind, Probe, Quantity, Reading, Recipe, Refusal, Site
from sensord.payload import Decoder
from sensord.ports import Commit
from sensord.quality import Assessor
from tests.edges.broker import Mosquitto
from tests.kept import kept

TARGET = 0.7
BATCH = 500
PROBES = 24
SITE = Site("lane", 41.5, -83.5, 190.0, "America/Detroit")
FLOOR = datetime(2026, 1, 1, tzinfo=UTC)


class Kindred(NamedTuple):
    """A form of message: how it is written, how it is read, and how many readings it carries."""

    name: str
    write: Callable[[int, datetime], str]
    recipes: Callable[[str, str], list[Recipe]]
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


T, H = Quantity.TEMPERATURE, Quantity.HUMIDITY
FORMS = {
    "number": Kindred("number", _number, lambda p, t: [Recipe("lane", p, t, Form.NUMBER, T)], 1),
    "json": Kindred(
        "json",
        _json,
        lambda p, t: [
            Recipe("lane", p, t, Form.JSON, T, "°C", "/temperature"),
            Recipe("lane", p, t, Form.JSON, H, "%", "/humidity"),
        ],
        2,
    ),
    "dated": Kindred(
        "dated", _dated, lambda p, t: [Recipe("lane", p, t, Form.JSON, T, "°C", "/temperature", time_pointer="/at")], 1
    ),
    "senml": Kindred("senml", _senml, lambda p, t: [Recipe("lane", p, t, Form.SENML, T)], 1),
}


def subscribe(settings: BrokerSettings) -> None:
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


def fill(settings: BrokerSettings, form: Kindred, messages: int) -> None:
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


def count_only(settings: BrokerSettings, messages: int) -> float:
    """Seconds that a client takes that only counts."""
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
    started = time.perf_counter()
    client.loop_start()
    assert done.wait(120), seen
    seconds = time.perf_counter() - started
    client.disconnect()
    client.loop_stop()
    return seconds


def take_in(settings: BrokerSettings, form: Kindred, messages: int, directory: Path) -> tuple[float, dict[str, float]]:
    """Seconds of the whole way, and where our own thread spent them."""
    probes = [
        Probe("lane", f"p{i}", AMBIENT if i == 0 else f"e{i % 12}", "SHT4x", frozenset({T, H}), 60)
        for i in range(PROBES)
    ]
    places = [
        Enclosure("lane", f"e{i}", "", Kind.OPEN_MESH, 0.6, 0.6, 0.9, 1, 4, False, 0.5, 0.5, False, False)
        for i in range(12)
    ]
    decoder = Decoder([r for i in range(PROBES) for r in form.recipes(f"p{i}", f"garden/{i}")])
    assessor = Assessor(probes, places, SITE)
    store = kept(directory / "store.sqlite3", SITE)
    spent = dict.fromkeys(("wait", "decode", "assess", "store", "acknowledge"), 0.0)
    gc.collect()
    started = time.perf_counter()
    inbox = MqttInbox(settings, "lane", RealClock(FLOOR), subscribed=())
    taken = batches = 0
    while taken < messages:
        a = time.perf_counter()
        batch = inbox.next_batch(datetime.now(UTC) + timedelta(seconds=30), BATCH)
        b = time.perf_counter()
        readings: list[Reading] = []
        refusals: list[Refusal] = []
        undated: list[Arrival] = []
        for arrival in batch:
            decoded = decoder.decode(arrival)
            readings += decoded.readings
            refusals += decoded.refusals
            if decoded.undated:
                undated.append(arrival)
        c = time.perf_counter()
        readings = assessor.assess(readings)
        d = time.perf_counter()
        store.journal.commit(Commit(datetime.now(UTC), readings, refusals, undated=undated))
        e = time.perf_counter()
        inbox.acknowledge(batch)
        f = time.perf_counter()
        taken += len(batch)
        batches += 1
        for name, seconds in zip(spent, (b - a, c - b, d - c, e - d, f - e), strict=True):
            spent[name] += seconds
    while inbox.status().acknowledged < messages:
        time.sleep(0.001)
    seconds = time.perf_counter() - started
    inbox.close()
    assert store.accounts.counters()["readings"] == messages * form.readings, store.accounts.counters()
    store.close()
    return seconds, {name: s / messages * 1e6 for name, s in spent.items()} | {"per batch": messages / batches}


def measure(form: Kindred, messages: int, turns: int = 3) -> tuple[float, float]:
    """Our rate as a share of the counting client's, by the clock and by processor time."""
    bare: list[float] = []
    full: list[float] = []
    bare_cpu: list[float] = []
    full_cpu: list[float] = []
    with tempfile.TemporaryDirectory() as name:
        directory = Path(name)
        with Mosquitto(directory / "broker") as broker:
            topics = ("garden/#",)
            for turn in range(turns):
                plain = BrokerSettings("127.0.0.1", broker.port, f"plain{turn}", topics=topics)
                ours = BrokerSettings("127.0.0.1", broker.port, f"ours{turn}", topics=topics)
                subscribe(plain)
                subscribe(ours)
                fill(plain, form, messages)
                (directory / str(turn)).mkdir()
                marks = [time.process_time()]
                bare.append(count_only(plain, messages))
                marks.append(time.process_time())
                seconds, spent = take_in(ours, form, messages, directory / str(turn))
                marks.append(time.process_time())
                full.append(seconds)
                bare_cpu.append(marks[1] - marks[0])
                full_cpu.append(marks[2] - marks[1])
                if turn == turns - 1:
                    parts = ", ".join(f"{part} {value:.1f}" for part, value in spent.items())
                    print(
                        f"  {form.name}: {messages / bare[-1]:.0f}/s against {messages / full[-1]:.0f}/s; µs a message: {parts}"
                    )
    return min(bare) / min(full), min(bare_cpu) / min(full_cpu)


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
