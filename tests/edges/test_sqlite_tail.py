"""The columns in memory are exactly what the database answers, and pay for themselves."""

from __future__ import annotations

import random
from collections.abc import Iterator
from contextlib import closing
from datetime import timedelta
from pathlib import Path

import pytest

from sensord.edges.sqlite_tail import LONGEST, MOST_SERIES
from sensord.model import Quantity
from sensord.ports import Commit, Transient
from tests.edges.test_sqlite import open_store
from tests.kept import Kept, read
from tests.store_promises import HIGH, LOW, NEVER, SITE, START, reading

TEMPERATURE = Quantity.TEMPERATURE
MINUTE = timedelta(minutes=1)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Kept]:
    with closing(open_store(tmp_path)) as store:
        yield store


@pytest.mark.parametrize("seed", range(12))
def test_memory_and_database_agree(store: Kept, tmp_path: Path, seed: int) -> None:
    """With late, repeated and doubtful readings, short columns and any windows, both give the same three columns."""
    dice = random.Random(seed)
    store.readings.newest.longest = dice.choice([4, 16, 64])
    newest, from_memory = 0, 0
    with closing(read(tmp_path / "garden.sqlite3", SITE)) as database:
        for _ in range(400):
            newest += dice.choice([0, 1, 1, 2, 9])
            minutes = [max(0, newest - dice.choice([0, 0, 0, 1, 3, 20, 100])) for _ in range(dice.choice([1, 2, 7]))]
            probes = [dice.choice([LOW, HIGH]) for _ in minutes]
            store.journal.commit(
                Commit(
                    START,
                    [
                        reading(60.0 * m, dice.randrange(400) / 10, probe, doubts=dice.choice([0, 0, 4]))
                        for m, probe in zip(minutes, probes, strict=True)
                    ],
                )
            )
            for probe in (LOW, HIGH):
                start = START + (newest - dice.choice([0, 2, 10, 40, 200])) * MINUTE
                end = start + dice.choice([1, 10, 40, 400]) * MINUTE
                found = store.readings.series(probe, TEMPERATURE, start, end)
                assert found == database.readings.series(probe, TEMPERATURE, start, end)
                number = store.readings._numbers.of(probe, TEMPERATURE)
                if number is not None:
                    from_memory += (
                        store.readings.newest.between(number[0], start.timestamp(), end.timestamp()) is not None
                    )
    assert from_memory > 100


def test_what_is_older_than_the_column_stays_out_of_it(store: Kept) -> None:
    """Late readings from before its floor would make a column look complete further back than it is."""
    store.readings.newest.longest = 4
    store.journal.commit(Commit(START, [reading(s, s) for s in (50, 60, 100)]))
    assert store.readings.series(LOW, TEMPERATURE, START + timedelta(seconds=100), NEVER).values == [100]
    store.journal.commit(Commit(START, [reading(s, s) for s in (10, 20, 30, 40)]))
    assert store.readings.series(LOW, TEMPERATURE, START + timedelta(seconds=40), NEVER).values == [40, 50, 60, 100]


def test_what_is_answered_is_the_callers_own(store: Kept) -> None:
    """Changing an answer changes nothing in the store."""
    store.journal.commit(Commit(START, [reading(0, 20)]))
    for column in store.readings.series(LOW, TEMPERATURE, START, NEVER):
        column.clear()
    assert store.readings.series(LOW, TEMPERATURE, START, NEVER).values == [20]


def test_memory_is_bounded(store: Kept) -> None:
    """Neither a long series nor many series make it grow without end."""
    for day in range(8):
        store.journal.commit(Commit(START, [reading(86400.0 * day + 60 * i, 20) for i in range(1440)]))
        store.readings.series(LOW, TEMPERATURE, START + timedelta(days=day, hours=12), NEVER)
    assert max(len(column.times_s) for column in store.readings.newest._columns.values()) <= LONGEST
    store.journal.commit(Commit(START, [reading(0, 20, f"probe-{i}") for i in range(MOST_SERIES + 20)]))
    for i in range(MOST_SERIES + 20):
        assert store.readings.series(f"probe-{i}", TEMPERATURE, START, NEVER).values == [20]
    assert len(store.readings.newest._columns) == MOST_SERIES


def test_what_was_rolled_back_is_not_remembered(store: Kept, monkeypatch: pytest.MonkeyPatch) -> None:
    """After a failed commit memory holds nothing that the database does not."""
    store.journal.commit(Commit(START, [reading(0, 20)]))
    assert store.readings.series(LOW, TEMPERATURE, START, NEVER).values == [20]
    store.connection.db.execute("PRAGMA max_page_count = 1")  # from now on the disk is full
    with pytest.raises(Transient, match="full"):
        store.journal.commit(Commit(START, [reading(i, 21, f"new-{i % 50}") for i in range(1, 5000)]))
    assert store.readings.series(LOW, TEMPERATURE, START, NEVER).values == [20]
    assert store.readings.series("new-1", TEMPERATURE, START, NEVER).values == []
    store.connection.db.execute("PRAGMA max_page_count = 1000000")
    assert store.journal.commit(Commit(START, [reading(i, 21, "new-1") for i in range(9)])) == (9, 0, 0)
    assert store.readings.series("new-1", TEMPERATURE, START, NEVER).values == [21] * 9
