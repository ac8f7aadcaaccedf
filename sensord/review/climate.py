"""Temperatures and humidities of one place as columns, and what is counted along them.

What is missing between readings is never filled in: a line is drawn between two readings at most an hour apart
(`steps.LONGEST_BRIDGE_S`), and what lies further apart is missing.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from math import isfinite
from typing import NamedTuple, Protocol
from zoneinfo import ZoneInfo

from sensord.model import Doubt
from sensord.science.moist_air import LIKELY_SPREAD_K, POSSIBLE_SPREAD_K, SATURATED, saturation_pressure_pa
from sensord.science.steps import LONGEST_BRIDGE_S

HOUR_S = 3600.0
HUMID = 0.97
"""Relative humidity from which the air counts as humid: as the rule "wet" has it by default. Chosen."""
DEW_RANGE_C = (-49.0, 100.0)
"""Where the formulas of dew hold, with a margin for the spread [°C]."""

UNUSABLE = int(Doubt.UNUSABLE)


class ReviewColumns(NamedTuple):
    """Usable readings of one quantity, ascending."""

    times_s: Sequence[float]
    values: Sequence[float]


NOTHING = ReviewColumns((), ())


class Hourly(Protocol):
    """A summary of one clock hour, as the store keeps it."""

    @property
    def start(self) -> datetime: ...
    @property
    def minimum(self) -> float: ...
    @property
    def maximum(self) -> float: ...
    @property
    def mean(self) -> float: ...


@dataclass(frozen=True, slots=True)
class Climate:
    """What was measured in one place, a line's length beyond the span on either side."""

    temperature: ReviewColumns
    humidity: ReviewColumns | None = None  # None: nothing there measures it
    beside: ReviewColumns = NOTHING  # temperature as the humidity's own probe has it
    interval_s: float = 60.0  # how often the temperature is measured


def usable(times_s: Sequence[float], values: Sequence[float], doubts: Sequence[int]) -> ReviewColumns:
    """What of a series may be computed with."""
    if not any(doubts) and isfinite(sum(values)):
        return ReviewColumns(times_s, values)
    kept = [
        (t, v) for t, v, d in zip(times_s, values, doubts, strict=True) if not d & UNUSABLE and isfinite(v)
    ]  # fmt: skip
    return ReviewColumns([t for t, _ in kept], [v for _, v in kept])


