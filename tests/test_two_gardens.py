"""Two gardens in one daemon, over a real broker: nothing lost, nothing twice, nothing mixed, and neither delays the other."""

from __future__ import annotations

import json
import random
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from statistics import median
from typing import Any

import pytest

from sensord.model import Quantity
from tests.adapters.broker import Mosquitto, free_port, program
from tests.conftest import Receiver
from tests.kept import read
from tests.test_nothing_lost import daemon

KILLS = 16
FLOOD = 40_000
SITES = ("larkfield", "school")
FIRST = {"larkfield": 30_000, "school": 60_000}  # Pa: the number of a message is its value; no number is both's
HOUSE = """
gardens = ["larkfield.toml", "school.toml"]
[broker]
host = "127.0.0.1"
port = {port}
[store]
path = "{store}"
"""
GARDEN = """
[site]
name = "{site}"
latitude_deg = 41.5
longitude_deg = -83.5
time_zone = "America/Detroit"
[[enclosure]]
name = "north"
width_m = 0.6
depth_m = 0.6
height_m = 0.9
own_mass_kg = 0.8
[[probe]]
name = "dated"
place = "north"
topic = "{site}/dated"
time = {{ pointer = "/at", form = "unix-ms" }}
reads = [{{ quantity = "pressure", pointer = "/n", unit = "Pa" }}]
[[probe]]
name = "undated"
place = "ambient"
topic = "{site}/undated"
form = "number"
reads = [{{ quantity = "pressure", unit = "Pa" }}]
"""
FAILING = """
import sys
from pathlib import Path
from sensord import loop
from sensord.commands import _watch
_watch.FIRST_PAUSE_S = _watch.LONGEST_PAUSE_S = 0.3
real, trouble = loop.step, Path(sys.argv.pop(1))
def step(given, state, event):
    if given.garden.site.name == "school" and trouble.exists() and state.counts.arrivals:
        raise RuntimeError("a defect")
    return real(given, state, event)
loop.step = step
from sensord.commands import _build
opened = _build.inbox
def inbox(built, *more):
    if built.name == "school" and trouble.with_name("closed").exists():
        raise RuntimeError("another defect")
    return opened(built, *more)
_build.inbox = inbox
from sensord.__main__ import main
main()
"""


class House:
    """The files of a house of two gardens, with what was published to each and what was stored of it."""

    def __init__(self, directory: Path, port: int) -> None:
        from paho.mqtt.client import Client
        from paho.mqtt.enums import CallbackAPIVersion

        self.port, self.directory, self.store = port, directory, directory / "store.sqlite3"
        self.config, self.log = directory / "sensord.toml", directory / "daemon.log"
        self.config.write_text(HOUSE.format(port=port, store=self.store))
        for site in SITES:
            self.file(site).write_text(GARDEN.format(site=site))
        self.sent = dict.fromkeys(SITES, 0)
        self._start_ms = round((datetime.now(UTC) - timedelta(hours=1)).timestamp() * 1000)
        self._client = Client(CallbackAPIVersion.VERSION2, client_id="stream")
        self._client.max_queued_messages_set(0)
        self._client.max_inflight_messages_set(500)
        if port:
            self._client.connect("127.0.0.1", port)
            self._client.loop_start()

    def file(self, site: str) -> Path:
        """The configuration of a garden."""
        return self.directory / f"{site}.toml"

    def publish(self, site: str, count: int = 1) -> Any:
        """The next numbered messages of a garden, each with and without a time of its own."""
        last = None
        for _ in range(count):
            number = FIRST[site] + self.sent[site]
            payload = json.dumps({"n": number, "at": self._start_ms + self.sent[site]})
            self._client.publish(f"{site}/dated", payload, qos=1)
            last = self._client.publish(f"{site}/undated", str(number), qos=1)
            self.sent[site] += 1
        return last

    def stream(self, seconds: float, per_second: float = 100) -> None:
        """Both gardens at a steady pace, for a while."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            for site in SITES:
                self.publish(site)
            time.sleep(1 / per_second)

    @contextmanager
    def flooding(self, site: str) -> Iterator[None]:
        """So many messages at once, by another client."""
        lines = "".join(f'{{"n": 70000, "at": {self._start_ms + n}}}\n' for n in range(FLOOD))
        command = [program("mosquitto_pub"), "-p", str(self.port), "-q", "1", "-t", f"{site}/dated", "-l"]
        with tempfile.TemporaryFile("w+") as file:
            file.write(lines)
            file.seek(0)
            with subprocess.Popen(command, stdin=file) as process:
                yield
                assert process.wait(30) == 0

    def readings(self, site: str) -> int:
        """How many readings of a garden were stored."""
        with closing(read(self.store, site)) as reader:
            return int(reader.accounts.counters().get("readings", 0))

    def stored(self, site: str, probe: str) -> list[int]:
        """The numbers that were stored of a probe."""
        start, end = datetime(2020, 1, 1, tzinfo=UTC), datetime(2100, 1, 1, tzinfo=UTC)
        with closing(read(self.store, site)) as reader:
            return [round(v) for v in reader.readings.series(probe, Quantity.PRESSURE, start, end).values]

    def count(self, site: str) -> int:
        """How many numbers of a garden were stored, of the probe that is behind."""
        return min(len(self.stored(site, probe)) for probe in ("dated", "undated"))

    def wait_for_sessions(self, *sites: str) -> None:
        """Until the daemon has heard of each garden: what was published before it had a session is nobody's."""
        for site in sites or SITES:

            def hears(site: str = site) -> bool:
                self._client.publish(f"{site}/undated", "is anybody there?", qos=1)
                if not self.store.exists():
                    return False
                with closing(read(self.store, site)) as reader:
                    return bool(reader.accounts.counters().get("refused", 0))

            assert until(hears), self.log.read_text()[-3000:]

    def holds_all(self) -> None:
        """Every number once, and none of the other garden's."""
        for site in SITES:
            for probe in ("dated", "undated"):
                stored = self.stored(site, probe)
                expected = range(FIRST[site], FIRST[site] + self.sent[site])
                assert sorted(stored) == list(expected), f"{site} {probe}: {self.sent[site]} sent, {len(stored)} stored"

    def close(self) -> None:
        """Wait until the broker has all of it."""
        self._client.publish("end", "", qos=1).wait_for_publish(30)
        self._client.disconnect()
        self._client.loop_stop()


