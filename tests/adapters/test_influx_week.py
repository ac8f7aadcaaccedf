"""A week in which everything happens to the database: every accepted reading is there exactly once, and no reading waited.

The week is played in seconds: the store takes in what the probes send, while the shipper on its own thread meets a server
that is killed, restarted, hangs, is slow, cuts the line before or after it has written, answers half, and refuses with
every status. In between the daemon itself stops without a word and starts again. Not to be had here: InfluxDB 2 and 3
themselves; see test_influx_writer.
"""

from __future__ import annotations

import random
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from sensord.adapters.influx import Shipper
from sensord.adapters.influx_reads import InfluxStore
from sensord.adapters.sqlite_unshipped import backlog, parked
from sensord.config import InfluxSettings
from sensord.model import Concern, Doubt, Entry, Quantity, Reading, Source, Standing, What
from sensord.ports import Commit
from tests.adapters.influx_servers import FAULTS, Front, Influxd, Victoria
from tests.adapters.shipped import shipper_of
from tests.adapters.test_sqlite import open_store
from tests.kept import Kept
from tests.store_promises import ALDER, BIRCH, HOUR, SITE, START, a_concern, a_message

PROBES = ("alder-low", "alder-high", "birch-low", "cedar-1", "post")
QUANTITIES = (Quantity.TEMPERATURE, Quantity.HUMIDITY)
STEP = timedelta(minutes=30)
PATIENCE_S = 60.0


def sent(days: int, seed: int) -> Iterator[list[Reading]]:
    """What arrives in each half hour: a reading every five minutes a series, one in thirty of them hours late."""
    dice = random.Random(seed)
    late: list[tuple[datetime, Reading]] = []
    for step in range(days * 48):
        begin = START + step * STEP
        batch = []
        for minutes in range(0, 30, 5):
            for probe in PROBES:
                at = begin + timedelta(minutes=minutes, milliseconds=dice.randrange(250_000))
                for quantity in QUANTITIES:
                    value = round(dice.uniform(8, 40), 2) if quantity is Quantity.TEMPERATURE else dice.random()
                    doubts = int(Doubt.JUMP) if dice.random() < 0.02 else 0
                    reading = Reading(SITE, probe, quantity, at, at + timedelta(milliseconds=180), value, doubts)
                    if dice.random() < 1 / 30:
                        due = at + timedelta(hours=dice.uniform(1, 40))
                        late.append((due, reading._replace(received_at=due)))
                    else:
                        batch.append(reading)
        batch += [reading for due, reading in late if due < begin + STEP]
        late = [pair for pair in late if pair[0] >= begin + STEP]
        yield batch
    yield [reading for _, reading in late]


class Garden:
    """A store with its shipper; it may be left in the middle of things and taken up again."""

    def __init__(self, folder: Path, settings: InfluxSettings) -> None:
        self.folder, self.settings = folder, settings
        self.longest_s = 0.0
        self.begin()

    def begin(self) -> None:
        """Start, as after a crash: nothing was settled."""
        self.store: Kept = open_store(self.folder, ships_to=self.settings.destination)
        self.shipper: Shipper = shipper_of(self.folder / "garden.sqlite3", self.store, self.settings)
        self.shipper.start()

    def leave(self) -> None:
        """Stop without settling."""
        assert self.shipper.close()
        self.store.close()

    def take(self, readings: list[Reading], now: datetime) -> None:
        """One half hour of the loop."""
        begin = time.monotonic()
        self.store.journal.commit(Commit(START, readings))
        if now.minute == 0:
            self.store.journal.summarise(now)
        if now.hour == 12 and now.minute == 0:
            self.store.journal.commit(
                Commit(now, concerns=[self.concern(now)], messages=[a_message(f"m{now.day}", now)])
            )
            self.store.journal.commit(Commit(START, entries=[Entry(SITE, now, now, "overheating/alder", What.DONE)]))
        self.shipper.settle(now)
        self.longest_s = max(self.longest_s, time.monotonic() - begin)

    @staticmethod
    def concern(now: datetime) -> Concern:
        """One that stands for four days and is then over, and another after it."""
        day = (now - START).days
        since = START + timedelta(days=day - day % 5)
        over = {"standing": Standing.OVER, "over_at": now} if day == 4 else {}
        return a_concern(now, opened_at=since, breached_since=since, tellings=1 + day, **over)

    def wait(self, now: datetime) -> None:
        """Until everything is shipped."""
        deadline = time.monotonic() + PATIENCE_S
        while time.monotonic() < deadline:
            self.shipper.settle(now)
            if backlog(self.store.connection).changes == 0:
                return
            time.sleep(0.05)
        raise AssertionError(f"{backlog(self.store.connection)}, {self.shipper.trouble}")


