"""The whole daemon with a real broker and a real InfluxDB; what the loop does about shipping; what `check` says of it."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from sensord.adapters.clock import SteppedClock
from sensord.adapters.push import RecordingChannel
from sensord.adapters.sender import InlineSender
from sensord.commands import _build, _house, _shipping
from sensord.config import InfluxSettings
from sensord.model import Arrival, Quantity, Reading
from sensord.ports import Commit, Transient
from sensord.ports.tail import ChangeKind, Mark, Parked
from simulators import scenario
from tests.adapters.broker import Mosquitto
from tests.adapters.influx_servers import Front, Influxd
from tests.kept import kept, opened

START = datetime(2026, 8, 20, 16, 0, tzinfo=UTC)
HOUR = timedelta(hours=1)
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
path = "store.sqlite3"
[influx]
url = "{url}"
bucket = "{bucket}"
every_s = 1
timeout_s = 5
[[enclosure]]
name = "north"
width_m = 0.6
depth_m = 0.6
height_m = 0.9
own_mass_kg = 0.8
[[probe]]
name = "north-1"
place = "north"
topic = "garden/north"
form = "number"
reads = [{{ quantity = "temperature" }}]
"""


def until(holds: Callable[[], Any], seconds: float = 30) -> Any:
    """What comes of it, once it is something."""
    deadline = time.monotonic() + seconds
    while not (found := holds()):
        assert time.monotonic() < deadline
        time.sleep(0.1)
    return found


@pytest.mark.timeout(120)
def test_from_the_broker_to_influxdb(
    tmp_path: Path, mosquitto: Mosquitto, front: Front, influxd: Influxd, database: str
) -> None:
    """A reading that a probe publishes is in InfluxDB seconds later; a server that hangs keeps the daemon from nothing."""
    from paho.mqtt.client import Client
    from paho.mqtt.enums import CallbackAPIVersion

    config = tmp_path / "sensord.toml"
    config.write_text(CONFIG.format(port=mosquitto.port, url=front.url, bucket=database))
    (tmp_path / "secrets").mkdir()
    (tmp_path / "secrets" / "influx__token").write_text("from a file\n")
    command = [sys.executable, "-m", "sensord", "run", "--config", str(config), "--secrets", str(tmp_path / "secrets")]
    environment = {k: v for k, v in os.environ.items() if not k.startswith("SENSORD_")}
    client = Client(CallbackAPIVersion.VERSION2)
    client.connect("127.0.0.1", mosquitto.port)
    client.loop_start()
    with (tmp_path / "log").open("wb") as log:
        daemon = subprocess.Popen(command, stdout=log, stderr=log, env=environment)
    try:
        _watch_it(daemon, client, tmp_path / "log", front, influxd, database)
    finally:
        daemon.kill()
        daemon.wait()
        client.disconnect()
        client.loop_stop()


def _watch_it(daemon: Any, client: Any, log: Path, front: Front, influxd: Influxd, database: str) -> None:
    def publish_until(query: str) -> list[Any]:
        def stored() -> list[Any]:
            client.publish("garden/north", "21.5", qos=1)
            return influxd.rows(query, database)

        return until(stored)

    rows = publish_until("SELECT value, probe, site FROM reading LIMIT 1")
    assert rows[0][1:] == [21.5, "north-1", "garden"]
    assert front.tokens == {"Token from a file"}
    front.fault = "hang"
    until(lambda: b"not shipped: " in log.read_bytes())
    front.fault = ""
    until(lambda: b"shipping works again" in log.read_bytes())
    front.fault = "hang"
    client.publish("garden/north", "22.5", qos=1)
    until(lambda: front.holds)
    begin = time.monotonic()
    daemon.send_signal(signal.SIGTERM)
    assert daemon.wait(20) == 0
    assert time.monotonic() - begin < 8


class Inbox:
    """A reading every hour, and time in between."""

    def __init__(self, clock: SteppedClock, end: datetime) -> None:
        self._clock, self._end = clock, end

    def next_batch(self, until: datetime, limit: int) -> list[Arrival]:
        """Nothing comes; time passes."""
        self._clock.advance_to(until)
        return []

    def acknowledge(self, batch: Any) -> None:
        """Nothing."""

    def gaps(self) -> list[Any]:
        """None."""
        return []

    def close(self) -> None:
        """Nothing."""


class Fake:
    """Shipping that can't settle twice, is in trouble for a while, and behind all the time."""

    def __init__(self) -> None:
        self.trouble, self.unshipped_since, self.settled = "401 unauthorized", START - 3 * HOUR, 0

    def settle(self, now: datetime) -> None:
        """Fail at first."""
        self.settled += 1
        if self.settled <= 2:
            raise Transient("the disk is full")
        if now > START + 5 * HOUR:
            self.trouble = ""


