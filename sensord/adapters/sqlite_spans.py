"""What a span of readings amounts to, and when local days begin; pure, no database."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable
from datetime import date, datetime, time, timedelta
from functools import lru_cache
from math import isfinite
from operator import add, mul, sub
from typing import NamedTuple
from zoneinfo import ZoneInfo

from sensord.adapters.sqlite_migrations import HOUR_MS
from sensord.model import Doubt, instant, milliseconds
from sensord.ports import Series, Slot
from sensord.science.steps import LONGEST_BRIDGE_S

UNUSABLE = int(Doubt.UNUSABLE)


class SpanPart(NamedTuple):
    """The usable readings of a span. `mean` is over the `covered_s` of lines between readings, else arithmetic."""

    count: int  # type: ignore[assignment]  # as in ports.Hour
    minimum: float | None
    minimum_ms: int | None
    maximum: float | None
    maximum_ms: int | None
    mean: float | None
    covered_s: float


NOTHING = SpanPart(0, None, None, None, None, None, 0.0)


class SpanFigures(NamedTuple):
    """A span looked at: its figures, and its usable readings with the neighbour on either side where there is one."""

    part: SpanPart
    doubtful: int
    times_s: list[float]
    values: list[float]
    first_ms: int | None  # of the usable readings within
    last_ms: int | None


def look_at(readings: Series, start_ms: int, end_ms: int) -> SpanFigures:
    """The figures of a span, from its readings and those around it as far as a line may be drawn."""
    start_s, end_s = start_ms / 1000, end_ms / 1000
    times, values, doubts = readings
    doubtful = 0
    if any(doubts):
        within = slice(bisect_left(times, start_s), bisect_left(times, end_s))
        doubtful = len(doubts[within]) - doubts[within].count(0)
    if doubtful or any(doubts) or not isfinite(sum(values)):
        times, values = _usable(readings)
    first, last = bisect_left(times, start_s), bisect_left(times, end_s)
    inside = values[first:last]
    near = slice(max(first - 1, 0), last + 1)
    times, values = times[near], values[near]
    integral, covered_s = _integral(times, values, start_s, end_s)
    if not inside:
        mean = integral / covered_s if covered_s else None
        return SpanFigures(SpanPart(0, None, None, None, None, mean, covered_s), doubtful, times, values, None, None)
    offset = first - near.start
    low, high = min(inside), max(inside)
    moment = [_ms(times[offset + index]) for index in (0, len(inside) - 1, inside.index(low), inside.index(high))]
    mean = integral / covered_s if covered_s else sum(inside) / len(inside)
    part = SpanPart(len(inside), low, moment[2], high, moment[3], mean, covered_s)
    return SpanFigures(part, doubtful, times, values, moment[0], moment[1])


def _integral(times: list[float], values: list[float], start_s: float, end_s: float) -> tuple[float, float]:
    """Integral of the lines between readings over the span, and how much of it they cover [s]; as `steps.walk` has it.

    The readings may have one neighbour on either side of the span. Written with whole columns: it runs for every series
    every few minutes.
    """
    if len(times) < 2:
        return 0.0, 0.0
    times, values = times.copy(), values.copy()
    first_gap_s, last_gap_s = times[1] - times[0], times[-1] - times[-2]
    if times[0] < start_s:
        values[0] += (values[1] - values[0]) * (start_s - times[0]) / first_gap_s
        times[0] = start_s
    if times[-1] > end_s:
        values[-1] -= (values[-1] - values[-2]) * (times[-1] - end_s) / (times[-1] - times[-2])
        times[-1] = end_s
    durations = list(map(sub, times[1:], times))
    # the edges were cut, but whether a line may be drawn is a matter of the whole gap
    if first_gap_s > LONGEST_BRIDGE_S:
        durations[0] = 0.0
    if last_gap_s > LONGEST_BRIDGE_S:
        durations[-1] = 0.0
    if max(durations) > LONGEST_BRIDGE_S:
        durations = [0.0 if duration_s > LONGEST_BRIDGE_S else duration_s for duration_s in durations]
    return sum(map(mul, durations, map(add, values[1:], values))) / 2, sum(durations)


def _usable(readings: Series) -> tuple[list[float], list[float]]:
    kept = [
        (at, value) for at, value, doubts in zip(*readings, strict=True) if not doubts & UNUSABLE and isfinite(value)
    ]
    return [at for at, _ in kept], [value for _, value in kept]


def _ms(time_s: float) -> int:
    return round(time_s * 1000)


def together(parts: Iterable[SpanPart]) -> SpanPart:
    """The parts of a span, in order of time, as one."""
    count, covered_s, integral, total = 0, 0.0, 0.0, 0.0
    minimum = minimum_ms = maximum = maximum_ms = None
    for part in parts:
        covered_s += part.covered_s
        if part.covered_s and part.mean is not None:
            integral += part.mean * part.covered_s
        if part.count and part.minimum is not None and part.maximum is not None and part.mean is not None:
            count += part.count
            total += part.mean * part.count
            if minimum is None or part.minimum < minimum:
                minimum, minimum_ms = part.minimum, part.minimum_ms
            if maximum is None or part.maximum > maximum:
                maximum, maximum_ms = part.maximum, part.maximum_ms
    mean = integral / covered_s if covered_s else total / count if count else None
    return SpanPart(count, minimum, minimum_ms, maximum, maximum_ms, mean, covered_s)


@lru_cache(4096)
def bounds_of_day(zone: ZoneInfo, day: int) -> tuple[int, int]:
    """When a local day (proleptic ordinal) begins and ends [ms]; 23, 24 or 25 hours apart, or what the zone decreed."""
    first = date.fromordinal(day)
    begin, end = (milliseconds(datetime.combine(d, time(), tzinfo=zone)) for d in (first, first + timedelta(days=1)))
    return begin, end


@lru_cache(4096)
def days_of_hour(zone: ZoneInfo, hour: int) -> tuple[int, ...]:
    """The local days that a UTC hour lies in: one, or two where the zone is off by a part of an hour."""
    begin, end = instant(hour * HOUR_MS), instant((hour + 1) * HOUR_MS - 1)
    return tuple(sorted({moment.astimezone(zone).date().toordinal() for moment in (begin, end)}))


def slots_of(readings: Series, slot_s: int, refused: int) -> list[Slot]:
    """Mean, low and high of each slot of so many seconds, of the finite values that carry none of the doubts `refused`."""
    slots: dict[int, list[float]] = {}
    for time_s, value, doubts in zip(*readings, strict=True):
        if not doubts & refused and isfinite(value):
            slots.setdefault(int(time_s // slot_s), []).append(value)
    return [Slot(k * slot_s, sum(of) / len(of), min(of), max(of)) for k, of in sorted(slots.items())]
