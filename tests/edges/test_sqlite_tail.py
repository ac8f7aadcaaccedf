"""The columns in memory are exactly what the database answers, and pay for themselves."""

from __future__ import annotations

import random
from collections.abc import Iterator
from contextlib import closing
from datetime import timedelta
from pathlib import Path

import pytest

from sensord.edges.sqlite import SqliteStore
from sensord.edges.sqlite_tail import LONGEST, MOST_SERIES
from sensord.model import Quantity
from sensord.ports import Batch, Transient
from tests.edges.test_sqlite import open_store
from tests.store_promises import HIGH, LOW, NEVER, SITE, START, reading

TEMPERATURE = Quantity.TEMPERATURE
MINUTE = timedelta(minutes=1)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    with closing(open_store(tmp_path)) as store:
        yield store


@pytest.mark.parametrize("seed", range(12))
def test_memory_and_database_agree(store: SqliteStore, tmp_path: Path, seed: int) -> None:
    """With late, repeated and doubtful readings, short columns and any windows, both give the same three columns."""
    dice = random.Random(seed)
    store._tail.longest = dice.choice([4, 16, 64])
    newest, from_memory = 0, 0
    with closing(SqliteStore.reader(tmp_path / "garden.sqlite3")) as database:
        for _ in range(400):
            newest += dice.choice([0, 1, 1, 2, 9])
            minutes = [max(0, newest - dice.choice([0, 0, 0, 1, 3, 20, 100])) for _ in range(dice.choice([1, 2, 7]))]
            probes = [dice.choice([LOW, HIGH]) for _ in minutes]
            store.add(
                Batch(
                    [
                        reading(60.0 * m, dice.randrange(400) / 10, probe, doubts=dice.choice([0, 0, 4]))
                        for m, probe in zip(minutes, probes, strict=True)
                    ]
                )
            )
            for probe in (LOW, HIGH):
                start = START + (newest - dice.choice([0, 2, 10, 40, 200])) * MINUTE
                end = start + dice.choice([1, 10, 40, 400]) * MINUTE
                found = store.readings(SITE, probe, TEMPERATURE, start, end)
                assert found == database.readings(SITE, probe, TEMPERATURE, start, end)
                number = store._number(SITE, probe, TEMPERATURE)
                if number is not None:
                    from_memory += store._tail.between(number[0], start.timestamp(), end.timestamp()) is not None
    assert from_memory > 100


def test_what_is_older_than_the_column_stays_out_of_it(store: SqliteStore) -> None:
    """Late readings from before its floor would make a column look complete further back than it is."""
    store._tail.longest = 4
    store.add(Batch([reading(s, s) for s in (50, 60, 100)]))
    assert store.readings(SITE, LOW, TEMPERATURE, START + timedelta(seconds=100), NEVER).values == [100]
    store.add(Batch([reading(s, s) for s in (10, 20, 30, 40)]))
    assert store.readings(SITE, LOW, TEMPERATURE, START + timedelta(seconds=40), NEVER).values == [40, 50, 60, 100]


def test_what_is_answered_is_the_callers_own(store: SqliteStore) -> None:
    """Changing an answer changes nothing in the store."""
    store.add(Batch([reading(0, 20)]))
    for column in store.readings(SITE, LOW, TEMPERATURE, START, NEVER):
        column.clear()
    assert store.readings(SITE, LOW, TEMPERATURE, START, NEVER).values == [20]


def test_memory_is_bounded(store: SqliteStore) -> None:
    """Neither a long series nor many series make it grow without end."""
    for day in range(8):
        store.add(Batch([reading(86400.0 * day + 60 * i, 20) for i in range(1440)]))
        store.readings(SITE, LOW, TEMPERATURE, START + timedelta(days=day), NEVER)
    assert max(len(column.times_s) for column in store._tail._columns.values()) <= LONGEST
    store.add(Batch([reading(0, 20, f"probe-{i}") for i in range(MOST_SERIES + 20)]))
    for i in range(MOST_SERIES + 20):
        assert store.readings(SITE, f"probe-{i}", TEMPERATURE, START, NEVER).values == [20]
    assert len(store._tail._columns) == MOST_SERIES


def test_what_was_rolled_back_is_not_remembered(store: SqliteStore, monkeypatch: pytest.MonkeyPatch) -> None:
    """After a failed commit memory holds nothing that the database does not."""
    store.add(Batch([reading(0, 20)]))
    assert store.readings(SITE, LOW, TEMPERATURE, START, NEVER).values == [20]
    store._db.execute("PRAGMA max_page_count = 1")  # from now on the disk is full
    with pytest.raises(Transient, match="full"):
        store.add(Batch([reading(i, 21, f"new-{i % 50}") for i in range(1, 5000)]))
    assert store.readings(SITE, LOW, TEMPERATURE, START, NEVER).values == [20]
    assert store.readings(SITE, "new-1", TEMPERATURE, START, NEVER).values == []
    store._db.execute("PRAGMA max_page_count = 1000000")
    assert store.add(Batch([reading(i, 21, "new-1") for i in range(9)])) == (9, 0, 0)
    assert store.readings(SITE, "new-1", TEMPERATURE, START, NEVER).values == [21] * 9
