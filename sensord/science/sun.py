"""Where the sun is, when it rises and sets, and how strongly it can shine.

The low-accuracy solar coordinates of the astronomical almanac, as used by the public calculator of NOAA: within 0.02°
of the full theory from 1950 to 2100, in a few microseconds. Elevations are of the centre of the disc and without
refraction, unless said otherwise.
"""

from __future__ import annotations

import math
from datetime import UTC, date, datetime, timedelta
from typing import NamedTuple

from sensord.science.bounds import within

HORIZON_DEG = -0.833
"""True elevation of the sun's centre at rise and set: 34' of refraction and 16' of radius. Source: [NOAASolar]."""

_J2000 = datetime(2000, 1, 1, 12, tzinfo=UTC)


class SunPosition(NamedTuple):
    """Where the sun stands: above the horizon, and clockwise from north."""

    elevation_deg: float
    azimuth_deg: float


class SunTimes(NamedTuple):
    """Sunrise and sunset of one solar day, in UTC."""

    sunrise: datetime
    sunset: datetime


def position(latitude_deg: float, longitude_deg: float, instant: datetime) -> SunPosition:
    """True elevation and azimuth of the sun.

    Args:
        latitude_deg: north positive [°], −90 to 90
        longitude_deg: east positive [°], −180 to 180
        instant: aware, years 1900–2200
    Returns:
        elevation [°], −90 to 90, without refraction; azimuth [°], 0–360 clockwise from north

    Valid to 0.02°; refraction lifts the sun by 0.5° at the horizon and by less than 0.1° above 10°.
    Source: [NOAASolar], after [Meeus1998] ch. 25
    """
    _check(latitude_deg, longitude_deg)
    if instant.tzinfo is None:
        raise ValueError("the position of the sun needs an instant with a time zone")
    declination_deg, equation_of_time_min = _declination_and_equation_of_time(instant)
    day_start = instant.astimezone(UTC).replace(hour=0, minute=0, second=0, microsecond=0)
    minutes = (instant - day_start).total_seconds() / 60.0
    hour_angle = math.radians((minutes + equation_of_time_min + 4.0 * longitude_deg) / 4.0 - 180.0)
    latitude, declination = math.radians(latitude_deg), math.radians(declination_deg)
    up = math.sin(latitude) * math.sin(declination)
    up += math.cos(latitude) * math.cos(declination) * math.cos(hour_angle)
    north = math.cos(latitude) * math.sin(declination)
    north -= math.sin(latitude) * math.cos(declination) * math.cos(hour_angle)
    east = -math.cos(declination) * math.sin(hour_angle)
    elevation_deg = math.degrees(math.atan2(up, math.hypot(north, east)))  # accurate at the zenith too, unlike asin
    return SunPosition(elevation_deg, math.degrees(math.atan2(east, north)) % 360.0)


def solar_noon(longitude_deg: float, day: date) -> datetime:
    """When the sun crosses the meridian.

    Args:
        longitude_deg: east positive [°], −180 to 180
        day: by local mean time, so that noon is about 12 o'clock of that day
    Returns:
        the instant, in UTC

    Valid to a few seconds.
    Source: [NOAASolar]
    """
    _check(0.0, longitude_deg)
    near_noon = datetime(day.year, day.month, day.day, 12, tzinfo=UTC) - timedelta(minutes=4.0 * longitude_deg)
    return _at_hour_angle(0.0, longitude_deg, day, near_noon)


def sunrise_sunset(latitude_deg: float, longitude_deg: float, day: date) -> SunTimes | None:
    """When the upper edge of the sun comes up and goes down, around the solar noon of a day.

    Args:
        latitude_deg: north positive [°], −90 to 90
        longitude_deg: east positive [°], −180 to 180
        day: by local mean time; sunset may fall on the next date of UTC, sunrise on the one before
    Returns:
        sunrise and sunset in UTC, sunrise first; None where the sun stays up or down all day

    Valid to half a minute below 60°, over a level horizon at the height of the eye; trees come on top.
    Source: [NOAASolar], sunrise equation, iterated
    """
    _check(latitude_deg, longitude_deg)
    noon = solar_noon(longitude_deg, day)
    if abs(_cos_hour_angle(latitude_deg, noon)) >= 1.0:
        return None
    sunrise, sunset = noon, noon
    for _ in range(3):  # declination and equation of time drift between noon and the horizon
        sunrise = _at_hour_angle(-_half_day_deg(latitude_deg, sunrise), longitude_deg, day, sunrise)
        sunset = _at_hour_angle(_half_day_deg(latitude_deg, sunset), longitude_deg, day, sunset)
    return SunTimes(sunrise, sunset)


def day_length_hours(latitude_deg: float, longitude_deg: float, day: date) -> float:
    """From sunrise to sunset.

    Args:
        latitude_deg: north positive [°], −90 to 90
        longitude_deg: east positive [°], −180 to 180
        day: by local mean time
    Returns:
        day length [h], 0 in the polar night, 24 in the polar day

    Source: [NOAASolar]
    """
    times = sunrise_sunset(latitude_deg, longitude_deg, day)
    if times is not None:
        return (times.sunset - times.sunrise).total_seconds() / 3600.0
    return 24.0 if _cos_hour_angle(latitude_deg, solar_noon(longitude_deg, day)) <= -1.0 else 0.0


