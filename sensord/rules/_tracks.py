"""Readings as the rules see them: columns, and views of them that are cut by time.

`Columns` hold readings of one series; `Seen` is what a rule is handed of them, `Track` the part that may be computed with.
Both only know from where to where they look, so cutting costs nothing, and what one rule had computed of a column need
not be computed again for the next. Columns that grow and remember are in `engine.windows`; these here compute afresh.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Sequence

from sensord.model import Doubt, Probe

REFUSED = int(Doubt.UNUSABLE | Doubt.STUCK)
"""A stuck sensor says nothing about now, whatever it shows. Plain numbers, because a season has millions of readings."""
LARGEST = 1e6
HOUR_S = 3600.0
FRESH_S = 1200.0
FRESH_INTERVALS = 2.5
"""A reading is of now for this long, or for this many of its probe's intervals where those are longer. Chosen."""

Numbers = tuple[Sequence[float], Sequence[float]]
"""Times and values of what was computed of readings."""


class Columns:
    """Readings of one quantity of one probe, ascending by time: three columns of equal length that nobody changes."""

    __slots__ = ("doubts", "times_s", "values")

    def __init__(self, times_s: Sequence[float], values: Sequence[float], doubts: Sequence[int]) -> None:
        self.times_s, self.values, self.doubts = times_s, values, doubts

    def usable(self, first: int, last: int, lowest: float, highest: float) -> tuple[Columns, int, int]:
        """Columns without what no computation may use, and from where to where the readings `first` to `last` are there."""
        kept: tuple[list[float], list[float], list[int]] = ([], [], [])
        before = -math.inf
        rows = zip(self.times_s[first:last], self.values[first:last], self.doubts[first:last], strict=True)
        for t, v, d in rows:
            if not d & REFUSED and before < t and lowest <= v <= highest:
                kept[0].append(t)
                kept[1].append(v)
                kept[2].append(d)
                before = t
        return Columns(*kept), 0, len(kept[0])

    def means(self, first: int, last: int, span_s: float) -> Numbers:
        """Means of the readings `first` to `last` over spans of the clock, each standing in the middle of its readings."""
        times: list[float] = []
        values: list[float] = []
        while first < last:
            end = end_of_span(self.times_s, first, last, span_s)
            times.append((self.times_s[first] + self.times_s[end - 1]) / 2)
            values.append(sum(self.values[first:end]) / (end - first))
            first = end
        return times, values

    def less(self, first: int, last: int, outside: Columns, low: int, high: int, tolerance_s: float) -> Numbers:
        """Readings `first` to `last` less the nearest one of `outside`, from `low` to `high`, where it is near enough."""
        times: list[float] = []
        differences: list[float] = []
        others, near = outside.times_s, low
        for index in range(first, last):
            t = self.times_s[index]
            near = nearest(others, near, high, t)
            if near < high and abs(others[near] - t) <= tolerance_s:
                times.append(t)
                differences.append(self.values[index] - outside.values[near])
        return times, differences


def nearest(times_s: Sequence[float], index: int, last: int, at_s: float) -> int:
    """Onwards from `index`, where the time nearest to an instant stands; of two as near, the later one."""
    while index + 1 < last and abs(times_s[index + 1] - at_s) <= abs(times_s[index] - at_s):
        index += 1
    return index


