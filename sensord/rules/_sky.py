"""Where the sun stands for a rule, how much of it gets through, and what the rest of the day's warmth will be like."""

from __future__ import annotations

import math
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from typing import NamedTuple

from sensord.model import AMBIENT, Quantity, Site
from sensord.rules import Need
from sensord.rules._readings import middle, seconds, slope_per_h
from sensord.rules._tracks import Track
from sensord.science import sun

UP_DEG = 8.0
"""Below this the sun is behind hedges and roofs, and too weak to heat much. Chosen."""
SUNNY_SHARE = 0.35
OVERCAST_SHARE = 0.25
"""Of the clear sky's irradiance: above, the sun casts shadows; below, it does not. Chosen."""
WARMEST_H = 15.0
"""Solar time of the day's highest air temperature; common practice, no source."""
EARLIEST_WAY = 0.42
"""Of the way from the morning's lowest to the afternoon's highest temperature; before it nothing can be told. Chosen."""
TREND_S = 4500.0
LEAST_RISE_K_H = 0.2
LARGEST_SWING_K = 20.0
"""From the lowest to the highest temperature of an ordinary summer day, at most. Chosen."""


class Sky(NamedTuple):
    """The sun at an instant. `share`: measured irradiance over that of a clear sky; None where nothing measures it."""

    elevation_deg: float
    azimuth_deg: float
    share: float | None

    @property
    def may_shine(self) -> bool:
        """The sun is up and nothing says that it is overcast."""
        return self.elevation_deg >= UP_DEG and (self.share is None or self.share >= SUNNY_SHARE)

    @property
    def is_dark(self) -> bool:
        """The sun is down, or it is known to be overcast: it can't be the sun that warms a thing."""
        if self.elevation_deg < 0.0:
            return True
        return self.elevation_deg >= UP_DEG and self.share is not None and self.share < OVERCAST_SHARE


@lru_cache(256)
def sun_at(latitude_deg: float, longitude_deg: float, at: datetime) -> sun.SunPosition:
    """Where the sun stands: every rule and enclosure of a turn asks it of the same instants."""
    return sun.position(latitude_deg, longitude_deg, at)


@lru_cache(64)
def sun_times(latitude_deg: float, longitude_deg: float, day: date) -> sun.SunTimes | None:
    """When it rises and sets on a day; it is asked all day long."""
    return sun.sunrise_sunset(latitude_deg, longitude_deg, day)


def irradiance_need(lookback: timedelta) -> Need:
    """What the ambient post's pyranometer says, if there is one."""
    return Need("irradiance", AMBIENT, Quantity.IRRADIANCE, lookback)


def sky_at(site: Site, now: datetime, irradiance: Track) -> Sky:
    """The sky over the site at `now`."""
    place = sun_at(site.latitude_deg, site.longitude_deg, now)
    share = None
    clear = sun.clear_sky_irradiance_w_m2(place.elevation_deg)
    recent = middle(irradiance.since(seconds(now) - 1200.0))
    if recent is not None and clear >= 50.0:
        share = max(0.0, recent) / clear
    return Sky(place.elevation_deg, place.azimuth_deg, share)


def solar_hour(site: Site, now: datetime) -> float:
    """Local mean solar time [h], 0–24; the sun's own runs up to a quarter of an hour off it."""
    utc = now.astimezone(UTC)
    return (utc.hour + utc.minute / 60.0 + utc.second / 3600.0 + site.longitude_deg / 15.0) % 24.0


def is_afternoon(site: Site, now: datetime) -> bool:
    """Whether the sun has passed its highest point."""
    return solar_hour(site, now) >= 12.0


def low_sun_at(site: Site, now: datetime, elevation_deg: float) -> datetime | None:
    """When the sun, high enough now, will have sunk to an elevation, to five minutes; None if it is lower already."""
    step = timedelta(minutes=5)
    at = max(now, now + timedelta(hours=12.0 - solar_hour(site, now)))
    if sun_at(site.latitude_deg, site.longitude_deg, at).elevation_deg <= elevation_deg:
        return None
    low, high = 0, 144  # five-minute steps of the twelve hours after noon or now, in which the sun only sinks
    while high - low > 1:
        middle_step = (low + high) // 2
        place = sun_at(site.latitude_deg, site.longitude_deg, at + middle_step * step)
        low, high = (middle_step, high) if place.elevation_deg > elevation_deg else (low, middle_step)
    return at + high * step


class Course(NamedTuple):
    """The rest of a day's rise, on a half cosine from the morning's lowest to the afternoon's highest temperature."""

    now: datetime
    starts_h: float  # solar time of the lowest temperature
    at_h: float
    rise_k: float  # from now to the highest

    def reaches(self, more_k: float) -> datetime | None:
        """When the temperature will be `more_k` above now's; None if it won't."""
        if more_k <= 0.0:
            return self.now
        if more_k > self.rise_k:
            return None
        length_h = WARMEST_H - self.starts_h
        angle = math.pi * (self.at_h - self.starts_h) / length_h
        cosine = math.cos(angle) - (1.0 + math.cos(angle)) * more_k / self.rise_k
        return self.now + timedelta(
            hours=math.acos(max(-1.0, cosine)) / math.pi * length_h - (self.at_h - self.starts_h)
        )


def course(site: Site, now: datetime, air: Track) -> Course | None:
    """How much more the air will warm today; None outside of late morning to early afternoon, or while it does not warm.

    With the lowest temperature half an hour after sunrise and the highest at 15 o'clock solar time, temperature runs
    along a half cosine of some amplitude. The slope of the last while gives one amplitude; how far it has come from the
    morning's lowest, where that is known, gives another. The smaller counts: morning mist that burns off is steep.
    A choice of ours: the ordinary course of a clear day, in the spirit of the sine methods for degree-days.
    """
    at_h = solar_hour(site, now)
    if at_h >= WARMEST_H:
        return None
    recent = air.since(seconds(now) - TREND_S)
    slope = slope_per_h(recent)
    if slope is None or slope < LEAST_RISE_K_H:
        return None
    local_mean = now.astimezone(UTC) + timedelta(hours=site.longitude_deg / 15.0)
    times = sun_times(site.latitude_deg, site.longitude_deg, local_mean.date())
    if times is None:
        return None
    starts_h = 12.5 - (times.sunset - times.sunrise).total_seconds() / 7200.0
    length_h = WARMEST_H - starts_h
    way = (at_h - starts_h) / length_h
    if way < EARLIEST_WAY:
        return None  # too early to tell
    of_slope = (at_h - TREND_S / 7200.0 - starts_h) / length_h
    swing_k = min(LARGEST_SWING_K, 2.0 * slope * length_h / math.pi / math.sin(math.pi * of_slope))
    morning_s = seconds(now) - 3600.0 * (at_h - starts_h)
    early = air.between(morning_s - 1800.0, morning_s + 5400.0).values
    if early:
        come_k = sum(recent.values[-5:]) / len(recent.values[-5:]) - min(early)
        swing_k = min(swing_k, max(0.0, come_k) * 2.0 / (1.0 - math.cos(math.pi * way)))
    return Course(now, starts_h, at_h, swing_k * (1.0 + math.cos(math.pi * way)) / 2.0)
