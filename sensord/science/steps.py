"""The steps between readings: what every integral over a temperature series walks along.

A series is two columns of equal length, times ascending. Between two readings the temperature is taken to run straight.
A step is *measured* when the readings stand as close as probes ordinarily report, *bridged* when they stand further
apart but close enough to draw a line between them, and *missing* when they do not: then nothing is known of it.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Sequence
from itertools import islice
from operator import gt

MEASURED_LIMIT_S = 900.0
"""The longest step [s] that counts as measured (chosen: three reports of five minutes)."""

LONGEST_BRIDGE_S = 3600.0
"""The longest step [s] over which a straight line is drawn (chosen: an hour of a sunny morning is about 4 °C)."""

MEASURED, BRIDGED, MISSING = 0, 1, 2

StepSum = tuple[float, float, float, float, int]
"""(start_s, duration_s, temperature at its start, at its end, kind); a missing step has NaN temperatures."""


def check(times_s: Sequence[float], temperatures_c: Sequence[float]) -> None:
    """Raise ValueError for a series that is not one.

    Args:
        times_s: of the readings, ascending; equal times are allowed [s].
        temperatures_c: at those times, all finite [°C].

    Source: none
    """
    if len(times_s) != len(temperatures_c):
        raise ValueError(f"{len(times_s)} times stand beside {len(temperatures_c)} temperatures")
    if not math.isfinite(sum(temperatures_c)):
        raise ValueError("a temperature is not a finite number")
    if any(map(gt, times_s, islice(times_s, 1, None))) or not math.isfinite(sum(times_s)):
        raise ValueError("the times of the readings are not ascending finite numbers")


def walk(
    times_s: Sequence[float],
    temperatures_c: Sequence[float],
    start_s: float,
    end_s: float,
    longest_bridge_s: float = LONGEST_BRIDGE_S,
    measured_limit_s: float = MEASURED_LIMIT_S,
) -> Iterator[StepSum]:
    """The steps that cover a span without gap or overlap, cut at its edges.

    Readings outside the span serve to draw the line across its edges. A step keeps the kind of the whole interval
    between its two readings, also where the edge cuts it; so spans that share an edge add up.

    Args:
        times_s: of the readings, ascending [s].
        temperatures_c: at those times [°C].
        start_s: where the span starts [s].
        end_s: where it ends, not before its start [s].
        longest_bridge_s: the longest interval between readings that a straight line may cross [s].
        measured_limit_s: the longest interval that counts as measured [s].

    Raises:
        ValueError: for columns of unequal length, times that go back, values that are not finite, an end before its
            start.

    Source: none; linear interpolation
    """
    check(times_s, temperatures_c)
    if not end_s >= start_s:
        raise ValueError(f"the span ends ({end_s} s) before it starts ({start_s} s)")
    measured_limit_s = min(measured_limit_s, longest_bridge_s)
    n = len(times_s)
    first, last = bisect_left(times_s, start_s), bisect_right(times_s, end_s)
    known_from = times_s[0] if n else end_s
    if known_from > start_s:
        yield start_s, min(known_from, end_s) - start_s, math.nan, math.nan, MISSING
    if 0 < first < n and times_s[first] > start_s:
        yield _cut(times_s, temperatures_c, first - 1, start_s, end_s, longest_bridge_s, measured_limit_s)
    if first < last:
        before_s, before_c = times_s[first], temperatures_c[first]
        for index in range(first + 1, last):
            at_s, at_c = times_s[index], temperatures_c[index]
            duration_s = at_s - before_s
            if duration_s <= measured_limit_s:
                yield before_s, duration_s, before_c, at_c, MEASURED
            elif duration_s <= longest_bridge_s:
                yield before_s, duration_s, before_c, at_c, BRIDGED
            else:
                yield before_s, duration_s, math.nan, math.nan, MISSING
            before_s, before_c = at_s, at_c
        if last < n and before_s < end_s:
            yield _cut(times_s, temperatures_c, last - 1, start_s, end_s, longest_bridge_s, measured_limit_s)
    if n and times_s[-1] < end_s:
        known_to = max(times_s[-1], start_s)
        yield known_to, end_s - known_to, math.nan, math.nan, MISSING


def _cut(
    times_s: Sequence[float],
    temperatures_c: Sequence[float],
    index: int,
    start_s: float,
    end_s: float,
    longest_bridge_s: float,
    measured_limit_s: float,
) -> StepSum:
    """The part within the span of the interval between reading `index` and the next."""
    t0, t1 = times_s[index], times_s[index + 1]
    a, b = temperatures_c[index], temperatures_c[index + 1]
    begin, end = max(t0, start_s), min(t1, end_s)
    gap_s = t1 - t0
    if gap_s > longest_bridge_s:
        return begin, end - begin, math.nan, math.nan, MISSING
    slope = (b - a) / gap_s
    kind = MEASURED if gap_s <= measured_limit_s else BRIDGED
    return begin, end - begin, a + slope * (begin - t0), b - slope * (t1 - end), kind
