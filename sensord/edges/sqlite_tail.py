"""The newest readings of each series, in memory, exactly as the database would answer.

Hours are summed up every few minutes, and each asks for its readings and those of the hours beside it. A column here is
complete from its `floor_s` on: every stored reading measured at or after it is in it. It is filled from the database when
it is first asked for and kept up after each commit.
"""

from __future__ import annotations

from array import array
from bisect import bisect_left
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime

from sensord.edges.sqlite_codec import ceil_ms, value_from_steps
from sensord.edges.sqlite_connection import Connection
from sensord.edges.sqlite_reads import Numbers, SqliteReadings, columns_of
from sensord.model import Gap, Quantity, Reading
from sensord.ports import Series, Slot

LONGEST = 1024
"""Readings kept of a series, at most; half of them are some hours of one a minute. 18 bytes each."""

MOST_SERIES = 64


class Column:
    """One series from `floor_s` on, ascending."""

    __slots__ = ("doubts", "floor_s", "times_s", "values")

    def __init__(self, floor_s: float, times_s: list[float], values: list[float], doubts: list[int]) -> None:
        self.floor_s = floor_s
        self.times_s, self.values, self.doubts = array("d", times_s), array("d", values), array("H", doubts)

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
        part = slice(first, last)
        return Series(self.times_s[part].tolist(), self.values[part].tolist(), self.doubts[part].tolist())


class Newest:
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
        """Whether the series may be given a column; one that has one already needs none."""
        return series not in self._columns and len(self._columns) < MOST_SERIES

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


class NewestReadings:
    """`ports.Readings` for the site's own loop: what is asked for again and again comes from memory, the rest from the file."""

    def __init__(self, connection: Connection, numbers: Numbers, readings: SqliteReadings) -> None:
        self._connection, self._numbers, self._readings = connection, numbers, readings
        self.newest = Newest()

    def series(self, probe: str, quantity: Quantity, start: datetime, end: datetime) -> Series:
        """Stored readings with start <= measured_at < end, ascending."""
        number = self._numbers.of(probe, quantity)
        return Series([], [], []) if number is None else self.columns(*number, ceil_ms(start), ceil_ms(end))

    def columns(self, series: int, scale: float, start_ms: int, end_ms: int) -> Series:
        """The readings of a numbered series, from memory where it reaches back so far."""
        found = self.newest.between(series, start_ms / 1000, end_ms / 1000)
        if found is None and self.newest.has_room(series) and self._few_since(series, start_ms):
            self.newest.adopt(series, start_ms / 1000, columns_of(self._connection, series, scale, start_ms, 2**62))
            found = self.newest.between(series, start_ms / 1000, end_ms / 1000)
        return columns_of(self._connection, series, scale, start_ms, end_ms) if found is None else found

    def _few_since(self, series: int, start_ms: int) -> bool:
        (rows,) = self._connection.one(
            "SELECT count(*) FROM (SELECT 1 FROM reading WHERE series = ? AND measured_ms >= ? LIMIT ?)",
            (series, start_ms, self.newest.longest + 1),
        )
        return bool(rows <= self.newest.longest)

    def latest(self, probe: str, quantity: Quantity, before: datetime | None = None) -> Reading | None:
        """The newest stored reading by measured_at (measured before `before`)."""
        return self._readings.latest(probe, quantity, before)

    def slots(
        self, probe: str, quantity: Quantity, start: datetime, end: datetime, slot_s: int, refused: int
    ) -> list[Slot]:
        """Means, lows and highs of equal slots of time."""
        return self._readings.slots(probe, quantity, start, end, slot_s, refused)

    def gaps(self, start: datetime, end: datetime) -> list[Gap]:
        """Gaps that touch the span, by their start."""
        return self._readings.gaps(start, end)

    def put(self, flat: Sequence[int | float]) -> None:
        """Take in what was committed: rows of the table `reading`, end to end."""
        self.newest.put(zip(*[iter(flat)] * 5, strict=True), dict(self._numbers.known.values()))

    def clear(self) -> None:
        """Forget everything; the file knows."""
        self.newest.clear()