def until(is_so: Callable[[], bool], seconds: float = 40, every_s: float = 0.2) -> bool:
    """Whether something becomes so in time."""
    deadline = time.monotonic() + seconds
    while time.monotonic() < deadline:
        if is_so():
            return True
        time.sleep(every_s)
    return is_so()


@pytest.fixture
def house(tmp_path: Path, mosquitto: Mosquitto) -> Iterator[House]:
    found = House(tmp_path, mosquitto.port)
    yield found
    found.close()


@contextmanager
def running(process: subprocess.Popen[bytes], house: House) -> Iterator[subprocess.Popen[bytes]]:
    """A daemon, which ends in order."""
    try:
        yield process
        process.send_signal(signal.SIGTERM)
        assert process.wait(15) == 0, house.log.read_text()[-3000:]
    finally:
        process.kill()
        process.wait()


@pytest.mark.slow
@pytest.mark.timeout(280)
def test_kills_lose_double_and_mix_nothing(house: House) -> None:
    """After 16 kills at random moments every number of both gardens is stored once, in its own garden."""
    chance = random.Random(20260821)
    process = daemon(house.config)
    house.wait_for_sessions()
    for _ in range(KILLS):
        house.stream(chance.uniform(0.3, 2.0))
        process.send_signal(signal.SIGKILL)
        process.wait()
        house.stream(chance.uniform(0.0, 0.3))
        process = daemon(house.config)
        house.stream(chance.uniform(0.8, 1.6))
    with running(process, house):
        until(lambda: all(house.count(site) >= house.sent[site] for site in SITES), 60, 0.5)
    house.holds_all()
    assert min(house.sent.values()) > 1500


@pytest.mark.slow
@pytest.mark.timeout(200)
def test_a_flooded_garden_does_not_delay_the_other(house: House) -> None:
    """While the school works off a flood, each measurement of Larkfield is stored long before the flood is over."""
    with running(daemon(house.config), house):
        house.wait_for_sessions()
        late_s: list[float] = []
        began_s = time.monotonic()
        with house.flooding("school"):
            while house.readings("school") < FLOOD:
                house.publish("larkfield").wait_for_publish(20)
                published_s, expected = time.monotonic(), 2 * house.sent["larkfield"]
                assert until(lambda expected=expected: house.readings("larkfield") >= expected, 30, 0.02)  # type: ignore[misc]
                late_s.append(time.monotonic() - published_s)
        lasted_s = time.monotonic() - began_s
    assert len(late_s) >= 8, "the flood was over before it could be measured"
    assert median(late_s) < lasted_s / 10, (late_s, lasted_s)
    assert max(late_s) < lasted_s / 3, (late_s, lasted_s)


