"""What the store costs, as ratios to the bare database in the same run: they travel between machines, times do not.

    python -m pytest -s tests/bench/bench_store.py

Measured (x86_64, 2 cores, SQLite 3.40, CPython 3.11, ext4), best where the machine was busy:
    adding, batches of 500     6 µs a reading, 0.65 of the speed of executemany of rows prepared beforehand
    a minute of twelve series  0.4 ms to add without flushing, 0.3 ms a minute to summarise every ten
    size                       26 bytes a reading in all, of which 23 are the reading; 9 MB a probe and season
"""

from __future__ import annotations

import math
import os
import random
import sqlite3
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from statistics import median

import pytest

from sensord.adapters.sqlite_codec import SCALE
from sensord.adapters.sqlite_writer import insert_many
from sensord.model import Quantity, Reading, Site, milliseconds
from sensord.ports import Commit, Place
from tests.kept import Kept, kept

SITE = Site("larkfield", 41.5, -83.5, 190.0, "America/New_York")
PLACES = tuple(Place(name, (f"probe-{i}",), 11.5, 33.0) for i, name in enumerate(("alder", "birch", "cedar")))
START = datetime(2026, 6, 1, tzinfo=UTC)
PROBES = 6
QUANTITIES = (Quantity.TEMPERATURE, Quantity.HUMIDITY)
BATCH = 500

pytestmark = pytest.mark.slow


def readings(minutes: int, first: int = 0) -> list[Reading]:
    """Six probes, two quantities, one reading a minute, to hundredths; each message with its own two times."""
    dice = random.Random(first)
    found = []
    for minute in range(first, first + minutes):
        for probe in range(PROBES):
            at = START + timedelta(minutes=minute, seconds=7 * probe, microseconds=dice.randrange(10**6))
            received = at + timedelta(microseconds=dice.randrange(20_000, 400_000))
            values = (round(21 + 9 * math.sin(minute / 229) + dice.gauss(0, 0.1), 2), round(dice.uniform(0.3, 0.9), 4))
            found += [
                Reading(SITE.name, f"probe-{probe}", quantity, at, received, value, 0)
                for quantity, value in zip(QUANTITIES, values, strict=True)
            ]
    return found


def chunks(everything: list[Reading]) -> Iterator[list[Reading]]:
    """Batches as they come from the inbox under load."""
    for begin in range(0, len(everything), BATCH):
        yield everything[begin : begin + BATCH]


def rows(batch: Iterable[Reading]) -> list[tuple[int, int, int, int, int]]:
    """The same readings as rows, prepared."""
    return [
        (
            int(r.probe[-1]) * 2 + QUANTITIES.index(r.quantity) + 1,
            milliseconds(r.measured_at),
            round(r.value * SCALE[r.quantity]),
            0,
            milliseconds(r.received_at) - milliseconds(r.measured_at),
        )
        for r in batch
    ]


@contextmanager
def bare(path: Path) -> Iterator[sqlite3.Connection]:
    """The same table in a database of its own, flushed as carefully."""
    with closing(sqlite3.connect(path, isolation_level=None, check_same_thread=False)) as db:
        db.execute("PRAGMA journal_mode = WAL")
        db.execute("PRAGMA synchronous = FULL")
        db.execute(
            "CREATE TABLE reading (series INTEGER NOT NULL, measured_ms INTEGER NOT NULL, value ANY,"
            " doubts INTEGER NOT NULL, delay_ms INTEGER NOT NULL, PRIMARY KEY (series, measured_ms)) STRICT, WITHOUT ROWID"
        )
        yield db


def microseconds_each(work: Callable[[], object], count: int) -> float:
    """Time of a piece of work, for each of its parts [µs]."""
    begin = time.perf_counter()
    work()
    return (time.perf_counter() - begin) / count * 1e6


def executemany(db: sqlite3.Connection, batch: list[tuple[int, ...]]) -> None:
    """As anyone would."""
    db.execute("BEGIN IMMEDIATE")
    db.executemany("INSERT OR IGNORE INTO reading VALUES (?, ?, ?, ?, ?)", batch)
    db.execute("COMMIT")


@contextmanager
def a_busy_thread() -> Iterator[None]:
    """Another thread that computes and never waits, as the one that decodes messages nearly does under load."""
    stop = threading.Event()

    def compute() -> None:
        while not stop.is_set():
            sum(range(1000))

    thread = threading.Thread(target=compute)
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join()


