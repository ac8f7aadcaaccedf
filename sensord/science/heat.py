"""Heat on animals that cannot leave: how far above a tier, how long, in one go or in pulses.

A dose is hours and degree-hours above a temperature tier; a spell is one unbroken time at or above it. Monarch larvae
took daily pulses of 36 °C for 6 or 12 h with very little mortality, but died more, grew slower and became lighter
adults the longer they stood at a constant 36 °C [YorkOberhauser2002]: so a spell and its pattern matter beside the sum.

What is missing between readings is never counted as cool: it ends a spell and is reported.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Sequence
from enum import StrEnum
from itertools import pairwise
from typing import NamedTuple

from sensord.science import steps
from sensord.science.steps import LONGEST_BRIDGE_S, MISSING, StepSum, walk
from sensord.science.thresholds import triangle

HOUR_S = 3600.0
DAY_S = 86400.0
ROUNDING_S = 0.001  # readings are kept to the millisecond; a closer gap is rounding

LONGEST_PULSE_HOURS = 12.0
"""The longest daily pulse of 36 °C that larvae were shown to bear. Source: [YorkOberhauser2002] abstract"""


class Exposure(NamedTuple):
    """Time and dose at or above a tier [h, °C·h]; `known_hours` were measured or bridged, the rest is missing."""

    hours: float
    degree_hours: float
    longest_spell_hours: float
    current_spell_hours: float  # of the spell that reaches the last reading; 0 when there is none
    known_hours: float
    missing_hours: float


class Spell(NamedTuple):
    """One time at or above a tier, from when to when [s]."""

    start_s: float
    end_s: float


class Pattern(StrEnum):
    """How heat came."""

    NONE = "none"  # never at the tier
    PULSES = "pulses"  # never longer than the longest pulse that was shown to be borne, with rest between
    CONSTANT = "constant"  # longer
    UNKNOWN = "unknown"  # too little was measured to tell


def exposure_above(
    times_s: Sequence[float],
    temperatures_c: Sequence[float],
    tier_c: float,
    longest_bridge_s: float = LONGEST_BRIDGE_S,
    tolerated_dip_s: float = 0.0,
) -> Exposure:
    """Hours, degree-hours and spells at or above a tier, exact for a temperature that runs straight between readings.

    Hours and degree-hours of adjacent spans that share the reading at their border add up to those of the whole.

    Args:
        times_s: of the readings, ascending [s].
        temperatures_c: at those times [°C].
        tier_c: the temperature from which it counts [°C].
        longest_bridge_s: the longest interval between readings that a straight line may cross [s].
        tolerated_dip_s: a dip below the tier up to this long does not end a spell, and counts into its length [s].

    Raises:
        ValueError: for columns of unequal length, times that go back, a temperature that is not finite.

    Source: [YorkOberhauser2002] for dose by duration; the integral as [Zalom1983] table 3
    """
    steps.check(times_s, temperatures_c)
    hours = degree_hours = known = missing = 0.0
    for start_s, end_s, a, b in zip(times_s, times_s[1:], temperatures_c, temperatures_c[1:], strict=False):
        duration_s = end_s - start_s
        if duration_s > longest_bridge_s:
            missing += duration_s
            continue
        known += duration_s
        if a >= tier_c and b >= tier_c:
            hours += duration_s
            degree_hours += duration_s * ((a + b) / 2 - tier_c)
        elif a >= tier_c or b >= tier_c:
            above = triangle(a, b, tier_c) if a <= b else triangle(b, a, tier_c)
            hours += duration_s * above.share
            degree_hours += duration_s * above.excess
    found = _spells(times_s, temperatures_c, tier_c, longest_bridge_s, tolerated_dip_s)
    longest = max((spell.end_s - spell.start_s for spell in found), default=0.0)
    current = 0.0
    if found and found[-1].end_s >= times_s[-1] - tolerated_dip_s - ROUNDING_S:
        current = found[-1].end_s - found[-1].start_s
    return Exposure(*(value / HOUR_S for value in (hours, degree_hours, longest, current, known, missing)))


def spells_above(
    times_s: Sequence[float],
    temperatures_c: Sequence[float],
    tier_c: float,
    longest_bridge_s: float = LONGEST_BRIDGE_S,
    tolerated_dip_s: float = 0.0,
) -> list[Spell]:
    """Every spell at or above a tier, in order, its edges where the line between two readings crosses the tier.

    Missing time ends a spell, whatever stood on its other side.

    Args:
        times_s: of the readings, ascending [s].
        temperatures_c: at those times [°C].
        tier_c: the temperature from which it counts [°C].
        longest_bridge_s: the longest interval between readings that a straight line may cross [s].
        tolerated_dip_s: a dip below the tier up to this long joins the spells on its sides [s].

    Source: [YorkOberhauser2002] for duration; crossing by linear interpolation
    """
    steps.check(times_s, temperatures_c)
    return _spells(times_s, temperatures_c, tier_c, longest_bridge_s, tolerated_dip_s)


def _spells(
    times_s: Sequence[float],
    temperatures_c: Sequence[float],
    tier_c: float,
    longest_bridge_s: float,
    tolerated_dip_s: float,
) -> list[Spell]:
    found: list[Spell] = []
    barrier_s = first_s = last_s = float("-inf")  # the end of the latest missing step: no dip reaches across it
    for start_s, end_s, a, b in zip(times_s, times_s[1:], temperatures_c, temperatures_c[1:], strict=False):
        if end_s - start_s > longest_bridge_s:
            barrier_s = end_s
        elif a >= tier_c or b >= tier_c:
            duration_s = end_s - start_s
            begin = start_s if a >= tier_c else start_s + duration_s * (tier_c - a) / (b - a)
            if last_s < barrier_s or begin - last_s > tolerated_dip_s + ROUNDING_S:
                if last_s > first_s:
                    found.append(Spell(first_s, last_s))
                first_s = begin
            last_s = start_s + duration_s if b >= tier_c else start_s + duration_s * (a - tier_c) / (a - b)
    if last_s > first_s:
        found.append(Spell(first_s, last_s))
    return found


def hours_in_bands(
    times_s: Sequence[float],
    temperatures_c: Sequence[float],
    edges_c: Sequence[float],
    longest_bridge_s: float = LONGEST_BRIDGE_S,
) -> list[float]:
    """Hours below the first edge, between neighbouring edges, and at or above the last; one more than edges [h].

    Args:
        times_s: of the readings, ascending [s].
        temperatures_c: at those times [°C].
        edges_c: ascending; an edge belongs to the band above it [°C].
        longest_bridge_s: the longest interval between readings that a straight line may cross [s].

    Source: share of time above a level as [Zalom1983] table 3
    """
    if any(first >= second for first, second in pairwise(edges_c)):
        raise ValueError(f"the edges of temperature bands must ascend, not {list(edges_c)}")
    above_s = [0.0] * len(edges_c)
    known_s = 0.0
    for _, duration_s, a, b, kind in _steps(times_s, temperatures_c, longest_bridge_s):
        if kind == MISSING:
            continue
        known_s += duration_s
        low, high = (a, b) if a <= b else (b, a)
        for index in range(bisect_right(edges_c, high)):
            above_s[index] += duration_s * triangle(low, high, edges_c[index]).share
    return [(more - less) / HOUR_S for more, less in zip([known_s, *above_s], [*above_s, 0.0], strict=True)]


def most_hours_a_day(spells: Sequence[Spell]) -> float:
    """The most time at or above a tier in any 24 h, wherever they begin [h].

    Args:
        spells: in order, not overlapping.

    Source: [YorkOberhauser2002] whose pulses came daily
    """
    if not spells:
        return 0.0
    starts = [spell.start_s for spell in spells]
    total = [0.0]
    for spell in spells:
        total.append(total[-1] + spell.end_s - spell.start_s)

    def until(instant_s: float) -> float:
        index = bisect_right(starts, instant_s)
        return total[index] - max(0.0, spells[index - 1].end_s - instant_s)

    # The fullest window starts where a spell does: one that starts within a spell, moved back to the spell's start, gains
    # at least what it loses; one that starts before a spell, moved on to it, loses nothing.
    return max(until(start + DAY_S) - until(start) for start in starts) / HOUR_S


def pattern_above(
    times_s: Sequence[float],
    temperatures_c: Sequence[float],
    tier_c: float,
    longest_bridge_s: float = LONGEST_BRIDGE_S,
    tolerated_dip_s: float = 1800.0,
    longest_pulse_hours: float = LONGEST_PULSE_HOURS,
) -> Pattern:
    """Whether heat came in daily pulses, which larvae bore, or constantly, which harmed them.

    Constant means one spell, or the sum within any 24 h, longer than the longest pulse. When a quarter or more of the
    span is missing and what is known is not constant, the answer is unknown: the missing time may have been hot.

    Args:
        times_s: of the readings, ascending [s].
        temperatures_c: at those times [°C].
        tier_c: the temperature from which it counts [°C].
        longest_bridge_s: the longest interval between readings that a straight line may cross [s].
        tolerated_dip_s: a dip this short does not rest the animal; chosen [s].
        longest_pulse_hours: the longest pulse that was shown to be borne [h].

    Source: [YorkOberhauser2002] abstract: 6 h and 12 h daily at 36 °C against constant exposure
    """
    exposure = exposure_above(times_s, temperatures_c, tier_c, longest_bridge_s, tolerated_dip_s)
    spells = spells_above(times_s, temperatures_c, tier_c, longest_bridge_s, tolerated_dip_s)
    if max(exposure.longest_spell_hours, most_hours_a_day(spells)) > longest_pulse_hours:
        return Pattern.CONSTANT
    span_hours = exposure.known_hours + exposure.missing_hours
    if exposure.missing_hours >= span_hours / 4:  # nothing at all is too little, too
        return Pattern.UNKNOWN
    return Pattern.PULSES if spells else Pattern.NONE


def swing(
    times_s: Sequence[float],
    temperatures_c: Sequence[float],
    start_s: float,
    end_s: float,
    longest_bridge_s: float = LONGEST_BRIDGE_S,
    least_known: float = 0.75,
) -> float | None:
    """Highest less lowest temperature of a span, such as one local day [°C]; None where too little of it is known.

    Args:
        times_s: of the readings, ascending [s].
        temperatures_c: at those times [°C].
        start_s: start of the span [s].
        end_s: its end [s].
        longest_bridge_s: the longest interval between readings that a straight line may cross [s].
        least_known: the share of the span that must be measured or bridged; chosen [0–1].

    Source: [GoehringOberhauser2002] fluctuating temperatures favour diapause, constant ones do not
    """
    lowest, highest, known_s = float("inf"), float("-inf"), 0.0
    for _, duration_s, a, b, kind in walk(times_s, temperatures_c, start_s, end_s, longest_bridge_s):
        if kind != MISSING:
            known_s += duration_s
            lowest, highest = min(lowest, a, b), max(highest, a, b)
    if known_s == 0.0 or known_s < least_known * (end_s - start_s):
        return None
    return highest - lowest


def _steps(times_s: Sequence[float], temperatures_c: Sequence[float], longest_bridge_s: float) -> Iterator[StepSum]:
    start_s, end_s = (times_s[0], times_s[-1]) if len(times_s) else (0.0, 0.0)
    return walk(times_s, temperatures_c, start_s, end_s, longest_bridge_s)
