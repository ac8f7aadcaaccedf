"""Recent readings of one series, held in memory as a value that never changes.

`Window.add` gives a new version and leaves the old one as it was. The versions share their columns: a version knows how
many of the readings are its own, so the newest one grows in place, and only what is rare costs a copy: a late reading,
adding to a version that is not the newest, and letting go of what is too old, which is done by halves. What a rule needs
of a column is computed once for all versions and extended: which readings are usable, and their means over the clock.

A reading is 18 bytes; a day of one a minute 26 kB.
"""

from __future__ import annotations

from array import array
from bisect import bisect_left
from collections.abc import Iterable, Sequence
from typing import Final

from sensord.model import Probe
from sensord.rules import Seen
from sensord.rules._tracks import REFUSED, Columns, Numbers, end_of_span, nearest

MOST = 100_000
"""Readings in a window, whatever comes: more than a day of one a second. Beyond it the oldest are let go."""
LEAST_LET_GO = 64
"""Readings that have become too old are let go when there are so many of them, and half of all."""

WindowRow = tuple[float, float, int]
"""Unix time of measurement [s], value, doubts."""
NO_ROWS: Final[tuple[WindowRow, ...]] = ()


class Window:
    """The readings of one series of the last `horizon_s`, ascending by time; of two of one time the first one stays."""

    __slots__ = ("_columns", "_first", "_last", "horizon_s")

    def __init__(self, horizon_s: float, rows: Iterable[WindowRow] = NO_ROWS) -> None:
        columns = Growing()
        for time_s, value, doubts in rows:
            columns.times_s.append(time_s)
            columns.values.append(value)
            columns.doubts.append(doubts)
        self.horizon_s = horizon_s
        self._columns, self._first, self._last = columns, 0, len(columns.times_s)

    def __len__(self) -> int:
        return self._last - self._first

    def __eq__(self, other: object) -> bool:
        """Whether both hold the same readings."""
        if not isinstance(other, Window):
            return NotImplemented
        mine, theirs = self._part(), other._part()
        return self.horizon_s == other.horizon_s and mine == theirs

    __hash__ = None  # type: ignore[assignment]  # a value that is compared by its readings

    def _part(self) -> tuple[array[float], array[float], array[int]]:
        columns, mine = self._columns, slice(self._first, self._last)
        return columns.times_s[mine], columns.values[mine], columns.doubts[mine]

    @property
    def newest_s(self) -> float | None:
        """When its newest reading was measured."""
        return self._columns.times_s[self._last - 1] if len(self) else None

    def add(self, rows: Iterable[WindowRow], now_s: float) -> Window:
        """With these readings as well, without what is further from `now_s` than the horizon, whether before or ahead."""
        found = self._version(self._columns, self._first, self._last)
        oldest_s, farthest_s = now_s - self.horizon_s, now_s + self.horizon_s
        for row in rows:
            if oldest_s <= row[0] <= farthest_s:
                found._put(row)
        times = found._columns.times_s
        if found._last > found._first and times[found._first] < oldest_s:
            found._first = bisect_left(times, oldest_s, found._first, found._last)
        found._first = max(found._first, found._last - MOST)
        if found._first > LEAST_LET_GO and 2 * found._first > found._last:
            found._copy()
        return found

    def between(self, start_s: float, end_s: float) -> Columns:
        """The readings with start <= time < end."""
        first, last = self._positions(start_s, end_s)
        columns = self._columns
        return Columns(columns.times_s[first:last], columns.values[first:last], columns.doubts[first:last])

    def seen(self, probe: Probe, start_s: float, end_s: float) -> Seen:
        """The same, as a rule is handed it."""
        columns, last = self._columns, self._last
        times = columns.times_s
        if last > self._first and times[last - 1] >= end_s:  # hardly ever: a turn looks up to now
            last = bisect_left(times, end_s, self._first, last)
        return Seen(probe, columns, bisect_left(times, start_s, self._first, last), last)

    def _positions(self, start_s: float, end_s: float) -> tuple[int, int]:
        times = self._columns.times_s
        first = bisect_left(times, start_s, self._first, self._last)
        return first, bisect_left(times, end_s, first, self._last)

    def _version(self, columns: Growing, first: int, last: int) -> Window:
        found = Window.__new__(Window)
        found.horizon_s, found._columns, found._first, found._last = self.horizon_s, columns, first, last
        return found

    def _put(self, row: WindowRow) -> None:
        """Into a version that nobody has seen yet."""
        time_s, columns, last = row[0], self._columns, self._last
        times = columns.times_s
        if last == self._first or time_s > times[last - 1]:
            if last < len(times):
                self._copy()
                columns = self._columns
            columns.times_s.append(time_s)
            columns.values.append(row[1])
            columns.doubts.append(row[2])
        else:
            at = bisect_left(times, time_s, self._first, self._last)
            if times[at] == time_s:
                return
            self._copy(at, row)
        self._last += 1

    def _copy(self, at: int | None = None, row: WindowRow | None = None) -> None:
        """Into columns of its own, without what was let go, and with `row` at the position `at`."""
        columns = self._columns.part(self._first, self._last)
        if at is not None and row is not None:
            columns.times_s.insert(at - self._first, row[0])
            columns.values.insert(at - self._first, row[1])
            columns.doubts.insert(at - self._first, row[2])
        self._columns, self._first, self._last = columns, 0, self._last - self._first


