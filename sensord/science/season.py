"""When the migration passes, from when found eggs belong outdoors, and how fast the days shorten.

The migration of the monarch in eastern North America goes with the sun: most of those that arrive in Mexico were
tagged where the sun stood between 57° and 46° at noon. Adults that emerge from about the time the window opens are
migrants, if they grew up outdoors. So found eggs belong outdoors from one development time before it opens.

Common practice, no source: egg to adult takes 21–35 days, mostly 25–30; adults that emerge from about the end of
August are migrants, so eggs from about 1 August, and to be careful from about 25 July. Rearing indoors at a constant
18 °C with 14 h of light did not make migrants as a group, and three to four days indoors as pupae were enough to lose
it; that indoor rearing loses the southward flight is published ([TengerTrolander2019]), these figures are not.
"""

from __future__ import annotations

from datetime import date, timedelta
from typing import NamedTuple

from sensord.science.bounds import within
from sensord.science.sun import day_length_hours, noon_elevation_deg

LEADING_DEG, TRAILING_DEG = 57.0, 46.0
"""Noon elevation of the sun at the leading and the trailing edge of the migration. Source: [Taylor2019]."""

DEVELOPMENT_DAYS = 30.0
CAREFUL_DAYS = 7.0
"""Egg to adult, and how many days earlier to begin to be careful. Common practice, no source."""

PUPAL_DAYS_INDOORS = 3.0
"""So few days indoors as a pupa were enough to lose the southward flight. Common practice, no source."""

SOUTH_DEG, NORTH_DEG, WEST_DEG, EAST_DEG = 20.0, 52.0, -105.0, -52.0
"""Eastern North America as a box, from Mexico to southern Canada, east of the Rocky Mountains. A choice of ours."""


class MigrationWindow(NamedTuple):
    """When the migration passes a latitude; `closes` is None where the sun does not sink that low all winter."""

    opens: date
    middle: date
    closes: date | None


class OutdoorStart(NamedTuple):
    """From when found eggs should be reared outdoors: to be careful, and at the usual pace."""

    careful_from: date
    outdoors_from: date


def not_covered(latitude_deg: float, longitude_deg: float) -> str:
    """Why the migration window is not known at a place; "" where it is.

    Args:
        latitude_deg: north positive [°], −90 to 90
        longitude_deg: east positive [°], −180 to 180
    Returns:
        the reason, in words for the keeper

    Source: [Taylor2019], tags of eastern North America only
    """
    within("latitude", latitude_deg, -90.0, 90.0, "°")
    within("longitude", longitude_deg, -180.0, 180.0, "°")
    if SOUTH_DEG <= latitude_deg <= NORTH_DEG and WEST_DEG <= longitude_deg <= EAST_DEG:
        return ""
    return (
        "the migration window by the height of the sun is known for eastern North America only "
        f"({SOUTH_DEG:g}–{NORTH_DEG:g}° N, {-EAST_DEG:g}–{-WEST_DEG:g}° W)"
    )


def migration_window(latitude_deg: float, longitude_deg: float, year: int) -> MigrationWindow | None:
    """When the migration passes a place: the sun at noon sinks from 57° to 46°.

    Args:
        latitude_deg: north positive [°], −90 to 90
        longitude_deg: east positive [°], −180 to 180; only to tell whether the place is covered
        year: 1900–2200
    Returns:
        first days on which the sun is at or below 57°, 51.5° and 46° at noon; None where `not_covered` has a reason

    Valid to a day for the sun; the butterflies keep to it by a week, for wind and warmth.
    Source: [Taylor2019]
    """
    if not_covered(latitude_deg, longitude_deg):
        return None
    opens = _first_at_or_below(LEADING_DEG, latitude_deg, year)
    middle = _first_at_or_below((LEADING_DEG + TRAILING_DEG) / 2.0, latitude_deg, year)
    if opens is None or middle is None:
        raise AssertionError("the sun sinks below 51.5° everywhere north of 15.1° N")
    return MigrationWindow(opens, middle, _first_at_or_below(TRAILING_DEG, latitude_deg, year))


def outdoor_start(
    emerging_from: date, development_days: float = DEVELOPMENT_DAYS, careful_days: float = CAREFUL_DAYS
) -> OutdoorStart:
    """From when found eggs should be reared outdoors, counted back from the first emergence that matters.

    Args:
        emerging_from: first emergence of migrants, such as the opening of the migration window
        development_days: egg to adult at the temperatures to come [d], 10–120
        careful_days: how much earlier to begin [d], 0–30; a found egg has a day or more behind it, weather varies
    Returns:
        the careful date and the usual one

    Source: common practice, no source
    """
    within("development time", development_days, 10.0, 120.0, "days")
    within("margin", careful_days, 0.0, 30.0, "days")
    outdoors_from = emerging_from - timedelta(days=round(development_days))
    return OutdoorStart(outdoors_from - timedelta(days=round(careful_days)), outdoors_from)


def day_length_change_minutes(latitude_deg: float, longitude_deg: float, day: date) -> float:
    """How much longer a day is than the one before; shortening days are one of the cues for migrants.

    Args:
        latitude_deg: north positive [°], −90 to 90
        longitude_deg: east positive [°], −180 to 180
        day: by local mean time
    Returns:
        change of day length [min], negative while days shorten

    Source: [NOAASolar]; the cue: [GoehringOberhauser2002]
    """
    yesterday = day - timedelta(days=1)
    today_hours = day_length_hours(latitude_deg, longitude_deg, day)
    return 60.0 * (today_hours - day_length_hours(latitude_deg, longitude_deg, yesterday))


def _first_at_or_below(elevation_deg: float, latitude_deg: float, year: int) -> date | None:
    """First day between the solstices on which the noon sun is that low; None where it never is."""
    day, end = date(year, 6, 22), date(year, 12, 23)
    while day < end:
        if noon_elevation_deg(latitude_deg, day) <= elevation_deg:
            return day
        day += timedelta(days=1)
    return None
