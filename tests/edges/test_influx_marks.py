"""What is still to be shipped is noted with every change, survives everything, and is struck off only when delivered."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from sensord.edges import sqlite_shipping
from sensord.edges.sqlite_unshipped import SqliteTail, parked
from sensord.model import Entry, Gap, GapKind, Quantity, Standing, What
from sensord.ports import Commit, Sending
from sensord.ports.tail import Kind, Mark, Parked, Position, Window
from tests.edges.test_sqlite import open_store
from tests.kept import Kept, to_ship
from tests.store_promises import (
    ALDER,
    HIGH,
    HOUR,
    LOW,
    NEVER,
    SITE,
    START,
    a_concern,
    a_message,
    afternoon,
    reading,
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


def everything(reader: SqliteTail, limit: int = 5000, position: Position = Position()) -> list[Window]:  # noqa: B008 (a tuple)
    """All windows from a position on."""
    found = []
    while (window := reader.window(position, limit)) is not None:
        found.append(window)
        position = window.after
    return found


def times(windows: list[Window]) -> list[int]:
    """When the readings in them were measured [ms since the start]."""
    return [row[1] - 1_787_198_400_000 for window in windows for row in window.readings]


def test_every_kind_of_change_is_noted(store: Kept, reader: SqliteTail) -> None:
    """Readings, summaries, tallies, concerns, entries, messages and gaps; what was there already is not noted again."""
    batch = Commit(
        START,
        afternoon(3, 300),
        entries=[Entry(SITE, START, START, ALDER, What.SHADED)],
        gaps=[Gap(SITE, GapKind.SILENCE, LOW, START, None)],
    )
    store.journal.commit(batch)
    store.journal.summarise(NEVER)
    store.journal.commit(Commit(START, concerns=[a_concern()], messages=[a_message("one")]))
    (window,) = everything(reader)
    assert [len(part) for part in window[1:]] == [36, 3, 1, 3, 1, 1, 1, 1]
    store.settle(window.after.change - 1, [], START)
    assert everything(reader) == []
    store.journal.commit(batch)
    store.journal.commit(Commit(START, messages=[a_message("one")]))
    assert [len(part) for w in everything(reader) for part in w[1:]] in ([], [0, 0, 0, 0, 0, 0, 0, 1])


def test_what_changes_again_is_noted_again_once(store: Kept, reader: SqliteTail) -> None:
    """Whatever statement changes a row: it stands there once, as it is now, under its newest number."""
    gap = Gap(SITE, GapKind.SILENCE, LOW, START, None)
    for minutes in range(1, 4):
        store.journal.commit(Commit(START, [reading(60 * minutes, 20 + minutes)], gaps=[gap]))
        store.journal.summarise(START + timedelta(minutes=minutes))
        store.journal.commit(Commit(START, concerns=[a_concern(tellings=minutes)], messages=[a_message("one")]))
    store.journal.commit(Commit(START, sendings=[Sending("one", START, "gone", None)]))
    store.journal.commit(Commit(START, gaps=[gap._replace(ended_at=START + HOUR)]))
    (window,) = everything(reader)
    assert [len(part) for part in window[1:]] == [3, 1, 1, 1, 1, 0, 1, 1]
    assert window.hours[0][2:4] == (3, 21.0)
    assert window.concerns[0][1].tellings == 3
    assert window.messages[0][1] == "undelivered"
    assert window.gaps[0][1].ended_at == START + HOUR


def test_noting_uses_the_index(store: Kept) -> None:
    """Striking out the older note is no search through all that waits."""
    (plan,) = store.connection.all(
        "EXPLAIN QUERY PLAN DELETE FROM changed WHERE kind <> 0 AND kind = 1 AND number = 2 AND at = 3"
    )
    assert "changed_once" in plan[3]


def test_what_changes_while_it_is_sent_is_sent_again(store: Kept, reader: SqliteTail) -> None:
    """Settling what was read leaves what was changed after the reading."""
    store.journal.commit(Commit(START, [reading(0, 20)]))
    store.journal.summarise(START + HOUR)
    (window,) = everything(reader)
    store.journal.commit(Commit(START, [reading(60, 30)]))
    store.journal.summarise(START + HOUR)
    store.settle(window.after.change - 1, [], START)
    (again,) = everything(reader)
    assert times([again]) == [60_000]
    assert again.hours[0][2:6] == (2, 20.0, 1_787_198_400_000, 30.0)


@pytest.mark.parametrize("limit", [1, 7, 50, 5000])
def test_windows_leave_nothing_out(store: Kept, reader: SqliteTail, limit: int) -> None:
    """However small the windows, every reading is in one of them, in the order in which they came."""
    readings = afternoon(5, 300)
    for begin in range(0, len(readings), 11):
        store.journal.commit(Commit(START, readings[begin : begin + 11]))
    windows = everything(reader, limit)
    assert times(windows) == [round((r.measured_at - START).total_seconds() * 1000) for r in readings]
    assert all(len(w.readings) <= limit for w in windows)


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


def test_numbers_never_come_again(tmp_path: Path) -> None:
    """After everything was struck off and the store was opened again, numbers go on: a shipper's place stays right."""
    with closing(open_store(tmp_path, ships_to="x")) as store:
        store.journal.commit(Commit(START, afternoon(1)))
        store.settle(60, [], START)
    with (
        closing(open_store(tmp_path, ships_to="x")) as store,
        closing(to_ship(tmp_path / "garden.sqlite3")) as r,
    ):
        store.journal.commit(Commit(START, [reading(7200, 20)]))
        assert [w.after for w in everything(r, position=Position(61))] == [Position(62)]


