"""Degree-days: how much development warmth has allowed, from daily extremes or exactly from readings.

Estimates from daily extremes serve days ahead and gaps; readings are integrated exactly. Both rest on the integrals and
cut-offs of `thresholds`. Degree-days in °F are 1.8 times those in °C, with no 32 added.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from enum import StrEnum
from typing import NamedTuple

from sensord.science import steps
from sensord.science.steps import BRIDGED, LONGEST_BRIDGE_S, MEASURED_LIMIT_S, MISSING
from sensord.science.thresholds import Cutoff as Cutoff
from sensord.science.thresholds import check_day, check_thresholds, combine, mean_rate, sine, triangle

DAY_S = 86400.0


class Method(StrEnum):
    """How a day is drawn through its extremes. Source: [Zalom1983]."""

    SIMPLE_AVERAGE = "simple average"
    MODIFIED_AVERAGE = "modified average"
    SINGLE_TRIANGLE = "single triangle"
    DOUBLE_TRIANGLE = "double triangle"
    SINGLE_SINE = "single sine"
    DOUBLE_SINE = "double sine"


class Tally(NamedTuple):
    """Degree-days of a span [°C·d], and how much of it was measured, bridged and missing [s]."""

    degree_days: float
    measured_s: float
    bridged_s: float
    missing_s: float

    def plus(self, other: Tally) -> Tally:
        """The tally of two spans together."""
        return Tally(*(mine + theirs for mine, theirs in zip(self, other, strict=True)))


# --- from daily extremes ------------------------------------------------------------------------------------------


def simple_average(minimum_c: float, maximum_c: float, lower_c: float) -> float:
    """Degree-days of a day as its mean above the lower threshold, never below 0 [°C·d].

    Args:
        minimum_c: of the day [°C].
        maximum_c: of the day, not below the minimum [°C].
        lower_c: threshold of development [°C].

    Source: [McMasterWilhelm1997] method 1
    """
    check_day(minimum_c, maximum_c, lower_c, None)
    return max(0.0, (minimum_c + maximum_c) / 2 - lower_c)


def modified_average(minimum_c: float, maximum_c: float, lower_c: float, upper_c: float | None = None) -> float:
    """Degree-days of a day from extremes that are first brought between the thresholds [°C·d].

    Args:
        minimum_c: of the day [°C].
        maximum_c: of the day, not below the minimum [°C].
        lower_c: threshold of development [°C].
        upper_c: temperature above which warmth counts as this one, or None [°C].

    Source: [McMasterWilhelm1997] method 2
    """
    check_day(minimum_c, maximum_c, lower_c, upper_c)
    top = math.inf if upper_c is None else upper_c
    low, high = (min(max(value, lower_c), top) for value in (minimum_c, maximum_c))
    return (low + high) / 2 - lower_c


def single_triangle(
    minimum_c: float,
    maximum_c: float,
    lower_c: float,
    upper_c: float | None = None,
    cutoff: Cutoff = Cutoff.HORIZONTAL,
) -> float:
    """Degree-days of a day that rises and falls in straight lines between its extremes [°C·d].

    Args:
        minimum_c: of the day [°C].
        maximum_c: of the day, not below the minimum [°C].
        lower_c: threshold of development [°C].
        upper_c: upper threshold, or None for no cut-off [°C].
        cutoff: what happens above the upper threshold.

    Source: [Zalom1983] tables 3 and 4
    """
    check_day(minimum_c, maximum_c, lower_c, upper_c)
    return max(0.0, combine(triangle, minimum_c, maximum_c, lower_c, upper_c, cutoff))


def single_sine(
    minimum_c: float,
    maximum_c: float,
    lower_c: float,
    upper_c: float | None = None,
    cutoff: Cutoff = Cutoff.HORIZONTAL,
) -> float:
    """Degree-days of a day that follows a sine between its extremes [°C·d].

    With the intermediate cut-off a day far above the upper threshold would come out negative; it counts 0.

    Args:
        minimum_c: of the day [°C].
        maximum_c: of the day, not below the minimum [°C].
        lower_c: threshold of development [°C].
        upper_c: upper threshold, or None for no cut-off [°C].
        cutoff: what happens above the upper threshold.

    Source: [BaskervilleEmin1969], [Allen1976], [Zalom1983] table 5
    """
    check_day(minimum_c, maximum_c, lower_c, upper_c)
    return max(0.0, combine(sine, minimum_c, maximum_c, lower_c, upper_c, cutoff))


def double_triangle(
    minimum_c: float,
    maximum_c: float,
    next_minimum_c: float,
    lower_c: float,
    upper_c: float | None = None,
    cutoff: Cutoff = Cutoff.HORIZONTAL,
) -> float:
    """Degree-days of a day drawn in two half triangles, up from its minimum and down to the next day's [°C·d].

    Args:
        minimum_c: of the day [°C].
        maximum_c: of the day, not below either minimum [°C].
        next_minimum_c: of the day after [°C].
        lower_c: threshold of development [°C].
        upper_c: upper threshold, or None for no cut-off [°C].
        cutoff: what happens above the upper threshold.

    Source: [Zalom1983] table 4
    """
    return _double(single_triangle, minimum_c, maximum_c, next_minimum_c, lower_c, upper_c, cutoff)


def double_sine(
    minimum_c: float,
    maximum_c: float,
    next_minimum_c: float,
    lower_c: float,
    upper_c: float | None = None,
    cutoff: Cutoff = Cutoff.HORIZONTAL,
) -> float:
    """Degree-days of a day drawn in two half sines, up from its minimum and down to the next day's [°C·d].

    Args:
        minimum_c: of the day [°C].
        maximum_c: of the day, not below either minimum [°C].
        next_minimum_c: of the day after [°C].
        lower_c: threshold of development [°C].
        upper_c: upper threshold, or None for no cut-off [°C].
        cutoff: what happens above the upper threshold.

    Source: [Allen1976], [Zalom1983] table 6
    """
    return _double(single_sine, minimum_c, maximum_c, next_minimum_c, lower_c, upper_c, cutoff)


def estimate(
    method: Method,
    minimum_c: float,
    maximum_c: float,
    next_minimum_c: float | None,
    lower_c: float,
    upper_c: float | None = None,
    cutoff: Cutoff = Cutoff.HORIZONTAL,
) -> float:
    """Degree-days of a day by the named method [°C·d].

    Args:
        method: how the day is drawn. The averages know no cut-off but clamping.
        minimum_c: of the day [°C].
        maximum_c: of the day [°C].
        next_minimum_c: of the day after; None takes the day's own, which makes a double method a single one [°C].
        lower_c: threshold of development [°C].
        upper_c: upper threshold, or None [°C].
        cutoff: what happens above the upper threshold.

    Source: [Zalom1983], [McMasterWilhelm1997]
    """
    following = minimum_c if next_minimum_c is None else next_minimum_c
    match method:
        case Method.SIMPLE_AVERAGE:
            return simple_average(minimum_c, maximum_c, lower_c)
        case Method.MODIFIED_AVERAGE:
            return modified_average(minimum_c, maximum_c, lower_c, upper_c)
        case Method.SINGLE_TRIANGLE:
            return single_triangle(minimum_c, maximum_c, lower_c, upper_c, cutoff)
        case Method.DOUBLE_TRIANGLE:
            return double_triangle(minimum_c, maximum_c, following, lower_c, upper_c, cutoff)
        case Method.SINGLE_SINE:
            return single_sine(minimum_c, maximum_c, lower_c, upper_c, cutoff)
        case Method.DOUBLE_SINE:
            return double_sine(minimum_c, maximum_c, following, lower_c, upper_c, cutoff)


# --- from readings, exactly ---------------------------------------------------------------------------------------


def integrate(
    times_s: Sequence[float],
    temperatures_c: Sequence[float],
    lower_c: float,
    upper_c: float | None,
    cutoff: Cutoff = Cutoff.HORIZONTAL,
    longest_bridge_s: float = LONGEST_BRIDGE_S,
    measured_limit_s: float = MEASURED_LIMIT_S,
) -> Tally:
    """Degree-days from the first reading to the last, exact for a temperature that runs straight between them.

    Tallies of adjacent spans that share the reading at their border add up to that of the whole.

    Args:
        times_s: of the readings, ascending, any spacing [s].
        temperatures_c: at those times [°C].
        lower_c: threshold of development [°C].
        upper_c: upper threshold, or None for no cut-off [°C].
        cutoff: what happens above the upper threshold.
        longest_bridge_s: the longest interval between readings that a straight line may cross [s].
        measured_limit_s: the longest interval that counts as measured [s].

    Raises:
        ValueError: as `integrate_between`.

    Source: [Zalom1983] table 3, each step being one straight rise or fall
    """
    if len(times_s) == 0:
        steps.check(times_s, temperatures_c)
        return Tally(0.0, 0.0, 0.0, 0.0)
    return integrate_between(
        times_s, temperatures_c, times_s[0], times_s[-1], lower_c, upper_c, cutoff, longest_bridge_s, measured_limit_s
    )


def integrate_between(
    times_s: Sequence[float],
    temperatures_c: Sequence[float],
    start_s: float,
    end_s: float,
    lower_c: float,
    upper_c: float | None,
    cutoff: Cutoff = Cutoff.HORIZONTAL,
    longest_bridge_s: float = LONGEST_BRIDGE_S,
    measured_limit_s: float = MEASURED_LIMIT_S,
) -> Tally:
    """Degree-days of a span, such as one clock hour, from the readings in it and the two just outside.

    At the edges of the span the temperature is read off the line between the readings on either side. What lies before
    the first reading or after the last is missing; measured, bridged and missing always add up to the span.

    With the intermediate cut-off the rate stays at 0 above 2 U − L: development does not run backwards. (An estimate
    from daily extremes nets such hours against the rest of the day, as published tables do.)

    Args:
        times_s: of the readings, ascending, any spacing [s].
        temperatures_c: at those times [°C].
        start_s: start of the span [s].
        end_s: its end, not before its start [s].
        lower_c: threshold of development [°C].
        upper_c: upper threshold, or None for no cut-off [°C].
        cutoff: what happens above the upper threshold.
        longest_bridge_s: the longest interval between readings that a straight line may cross [s].
        measured_limit_s: the longest interval that counts as measured [s].

    Raises:
        ValueError: for columns of unequal length, times that go back, a temperature that is not finite, an upper
            threshold that is not above the lower.

    Source: [Zalom1983] table 3, each step being one straight rise or fall
    """
    check_thresholds(lower_c, upper_c)
    top_c = math.inf if upper_c is None or cutoff is Cutoff.NONE else upper_c
    dose = measured_s = bridged_s = missing_s = 0.0
    for _, duration_s, a, b, kind in steps.walk(
        times_s, temperatures_c, start_s, end_s, longest_bridge_s, measured_limit_s
    ):
        if kind == MISSING:
            missing_s += duration_s
            continue
        if kind == BRIDGED:
            bridged_s += duration_s
        else:
            measured_s += duration_s
        if lower_c <= a < top_c and lower_c <= b < top_c:
            dose += duration_s * ((a + b) / 2 - lower_c)
        elif a > lower_c or b > lower_c:
            low, high = (a, b) if a <= b else (b, a)
            dose += duration_s * mean_rate(low, high, lower_c, upper_c, cutoff)
    return Tally(dose / DAY_S, measured_s, bridged_s, missing_s)


def _double(
    single: Callable[[float, float, float, float | None, Cutoff], float],
    minimum: float,
    maximum: float,
    next_minimum: float,
    lower: float,
    upper: float | None,
    cutoff: Cutoff,
) -> float:
    return (single(minimum, maximum, lower, upper, cutoff) + single(next_minimum, maximum, lower, upper, cutoff)) / 2
