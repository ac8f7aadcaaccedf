"""Which span is looked back on. Days are the site's local days, so a week has 167, 168 or 169 hours."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from sensord.config.values import FIRST_YEAR, LAST_YEAR

LONGEST_SEASON = timedelta(days=400)

_WEEK = re.compile(r"(\d{4})-W(\d{2})")
_DAY = timedelta(days=1)


@dataclass(frozen=True, slots=True)
class WeekPart:
    """A day of a week, or a week of a season."""

    label: str  # ISO 8601: 2026-08-20 or 2026-W34
    first: date
    last: date  # included
    start: datetime
    end: datetime

    @property
    def hours(self) -> float:
        """Its true length [h]: 23, 24 or 25 for a day."""
        return (self.end - self.start).total_seconds() / 3600


@dataclass(frozen=True, slots=True)
class Span:
    """A week of local days, or a season of ISO weeks."""

    label: str
    zone: ZoneInfo
    parts: tuple[WeekPart, ...]
    is_season: bool = False

    @property
    def start(self) -> datetime:
        """Local midnight at which it begins [UTC]."""
        return self.parts[0].start

    @property
    def end(self) -> datetime:
        """Local midnight at which it ends [UTC]."""
        return self.parts[-1].end

    @property
    def first(self) -> date:
        """Its first local day."""
        return self.parts[0].first

    @property
    def last(self) -> date:
        """Its last local day."""
        return self.parts[-1].last

    @property
    def hours(self) -> float:
        """Its true length [h]."""
        return (self.end - self.start).total_seconds() / 3600


def week(label: str, zone: ZoneInfo) -> Span:
    """The ISO 8601 week that a label like "2026-W34" names, Monday to Sunday in the site's zone.

    Raises:
        ValueError: where there is no such week.
    """
    match = _WEEK.fullmatch(label)
    if match is None:
        raise ValueError(f'"{label}" is no week; right is like 2026-W34 (ISO 8601)')
    year, number = int(match[1]), int(match[2])
    if not FIRST_YEAR <= year <= LAST_YEAR:
        raise ValueError(f'"{label}": there are weeks from {FIRST_YEAR} to {LAST_YEAR}')
    try:
        monday = date.fromisocalendar(year, number, 1)
    except ValueError:
        raise ValueError(f'"{label}": that year has no such week') from None
    return _week_from(monday, zone)


def week_label(day: date) -> str:
    """The ISO week that a day lies in."""
    year, number, _ = day.isocalendar()
    return f"{year:04d}-W{number:02d}"


def week_before(span: Span) -> Span:
    """The week before a week."""
    return _week_from(span.first - 7 * _DAY, span.zone)


def season(first: date, last: date, zone: ZoneInfo) -> Span:
    """The days from `first` to `last`, in ISO weeks; the first and the last may be shorter.

    Raises:
        ValueError: where it ends before it starts, or is longer than 400 days.
    """
    if last < first:
        raise ValueError(f"the season ends ({last}) before it starts ({first})")
    if last - first >= LONGEST_SEASON:
        raise ValueError(f"the season from {first} to {last} is longer than {LONGEST_SEASON.days} days")
    parts = []
    day = first
    while day <= last:
        sunday = min(last, day + (6 - day.weekday()) * _DAY)
        parts.append(_part(week_label(day), day, sunday, zone))
        day = sunday + _DAY
    return Span(f"{first.isoformat()}/{last.isoformat()}", zone, tuple(parts), is_season=True)


def midnight(day: date, zone: ZoneInfo) -> datetime:
    """When a local day begins [UTC]; where the clocks skip midnight, the moment of the change."""
    return datetime.combine(day, time(), tzinfo=zone).astimezone(UTC)


def _week_from(monday: date, zone: ZoneInfo) -> Span:
    days = [monday + n * _DAY for n in range(7)]
    return Span(week_label(monday), zone, tuple(_part(day.isoformat(), day, day, zone) for day in days))


def _part(label: str, first: date, last: date, zone: ZoneInfo) -> WeekPart:
    return WeekPart(label, first, last, midnight(first, zone), midnight(last + _DAY, zone))
