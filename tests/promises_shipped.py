"""What a store promises of what is still to be shipped: noted with every change, struck off only when delivered.

A store's test module subclasses these and says how the store opens.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from sensord.model import Entry, Gap, GapKind, Quantity, Standing, What
from sensord.ports import ChangeKind, ChangeWindow, Commit, Mark, Parked, Position, Sending, Tail
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
START_MS = 1_787_198_400_000


def everything(tail: Tail, limit: int = 5000, position: Position = Position()) -> list[ChangeWindow]:  # noqa: B008 (a tuple)
    """All windows from a position on."""
    found = []
    while (window := tail.window(position, limit)) is not None:
        found.append(window)
        position = window.after
    return found


def times(windows: list[ChangeWindow]) -> list[int]:
    """When the readings in them were measured [ms since the start]."""
    return [row[1] - START_MS for window in windows for row in window.readings]


class TailPromises:
    """`ports.Tail`, and `ports.Settles`."""

    def open_to_ship(self, folder: Path, destination: str) -> Any:
        """The store kept in this folder, which ships there; opened again, it is the same store."""
        raise NotImplementedError

    def tail_of(self, folder: Path, store: Any) -> Tail:
        """What is to be shipped of it."""
        raise NotImplementedError

    @pytest.fixture
    def store(self, tmp_path: Path) -> Iterator[Any]:
        with closing(self.open_to_ship(tmp_path, "somewhere")) as store:
            yield store

    @pytest.fixture
    def tail(self, tmp_path: Path, store: Any) -> Iterator[Tail]:
        with closing(self.tail_of(tmp_path, store)) as tail:
            yield tail

    def test_every_kind_of_change_is_noted(self, store: Any, tail: Tail) -> None:
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
        (window,) = everything(tail)
        assert [len(part) for part in window[1:]] == [36, 3, 1, 3, 1, 1, 1, 1]
        store.settle(window.after.change - 1, [], START)
        assert everything(tail) == []
        store.journal.commit(batch)
        store.journal.commit(Commit(START, messages=[a_message("one")]))
        assert [len(part) for w in everything(tail) for part in w[1:]] in ([], [0, 0, 0, 0, 0, 0, 0, 1])

    def test_what_changes_again_is_noted_again_once(self, store: Any, tail: Tail) -> None:
        """Whatever statement changes a row: it stands there once, as it is now, under its newest number."""
        gap = Gap(SITE, GapKind.SILENCE, LOW, START, None)
        for minutes in range(1, 4):
            store.journal.commit(Commit(START, [reading(60 * minutes, 20 + minutes)], gaps=[gap]))
            store.journal.summarise(START + timedelta(minutes=minutes))
            store.journal.commit(Commit(START, concerns=[a_concern(tellings=minutes)], messages=[a_message("one")]))
        store.journal.commit(Commit(START, sendings=[Sending("one", START, "gone", None)]))
        store.journal.commit(Commit(START, gaps=[gap._replace(ended_at=START + HOUR)]))
        (window,) = everything(tail)
        assert [len(part) for part in window[1:]] == [3, 1, 1, 1, 1, 0, 1, 1]
        assert window.hours[0][2:4] == (3, 21.0)
        assert window.concerns[0][1].tellings == 3
        assert window.messages[0][1].state == "undelivered"
        assert window.gaps[0][1].ended_at == START + HOUR

    def test_what_changes_while_it_is_sent_is_sent_again(self, store: Any, tail: Tail) -> None:
        """Settling what was read leaves what was changed after the reading."""
        store.journal.commit(Commit(START, [reading(0, 20)]))
        store.journal.summarise(START + HOUR)
        (window,) = everything(tail)
        store.journal.commit(Commit(START, [reading(60, 30)]))
        store.journal.summarise(START + HOUR)
        store.settle(window.after.change - 1, [], START)
        (again,) = everything(tail)
        assert times([again]) == [60_000]
        assert again.hours[0][2:6] == (2, 20.0, 1_787_198_400_000, 30.0)

    @pytest.mark.parametrize("limit", [1, 7, 50, 5000])
    def test_windows_leave_nothing_out(self, store: Any, tail: Tail, limit: int) -> None:
        """However small the windows, every reading is in one of them, in the order in which they came."""
        readings = afternoon(5, 300)
        for begin in range(0, len(readings), 11):
            store.journal.commit(Commit(START, readings[begin : begin + 11]))
        windows = everything(tail, limit)
        assert times(windows) == [round((r.measured_at - START).total_seconds() * 1000) for r in readings]
        assert all(len(w.readings) <= limit for w in windows)

    def test_the_backlog(self, store: Any, tail: Tail) -> None:
        """How many changes wait, since when the oldest reading among them is here, and when something was last delivered."""
        assert tail.backlog(Position()) == (0, None, None)
        late = reading(0, 20)._replace(received_at=START + 5 * HOUR)
        store.journal.commit(Commit(START, [late, reading(3600 * 6, 20)]))
        assert tail.backlog(Position()) == (2, START + 5 * HOUR, None)
        store.settle(1, [], START + 7 * HOUR)
        assert tail.backlog(Position()) == (1, START + 6 * HOUR + timedelta(milliseconds=250), START + 7 * HOUR)
        assert tail.backlog(Position(3)).changes == 0

    def test_nothing_is_pruned_that_was_not_shipped(self, store: Any, tail: Tail) -> None:
        """Old readings stay until they are delivered, and where they were refused; without shipping they may go at once."""
        store.journal.commit(Commit(START, afternoon(6)))
        store.journal.summarise(NEVER)
        assert store.journal.prune(START + 5 * HOUR) == 0
        series, at, *_ = everything(tail)[0].readings[7]
        refused = Parked(Mark(ChangeKind.READING, series, at), "reading …", "no")
        store.settle(180, [refused], START)  # the first three hours
        assert store.journal.prune(START + 5 * HOUR) == 179
        assert store.readings.series(LOW, TEMPERATURE, START, NEVER).times_s[0] == at / 1000
        store.settle(10**6, [], START)
        assert store.journal.prune(START + 5 * HOUR, most=30) == 30
        assert store.journal.prune(START + 5 * HOUR) == 30
        assert len(store.summaries.hours(LOW, TEMPERATURE, START, NEVER)) == 6

    def test_pruned_before_it_was_sent(self, store: Any, tail: Tail) -> None:
        """A note whose row is gone, or whose concern never opened, stands for nothing and harms nothing."""
        store.journal.commit(Commit(START, concerns=[a_concern(standing=Standing.FORMING, opened_at=None)]))
        store.journal.commit(
            Commit(START, concerns=[replace(a_concern(), standing=Standing.OVER, opened_at=None, over_at=START)])
        )
        (window,) = everything(tail)
        assert not any(window[1:])

    def test_numbers_never_come_again(self, tmp_path: Path) -> None:
        """After everything was struck off and the store was opened again, numbers go on: a shipper's place stays right."""
        with closing(self.open_to_ship(tmp_path, "x")) as store:
            store.journal.commit(Commit(START, afternoon(1)))
            store.settle(60, [], START)
        with closing(self.open_to_ship(tmp_path, "x")) as store, closing(self.tail_of(tmp_path, store)) as tail:
            store.journal.commit(Commit(START, [reading(7200, 20)]))
            assert times(everything(tail, position=Position(61))) == [7_200_000]
            assert everything(tail, position=Position(62)) == []

    def test_another_destination_gets_everything(self, tmp_path: Path) -> None:
        """Shipping that begins, or goes elsewhere, begins with all that is stored; nothing is noted where nothing ships."""
        with closing(self.open_to_ship(tmp_path, "")) as store:
            entry = Entry(SITE, START, START, ALDER, What.SHADED)
            store.journal.commit(Commit(START, afternoon(3, 300), entries=[entry]))
            store.journal.summarise(NEVER)
            store.journal.commit(Commit(START, concerns=[a_concern()], messages=[a_message("one")]))
            with closing(self.tail_of(tmp_path, store)) as tail:
                assert everything(tail) == []
        for destination, counts in (
            ("here", [[36, 3, 1, 3, 1, 1, 1, 0]]),
            ("here", []),
            ("there", [[36, 3, 1, 3, 1, 1, 1, 0]]),
        ):
            with (
                closing(self.open_to_ship(tmp_path, destination)) as store,
                closing(self.tail_of(tmp_path, store)) as tail,
            ):
                assert [[len(part) for part in w[1:]] for w in everything(tail)] == counts
                assert tail.backlog(Position()).oldest is None, "what was there before is not behind"
                store.settle(10**6, [], START)
        with closing(self.open_to_ship(tmp_path, "")) as store, closing(self.tail_of(tmp_path, store)) as tail:
            store.journal.commit(Commit(START, [reading(9000, 1)]))
            assert everything(tail) == []

    def test_what_was_refused_is_tried_again_at_the_next_start(self, tmp_path: Path) -> None:
        """Once: what was parked is noted anew, what was delivered is not."""
        with closing(self.open_to_ship(tmp_path, "x")) as store, closing(self.tail_of(tmp_path, store)) as tail:
            store.journal.commit(Commit(START, afternoon(1)))
            store.journal.summarise(NEVER)
            (window,) = everything(tail)
            series, at, *_ = window.readings[7]
            refused = [Parked(Mark(ChangeKind.READING, series, at), "reading …", "no")]
            refused.append(Parked(Mark(ChangeKind.HOUR, *window.hours[0][:2]), "hour …", "why"))
            store.settle(window.after.change - 1, refused, START)
            assert everything(tail) == []
        for waits in (True, False):
            with closing(self.open_to_ship(tmp_path, "x")) as store, closing(self.tail_of(tmp_path, store)) as tail:
                windows = everything(tail, position=window.after)
                assert [w.readings[0][:2] for w in windows if w.readings] == [(series, at)] * waits
                assert [hour for w in windows for hour in w.hours] == window.hours[:1] * waits
                store.settle(10**6, [], START)

    def test_a_thing_can_be_found_by_its_numbers(self, store: Any, tail: Tail) -> None:
        """Every series has its site, probe, quantity and steps; the newest reading is there, shipped or not."""
        assert not any(tail.newest()[1:])
        store.journal.commit(Commit(START, [reading(0, 20.5), reading(60, 21.25), reading(30, 0.5, HIGH)]))
        (window,) = everything(tail)
        found = tail.series()
        for (number, _, steps, *_), (probe, value) in zip(
            window.readings, ((LOW, 20.5), (LOW, 21.25), (HIGH, 0.5)), strict=True
        ):
            site, of, quantity, scale = found[number]
            assert (site, of, quantity, steps / scale) == (SITE, probe, TEMPERATURE, value)
        store.settle(10**6, [], START)
        (newest,) = tail.newest().readings
        assert (found[newest[0]][1], newest[1] / 1000) == (LOW, (START + timedelta(minutes=1)).timestamp())