def test_adding_costs_little_more_than_the_bare_database(tmp_path: Path) -> None:
    """Adding batches of 500, encoding and counting included, against executemany of prepared rows; alternating."""
    batches = list(chunks(readings(2500)))
    prepared = [rows(batch) for batch in batches]
    ours, theirs, statement = [], [], []

    def one_statement(db: sqlite3.Connection, flat: list[int]) -> None:
        db.execute("BEGIN IMMEDIATE")
        insert_many(db, "reading", 5, flat)
        db.execute("COMMIT")

    with (
        closing(kept(tmp_path / "garden.sqlite3", SITE, PLACES)) as store,
        bare(tmp_path / "many.sqlite3") as many,
        bare(tmp_path / "one.sqlite3") as one,
    ):
        for batch, raw in zip(batches, prepared, strict=True):
            flat = [number for row in raw for number in row]
            ours.append(microseconds_each(lambda batch=batch: store.journal.commit(Commit(START, batch)), BATCH))
            theirs.append(microseconds_each(lambda raw=raw: executemany(many, raw), BATCH))
            statement.append(microseconds_each(lambda flat=flat: one_statement(one, flat), BATCH))
        assert (
            store.connection.all("SELECT count(*), sum(value), sum(measured_ms % 1000) FROM reading")
            == many.execute("SELECT count(*), sum(value), sum(measured_ms % 1000) FROM reading").fetchall()
        )
    a, b, c = (median(times) for times in (ours, theirs, statement))
    print(f"\nadd {a:.1f} µs a reading (best {min(ours):.1f}); bare executemany {b:.1f}, one statement {c:.1f}", end="")
    print(f"; speed as a ratio to bare executemany {b / a:.2f} (best {min(theirs) / min(ours):.2f})")
    assert min(ours) < 3 * min(theirs)


def test_beside_a_busy_thread(tmp_path: Path) -> None:
    """With another thread computing, executemany lets go of the interpreter at every row, the store a few times a batch.

    How long it then waits is up to the scheduler, so this is shown and not asserted.
    """
    batches = list(chunks(readings(420)))[:10]
    with (
        closing(kept(tmp_path / "garden.sqlite3", SITE, PLACES)) as store,
        bare(tmp_path / "bare.sqlite3") as db,
        a_busy_thread(),
    ):
        ours, theirs = [], []
        for batch in batches:
            ours.append(microseconds_each(lambda batch=batch: store.journal.commit(Commit(START, batch)), BATCH))
            raw = rows(batch)
            theirs.append(microseconds_each(lambda raw=raw: executemany(db, raw), BATCH))
    print(f"\nbeside a busy thread: add {median(ours):.0f} µs a reading, executemany {median(theirs):.0f}")


def test_a_season_a_minute_at_a_time(tmp_path: Path) -> None:
    """Two days minute by minute with summaries every ten, as the loop does: what a replayed season costs."""
    minutes = 2 * 24 * 60
    everything = readings(minutes)
    each = PROBES * len(QUANTITIES)
    adding = summing = 0.0
    path = tmp_path / "garden.sqlite3"
    with closing(kept(path, SITE, PLACES, durable=False)) as store:
        for minute in range(minutes):
            batch = everything[minute * each : (minute + 1) * each]
            adding += microseconds_each(lambda batch=batch: store.journal.commit(Commit(START, batch)), 1)
            now = START + timedelta(minutes=minute + 1)
            if minute % 60 == 0:
                for probe in range(PROBES):
                    for quantity in QUANTITIES:
                        store.readings.series(f"probe-{probe}", quantity, now - timedelta(hours=24), now)
            if minute % 10 == 0:
                summing += microseconds_each(lambda now=now: store.journal.summarise(now), 1)
    print(f"\na minute: add {adding / minutes:.0f} µs, summarise every 10 minutes {summing / minutes:.0f} µs", end="")
    print(f"; 122 days: {122 * 1440 * adding / minutes / 1e6:.0f} s and {122 * 1440 * summing / minutes / 1e6:.0f} s")
    assert summing < 2 * adding


def test_size(tmp_path: Path) -> None:
    """Bytes a reading, in order of time as they come, with all that is derived."""
    path = tmp_path / "garden.sqlite3"
    count = 0
    with closing(kept(path, SITE, PLACES, durable=False)) as store:
        for day in range(14):
            everything = readings(1440, day * 1440)
            count += len(everything)
            for begin in range(0, len(everything), PROBES * 2 * 5):
                store.journal.commit(Commit(START, everything[begin : begin + PROBES * 2 * 5]))
            store.journal.summarise(START + timedelta(days=day + 1))
        pages = (
            dict(store.connection.all("SELECT name, sum(pgsize) FROM dbstat GROUP BY name ORDER BY 2 DESC LIMIT 4"))
            if has_dbstat(store)
            else {}
        )
    size = os.path.getsize(path)
    hours = count / (PROBES * 2) / 60
    print(
        f"\n{size / count:.1f} bytes a reading in all ({size / 1e6:.1f} MB for {count} readings, {hours:.0f} h) {pages}"
    )
    print(f"a probe and season (122 days, two quantities, one a minute): {size / count * 2 * 122 * 1440 / 1e6:.1f} MB")
    assert size / count < 40


def has_dbstat(store: Kept) -> bool:
    """Whether this SQLite can say which table takes how much."""
    return ("ENABLE_DBSTAT_VTAB",) in store.connection.all("PRAGMA compile_options")