def play(garden: Garden, days: int, seed: int, mishap: Callable[[int], None]) -> datetime:
    """The whole span; `mishap` is told the half hour."""
    now = START
    for step, readings in enumerate(sent(days, seed)):
        mishap(step)
        now = START + step * STEP
        garden.take(readings, now)
        time.sleep(0.03)
    garden.store.journal.summarise(now + 48 * HOUR)
    return now


@pytest.mark.slow
@pytest.mark.timeout(280)
def test_a_week_of_everything(influxd_of_its_own: Influxd, tmp_path: Path) -> None:
    """Row by row, InfluxDB holds what SQLite holds, and nothing else; and it was called for every fault."""
    influxd = influxd_of_its_own
    dice = random.Random(20260820)
    with Front(influxd.port) as front:
        settings = InfluxSettings(url=front.url, bucket=influxd.make("week"), timeout_s=1, points_at_once=500)
        garden = Garden(tmp_path, settings)
        faults = list(FAULTS) * 2
        dice.shuffle(faults)

        def mishap(step: int) -> None:
            if step % 12 == 0:
                front.fault, front.largest = (faults.pop() if faults else ""), 2**40
            if step % 12 == 9:  # some hours of peace, in part with a server that takes little at once
                front.fault, front.largest = "", dice.choice([20_000, 2**40])
            if step in (50, 130, 260):
                influxd.kill()
            if step in (58, 131, 270):
                influxd.start()
            if step in (90, 200, 262):
                garden.leave()
                garden.begin()

        now = play(garden, 7, 1, mishap)
        front.fault, front.largest = "", 2**40
        garden.wait(now)
        assert set(front.seen) >= set(FAULTS)
        assert garden.longest_s < 2.0, "the loop waited for the network"
        assert parked(garden.store.connection) == []
        compare_readings(influxd, garden.store)
        compare_figures(InfluxStore(settings), garden.store)
        garden.leave()


def compare_readings(influxd: Influxd, store: Kept) -> None:
    """Every row of SQLite is one point, and there are no others."""
    rows = store.connection.all(
        "SELECT probe, quantity, measured_ms, doubts, delay_ms, value FROM reading JOIN series ON id = series ORDER BY 1, 2, 3"
    )
    scale = {"temperature": 1e4, "relative_humidity": 1e5}
    points = influxd.rows("SELECT probe, quantity, doubts, delay_s, value FROM reading", "week")
    found = sorted((probe, quantity, at, doubts, delay, value) for at, probe, quantity, doubts, delay, value in points)
    assert len(found) == len(rows) == 7 * 288 * 10
    assert found == [(p, q, at, doubts, delay / 1000, v / scale[q]) for p, q, at, doubts, delay, v in rows]


def compare_figures(distant: InfluxStore, store: Kept) -> None:
    """Hours, days, degree-days, concerns, entries and messages are the same."""
    remote = distant.of(SITE)
    end = datetime(2100, 1, 1, tzinfo=UTC)
    for probe in PROBES:
        for quantity in QUANTITIES:
            span = (probe, quantity, START, end)
            assert remote.summaries.hours(*span) == store.summaries.hours(*span) != []
            days = (probe, quantity, date(2026, 8, 1), date(2026, 9, 30))
            assert remote.summaries.days(*days) == store.summaries.days(*days) != []
            assert remote.readings.latest(*span[:2]) == store.readings.latest(*span[:2]) is not None
    for enclosure in (ALDER, BIRCH):
        assert remote.summaries.tally(enclosure, START, end) == store.summaries.tally(enclosure, START, end)
    for theirs, ours in (
        (remote.concerns.standing(), store.concerns.standing()),
        (remote.concerns.past(START, end), store.concerns.past(START, end)),
    ):
        assert len(theirs) == 1
        names = ("key", "standing", "opened_at", "breached_since", "over_at", "tellings", "peak")
        assert [[getattr(c, n) for n in names] for c in theirs] == [[getattr(c, n) for n in names] for c in ours]
    said = [
        e._replace(source=Source.MQTT) for e in store.entries.between(START, end)
    ]  # where it came from is not shipped
    assert remote.entries.between(START, end) == said != []
    assert [p.message.at for p in remote.outbox.between(START, end)] == [
        p.message.at for p in store.outbox.between(START, end)
    ]
    distant.close()