def trusted(probes: Sequence[ReviewColumns]) -> ReviewColumns:
    """One series of several probes in order of trust: each clock hour by the first that has a reading in it."""
    if len(probes) <= 1:
        return probes[0] if probes else NOTHING
    by_hour: dict[int, list[tuple[float, float]]] = {}
    for times_s, values in probes:
        own: dict[int, list[tuple[float, float]]] = {}
        for t, v in zip(times_s, values, strict=True):
            own.setdefault(int(t // HOUR_S), []).append((t, v))
        by_hour = {**own, **by_hour}
    points = [point for hour in sorted(by_hour) for point in by_hour[hour]]
    return ReviewColumns([t for t, _ in points], [v for _, v in points])


def cut(columns: ReviewColumns, start_s: float, end_s: float) -> ReviewColumns:
    """The readings of a span, with the points where a line between two of them crosses its edges."""
    times, values = columns
    first, last = bisect_left(times, start_s), bisect_right(times, end_s)
    points = list(zip(times[first:last], values[first:last], strict=True))
    head = on_line(columns, first, start_s) if not points or points[0][0] > start_s else None
    tail = on_line(columns, last, end_s) if not points or points[-1][0] < end_s else None
    if head is not None:
        points.insert(0, (start_s, head))
    if tail is not None:
        points.append((end_s, tail))
    return ReviewColumns([t for t, _ in points], [v for _, v in points])


def on_line(columns: ReviewColumns, index: int, at_s: float) -> float | None:
    """The value at an instant on the line to reading `index` from the one before; None where none may be drawn."""
    times, values = columns
    if not 0 < index < len(times):
        return None
    t0, t1 = times[index - 1], times[index]
    if t1 - t0 > LONGEST_BRIDGE_S or t1 == t0:
        return None
    return values[index - 1] + (values[index] - values[index - 1]) * (at_s - t0) / (t1 - t0)


def value_at(columns: ReviewColumns, at_s: float) -> float | None:
    """The value at an instant, read off the line; None where it is missing."""
    index = bisect_left(columns.times_s, at_s)
    if index < len(columns.times_s) and columns.times_s[index] == at_s:
        return columns.values[index]
    return on_line(columns, index, at_s)


def within(columns: ReviewColumns, start_s: float, end_s: float) -> ReviewColumns:
    """The readings of a span, its end not included."""
    part = slice(bisect_left(columns.times_s, start_s), bisect_left(columns.times_s, end_s))
    return ReviewColumns(columns.times_s[part], columns.values[part])


def mean(columns: ReviewColumns) -> float | None:
    """Mean over the lines between readings; of the readings themselves where there is no line."""
    area = covered_s = 0.0
    for (t0, v0), (t1, v1) in pairwise(zip(*columns, strict=True)):
        if t1 - t0 <= LONGEST_BRIDGE_S:
            area += (t1 - t0) * (v0 + v1) / 2
            covered_s += t1 - t0
    if covered_s:
        return area / covered_s
    return sum(columns.values) / len(columns.values) if columns.values else None


def known_h(columns: ReviewColumns) -> float:
    """How much of a span is measured or bridged [h]."""
    return (
        sum(t1 - t0 for t0, t1 in pairwise(columns.times_s) if t1 - t0 <= LONGEST_BRIDGE_S) / HOUR_S
    )  # fmt: skip


def offsets_by_hour(inside: ReviewColumns, ambient: ReviewColumns, zone: ZoneInfo) -> tuple[float | None, ...]:
    """Mean of inside less shaded ambient for each local hour of the day [K]; ambient is read off its line."""
    differences: list[list[float]] = [[] for _ in range(24)]
    for t, v in zip(*inside, strict=True):
        outside = value_at(ambient, t)
        if outside is not None:
            differences[datetime.fromtimestamp(t, zone).hour].append(v - outside)
    return tuple(sum(hour) / len(hour) if hour else None for hour in differences)


def dew_near(temperature_c: float, relative_humidity: float, spread_k: float) -> bool:
    """Whether the air's dew point lies at most so far below its temperature; as `moist_air.condensation`."""
    if relative_humidity >= SATURATED:
        return True
    return relative_humidity * saturation_pressure_pa(temperature_c) >= saturation_pressure_pa(temperature_c - spread_k)


def dew_hours(climate: Climate, start_s: float, end_s: float) -> tuple[float, float]:
    """Hours with the dew point within 1 K and within 3 K of the air; a step between readings counts half for each end."""
    if climate.humidity is None:
        return 0.0, 0.0
    near = within(climate.humidity, start_s - LONGEST_BRIDGE_S, end_s + LONGEST_BRIDGE_S)
    totals = [0.0, 0.0]
    last: tuple[float, tuple[bool, bool]] | None = None
    for t, ratio in zip(*near, strict=True):
        air_c = value_at(climate.beside, t)
        if air_c is None or not DEW_RANGE_C[0] <= air_c <= DEW_RANGE_C[1]:
            continue
        possible = dew_near(air_c, ratio, POSSIBLE_SPREAD_K)
        now = (possible and dew_near(air_c, ratio, LIKELY_SPREAD_K), possible)
        if last is not None and t - last[0] <= LONGEST_BRIDGE_S:
            duration_s = max(0.0, min(t, end_s) - max(last[0], start_s))
            for index in (0, 1):
                totals[index] += duration_s * (last[1][index] + now[index]) / 2
        last = t, now
    return totals[0] / HOUR_S, totals[1] / HOUR_S


def hour_of(hourly: Hourly) -> int:
    """Which clock hour since 1970."""
    return int(hourly.start.timestamp() // HOUR_S)


def hours_by_trust(probes: Sequence[Sequence[Hourly]]) -> list[Hourly]:
    """One list of hourly summaries of several probes in order of trust."""
    found: dict[int, Hourly] = {}
    for hours in probes:
        found = {**{hour_of(h): h for h in hours}, **found}
    return [found[hour] for hour in sorted(found)]


def hourly_offsets(inside: Sequence[Hourly], ambient: Sequence[Hourly], zone: ZoneInfo) -> tuple[float | None, ...]:
    """As `offsets_by_hour`, of hourly means."""
    outside: Mapping[int, float] = {hour_of(h): h.mean for h in ambient}
    differences: list[list[float]] = [[] for _ in range(24)]
    for h in inside:
        if hour_of(h) in outside:
            differences[h.start.astimezone(zone).hour].append(h.mean - outside[hour_of(h)])
    return tuple(sum(hour) / len(hour) if hour else None for hour in differences)