@pytest.mark.slow
@pytest.mark.timeout(120)
def test_a_failing_garden_is_begun_anew_and_stops_no_other(house: House) -> None:
    """Its edges can't be opened; then its loop meets a defect, again and again. Larkfield stores on; nothing is lost."""
    trouble = house.directory / "trouble"
    command = [sys.executable, "-c", FAILING, str(trouble), "run", "--config", str(house.config)]
    closed = house.directory / "closed"
    closed.touch()
    with house.log.open("ab") as log:
        process = subprocess.Popen(command, stdout=log, stderr=log)
    with running(process, house):
        house.wait_for_sessions("larkfield")
        assert "school: its watch can't be begun" in house.log.read_text()
        closed.unlink()
        house.wait_for_sessions("school")
        trouble.touch()
        for failures in (1, 2, 3):
            house.stream(1.0, 20)
            assert until(lambda: house.count("larkfield") >= house.sent["larkfield"], 20)
            assert until(lambda n=failures: house.log.read_text().count("school: its watch failed") >= n)  # type: ignore[misc]
        assert "larkfield: its watch failed" not in house.log.read_text()
        assert house.count("school") < house.sent["school"]
        trouble.unlink()
        assert until(lambda: house.count("school") >= house.sent["school"], 30)
    house.holds_all()


def test_the_only_garden_ends_the_daemon(house: House) -> None:
    """Where nobody else is watched, the service manager begins anew: it ends with 1 and the defect in its log."""
    trouble = house.directory / "trouble"
    trouble.touch()
    shared = house.config.read_text().partition("[broker]")
    house.config.write_text(f"{GARDEN.format(site='school')}{shared[1]}{shared[2]}")
    command = [sys.executable, "-c", FAILING, str(trouble), "run", "--config", str(house.config)]
    with house.log.open("ab") as log:
        process = subprocess.Popen(command, stdout=log, stderr=log)
    assert until(lambda: house.publish("school") and process.poll() is not None)
    assert process.returncode == 1
    assert "RuntimeError: a defect" in house.log.read_text()


@pytest.mark.slow
@pytest.mark.timeout(120)
def test_a_misconfigured_garden_is_told_of_and_the_other_is_watched(house: House, receiver: Receiver) -> None:
    """Its own phone and the house's are told, once for all starts with the same mistakes; the log has every line."""
    school = house.file("school")
    push = f'[push]\nphone = ["{receiver.url}own"]\n'
    school.write_text(school.read_text().replace("41.5", "141.5").replace("[site]", f"{push}[site]"))
    house.config.write_text(f'{house.config.read_text()}[push]\nphone = ["{receiver.url}house"]\n')
    for start in range(2):
        with running(daemon(house.config), house):
            house.wait_for_sessions("larkfield")
            house.publish("larkfield")
            assert until(lambda: house.count("larkfield") >= house.sent["larkfield"], 10)
            assert receiver.wait_for(2, 20)
        assert house.log.read_text().count("not watched: ") == start + 1
    assert len(receiver.posts) == 2
    for post in receiver.posts:
        assert post["title"] == "school: nobody is watching"
        assert "site.latitude_deg: must be at least -90 and at most 90" in post["message"]
    school.write_text(school.read_text().replace('time_zone = "America/Detroit"', 'time_zone = "nowhere"'))
    with running(daemon(house.config), house):
        assert receiver.wait_for(4, 20), "other mistakes are told"


def test_a_house_without_a_sound_garden_does_not_start(tmp_path: Path) -> None:
    """It ends with 2 and every mistake of both."""
    house = House(tmp_path, 0)
    for site in SITES:
        house.file(site).write_text(GARDEN.format(site=site).replace("41.5", "141.5"))
    process = daemon(house.config)
    assert process.wait(30) == 2
    assert house.log.read_text().count("site.latitude_deg") == 2


@pytest.mark.slow
def test_the_page_shows_both_and_hands_entries_to_the_right_one(house: House) -> None:
    """Over HTTP: the list names both; a note about the school is the school's."""
    import httpx2

    port = free_port()
    house.config.write_text(f"{house.config.read_text()}[page]\nenabled = true\nport = {port}\n")
    with running(daemon(house.config), house):
        house.wait_for_sessions()
        with httpx2.Client(base_url=f"http://127.0.0.1:{port}") as browser:
            assert "/garden/larkfield/" in browser.get("/").text
            page = browser.get("/garden/school/").text
            token = page.partition('name="token" value="')[2].partition('"')[0]
            said = browser.post("/garden/school/say", data={"token": token, "once": "1", "act": "note||", "note": "hm"})
            assert said.status_code == 303, said.text
        for site, notes in (("school", ["hm"]), ("larkfield", [])):
            with closing(read(house.store, site)) as reader:
                day = timedelta(days=1)
                now = datetime.now(UTC)
                assert [e.text for e in reader.entries.between(now - day, now + day)] == notes
