"""Readings in memory: what the SQLite store keeps in its table, with the same identity and the same steps of a value."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable
from datetime import datetime
from typing import NamedTuple

from sensord.edges.sqlite_codec import SCALE, ceil_ms, steps_from_value, value_from_steps
from sensord.edges.sqlite_spans import slots_of
from sensord.model import Gap, Quantity, Reading, instant, milliseconds
from sensord.ports import Series, Slot

Key = tuple[str, str]
"""Probe and quantity."""


class Row(NamedTuple):
    """A reading as it is kept."""

    key: Key
    measured_ms: int
    value: float
    doubts: int
    delay_ms: int


def row_of(site: str, reading: Reading) -> Row:
    """What is kept of a reading; its identity is its series and time to the millisecond."""
    if reading.site != site:
        raise ValueError(f"{site}: a reading of {reading.site} does not belong here")
    measured_ms = milliseconds(reading.measured_at)
    scale = SCALE[reading.quantity]
    value = value_from_steps(steps_from_value(reading.value, scale), scale)
    delay_ms = milliseconds(reading.received_at) - measured_ms
    return Row((reading.probe, reading.quantity), measured_ms, value, int(reading.doubts), delay_ms)


class Column:
    """The readings of one series, ascending."""

    __slots__ = ("delays_ms", "doubts", "times_ms", "values")

    def __init__(self) -> None:
        self.times_ms: list[int] = []
        self.values: list[float] = []
        self.doubts: list[int] = []
        self.delays_ms: list[int] = []

    def put(self, row: Row) -> bool:
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

    def drop(self, before_ms: int, most: int) -> int:
        """Forget the oldest, `most` at most, that were measured before; returns how many."""
        count = min(bisect_left(self.times_ms, before_ms), most)
        for column in (self.times_ms, self.values, self.doubts, self.delays_ms):
            del column[:count]
        return count


class MemoryReadings:
    """`ports.Readings` of one site."""

    def __init__(self, site: str) -> None:
        self._site = site
        self.columns: dict[Key, Column] = {}
        self._gaps: list[Gap] = []

    def put(self, rows: Iterable[Row]) -> list[Row]:
        """Take in what was committed; returns what is new."""
        return [row for row in rows if self.columns.setdefault(row.key, Column()).put(row)]

    def put_gap(self, gap: Gap) -> None:
        """A gap known already is given its end; a second open one of the same kind and subject is the first one still."""
        for index, known in enumerate(self._gaps):
            if (known.kind, known.subject, known.started_at) == (gap.kind, gap.subject, gap.started_at):
                self._gaps[index] = gap._replace(ended_at=known.ended_at or gap.ended_at)
                return
            if gap.ended_at is known.ended_at is None and (known.kind, known.subject) == (gap.kind, gap.subject):
                return
        self._gaps.append(gap)

    def series(self, probe: str, quantity: Quantity, start: datetime, end: datetime) -> Series:
        """Stored readings with start <= measured_at < end, ascending."""
        return self.columns.get((probe, quantity), Column()).between(ceil_ms(start), ceil_ms(end))

    def latest(self, probe: str, quantity: Quantity, before: datetime | None = None) -> Reading | None:
        """The newest stored reading by measured_at (measured before `before`), its times to the millisecond."""
        column = self.columns.get((probe, quantity), Column())
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
        touching = [g for g in self._gaps if g.started_at < end and (g.ended_at is None or g.ended_at >= start)]
        return sorted(touching, key=lambda gap: gap.started_at)
