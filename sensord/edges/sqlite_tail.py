"""The newest readings of the series that are asked for, in memory, exactly as the database would answer.

Rules look at the last hours of every series on every turn. A column here is complete from its `floor_s` on: every
stored reading measured at or after it is in it. It is filled from the database on demand and kept up after each commit.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Mapping

from sensord.edges.sqlite_codec import value_from_steps
from sensord.ports import Series

LONGEST = 3072
"""Readings kept of a series (two days at one a minute), about 72 bytes each."""

MOST_SERIES = 64


class Column:
    """One series from `floor_s` on, ascending."""

    __slots__ = ("doubts", "floor_s", "times_s", "values")

    def __init__(self, floor_s: float, times_s: list[float], values: list[float], doubts: list[int]) -> None:
        self.floor_s = floor_s
        self.times_s = times_s
        self.values = values
        self.doubts = doubts

    def put(self, time_s: float, value: float, doubts: int, longest: int) -> None:
        """Take in a reading unless one of that time is there: the first value wins. Keep at most the newest `longest`."""
        times = self.times_s
        if not times or time_s > times[-1]:
            times.append(time_s)
            self.values.append(value)
            self.doubts.append(doubts)
        elif time_s >= self.floor_s:
            self._insert(time_s, value, doubts)
        if len(times) > longest:
            self._trim(longest // 2)

    def _insert(self, time_s: float, value: float, doubts: int) -> None:
        times = self.times_s
        index = bisect_left(times, time_s)
        if times[index] != time_s:
            times.insert(index, time_s)
            self.values.insert(index, value)
            self.doubts.insert(index, doubts)

    def _trim(self, kept: int) -> None:
        drop = len(self.times_s) - kept
        del self.times_s[:drop], self.values[:drop], self.doubts[:drop]
        self.floor_s = self.times_s[0]

    def between(self, start_s: float, end_s: float) -> Series:
        """Readings with start <= time < end, as new lists."""
        first = bisect_left(self.times_s, start_s)
        last = bisect_left(self.times_s, end_s, lo=first)
        return Series(self.times_s[first:last], self.values[first:last], self.doubts[first:last])


class Tail:
    """Columns by series."""

    def __init__(self, longest: int = LONGEST) -> None:
        self.longest = longest
        self._columns: dict[int, Column] = {}

    def between(self, series: int, start_s: float, end_s: float) -> Series | None:
        """The readings of the span, or None where the column does not reach back that far."""
        column = self._columns.get(series)
        if column is None or start_s < column.floor_s:
            return None
        return column.between(start_s, end_s)

    def has_room(self, series: int) -> bool:
        """Whether the series may have a column."""
        return series in self._columns or len(self._columns) < MOST_SERIES

    def adopt(self, series: int, floor_s: float, found: Series) -> None:
        """Take all stored readings of a series from `floor_s` on."""
        self._columns[series] = Column(floor_s, *found)

    def put(self, rows: Iterable[tuple[int, int, int | float, int, int]], scales: Mapping[int, float]) -> None:
        """Take in what was committed: rows of the table `reading`."""
        columns = self._columns
        for series, measured_ms, stored, doubts, _ in rows:
            column = columns.get(series)
            if column is not None:
                column.put(measured_ms / 1000, value_from_steps(stored, scales[series]), doubts, self.longest)

    def clear(self) -> None:
        """Forget everything; the database knows."""
        self._columns.clear()
