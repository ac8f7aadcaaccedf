"""What is still to be shipped is noted with every change, survives everything, and is struck off only when delivered."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from sensord.adapters import sqlite_shipping
from sensord.adapters.sqlite_unshipped import SqliteTail, parked
from sensord.model import Quantity
from sensord.ports import Commit
from sensord.ports.tail import ChangeKind, Mark, Parked, Position
from tests.adapters.test_sqlite import open_store
from tests.kept import Kept, to_ship
from tests.promises_shipped import TailPromises, everything, times
from tests.store_promises import (
    HIGH,
    HOUR,
    NEVER,
    START,
    afternoon,
)

TEMPERATURE = Quantity.TEMPERATURE


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Kept]:
    """A store that ships."""
    with closing(open_store(tmp_path, ships_to="somewhere")) as store:
        yield store


@pytest.fixture
def reader(tmp_path: Path, store: Kept) -> Iterator[SqliteTail]:
    """The shipper's view of it."""
    with closing(to_ship(tmp_path / "garden.sqlite3")) as reader:
        yield reader


def test_noting_uses_the_index(store: Kept) -> None:
    """Striking out the older note is no search through all that waits."""
    (plan,) = store.connection.all(
        "EXPLAIN QUERY PLAN DELETE FROM changed WHERE kind <> 0 AND kind = 1 AND number = 2 AND at = 3"
    )
    assert "changed_once" in plan[3]


@pytest.mark.parametrize("limit", [10, 5000])
def test_what_waits_long_is_drawn_together(
    store: Kept, reader: SqliteTail, monkeypatch: pytest.MonkeyPatch, limit: int
) -> None:
    """Very many single readings become one note an hour and series; none is left out, nothing delivered is lost track of."""
    monkeypatch.setattr(sqlite_shipping, "DRAW_TOGETHER_AT", 400)
    first, second = afternoon(10), afternoon(10, probe=HIGH, seed=4)
    for pair in zip(first[:150], second[:150], strict=True):
        store.journal.commit(Commit(START, pair))
    (window,) = everything(reader, 100)[:1]
    place = window.after  # 100 readings are on their way
    for pair in zip(first[150:], second[150:], strict=True):
        store.journal.commit(Commit(START, pair))
    store.journal.summarise(NEVER)
    notes = store.connection.one("SELECT count(*) FROM changed WHERE kind = 0")[0]
    assert notes == 20
    assert sorted(set(times(everything(reader, limit)))) == sorted(
        {round((r.measured_at - START).total_seconds() * 1000) for r in first + second}
    )
    rest = {(row[0], row[1]) for w in everything(reader, limit, place) for row in w.readings}
    begun = {(row[0], row[1]) for row in window.readings}
    assert len(rest | begun) == 1200
    store.settle(place.change - 1, [], START)
    assert {(row[0], row[1]) for w in everything(reader, limit) for row in w.readings} | begun == rest | begun


def test_what_was_refused_is_kept_and_tried_again(tmp_path: Path) -> None:
    """With the server's words, cut; at most a thousand; and noted anew at the next start."""
    path = tmp_path / "garden.sqlite3"
    with closing(open_store(tmp_path, ships_to="x")) as store:
        store.journal.commit(Commit(START, afternoon(1)))
        store.journal.summarise(NEVER)
        many = [Parked(Mark(ChangeKind.READING, 1, i), f"line {i}", "w" * 9000) for i in range(1500)]
        store.settle(10**6, many, START)
        store.settle(10**6, [Parked(Mark(ChangeKind.HOUR, 1, 496_444), "hour …", "why")], START + HOUR)
        found = parked(store.connection, 5000)
        assert len(found) == 1000
        assert found[0] == (START + HOUR, "hour …", "why")
        assert len(found[1][2]) == 500
    with closing(open_store(tmp_path, ships_to="x")) as store, closing(to_ship(path)) as reader:
        assert parked(store.connection) == []
        assert reader.backlog(Position()).changes == 1000


class TestSqliteTail(TailPromises):
    """The suite of the port."""

    def open_to_ship(self, folder: Path, destination: str) -> Kept:
        return open_store(folder, ships_to=destination)

    def tail_of(self, folder: Path, store: Kept) -> SqliteTail:
        return to_ship(folder / "garden.sqlite3")
