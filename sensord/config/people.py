"""Where the garden is, who keeps it, and how they are reached: [site], [keeper], [push] and [review]."""

from __future__ import annotations

from typing import Literal, get_args

from pydantic import Field, SecretStr

from sensord.config.values import CalendarDay, ClockTime, Name, Table, Zone

Weekday = Literal["monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"]
WEEKDAYS: tuple[str, ...] = get_args(Weekday)


class SiteSettings(Table):
    """[site]"""

    name: Name
    title: str = Field(default="", max_length=60)
    latitude_deg: float = Field(ge=-90, le=90)
    longitude_deg: float = Field(ge=-180, le=180)
    elevation_m: float = Field(default=0, ge=-430, le=6000)
    time_zone: Zone


class KeeperSettings(Table):
    """[keeper]"""

    units: Literal["metric", "us"] = "metric"
    quiet_from: ClockTime = "22:00"
    quiet_until: ClockTime = "06:30"
    pushes_per_day: int = Field(default=8, ge=1, le=100)
    morning_line_at: ClockTime = "07:15"
    stand_in_after_minutes: float = Field(default=30, ge=5, le=24 * 60)
    brick_kg: float = Field(default=2.0, gt=0.2, le=25)
    texts: str = ""
    language: str = "en"


class PushSettings(Table):
    """[push]"""

    phone: tuple[SecretStr, ...] = ()
    stand_in: tuple[SecretStr, ...] = ()
    timeout_s: float = Field(default=10, ge=1, le=60)


class ReviewSettings(Table):
    """[review]: when the week's picture is pushed; never while `at` is empty. The season counts from `season_start`."""

    day: Weekday = "sunday"
    at: ClockTime = ""
    season_start: CalendarDay | None = None  # None: since the first cohort
