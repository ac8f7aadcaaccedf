"""Readings in memory: what the SQLite store keeps in its table, with the same identity and the same steps of a value."""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Iterable, Iterator
from collections.abc import Set as AbstractSet
from datetime import datetime
from functools import partial
from typing import Any, NamedTuple

from sensord.adapters.memory_tail import Known, MemoryTail
from sensord.adapters.sqlite_codec import SCALE, ceil_ms, steps_from_value, value_from_steps
from sensord.adapters.sqlite_spans import slots_of
from sensord.model import Gap, Quantity, Reading, instant, milliseconds
from sensord.ports import ChangeKind, Mark, Series, Slot

SeriesKey = tuple[str, str]
"""Probe and quantity."""


class KeptRow(NamedTuple):
    """A reading as it is kept."""

    key: SeriesKey
    measured_ms: int
    value: float
    doubts: int
    delay_ms: int


def row_of(site: str, reading: Reading) -> KeptRow:
    """What is kept of a reading; its identity is its series and time to the millisecond."""
    if reading.site != site:
        raise ValueError(f"{site}: a reading of {reading.site} does not belong here")
    measured_ms = milliseconds(reading.measured_at)
    scale = SCALE[reading.quantity]
    value = value_from_steps(steps_from_value(reading.value, scale), scale)
    delay_ms = milliseconds(reading.received_at) - measured_ms
    return KeptRow((reading.probe, reading.quantity), measured_ms, value, int(reading.doubts), delay_ms)


class KeptColumn:
    """The readings of one series, ascending."""

    __slots__ = ("delays_ms", "doubts", "times_ms", "values")

    def __init__(self) -> None:
        self.times_ms: list[int] = []
        self.values: list[float] = []
        self.doubts: list[int] = []
        self.delays_ms: list[int] = []

    def put(self, row: KeptRow) -> bool:
        """Take it in unless one of that time is there; whether it was."""
        index = len(self.times_ms)
        if index and row.measured_ms <= self.times_ms[-1]:
            index = bisect_left(self.times_ms, row.measured_ms)
            if self.times_ms[index] == row.measured_ms:
                return False
        self.times_ms.insert(index, row.measured_ms)
        self.values.insert(index, row.value)
        self.doubts.insert(index, row.doubts)
        self.delays_ms.insert(index, row.delay_ms)
        return True

    def between(self, start_ms: int, end_ms: int) -> Series:
        """Those with start <= time < end."""
        first, last = bisect_left(self.times_ms, start_ms), bisect_left(self.times_ms, end_ms)
        times_s = [ms / 1000 for ms in self.times_ms[first:last]]
        return Series(times_s, self.values[first:last], self.doubts[first:last])

    def drop(self, before_ms: int, most: int, but: AbstractSet[int]) -> int:
        """Forget the oldest, `most` at most, that were measured before, but for some; returns how many."""
        gone = [n for n in range(bisect_left(self.times_ms, before_ms)) if self.times_ms[n] not in but][:most]
        for index in reversed(gone):
            for column in (self.times_ms, self.values, self.doubts, self.delays_ms):
                del column[index]
        return len(gone)


class MemoryReadings:
    """`ports.Readings` of one site."""

    def __init__(self, site: str, tail: MemoryTail) -> None:
        self._site, self._tail = site, tail
        self.columns: dict[SeriesKey, KeptColumn] = {}
        self._keys: dict[int, SeriesKey] = {}
        self._gaps: dict[int, Gap] = {}

    def put(self, rows: Iterable[KeptRow]) -> list[KeptRow]:
        """Take in what was committed; returns what is new."""
        new = [row for row in rows if self.columns.setdefault(row.key, KeptColumn()).put(row)]
        for row in new:
            self._tail.note(Mark(ChangeKind.READING, self.number_of(row.key), row.measured_ms), self._reading)
        return new

    def put_gap(self, gap: Gap) -> None:
        """A gap known already is given its end; a second open one of the same kind and subject is the first one still."""
        number = None
        for index, known in self._gaps.items():
            if (known.kind, known.subject, known.started_at) == (gap.kind, gap.subject, gap.started_at):
                number, gap = index, gap._replace(ended_at=known.ended_at or gap.ended_at)
                break
            if gap.ended_at is known.ended_at is None and (known.kind, known.subject) == (gap.kind, gap.subject):
                return
        number = self._tail.new_number() if number is None else number
        self._gaps[number] = gap
        self._tail.note(Mark(ChangeKind.GAP, number, 0), self._gap)

    # --- to be shipped

    def number_of(self, key: SeriesKey) -> int:
        """Under which the series is shipped."""
        number = self._tail.number_of(self._site, *key, partial(self._last, key))
        self._keys[number] = key
        return number

    def everything(self) -> Iterator[Known]:
        """All that there is to ship."""
        for key, column in self.columns.items():
            number = self.number_of(key)
            yield from ((Mark(ChangeKind.READING, number, at), self._reading) for at in column.times_ms)
        yield from ((Mark(ChangeKind.GAP, number, 0), self._gap) for number in self._gaps)

    def _reading(self, mark: Mark) -> tuple[Any, ...] | None:
        column = self.columns[self._keys[mark.number]]
        index = bisect_left(column.times_ms, mark.at)
        is_there = index < len(column.times_ms) and column.times_ms[index] == mark.at
        return self._shipped(self._keys[mark.number], index) if is_there else None

    def _last(self, key: SeriesKey) -> tuple[Any, ...] | None:
        return self._shipped(key, -1) if self.columns[key].times_ms else None

    def _shipped(self, key: SeriesKey, index: int) -> tuple[Any, ...]:
        """As the tables of a store have it: steps, and nothing for what is not a number."""
        column = self.columns[key]
        value = column.values[index]
        steps = None if math.isnan(value) else steps_from_value(value, SCALE[Quantity(key[1])])
        return self.number_of(key), column.times_ms[index], steps, column.doubts[index], column.delays_ms[index]

    def _gap(self, mark: Mark) -> tuple[Any, ...]:
        return mark.number, self._gaps[mark.number]

    # --- answers

    def series(self, probe: str, quantity: Quantity, start: datetime, end: datetime) -> Series:
        """Stored readings with start <= measured_at < end, ascending."""
        return self.columns.get((probe, quantity), KeptColumn()).between(ceil_ms(start), ceil_ms(end))

    def latest(self, probe: str, quantity: Quantity, before: datetime | None = None) -> Reading | None:
        """The newest stored reading by measured_at (measured before `before`), its times to the millisecond."""
        column = self.columns.get((probe, quantity), KeptColumn())
        index = len(column.times_ms) if before is None else bisect_left(column.times_ms, ceil_ms(before))
        if index == 0:
            return None
        at_ms, value, doubts = column.times_ms[index - 1], column.values[index - 1], column.doubts[index - 1]
        received_at = instant(at_ms + column.delays_ms[index - 1])
        return Reading(self._site, probe, quantity, instant(at_ms), received_at, value, doubts)

    def slots(
        self, probe: str, quantity: Quantity, start: datetime, end: datetime, slot_s: int, refused: int
    ) -> list[Slot]:
        """Means, lows and highs of equal slots of time, of the readings that carry none of the doubts `refused`."""
        return slots_of(self.series(probe, quantity, start, end), slot_s, refused)

    def gaps(self, start: datetime, end: datetime) -> list[Gap]:
        """Gaps that touch the span, by their start."""
        touching = [
            g for g in self._gaps.values() if g.started_at < end and (g.ended_at is None or g.ended_at >= start)
        ]
        return sorted(touching, key=lambda gap: gap.started_at)