def noon_elevation_deg(latitude_deg: float, day: date) -> float:
    """How high the sun stands at solar noon.

    Args:
        latitude_deg: north positive [°], −90 to 90
        day: the date; the declination is taken at 12 UTC
    Returns:
        elevation [°], −90 to 90, without refraction

    Valid to 0.2° at any longitude (the declination moves by up to 0.4° a day).
    Source: [Taylor2019] sun angle at solar noon, 90° − |latitude − declination|
    """
    _check(latitude_deg, 0.0)
    noon = datetime(day.year, day.month, day.day, 12, tzinfo=UTC)
    return 90.0 - abs(latitude_deg - _declination_and_equation_of_time(noon)[0])


def clear_sky_irradiance_w_m2(elevation_deg: float) -> float:
    """Global irradiance on a level surface under a clear sky: about the most the sun can do.

    Args:
        elevation_deg: of the sun [°], −90 to 90
    Returns:
        irradiance [W/m²], 0 when the sun is down

    Valid to about a tenth in clean air near sea level; broken clouds may exceed it for minutes.
    Source: [Haurwitz1945] 1098 sin e · exp(−0.059 / sin e), the constants as in [Reno2012]
    """
    within("elevation of the sun", elevation_deg, -90.0, 90.0, "°")
    height = math.sin(math.radians(elevation_deg))
    return 1098.0 * height * math.exp(-0.059 / height) if height > 0.0 else 0.0


def _declination_and_equation_of_time(instant: datetime) -> tuple[float, float]:
    """Declination [°] and equation of time [min], apparent minus mean. Source: [NOAASolar], after [Meeus1998]."""
    if not 1900 <= instant.year <= 2200:
        raise ValueError(f"the sun is computed for the years 1900 to 2200, not {instant.year}")
    century = (instant - _J2000).total_seconds() / (86400.0 * 36525.0)
    mean_longitude_deg = 280.46646 + century * (36000.76983 + century * 0.0003032)
    mean_longitude = math.radians(mean_longitude_deg % 360.0)
    anomaly = math.radians((357.52911 + century * (35999.05029 - 0.0001537 * century)) % 360.0)
    eccentricity = 0.016708634 - century * (0.000042037 + 0.0000001267 * century)
    centre_deg = (
        math.sin(anomaly) * (1.914602 - century * (0.004817 + 0.000014 * century))
        + math.sin(2 * anomaly) * (0.019993 - 0.000101 * century)
        + math.sin(3 * anomaly) * 0.000289
    )
    node = math.radians(125.04 - 1934.136 * century)
    apparent = math.radians(mean_longitude_deg + centre_deg - 0.00569 - 0.00478 * math.sin(node))
    obliquity_arcsec = 21.448 - century * (46.815 + century * (0.00059 - century * 0.001813))
    obliquity = math.radians(23.0 + (26.0 + obliquity_arcsec / 60.0) / 60.0 + 0.00256 * math.cos(node))
    declination_deg = math.degrees(math.asin(math.sin(obliquity) * math.sin(apparent)))
    y = math.tan(obliquity / 2) ** 2
    equation_of_time = (
        y * math.sin(2 * mean_longitude)
        - 2 * eccentricity * math.sin(anomaly)
        + 4 * eccentricity * y * math.sin(anomaly) * math.cos(2 * mean_longitude)
        - 0.5 * y * y * math.sin(4 * mean_longitude)
        - 1.25 * eccentricity * eccentricity * math.sin(2 * anomaly)
    )
    return declination_deg, 4.0 * math.degrees(equation_of_time)


def _cos_hour_angle(latitude_deg: float, instant: datetime) -> float:
    """Cosine of the hour angle at rise and set; above 1 the sun stays down, below −1 it stays up."""
    declination = math.radians(_declination_and_equation_of_time(instant)[0])
    latitude = math.radians(latitude_deg)
    above = math.sin(math.radians(HORIZON_DEG)) - math.sin(latitude) * math.sin(declination)
    return above / max(math.cos(latitude) * math.cos(declination), 1e-12)


def _half_day_deg(latitude_deg: float, instant: datetime) -> float:
    """Hour angle from noon to the horizon [°], for the sun as it is at an instant."""
    return math.degrees(math.acos(max(-1.0, min(1.0, _cos_hour_angle(latitude_deg, instant)))))


def _at_hour_angle(hour_angle_deg: float, longitude_deg: float, day: date, near: datetime) -> datetime:
    """When the sun of a day stands at an hour angle, given an instant that is near enough for the equation of time."""
    minutes = 4.0 * (hour_angle_deg - longitude_deg) - _declination_and_equation_of_time(near)[1]
    return datetime(day.year, day.month, day.day, 12, tzinfo=UTC) + timedelta(minutes=minutes)


def _check(latitude_deg: float, longitude_deg: float) -> None:
    within("latitude", latitude_deg, -90.0, 90.0, "°")
    within("longitude", longitude_deg, -180.0, 180.0, "°")