def end_of_span(times_s: Sequence[float], first: int, last: int, span_s: float) -> int:
    """Where the clock's span ends in which the reading `first` lies."""
    return bisect_left(times_s, (times_s[first] // span_s + 1) * span_s, first, last)


class View:
    """From where to where columns are looked at."""

    __slots__ = ("_columns", "_first", "_last", "_times_s", "_values")

    def __init__(self, columns: Columns, first: int, last: int) -> None:
        self._columns, self._first, self._last = columns, first, last
        self._times_s: Sequence[float] | None = None
        self._values: Sequence[float] | None = None

    @property
    def is_empty(self) -> bool:
        """Whether there is nothing to see."""
        return self._last <= self._first

    @property
    def times_s(self) -> Sequence[float]:
        """When they were measured, Unix time [s], ascending."""
        if self._times_s is None:
            self._times_s = self._columns.times_s[self._first : self._last]
        return self._times_s

    @property
    def values(self) -> Sequence[float]:
        """What was measured."""
        if self._values is None:
            self._values = self._columns.values[self._first : self._last]
        return self._values

    @property
    def doubts(self) -> Sequence[int]:
        """As in model.Doubt."""
        return self._columns.doubts[self._first : self._last]


class Seen(View):
    """What one probe measured in the span that was asked for."""

    __slots__ = ("_tracks", "probe")

    def __init__(self, probe: Probe, columns: Columns, first: int, last: int) -> None:
        self._columns, self._first, self._last = columns, first, last  # as in View: a turn makes dozens of them
        self._times_s = self._values = None
        self.probe = probe
        self._tracks: dict[tuple[float, float, int], Track] = {}

    @classmethod
    def of(cls, probe: Probe, times_s: Sequence[float], values: Sequence[float], doubts: Sequence[int]) -> Seen:
        """Everything that is in three columns."""
        return cls(probe, Columns(times_s, values, doubts), 0, len(times_s))

    def doubts_since(self, start_s: float) -> Sequence[int]:
        """Of the readings from `start_s` on."""
        first = bisect_left(self._columns.times_s, start_s, self._first, self._last)
        return self._columns.doubts[first : self._last]

    def usable(self, until_s: float, lowest: float = -LARGEST, highest: float = LARGEST) -> Track:
        """What may be computed with, up to an instant; who asks for the same again is given the same."""
        times, last = self._columns.times_s, self._last
        if last > self._first and times[last - 1] > until_s:
            last = bisect_right(times, until_s, self._first, last)
        key = (lowest, highest, last)
        found = self._tracks.get(key)
        if found is None:
            usable = self._columns.usable(self._first, last, lowest, highest)
            found = self._tracks[key] = Track(*usable, self.probe.interval_s)
        return found


class Track(View):
    """Usable readings of one quantity of one probe, strictly ascending."""

    __slots__ = ("interval_s",)

    def __init__(self, columns: Columns, first: int, last: int, interval_s: float) -> None:
        self._columns, self._first, self._last = columns, first, last  # as in View: a turn makes dozens of them
        self._times_s = self._values = None
        self.interval_s = interval_s

    @classmethod
    def of(cls, times_s: Sequence[float], values: Sequence[float], doubts: Sequence[int], interval_s: float) -> Track:
        """Everything that is in three columns."""
        return cls(Columns(times_s, values, doubts), 0, len(times_s), interval_s)

    def since(self, start_s: float) -> Track:
        """The part from `start_s` on."""
        first = bisect_left(self._columns.times_s, start_s, self._first, self._last)
        return Track(self._columns, first, self._last, self.interval_s)

    def last_hour(self, now_s: float) -> Track:
        """The part of the hour that ends at an instant: of now, whatever came before."""
        return self.since(now_s - HOUR_S)

    def between(self, start_s: float, end_s: float) -> Track:
        """The part with start_s <= time < end_s."""
        times = self._columns.times_s
        first = bisect_left(times, start_s, self._first, self._last)
        return Track(self._columns, first, bisect_left(times, end_s, first, self._last), self.interval_s)

    def less(self, outside: Track, start_s: float, end_s: float, tolerance_s: float) -> Numbers:
        """What was measured from `start_s` to `end_s`, both included, less what was measured outside at the same time."""
        times, others = self._columns.times_s, outside._columns.times_s
        first = bisect_left(times, start_s, self._first, self._last)
        last = bisect_right(times, end_s, first, self._last)
        low = bisect_left(others, start_s - tolerance_s, outside._first, outside._last)
        return self._columns.less(first, last, outside._columns, low, outside._last, tolerance_s)

    def share(self, doubt: Doubt) -> float:
        """The share of readings that carry a doubt [0–1]; 0 of none."""
        doubts = self.doubts
        if not any(doubts):
            return 0.0
        bit = int(doubt)
        return sum(1 for d in doubts if d & bit) / len(doubts)

    def is_fresh(self, now_s: float) -> bool:
        """Whether the newest reading still speaks of now."""
        if self._last <= self._first:
            return False
        age_s = now_s - self._columns.times_s[self._last - 1]
        return age_s <= FRESH_S or age_s <= FRESH_INTERVALS * self.interval_s

    def means(self, span_s: float) -> Track:
        """Means over spans of the clock; the newest stands where the newest reading does. Coarser tracks stay as they are."""
        if self.interval_s >= span_s or self.is_empty:
            return self
        times, values = self._columns.means(self._first, self._last, span_s)
        times = [*times[:-1], self._columns.times_s[self._last - 1]]
        return Track.of(times, values, bytes(len(times)), span_s)


NOTHING = Track.of((), (), (), 60.0)