def test_the_loop_collects_tells_and_prunes(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    """Being behind becomes a Minor concern with the server's words; a failing settle stops no turn; old readings go."""
    caplog.set_level("INFO", "sensord")
    built = _house.understood(scenario.configuration("larkfield"), scenario.HERE / "larkfield.toml")
    settings = built.settings.model_copy(update={"influx": InfluxSettings(url="http://x", raw_days_kept=30)})
    store = kept(tmp_path / "s.sqlite3", built.garden.site, durable=False)
    old = [
        Reading("larkfield", "birch-1", Quantity.TEMPERATURE, at, at, 20.0)
        for days in (40, 35, 31, 29, 1)
        for at in [START - timedelta(days=days)]
    ]
    store.journal.commit(Commit(START, old))
    clock, channel = SteppedClock(START), RecordingChannel()
    shipping = Fake()
    sender = InlineSender({"phone": channel, "stand-in": channel})
    inbox = Inbox(clock, START + 7 * HOUR)
    loop = _build.loop(replace(built, settings=settings), clock, inbox, store, sender, shipping=shipping)
    loop.run(until=START + 7 * HOUR)
    concern = next(c for c in store.concerns.standing() if c.rule == "shipping")
    assert concern.verdict.severity.word == "Minor"
    verdicts = [v for v in store.concerns.verdicts(START, START + 9 * HOUR) if v.rule == "shipping"]
    assert [v.reason for v in verdicts] == ["catching up", "behind"]
    assert verdicts[1].numbers["trouble"] == "401 unauthorized"
    assert [m.title for m in channel.messages if "database" in m.title] == ["The other database is not reached"]
    assert "401 unauthorized" in next(m.text for m in channel.messages if "database" in m.title)
    left = store.readings.series("birch-1", Quantity.TEMPERATURE, START - timedelta(days=99), START).times_s
    assert left == [r.measured_at.timestamp() for r in old[3:]]
    assert len(store.summaries.hours("birch-1", Quantity.TEMPERATURE, START - timedelta(days=99), START)) == 5
    assert store.facts.recall("shipping trouble") == ""
    texts = [r.getMessage() for r in caplog.records]
    assert any("not shipped: 401" in t for t in texts)
    assert any("shipping works again" in t for t in texts)
    store.close()


@pytest.fixture
def shipping_house(tmp_path: Path, front: Front, database: str) -> tuple[_house.OneGarden, Path]:
    """A configuration that ships, and a store with readings an hour old."""
    config = tmp_path / "sensord.toml"
    config.write_text(CONFIG.format(port=1883, url=front.url, bucket=database))
    built = _house.garden_in(config)
    path = _build.store_path(built.settings.store, config)
    store = opened(built, path)
    at = datetime.now(UTC) - 9 * HOUR
    store.journal.commit(Commit(START, [Reading("garden", "north-1", Quantity.TEMPERATURE, at, at, 20.0)]))
    store.close()
    return built, path


def test_check_tells(
    shipping_house: tuple[_house.OneGarden, Path], front: Front, influxd: Influxd, database: str, tmp_path: Path
) -> None:
    """Whether the server takes a reading, since when things wait, what was refused, and how large everything becomes."""
    built, path = shipping_house
    part, fine, text = _shipping.expected(built)[:3]
    assert (part, fine) == ("size", True)
    assert "1,440 readings a day" in text
    assert "kept for 400 days here: 13 MB" in text
    trial, waiting = _shipping.shipping(built, path)
    assert trial[:2] == ("influxdb", True)
    assert "took a reading" in trial[2]
    assert waiting[:2] == ("shipping", False)
    assert "1 change waits to be shipped, the oldest reading for 9.0 h" in waiting[2]
    front.fault = "401"
    trial, _ = _shipping.shipping(built, path)
    assert trial[1] is False
    assert "influx__token" in trial[2]
    store = opened(built, path)
    store.settle(9, [Parked(Mark(ChangeKind.HOUR, 1, 1), "hour,probe=x count=1 5", "conflict")], START)
    store.journal.commit(Commit(START, facts={"shipping trouble": "500 no"}))
    store.close()
    _, waiting, refused = _shipping.shipping(built, path)
    assert waiting[:3] == ("shipping", False, "0 changes wait to be shipped; last delivered 2026-08-20 12:00; 500 no")
    assert refused[1:3] == (False, "hour,probe=x count=1 5 at 2026-08-20 12:00: conflict")
    assert len(influxd.rows("SELECT value FROM reading", database)) == 1
    path.unlink()
    assert _shipping.shipping(built, path)[0][1] is True


def test_check_without_influxdb(tmp_path: Path) -> None:
    """Nothing of it is said where none is configured, but how large the store becomes is."""
    config = tmp_path / "sensord.toml"
    config.write_text(CONFIG.format(port=1, url="", bucket="b"))
    built = _house.garden_in(config)
    assert _shipping.shipping(built, tmp_path / "nothing") == []
    assert "all are kept" in _shipping.expected(built)[2]
    assert _build.shipper([built], tmp_path / "nothing", None, None) is None


def test_nothing_is_loaded_where_nothing_ships() -> None:
    """Neither the client's library nor what ships is imported by a daemon without [influx]: 23 MB."""
    code = (
        "import sys, json; import sensord.commands._live, sensord.adapters.sqlite, sensord.commands.check;"
        "print(json.dumps([m for m in sys.modules if 'influx' in m or m == 'reactivex']))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, check=True, text=True)
    assert json.loads(done.stdout) == []
