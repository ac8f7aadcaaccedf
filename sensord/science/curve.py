"""Degree-days as they add up over time: what a cohort had, and what an outlook promises.

A past is readings, or hourly tallies, of where the cohort stood. An outlook is temperatures ahead: hourly, drawn
through daily extremes, or the last days repeated where nothing better is known.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from itertools import pairwise
from typing import NamedTuple, Protocol

from sensord.science import steps
from sensord.science.degree_days import DAY_S, Tally
from sensord.science.steps import LONGEST_BRIDGE_S, MISSING
from sensord.science.thresholds import Cutoff, check_day, check_thresholds, mean_rate

MINIMUM_AFTER_S = 3 * 3600.0
"""A day drawn through its extremes is coolest this long after local midnight, and warmest 12 h later (chosen)."""

LONGEST_CARRY_S = 120 * DAY_S


class Curve(NamedTuple):
    """Degree-days since the first instant, at each of the instants; straight in between."""

    times_s: list[float]
    sums: list[float]
    missing_s: float = 0.0

    @property
    def total(self) -> float:
        """At the last instant [°C·d]."""
        return self.sums[-1]

    def at(self, instant_s: float) -> float:
        """Sum at an instant; before the first 0, after the last the total [°C·d]."""
        index = bisect_right(self.times_s, instant_s)
        if index == 0 or index == len(self.times_s):
            return self.sums[0] if index == 0 else self.sums[-1]
        t0, t1 = self.times_s[index - 1], self.times_s[index]
        share = (instant_s - t0) / (t1 - t0)
        return self.sums[index - 1] + share * (self.sums[index] - self.sums[index - 1])

    def when(self, degree_days: float) -> float:
        """The first instant at which the sum is reached [s]; infinite where it never is."""
        index = bisect_left(self.sums, degree_days)
        if index == len(self.sums):
            return math.inf
        if index == 0:
            return self.times_s[0]
        d0, d1 = self.sums[index - 1], self.sums[index]
        return self.times_s[index - 1] + (degree_days - d0) / (d1 - d0) * (
            self.times_s[index] - self.times_s[index - 1]
        )

    def then(self, later: Curve) -> Curve:
        """This curve, carried on by one that starts where it ends."""
        return Curve(
            self.times_s + later.times_s[1:],
            self.sums + [self.total + value for value in later.sums[1:]],
            self.missing_s + later.missing_s,
        )


class Past(Protocol):
    """What a cohort had, as a curve."""

    def curve(self, lower_c: float, upper_c: float | None, cutoff: Cutoff, start_s: float, end_s: float) -> Curve:
        """Degree-days from start to end; what is missing goes at the mean rate of the rest, and is counted."""


class PastReadings(NamedTuple):
    """A past of readings where the cohort stood."""

    times_s: Sequence[float]
    temperatures_c: Sequence[float]
    longest_bridge_s: float = LONGEST_BRIDGE_S

    def curve(self, lower_c: float, upper_c: float | None, cutoff: Cutoff, start_s: float, end_s: float) -> Curve:
        """As `Past.curve`."""
        check_thresholds(lower_c, upper_c)
        pieces = []
        for _, duration_s, a, b, kind in steps.walk(
            self.times_s, self.temperatures_c, start_s, end_s, self.longest_bridge_s
        ):
            known = kind != MISSING
            rate = mean_rate(min(a, b), max(a, b), lower_c, upper_c, cutoff) if known else 0.0
            pieces.append((duration_s, rate * duration_s / DAY_S, 0.0 if known else duration_s))
        return _filled(start_s, pieces)


class Tallies(NamedTuple):
    """A past of hourly tallies where the cohort stood; they belong to the one threshold above which they were made."""

    starts_s: Sequence[float]
    tallies: Sequence[Tally]
    lower_c: float

    def curve(self, lower_c: float, upper_c: float | None, cutoff: Cutoff, start_s: float, end_s: float) -> Curve:
        """As `Past.curve`; hours that the tallies lack are missing. Start and end cut an hour by its share."""
        if lower_c != self.lower_c:
            raise ValueError(
                f"the tallies were made above {self.lower_c:g} °C, but {lower_c:g} °C is asked: give readings"
            )
        pieces = []
        at_s = start_s
        for begin_s, tally in zip(self.starts_s, self.tallies, strict=True):
            from_s, to_s = max(begin_s, start_s), min(begin_s + 3600.0, end_s)
            if to_s <= from_s:
                continue
            if from_s > at_s:
                pieces.append((from_s - at_s, 0.0, from_s - at_s))
            share = (to_s - from_s) / 3600.0
            pieces.append((to_s - from_s, tally.degree_days * share, tally.missing_s * share))
            at_s = to_s
        if at_s < end_s:
            pieces.append((end_s - at_s, 0.0, end_s - at_s))
        return _filled(start_s, pieces)


class Outlook(NamedTuple):
    """Temperatures ahead where the cohort will stand: an outlook of the ambient air plus the enclosure's usual offset."""

    times_s: Sequence[float]
    temperatures_c: Sequence[float]
    sd_c: float  # one standard deviation of the error of its mean
    known_until_s: float  # from there on it only repeats

    def curve(self, lower_c: float, upper_c: float | None, cutoff: Cutoff, start_s: float, bias_c: float) -> Curve:
        """Degree-days from start to the end of the outlook, were it all warmer by `bias_c`."""
        biased = [temperature + bias_c for temperature in self.temperatures_c]
        end_s = max(start_s, self.times_s[-1])
        return PastReadings(self.times_s, biased, math.inf).curve(lower_c, upper_c, cutoff, start_s, end_s)


