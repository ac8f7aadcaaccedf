"""What is still to be shipped of a store in memory: `ports.Tail`, with the promises of the SQLite store's."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from datetime import datetime
from itertools import islice
from threading import RLock
from typing import Any, NamedTuple

from sensord.adapters.sqlite_codec import SCALE
from sensord.adapters.sqlite_shipping import LONGEST_WORDS, PARKED_KEPT
from sensord.model import Quantity, instant
from sensord.ports import Backlog, ChangeKind, ChangeWindow, Mark, Parked, Position

MemoryShipment = Callable[[Mark], tuple[Any, ...] | None]
"""A thing as it is now; None where it is gone."""

Known = tuple[Mark, MemoryShipment]


class RefusedPoints(NamedTuple):
    """What the other database did not take, and since when."""

    at: datetime
    parked: Parked


class MemoryTail:
    """`ports.Tail` and `ports.Settles`: the changes of all sites of a store, each under a number that only grows.

    All but readings stand there once, under their newest number; what they stand for is looked at when it is shipped.
    """

    def __init__(self) -> None:
        self._lock = RLock()
        self._destination = ""
        self._waiting: dict[int, Mark] = {}  # by change, ascending
        self._newest: dict[Mark, int] = {}
        self._looks: dict[tuple[int, int], MemoryShipment] = {}
        self._changes = self._history = self._numbers = 0
        self._settled_at: datetime | None = None
        self._series: dict[tuple[str, str, str], int] = {}
        self._last_of: dict[int, Callable[[], tuple[Any, ...] | None]] = {}
        self.parked: list[RefusedPoints] = []

    # --- numbers

    def new_number(self) -> int:
        """One that nothing else of this store has."""
        with self._lock:
            self._numbers += 1
            return self._numbers

    def number_of(self, site: str, probe: str, quantity: str, last: Callable[[], tuple[Any, ...] | None]) -> int:
        """Of a series; `last` is how to look at its newest reading."""
        with self._lock:
            key = (site, probe, quantity)
            if key not in self._series:
                self._series[key] = self.new_number()
                self._last_of[self._series[key]] = last
            return self._series[key]

    def series(self) -> dict[int, tuple[str, str, str, float]]:
        """Of every series by number: site, probe, quantity, and steps per unit."""
        return {number: (*key, SCALE[Quantity(key[2])]) for key, number in self._series.items()}

    # --- noting and striking off

    def ship_to(self, destination: str, everything: Callable[[], Iterable[Known]]) -> None:
        """Note from now on what changes, for this destination; one that is new is to get everything. "" ends it.

        What was refused is tried again once at each start.
        """
        with self._lock:
            again, self.parked = [r.parked.mark for r in self.parked], []
            if destination == self._destination:
                for mark in sorted(again, key=lambda m: m.kind == ChangeKind.READING):
                    self._note(mark)
                return
            self._waiting.clear()
            self._newest.clear()
            self._destination, self._settled_at = destination, None
            if destination:
                for mark, look in sorted(everything(), key=lambda known: (known[0].kind, known[0].at, known[0].number)):
                    self.note(mark, look)
            self._history = self._changes

    def note(self, mark: Mark, look: MemoryShipment) -> None:
        """It is there, or changed."""
        if self._destination:
            with self._lock:
                self._looks[mark.kind, mark.number] = look
                self._note(mark)

    def _note(self, mark: Mark) -> None:
        self._changes += 1
        if mark.kind != ChangeKind.READING:
            self._waiting.pop(self._newest.get(mark, 0), None)
            self._newest[mark] = self._changes
        self._waiting[self._changes] = mark

    def settle(self, upto: int, parked: Sequence[Parked], now: datetime) -> None:
        """Strike off what has been delivered, and keep what was refused for inspection: the newest 1000."""
        with self._lock:
            for change in [c for c in self._waiting if c <= upto]:
                mark = self._waiting.pop(change)
                if self._newest.get(mark) == change:
                    del self._newest[mark]
            self.parked += [RefusedPoints(now, p._replace(words=p.words[:LONGEST_WORDS])) for p in parked]
            del self.parked[:-PARKED_KEPT]
            self._settled_at = now

    # --- what must stay

    def unshipped_ms(self, site: str) -> int | None:
        """When the oldest reading of the site that waits was measured [ms]."""
        numbers = {number for key, number in self._series.items() if key[0] == site}
        with self._lock:
            waiting = self._waiting.values()
            return min((m.at for m in waiting if m.kind == ChangeKind.READING and m.number in numbers), default=None)

    def refused_ms(self, number: int) -> set[int]:
        """When the readings of a series were measured that the other database did not take [ms]."""
        marks = [r.parked.mark for r in self.parked]
        return {mark.at for mark in marks if mark.kind == ChangeKind.READING and mark.number == number}

    # --- what is next

    def window(self, position: Position, limit: int) -> ChangeWindow | None:
        """The next changes: at most `limit` things; None where nothing waits."""
        with self._lock:
            changes = list(islice((c for c in self._waiting if c >= position.change), limit))
            if not changes:
                return None
            found: list[list[Any]] = [[] for _ in ChangeKind]
            for change in changes:
                mark = self._waiting[change]
                look = self._looks.get((mark.kind, mark.number))
                row = look(mark) if look is not None else None
                if row is not None:
                    found[mark.kind].append((*row, change) if mark.kind == ChangeKind.READING else row)
            return ChangeWindow(Position(changes[-1] + 1), *found)

    def newest(self) -> ChangeWindow:
        """The newest reading of the first series, whether it was shipped or not."""
        found = (look() for look in self._last_of.values())
        rows = [row for row in found if row is not None][:1]
        return ChangeWindow(Position(), rows, [], [], [], [], [], [], [])

    def backlog(self, position: Position) -> Backlog:
        """What waits beyond a position."""
        with self._lock:
            waiting = [(change, mark) for change, mark in self._waiting.items() if change >= position.change]
            new = (m for c, m in waiting if c > self._history and m.kind == ChangeKind.READING)
            rows = (self._looks[mark.kind, mark.number](mark) for mark in new)
            oldest = next((instant(row[1] + row[4]) for row in rows if row is not None), None)
            return Backlog(len(waiting), oldest, self._settled_at)

    def close(self) -> None:
        """Nothing is to be closed."""