@pytest.mark.slow
@pytest.mark.timeout(200)
def test_three_days_with_another_server(tmp_path: Path) -> None:
    """VictoriaMetrics, written to without a proxy that maps: stopped and started, hanging, cut off; each reading is there.

    It keeps a point sent twice as two samples and a correction beside what it corrects, so only readings are compared, by
    time. What it acknowledged is in its memory for seconds, so it is stopped here and not killed.
    """
    with Victoria(tmp_path / "victoria") as victoria, Front(victoria.port, maps=False) as front:
        settings = InfluxSettings(url=front.url, bucket="any", timeout_s=1)
        garden = Garden(tmp_path, settings)
        faults = ["cut", "hang", "500", "half", "429", "deaf", "slow"]

        def mishap(step: int) -> None:
            if step % 18 == 0:
                front.fault = faults.pop() if faults else ""
            if step % 18 == 15:
                front.fault = ""
            if step == 60:
                victoria.stop()
            if step == 70:
                victoria.start()
                garden.leave()
                garden.begin()

        now = play(garden, 3, 2, mishap)
        front.fault = ""
        garden.wait(now)
        for probe in PROBES:
            kept = garden.store.readings.series(probe, Quantity.TEMPERATURE, START, datetime(2100, 1, 1, tzinfo=UTC))
            (series,) = victoria.export(f'{{__name__="reading_value",probe="{probe}",quantity="temperature"}}')
            found = dict(zip(series["timestamps"], series["values"], strict=True))
            assert sorted(found) == [round(t * 1000) for t in kept.times_s]
            assert [found[round(t * 1000)] for t in kept.times_s] == pytest.approx(kept.values, abs=1e-9)
        garden.leave()


def test_the_loop_goes_on_and_knows_why(tmp_path: Path) -> None:
    """With nobody there the trouble and the age of what waits are told; once a server is there, all of it goes."""
    with Influxd(tmp_path / "influxd") as influxd, Front(influxd.port) as front:
        influxd.make("b")
        influxd.kill()
        settings = InfluxSettings(url=front.url, bucket="b", timeout_s=1)
        garden = Garden(tmp_path, settings)
        garden.store.journal.commit(Commit(START, [Reading(SITE, "post", QUANTITIES[0], START, START + HOUR, 20.0)]))
        until(lambda: garden.shipper.unshipped_since == START + HOUR)
        assert "502" in garden.shipper.trouble
        influxd.start()
        garden.wait(START)
        until(lambda: garden.shipper.trouble == "" and garden.shipper.unshipped_since is None)
        assert influxd.rows("SELECT value FROM reading", "b") == [[1_787_198_400_000, 20.0]]
        garden.leave()


def test_a_store_that_cannot_be_read_is_told_and_stops_nothing(tmp_path: Path) -> None:
    """A defect anywhere in shipping is told like any trouble; the thread lives."""
    with closing(open_store(tmp_path, ships_to="x")) as store:
        shipper = shipper_of(tmp_path / "nowhere.sqlite3", store, InfluxSettings(url="http://127.0.0.1:9"))
        shipper.start()
        until(lambda: "no such store" in shipper.trouble)
        assert shipper.close()


def until(holds: Callable[[], bool]) -> None:
    """Wait for it."""
    deadline = time.monotonic() + 20
    while not holds():
        assert time.monotonic() < deadline
        time.sleep(0.02)


@pytest.fixture
def influxd_of_its_own(tmp_path: Path) -> Iterator[Influxd]:
    """One that may be killed."""
    with Influxd(tmp_path / "influxd") as server:
        yield server