def outlook_from_hours(times_s: Sequence[float], temperatures_c: Sequence[float], sd_c: float = 1.0) -> Outlook:
    """An outlook of temperatures at given times.

    Args:
        times_s: ascending, at least one [s].
        temperatures_c: at those times [°C].
        sd_c: one standard deviation of the error of its mean; the default is chosen [°C].

    Source: none; a container
    """
    steps.check(times_s, temperatures_c)
    if not times_s:
        raise ValueError("an outlook needs at least one temperature")
    if not 0 <= sd_c <= 10:
        raise ValueError(f"the error of an outlook must be 0–10 °C, not {sd_c}")
    return Outlook(times_s, temperatures_c, sd_c, times_s[-1])


def outlook_from_extremes(
    first_midnight_s: float, minima_c: Sequence[float], maxima_c: Sequence[float], sd_c: float = 1.0
) -> Outlook:
    """An outlook drawn as double sines through the extremes of consecutive days, one point every half hour.

    Args:
        first_midnight_s: local midnight at which the first day starts [s].
        minima_c: of each day [°C].
        maxima_c: of each day [°C].
        sd_c: one standard deviation of the error of its mean; the default is chosen [°C].

    Source: [Allen1976] double sine
    """
    if len(minima_c) != len(maxima_c):
        raise ValueError(f"{len(minima_c)} minima stand beside {len(maxima_c)} maxima")
    turning: list[float] = []
    for low, high in zip(minima_c, maxima_c, strict=True):
        check_day(low, high, 0.0, None)
        turning += [low, high]
    turning.extend(minima_c[-1:])
    times, temperatures = [], []
    for half_day, (begin, end) in enumerate(pairwise(turning)):
        for index in range(24):
            times.append(first_midnight_s + MINIMUM_AFTER_S + half_day * DAY_S / 2 + index * DAY_S / 48)
            temperatures.append((begin + end) / 2 - (end - begin) / 2 * math.cos(math.pi * index / 24))
    if turning:
        times.append(first_midnight_s + MINIMUM_AFTER_S + len(minima_c) * DAY_S)
        temperatures.append(turning[-1])
    return outlook_from_hours(times, temperatures, sd_c)


def carry_on(outlook: Outlook, until_s: float, days: int = 3) -> Outlook:
    """The outlook with its last days repeated until an instant; one of less than a day stays as it is.

    To go on from readings alone, wrap them by `outlook_from_hours`: their last days repeat.

    Args:
        outlook: what is known.
        until_s: to there, at most 120 days on [s].
        days: how many of the last repeat [d].

    Source: none; persistence, chosen
    """
    end_s = outlook.times_s[-1]
    if until_s - end_s > LONGEST_CARRY_S:
        raise ValueError(f"an outlook is carried on for 120 days at most, not {(until_s - end_s) / DAY_S:.0f}")
    whole_days = min(days, int((end_s - outlook.times_s[0]) / DAY_S))
    if whole_days < 1:
        return outlook
    first = bisect_right(outlook.times_s, end_s - whole_days * DAY_S)
    times, temperatures = list(outlook.times_s), list(outlook.temperatures_c)
    shift_s = whole_days * DAY_S
    while times[-1] < until_s:
        times += [at_s + shift_s for at_s in outlook.times_s[first:]]
        temperatures += outlook.temperatures_c[first:]
        shift_s += whole_days * DAY_S
    return Outlook(times, temperatures, outlook.sd_c, outlook.known_until_s)


def _filled(start_s: float, pieces: Sequence[tuple[float, float, float]]) -> Curve:
    """The curve of (duration, degree-days, missing duration) pieces; missing time goes at the mean rate of the rest."""
    missing_s = sum(piece[2] for piece in pieces)
    known_s = sum(piece[0] for piece in pieces) - missing_s
    rate = sum(piece[1] for piece in pieces) / known_s if known_s > 0 else 0.0
    times, sums = [start_s], [0.0]
    for duration_s, degree_days, absent_s in pieces:
        times.append(times[-1] + duration_s)
        sums.append(sums[-1] + degree_days + absent_s * rate)
    return Curve(times, sums, missing_s)
