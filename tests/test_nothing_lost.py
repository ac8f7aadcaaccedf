"""kill -9 of the whole daemon, again and again, during a numbered stream: nothing lost, nothing twice."""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from sensord.model import Quantity
from tests.adapters.broker import Mosquitto
from tests.kept import read

KILLS = 22
CONFIG = """
[site]
name = "garden"
latitude_deg = 41.5
longitude_deg = -83.5
time_zone = "America/Detroit"
[broker]
host = "127.0.0.1"
port = {port}
[store]
path = "{store}"
[[enclosure]]
name = "north"
width_m = 0.6
depth_m = 0.6
height_m = 0.9
own_mass_kg = 0.8
[[probe]]
name = "dated"
place = "north"
topic = "garden/dated"
time = {{ pointer = "/at", form = "unix-ms" }}
reads = [{{ quantity = "pressure", pointer = "/n", unit = "Pa" }}]
[[probe]]
name = "undated"
place = "ambient"
topic = "garden/undated"
form = "number"
reads = [{{ quantity = "pressure", unit = "Pa" }}]
"""
FIRST = 30_000  # Pa: the number of a message is its value


class Stream:
    """Publishes numbered messages with QoS 1, on both topics, at a steady pace."""

    def __init__(self, port: int) -> None:
        from paho.mqtt.client import Client
        from paho.mqtt.enums import CallbackAPIVersion

        self.sent = 0
        self._start = datetime.now(UTC) - timedelta(hours=1)
        self._client = Client(CallbackAPIVersion.VERSION2, client_id="stream")
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()

    def wait_for_session(self, store: Path) -> None:
        """Until the daemon has heard something: what was published before it had a session is nobody's."""
        deadline = time.monotonic() + 30
        while time.monotonic() < deadline:
            self._client.publish("garden/undated", "is anybody there?", qos=1)
            time.sleep(0.2)
            if store.exists():
                reader = read(store, "garden")
                refused = reader.accounts.counters().get("refused", 0)
                reader.close()
                if refused:
                    return
        raise AssertionError("the daemon hears nothing")

    def publish(self, seconds: float, per_second: float = 150) -> None:
        """Go on for a while."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            at = int(self._start.timestamp() * 1000) + self.sent
            number = FIRST + self.sent
            self._client.publish("garden/dated", json.dumps({"n": number, "at": at}), qos=1)
            self._client.publish("garden/undated", str(number), qos=1)
            self.sent += 1
            time.sleep(1 / per_second)

    def close(self) -> None:
        """Wait until the broker has all of it."""
        self._client.publish("garden/end", "", qos=1).wait_for_publish(20)
        self._client.disconnect()
        self._client.loop_stop()


def daemon(config: Path) -> subprocess.Popen[bytes]:
    """The daemon as a keeper runs it, without a phone."""
    environment = {k: v for k, v in os.environ.items() if not k.startswith("SENSORD_")}
    command = [sys.executable, "-m", "sensord", "run", "--config", str(config)]
    with (config.parent / "daemon.log").open("ab") as log:
        return subprocess.Popen(command, stderr=log, stdout=log, env=environment)


def numbers(store: Any, probe: str) -> list[int]:
    """The numbers that were stored, in order of their time."""
    start, end = datetime(2020, 1, 1, tzinfo=UTC), datetime(2100, 1, 1, tzinfo=UTC)
    return [round(v) - FIRST for v in store.readings.series(probe, Quantity.PRESSURE, start, end).values]


@pytest.mark.slow
@pytest.mark.timeout(280)
def test_twenty_kills_lose_nothing_and_double_nothing(tmp_path: Path, mosquitto: Mosquitto) -> None:
    """After 22 kills at random moments every number is stored exactly once, with and without a time of its own."""
    config, path = tmp_path / "sensord.toml", tmp_path / "store.sqlite3"
    config.write_text(CONFIG.format(port=mosquitto.port, store=path))
    chance = random.Random(20260820)
    process = daemon(config)
    stream = Stream(mosquitto.port)
    stream.wait_for_session(path)
    for _ in range(KILLS):
        stream.publish(chance.uniform(0.3, 1.3))
        process.send_signal(signal.SIGKILL)
        process.wait()
        stream.publish(chance.uniform(0.0, 0.3))
        process = daemon(config)
        stream.publish(chance.uniform(0.8, 1.6))
    stream.close()
    reader = read(path, "garden")
    deadline = time.monotonic() + 60
    while time.monotonic() < deadline and len(numbers(reader, "undated")) < stream.sent:
        time.sleep(0.5)
    process.send_signal(signal.SIGTERM)
    assert process.wait(10) == 0, (tmp_path / "daemon.log").read_text()[-2000:]
    for probe in ("dated", "undated"):
        stored = numbers(reader, probe)
        assert sorted(stored) == list(range(stream.sent)), f"{probe}: {stream.sent} sent, {len(stored)} stored"
    assert stream.sent > 3000
    reader.close()
