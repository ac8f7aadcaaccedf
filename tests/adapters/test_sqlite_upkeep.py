"""Other definitions, pruning and backups: figures never mix, and nothing derived is lost."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from datetime import timedelta
from pathlib import Path

import pytest

from sensord.adapters.sqlite_codec import SCALE
from sensord.model import Arrival, Quantity, Site, State
from sensord.ports import Commit, Place, Transient
from tests.adapters.test_sqlite import open_store
from tests.kept import Kept, kept, read
from tests.store_promises import (
    ALDER,
    HOUR,
    LOW,
    LOWER_C,
    NEVER,
    SECOND,
    SITE,
    START,
    a_verdict,
    afternoon,
    assert_hours,
    assert_tally,
    reading,
    slow_degree_days,
)

TEMPERATURE = Quantity.TEMPERATURE


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Kept]:
    with closing(open_store(tmp_path)) as store:
        yield store


def total(store: Kept) -> float:
    """Degree-days of Alder."""
    return sum(hour.degree_days for hour in store.summaries.tally(ALDER, START, NEVER))


def test_every_quantity_has_a_scale() -> None:
    """A quantity that is added to the model must be added to the scales."""
    assert set(SCALE) == set(Quantity)


def test_thresholds_must_make_sense() -> None:
    """An upper threshold below the lower is refused when the place is made, not when it is counted."""
    with pytest.raises(ValueError, match="threshold"):
        Place(ALDER, (LOW,), 20.0, 10.0)


def test_another_definition_is_counted_anew(tmp_path: Path) -> None:
    """Other thresholds or probes give their own degree-days of everything stored; going back gives the old ones, complete."""
    site = Site(SITE, 41.5, -83.5, 190, "America/New_York")

    def count(*places: Place, readings: Commit | None = None) -> float:
        with closing(kept(tmp_path / "garden.sqlite3", site, places, durable=False)) as store:
            if readings is not None:
                store.journal.commit(readings)
            store.journal.summarise(NEVER)
            return total(store)

    usual = Place(ALDER, (LOW, SECOND), LOWER_C, 33.0)
    first, later = afternoon(5), [r for r in afternoon(9) if r.measured_at >= START + 5 * HOUR]
    before = count(usual, readings=Commit(START, [*first, *afternoon(5, probe=SECOND, seed=4)]))
    assert before == pytest.approx(slow_degree_days(first, START, NEVER)[0])
    assert count(Place(ALDER, (LOW, SECOND), -50.0, None)) > 2 * before
    assert count(Place(ALDER, (SECOND, LOW), LOWER_C, 33.0), readings=Commit(START, later)) != pytest.approx(
        before, rel=1e-6
    )
    assert count(usual) == pytest.approx(slow_degree_days([*first, *later], START, NEVER)[0])
    assert count() == pytest.approx(slow_degree_days([*first, *later], START, NEVER)[0])


def test_pruning_keeps_what_is_derived(store: Kept) -> None:
    """Raw readings go; summaries and degree-days stay as they were, also when more comes late for what was pruned."""
    readings = afternoon(30)
    store.journal.commit(Commit(START, readings))
    horizon = START + timedelta(hours=20, minutes=40)
    gone = [r for r in readings if r.measured_at < START + 19 * HOUR]
    assert store.journal.prune(horizon) == len(gone)
    assert store.journal.prune(horizon) == 0
    found = store.readings.series(LOW, TEMPERATURE, START - HOUR, NEVER)
    assert found.values == [r.value for r in readings[len(gone) :]]
    store.journal.summarise(NEVER)
    assert_hours(store, readings)
    assert_tally(store, readings)
    late = [reading(3600.0 * 5 + 1, 60), reading(3600.0 * 19 + 1, 60)]
    assert store.journal.commit(Commit(START, late)).stored == 2
    store.journal.summarise(NEVER)
    assert_hours(store, readings)
    new = reading(3600.0 * 20 + 1801, 60)
    store.journal.commit(Commit(START, [new]))
    store.journal.summarise(NEVER)
    assert_hours(store, [*readings, new])
    assert_tally(store, [*readings, new])


def test_pruning_stops_at_what_is_not_yet_summarised(store: Kept) -> None:
    """Hours that were touched are summarised before their readings go."""
    store.journal.commit(Commit(START, afternoon(6)))
    store.journal.prune(START + 99 * HOUR)
    assert store.readings.series(LOW, TEMPERATURE, START, NEVER).values == []
    assert_hours(store, afternoon(6))


def test_a_backup_is_whole_and_can_be_opened(store: Kept, tmp_path: Path) -> None:
    """Taken by the writer or a reader, while a transaction is open elsewhere, it is a store like the one it was taken from."""
    store.journal.commit(Commit(START, afternoon(3)))
    store.journal.summarise(NEVER)
    with closing(read(tmp_path / "garden.sqlite3", SITE)) as reader:
        store.connection.db.execute("BEGIN IMMEDIATE")
        store.connection.db.execute("DELETE FROM hour")
        reader.backup(tmp_path / "backup.sqlite3")
        store.connection.db.execute("ROLLBACK")
    (tmp_path / "other").mkdir()
    store.backup(tmp_path / "other" / "garden.sqlite3")
    for path in (tmp_path / "backup.sqlite3", tmp_path / "other" / "garden.sqlite3"):
        with closing(read(path, SITE)) as copy:
            assert copy.readings.series(LOW, TEMPERATURE, START, NEVER) == store.readings.series(
                LOW, TEMPERATURE, START, NEVER
            )
            assert copy.summaries.tally(ALDER, START, NEVER) == store.summaries.tally(ALDER, START, NEVER)
    with closing(open_store(tmp_path / "other")) as restored:
        assert restored.journal.commit(Commit(START, afternoon(4))).stored == 60
        restored.journal.summarise(NEVER)
        assert_tally(restored, afternoon(4))
    assert [p.name for p in tmp_path.glob("**/*.part")] == []


def test_a_backup_that_cannot_be_written_leaves_the_last_one(store: Kept, tmp_path: Path) -> None:
    """A failing backup is said, and the backup before it is still there."""
    target = tmp_path / "backup.sqlite3"
    store.backup(target)
    before = target.read_bytes()
    (tmp_path / "backup.sqlite3.part").mkdir()
    with pytest.raises((OSError, Transient)):
        store.backup(target)
    assert target.read_bytes() == before
    with pytest.raises(Transient):
        store.backup(tmp_path / "no such directory" / "backup.sqlite3")


def test_the_verdict_log_is_bounded_by_age(store: Kept) -> None:
    """Old changes go, but the last of each matter stays, so that the same verdict is not logged as a change."""
    for day in range(500):
        state = State.FINE if day % 2 else State.BREACH
        store.journal.commit(
            Commit(START + timedelta(days=day), verdicts=[a_verdict(START + timedelta(days=day), state=state)])
        )
    store.journal.commit(Commit(START, verdicts=[a_verdict(START, subject="old")]))
    end = START + timedelta(days=900)
    store.journal.commit(Commit(end, verdicts=[a_verdict(end, reason="new")]))
    store.journal.commit(Commit(end, verdicts=[a_verdict(end, subject="old")]))
    left = store.concerns.verdicts(START, NEVER)
    assert [(v.subject, v.at) for v in left if v.subject == "old"] == [("old", START)]
    assert all(v.at >= end - timedelta(days=400) for v in left if v.subject != "old")


def test_what_is_undated_is_bounded(tmp_path: Path) -> None:
    """Of each of the 65,535 packet identifiers the newest message is remembered, and none other."""
    with closing(open_store(tmp_path)) as store:
        for begin in range(0, 70_000, 700):
            at, numbers = START + timedelta(seconds=begin), range(begin, begin + 700)
            arrivals = [Arrival(at, "t", str(n).encode(), packet=n % 65_535 + 1) for n in numbers]
            store.journal.commit(Commit(START, undated=arrivals))
        assert store.connection.one("SELECT count(*) FROM undated") == (65_535,)
        again = Arrival(NEVER, "t", b"65534", redelivered=True, packet=65_535)
        assert store.journal.first_receipt(again) == START + timedelta(seconds=65_534 // 700 * 700)
        assert store.journal.first_receipt(again._replace(payload=b"65535", packet=1)) is not None
        assert store.journal.first_receipt(again._replace(payload=b"0", packet=1)) is None


def test_the_database_is_kept_as_it_should_be(tmp_path: Path) -> None:
    """WAL, flushed at every commit unless told otherwise, strict tables, readings without a second copy of their key."""
    with closing(open_store(tmp_path, durable=True)) as store:
        assert store.connection.one("PRAGMA journal_mode") == ("wal",)
        assert store.connection.one("PRAGMA synchronous") == (2,)
        assert store.connection.one("PRAGMA foreign_keys") == (1,)
        tables = store.connection.all(
            "SELECT name, strict, wr FROM pragma_table_list WHERE schema = 'main' AND name NOT LIKE 'sqlite_%'"
        )
        assert all(strict for _, strict, _ in tables)
        assert {name for name, _, without_rowid in tables if without_rowid} >= {
            "reading",
            "hour",
            "day",
            "tally",
            "touched",
        }
        with pytest.raises(sqlite3.IntegrityError):
            store.connection.db.execute("INSERT INTO tally VALUES (99, 1, 1.0, 1.0, 1.0, 1.0)")
