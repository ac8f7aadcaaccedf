"""A thunderstorm as it passes the garden: the air before it, its gust front, its rain.

Order and size of what happens at the gust front follow the means over 30 fronts in Mahoney WP (1988), Monthly Weather
Review 116(7): 1474–1491 (abstract): the pressure rises first (0.6 hPa), then the wind (at most 14.5 m/s), then the
temperature drops (by at most 3.5 °C). Larger fronts (drop to 10 °C, jump to 4 hPa) have been described elsewhere.
The pressure's fall before, and how fast everything fades, are plausible choices without a source.
"""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import NamedTuple

MINUTE = 60.0
HOUR = 3600.0
WIND_AFTER_S = 2 * MINUTE
COOLING_AFTER_S = 4 * MINUTE


class Storm(NamedTuple):
    """One thunderstorm, by the instant at which its gust front's pressure rise begins."""

    front_at: datetime
    fall_hpa: float  # during the three hours before
    jump_hpa: float
    gust_m_s: float  # the highest
    drop_c: float
    rain_mm_h: float

    @property
    def begins_at(self) -> datetime:
        """From here on it can be measured."""
        return self.front_at - timedelta(hours=4)

    @property
    def ends_at(self) -> datetime:
        """From here on nothing is left of it."""
        return self.front_at + timedelta(hours=14)


class Effect(NamedTuple):
    """What a storm does to the weather at one instant."""

    temperature_c: float  # added
    pressure_hpa: float  # added
    wind_share: float  # of the wind that would have been
    gust_m_s: float  # at least
    cloud: float  # at least
    rain_mm_h: float
    thunder: bool


def drawn(chance: random.Random, front_at: datetime) -> Storm:
    """A storm of ordinary size, spread around the published means."""
    return Storm(
        front_at,
        fall_hpa=chance.uniform(1.4, 3.2),
        jump_hpa=min(2.0, max(0.6, chance.lognormvariate(math.log(0.95), 0.4))),
        gust_m_s=min(23.0, max(9.0, chance.gauss(14.5, 2.8))),
        drop_c=min(8.0, max(3.0, chance.gauss(4.6, 1.3))),
        rain_mm_h=chance.uniform(8.0, 35.0),
    )


def effect(storm: Storm, instant: datetime) -> Effect:
    """What the storm does at an instant."""
    after_s = (instant - storm.front_at).total_seconds()
    return Effect(
        temperature_c=-storm.drop_c * _ramp(after_s - COOLING_AFTER_S, 14 * MINUTE) * _fade(after_s - HOUR, 3.0 * HOUR),
        pressure_hpa=_pressure_hpa(storm, after_s),
        wind_share=_wind_share(after_s),
        gust_m_s=storm.gust_m_s * _ramp(after_s - WIND_AFTER_S, 3 * MINUTE) * _fade(after_s - 12 * MINUTE, 0.4 * HOUR),
        cloud=_ramp(after_s + 1.5 * HOUR, HOUR) * _fade(after_s - 3 * HOUR, HOUR),
        rain_mm_h=_rain_mm_h(storm, after_s),
        thunder=-25 * MINUTE < after_s < 70 * MINUTE,
    )


def gusty(wind_m_s: float, passing: Sequence[Effect], chance: random.Random) -> tuple[float, float]:
    """Mean wind and gust of a minute [m/s], with what gust fronts make of them.

    Over an hour this gives gusts of 1.5–1.9 times the mean wind, as over open land: 1.75 (Harper, Kepert and Ginger
    (2010), WMO/TD-No. 1555, gusts of 3 s over means of an hour, roughly open land; from memory).
    """
    gust = wind_m_s * (1.10 + 0.20 * chance.random()) + 0.1
    for one in passing:
        wind_m_s, gust = wind_m_s * one.wind_share, gust * one.wind_share
        front = one.gust_m_s * (0.82 + 0.18 * chance.random())
        if front > gust:
            wind_m_s, gust = max(wind_m_s, front / (1.25 + 0.2 * chance.random())), front
    return wind_m_s, gust


def _pressure_hpa(storm: Storm, after_s: float) -> float:
    """An ever faster fall of three hours, a jump within four minutes, then hours of settling."""
    if after_s < 0.0:
        share = max(0.0, 1.0 + after_s / (3.2 * HOUR))
        return -storm.fall_hpa * share**2
    jump = storm.jump_hpa * _ramp(after_s, 4 * MINUTE) * _fade(after_s - 20 * MINUTE, HOUR)
    return -storm.fall_hpa * _fade(after_s, 2.0 * HOUR) + jump


def _wind_share(after_s: float) -> float:
    """The calm before; afterwards the wind comes back slowly."""
    if after_s < WIND_AFTER_S:
        return 1.0 - 0.6 * _ramp(after_s + 40 * MINUTE, 20 * MINUTE)
    return 0.4 + 0.6 * _ramp(after_s - HOUR, 3 * HOUR)


def _rain_mm_h(storm: Storm, after_s: float) -> float:
    if not 12 * MINUTE < after_s < 90 * MINUTE:
        return 0.0
    return max(0.5, storm.rain_mm_h * _ramp(after_s - 12 * MINUTE, 8 * MINUTE) * _fade(after_s - 35 * MINUTE, 900.0))


def _ramp(since_s: float, length_s: float) -> float:
    """From 0 to 1, smoothly, within `length_s`."""
    share = min(1.0, max(0.0, since_s / length_s))
    return share * share * (3.0 - 2.0 * share)


def _fade(since_s: float, memory_s: float) -> float:
    """1 until `since_s` is nought, then fading away."""
    return math.exp(-since_s / memory_s) if since_s > 0.0 else 1.0