class Growing(Columns):
    """Columns that only grow, and remember what was computed of them.

    What they remember is handed them, and does not hold them: so columns that were let go are gone at once, and need not
    wait for the search for garbage, which a replay makes so rarely that a summer's would pile up to 40 MB.
    """

    __slots__ = ("_less", "_means", "_usable")

    times_s: array[float]
    values: array[float]
    doubts: array[int]

    def __init__(self) -> None:
        super().__init__(array("d"), array("d"), array("H"))
        self._usable: dict[tuple[float, float], _Usable] = {}
        self._means: dict[float, _Means] = {}
        self._less: dict[float, _Less] = {}

    def part(self, first: int, last: int) -> Growing:
        """A copy of the readings `first` to `last`."""
        found = Growing()
        found.times_s.extend(self.times_s[first:last])
        found.values.extend(self.values[first:last])
        found.doubts.extend(self.doubts[first:last])
        return found

    def usable(self, first: int, last: int, lowest: float, highest: float) -> tuple[Columns, int, int]:
        """As in `Columns`, each reading looked at once."""
        part = self._usable.get((lowest, highest))
        if part is None:
            part = self._usable[lowest, highest] = _Usable(lowest, highest)
        return part.cut(self, first, last)

    def means(self, first: int, last: int, span_s: float) -> Numbers:
        """As in `Columns`, each whole span computed once."""
        part = self._means.get(span_s)
        if part is None:
            part = self._means[span_s] = _Means(span_s)
        return part.cut(self, first, last)

    def less(self, first: int, last: int, outside: Columns, low: int, high: int, tolerance_s: float) -> Numbers:
        """As in `Columns`, each reading compared once."""
        part = self._less.get(tolerance_s)
        if part is None or part.outside is not outside:  # the other series has let go of what was too old
            part = self._less[tolerance_s] = _Less(outside, tolerance_s)
        return part.cut(self, first, last, low, high)


class _Usable:
    """What is usable of columns: the columns themselves, as long as all of it is; then columns of its own."""

    __slots__ = ("_checked", "_highest", "_lowest", "_own")

    def __init__(self, lowest: float, highest: float) -> None:
        self._lowest, self._highest = lowest, highest
        self._own: Growing | None = None
        self._checked = 0

    def cut(self, columns: Growing, first: int, last: int) -> tuple[Columns, int, int]:
        """The usable columns, and from where to where the readings `first` to `last` of all are there."""
        if self._checked < last:
            self._check(columns, last)
        if self._own is None:
            return columns, first, last
        if first >= last:
            return self._own, 0, 0
        times, own = columns.times_s, self._own.times_s
        start = bisect_left(own, times[first])
        return self._own, start, bisect_left(own, times[last], start) if last < len(times) else len(own)

    def _check(self, columns: Growing, last: int) -> None:
        own = self._own
        for index in range(self._checked, last):
            value, doubts = columns.values[index], columns.doubts[index]
            if doubts & REFUSED or not self._lowest <= value <= self._highest:
                if own is None:
                    own = self._own = columns.part(0, index)
            elif own is not None:
                own.times_s.append(columns.times_s[index])
                own.values.append(value)
                own.doubts.append(doubts)
        self._checked = last


