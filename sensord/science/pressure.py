"""What the barometer says: tendency in words, and rapid falls.

Tendencies are taken from the pressure *at the station*: the height cancels, whereas reducing to sea level mixes the
daily swing of temperature into the change. Pressure also has a tide of its own, with highs about 10 and 22 and lows
about 4 and 16 o'clock local time, of about 1 hPa (more in the tropics): "falling slowly" on its own is no sign of
weather.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from enum import StrEnum
from itertools import pairwise
from typing import NamedTuple

from sensord.science.bounds import within

INHG_PA = 3386.389
"""One inch of mercury at 0 °C [Pa]; from memory."""

RAPID_RATE_PA_H = 0.06 * INHG_PA
RAPID_TOTAL_PA = 0.02 * INHG_PA
"""A fall counts as rapid from this rate and this total. Source: [AFMAN15-111] PRESFR."""


class Direction(StrEnum):
    """Which way the pressure went."""

    RISING = "rising"
    FALLING = "falling"
    STEADY = "steady"


class Pace(StrEnum):
    """How fast, in the words of marine forecasts; the middle class has no adverb."""

    STEADY = "steady"
    SLOWLY = "slowly"
    PLAIN = ""
    QUICKLY = "quickly"
    VERY_RAPIDLY = "very rapidly"


class Tendency(NamedTuple):
    """A three-hour change of pressure, in words."""

    direction: Direction
    pace: Pace
    change_pa: float

    def __str__(self) -> str:
        if self.direction is Direction.STEADY:
            return self.direction.value
        return f"{self.direction} {self.pace}".rstrip()


class RapidChange(NamedTuple):
    """The steepest change that ends at the latest reading; true where it is rapid by rate and by total."""

    rapid: bool
    rate_pa_h: float
    total_pa: float

    def __bool__(self) -> bool:
        return self.rapid


def tendency(change_pa_3h: float) -> Tendency:
    """A change of station pressure over the preceding three hours, in words.

    The classes are given to 0.1 hPa, so the change is rounded to that first; otherwise they have gaps.

    Args:
        change_pa_3h: pressure now minus pressure three hours ago [Pa], −20,000 to 20,000
    Returns:
        direction, pace, and the rounded change [Pa]

    Valid at one place with a barometer that keeps its temperature within a few kelvin.
    Source: [MetOfficeTendency]: steady < 0.1, slowly to 1.5, plain to 3.5, quickly to 6.0 hPa, else very rapidly
    """
    within("change of pressure", change_pa_3h, -20_000.0, 20_000.0, "Pa")
    tenths = math.floor(abs(change_pa_3h) / 10.0 + 0.5)
    if tenths == 0:
        return Tendency(Direction.STEADY, Pace.STEADY, 0.0)
    direction = Direction.RISING if change_pa_3h > 0 else Direction.FALLING
    if tenths <= 15:
        pace = Pace.SLOWLY
    elif tenths <= 35:
        pace = Pace.PLAIN
    elif tenths <= 60:
        pace = Pace.QUICKLY
    else:
        pace = Pace.VERY_RAPIDLY
    return Tendency(direction, pace, math.copysign(tenths * 10.0, change_pa_3h))


def falls_rapidly(times_s: Sequence[float], pressures_pa: Sequence[float]) -> RapidChange | None:
    """Whether the pressure is falling rapidly as of the latest reading.

    Every stretch that ends at the latest reading is looked at: 0.06 inHg (203 Pa) an hour or more, and 0.02 inHg
    (68 Pa) or more in total. A slow fall is not made rapid by its length, nor a twitch by its steepness.

    Args:
        times_s: instants, rising [s]
        pressures_pa: station pressure at them [Pa], 30,000–110,000
    Returns:
        steepest fall of those that are large enough (else the largest), as positive rate [Pa/h] and total [Pa];
        None with fewer than two readings: unknown

    Give it an hour or so of good readings; three hours at most.
    Source: [AFMAN15-111] PRESFR
    """
    _check(times_s, pressures_pa)
    if len(times_s) < 2:
        return None
    best = RapidChange(False, 0.0, 0.0)
    for t, p in zip(times_s[:-1], pressures_pa[:-1], strict=True):
        total_pa = p - pressures_pa[-1]
        rate_pa_h = total_pa / (times_s[-1] - t) * 3600.0
        rapid = rate_pa_h >= RAPID_RATE_PA_H and total_pa >= RAPID_TOTAL_PA
        candidate = RapidChange(rapid, rate_pa_h, total_pa)
        larger = rate_pa_h > best.rate_pa_h if rapid else total_pa > best.total_pa
        if (rapid, larger) > (best.rapid, False):
            best = candidate
    return best


def _check(times_s: Sequence[float], pressures_pa: Sequence[float]) -> None:
    if len(times_s) != len(pressures_pa):
        raise ValueError(f"each pressure needs its time: {len(times_s)} times, {len(pressures_pa)} pressures")
    if any(later <= earlier for earlier, later in pairwise(times_s)):
        raise ValueError("the times of the readings must rise")
    for pressure_pa in pressures_pa:
        within("station pressure", pressure_pa, 30_000.0, 110_000.0, "Pa")
