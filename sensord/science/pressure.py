"""What the barometer says: tendency in words, rapid falls, the jump ahead of a gust front, and sea level for display.

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

STANDARD_SEA_LEVEL_PA = 101325.0

RAPID_RATE_PA_H = 0.06 * INHG_PA
RAPID_TOTAL_PA = 0.02 * INHG_PA
"""A change counts as rapid from this rate and this total. Source: [AFMAN15-111] PRESFR, PRESRR."""

GUST_FRONT_RISE_PA = 60.0
"""Mean rise of pressure at the passage of 30 gust fronts. Source: [Mahoney1988]."""


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
    return _rapid(times_s, pressures_pa, -1.0)


def rises_rapidly(times_s: Sequence[float], pressures_pa: Sequence[float]) -> RapidChange | None:
    """Whether the pressure is rising rapidly as of the latest reading; the mirror of `falls_rapidly`.

    Args:
        times_s: instants, rising [s]
        pressures_pa: station pressure at them [Pa], 30,000–110,000
    Returns:
        steepest rise, as positive rate [Pa/h] and total [Pa]; None with fewer than two readings

    Source: [AFMAN15-111] PRESRR
    """
    return _rapid(times_s, pressures_pa, 1.0)


def pressure_jump_pa(times_s: Sequence[float], pressures_pa: Sequence[float], window_s: float = 600.0) -> float | None:
    """Largest rise within the last minutes: a gust front lifts the pressure before its wind arrives.

    A jump of `GUST_FRONT_RISE_PA` together with a drop of temperature or a leap of the wind says that the gust is
    here in seconds to minutes: it is no forecast.

    Args:
        times_s: instants, rising [s]
        pressures_pa: station pressure at them [Pa], 30,000–110,000
        window_s: how far to look back from the latest reading [s], 60–3,600; ten minutes is a choice of ours
    Returns:
        rise [Pa], 0 or more; None with fewer than two readings in the window

    Source: [Mahoney1988] mean rise 0.6 hPa, then wind, then temperature drop
    """
    _check(times_s, pressures_pa)
    within("window", window_s, 60.0, 3600.0, "s")
    recent = [p for t, p in zip(times_s, pressures_pa, strict=True) if t >= times_s[-1] - window_s]
    if len(recent) < 2:
        return None
    lowest, rise = recent[0], 0.0
    for pressure_pa in recent:
        lowest = min(lowest, pressure_pa)
        rise = max(rise, pressure_pa - lowest)
    return rise


def sea_level_pressure_pa(station_pressure_pa: float, elevation_m: float, temperature_c: float) -> float:
    """Station pressure reduced to sea level, for display only (see the head of this file).

    Args:
        station_pressure_pa: at the station [Pa], 30,000–110,000
        elevation_m: of the station [m], −500 to 3,000
        temperature_c: of the outside air, best as mean of now and 12 hours ago [°C], −60 to 60
    Returns:
        pressure at mean sea level [Pa]

    Valid to a few tenths of hPa below 500 m; services differ by 1 hPa and more above 1,000 m.
    Source: [Hess1959] ch. 6.5, hypsometric equation with half the standard lapse rate
    """
    within("station pressure", station_pressure_pa, 30_000.0, 110_000.0, "Pa")
    within("elevation", elevation_m, -500.0, 3000.0, "m")
    within("air temperature", temperature_c, -60.0, 60.0, "°C")
    column_k = temperature_c + 273.15 + 0.0065 * elevation_m / 2
    return station_pressure_pa * math.exp(9.80665 * elevation_m / (287.055 * column_k))


def standard_pressure_pa(elevation_m: float) -> float:
    """Pressure of the standard atmosphere.

    Args:
        elevation_m: above mean sea level [m], −5,000 to 11,000
    Returns:
        pressure [Pa]

    Source: [ASHRAE2017] ch. 1 eq. 3
    """
    within("elevation", elevation_m, -5000.0, 11_000.0, "m")
    return STANDARD_SEA_LEVEL_PA * math.pow(1.0 - 2.25577e-5 * elevation_m, 5.2559)


def _rapid(times_s: Sequence[float], pressures_pa: Sequence[float], sign: float) -> RapidChange | None:
    _check(times_s, pressures_pa)
    if len(times_s) < 2:
        return None
    best = RapidChange(False, 0.0, 0.0)
    for t, p in zip(times_s[:-1], pressures_pa[:-1], strict=True):
        total_pa = sign * (pressures_pa[-1] - p)
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