class _Means:
    """Means of columns over whole spans of the clock, in order."""

    __slots__ = ("_next", "_span_s", "_starts", "_times_s", "_values")

    def __init__(self, span_s: float) -> None:
        self._span_s = span_s
        self._starts = array("I")  # position of the first reading of each span
        self._times_s, self._values = array("d"), array("d")
        self._next = 0  # of the first reading of the span that is not whole yet

    def cut(self, columns: Growing, first: int, last: int) -> Numbers:
        """Of the readings `first` to `last`: whole spans as they are known, the two at the ends from their readings."""
        if self._next > last:  # an older version: a span that is whole by now was not yet
            return Columns.means(columns, first, last, self._span_s)
        self._extend(columns, last)
        known = bisect_left(self._starts, first)
        whole = self._starts[known] if known < len(self._starts) else self._next
        head = Columns.means(columns, first, min(whole, last), self._span_s)
        tail = Columns.means(columns, max(whole, first, self._next), last, self._span_s)
        return (
            [*head[0], *self._times_s[known:], *tail[0]],
            [*head[1], *self._values[known:], *tail[1]],
        )

    def _extend(self, columns: Growing, last: int) -> None:
        times, values = columns.times_s, columns.values
        while self._next < last:
            end = end_of_span(times, self._next, last, self._span_s)
            if end == last:
                return  # more may come
            self._starts.append(self._next)
            self._times_s.append((times[self._next] + times[end - 1]) / 2)
            self._values.append(sum(values[self._next : end]) / (end - self._next))
            self._next = end


class _Less:
    """Columns less others, reading by reading, as far as no later reading of the others can be nearer."""

    __slots__ = ("_checked", "_differences", "_near", "_nearest", "_times_s", "_tolerance_s", "outside")

    def __init__(self, outside: Columns, tolerance_s: float) -> None:
        self.outside, self._tolerance_s = outside, tolerance_s
        self._times_s, self._differences = array("d"), array("d")
        self._near = array("I")  # which of the others each of them was compared with
        self._checked = 0  # readings of the columns that are done
        self._nearest = 0  # where in the others to go on

    def cut(self, columns: Growing, first: int, last: int, low: int, high: int) -> Numbers:
        """Of the readings `first` to `last`, less those of the others from `low` to `high`."""
        outside = self.outside
        if first >= last or low >= high:
            return (), ()
        self._extend(columns, last, high)
        begin = bisect_left(self._times_s, columns.times_s[first])
        end = len(self._times_s)
        if self._checked > last:
            end = bisect_left(self._times_s, columns.times_s[last], begin)
        if begin < end and not (low <= self._near[begin] and self._near[end - 1] < high):  # seen otherwise than by now
            return Columns.less(columns, first, last, outside, low, high, self._tolerance_s)
        found = self._times_s[begin:end], self._differences[begin:end]
        if self._checked < last:
            more = Columns.less(
                columns, max(first, self._checked), last, outside, max(low, min(self._nearest, high - 1)), high,
                self._tolerance_s,
            )  # fmt: skip
            found[0].extend(more[0])
            found[1].extend(more[1])
        return found

    def _extend(self, columns: Growing, last: int, high: int) -> None:
        times, others, near = columns.times_s, self.outside.times_s, self._nearest
        for index in range(self._checked, last):
            t = times[index]
            near = self._nearest = nearest(others, near, high, t)
            if near + 1 >= high:
                return  # a nearer one may come
            if abs(others[near] - t) <= self._tolerance_s:
                self._times_s.append(t)
                self._differences.append(columns.values[index] - self.outside.values[near])
                self._near.append(near)
            self._checked = index + 1


def window_of(horizon_s: float, times_s: Sequence[float], values: Sequence[float], doubts: Sequence[int]) -> Window:
    """Of what a store knows, ascending."""
    return Window(horizon_s, zip(times_s, values, doubts, strict=True))