def test_another_destination_gets_everything(tmp_path: Path) -> None:
    """Shipping that begins, or goes elsewhere, begins with all that is stored; nothing is noted where nothing ships."""
    path = tmp_path / "garden.sqlite3"
    with closing(open_store(tmp_path)) as store:
        store.journal.commit(Commit(START, afternoon(3, 300), entries=[Entry(SITE, START, START, ALDER, What.SHADED)]))
        store.journal.summarise(NEVER)
        store.journal.commit(Commit(START, concerns=[a_concern()], messages=[a_message("one")]))
        assert store.connection.one("SELECT count(*) FROM changed") == (0,)
    for destination, counts in (
        ("here", [[36, 3, 1, 3, 1, 1, 1, 0]]),
        ("here", []),
        ("there", [[36, 3, 1, 3, 1, 1, 1, 0]]),
    ):
        with closing(open_store(tmp_path, ships_to=destination)) as store, closing(to_ship(path)) as reader:
            assert [[len(part) for part in w[1:]] for w in everything(reader)] == counts
            assert reader.backlog(Position()).oldest is None, "what was there before is not behind"
            store.settle(10**6, [], START)
    with closing(open_store(tmp_path)) as store:
        store.journal.commit(Commit(START, [reading(9000, 1)]))
        assert store.connection.one("SELECT count(*) FROM changed") == (0,)


def test_the_backlog(store: Kept, reader: SqliteTail) -> None:
    """How many changes wait, since when the oldest reading among them is here, and when something was last delivered."""
    assert reader.backlog(Position()) == (0, None, None)
    late = reading(0, 20)._replace(received_at=START + 5 * HOUR)
    store.journal.commit(Commit(START, [late, reading(3600 * 6, 20)]))
    assert reader.backlog(Position()) == (2, START + 5 * HOUR, None)
    store.settle(1, [], START + 7 * HOUR)
    assert reader.backlog(Position()) == (1, START + 6 * HOUR + timedelta(milliseconds=250), START + 7 * HOUR)
    assert reader.backlog(Position(3)).changes == 0


def test_nothing_is_pruned_that_was_not_shipped(store: Kept, reader: SqliteTail) -> None:
    """Old readings stay until they are delivered, and where they were refused; without shipping they may go at once."""
    store.journal.commit(Commit(START, afternoon(6)))
    store.journal.summarise(NEVER)
    assert store.journal.prune(START + 5 * HOUR) == 0
    series, at, *_ = everything(reader)[0].readings[7]
    refused = Parked(Mark(Kind.READING, series, at), "reading …", "no")
    store.settle(180, [refused], START)  # the first three hours
    assert store.journal.prune(START + 5 * HOUR) == 179
    assert store.readings.series(LOW, TEMPERATURE, START, NEVER).times_s[0] == at / 1000
    store.settle(10**6, [], START)
    assert store.journal.prune(START + 5 * HOUR, most=30) == 30
    assert store.journal.prune(START + 5 * HOUR) == 30
    assert len(store.summaries.hours(LOW, TEMPERATURE, START, NEVER)) == 6


def test_pruned_before_it_was_sent(store: Kept, reader: SqliteTail) -> None:
    """A note whose row is gone, or whose concern never opened, stands for nothing and harms nothing."""
    store.journal.commit(Commit(START, concerns=[a_concern(standing=Standing.FORMING, opened_at=None)]))
    store.journal.commit(
        Commit(START, concerns=[replace(a_concern(), standing=Standing.OVER, opened_at=None, over_at=START)])
    )
    (window,) = everything(reader)
    assert not any(window[1:])


def test_what_was_refused_is_kept_and_tried_again(tmp_path: Path) -> None:
    """With the server's words, cut; at most a thousand; and noted anew at the next start."""
    path = tmp_path / "garden.sqlite3"
    with closing(open_store(tmp_path, ships_to="x")) as store:
        store.journal.commit(Commit(START, afternoon(1)))
        store.journal.summarise(NEVER)
        many = [Parked(Mark(Kind.READING, 1, i), f"line {i}", "w" * 9000) for i in range(1500)]
        store.settle(10**6, many, START)
        store.settle(10**6, [Parked(Mark(Kind.HOUR, 1, 496_444), "hour …", "why")], START + HOUR)
        found = parked(store.connection, 5000)
        assert len(found) == 1000
        assert found[0] == (START + HOUR, "hour …", "why")
        assert len(found[1][2]) == 500
    with closing(open_store(tmp_path, ships_to="x")) as store, closing(to_ship(path)) as reader:
        assert parked(store.connection) == []
        assert reader.backlog(Position()).changes == 1000
