"""When the migration passes and from when eggs belong outdoors."""

from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sensord.science import sun
from sensord.science.season import (
    DEVELOPMENT_DAYS,
    LEADING_DEG,
    NORTH_DEG,
    SOUTH_DEG,
    TRAILING_DEG,
    day_length_change_minutes,
    migration_window,
    not_covered,
    outdoor_start,
)
from sensord.science.sun import day_length_hours

WEST_OF_MIDDLE = -83.5

# Latitude → first day of 2023 with the noon sun at or below 57° and 46°, computed apart from this code by the rule of
# [Taylor2019] with the declination of [Spencer1971]; then the middle of the migration, from memory.
EDGES = [
    (49, "08-09", "09-11", "08-26"),
    (47, "08-16", "09-16", "09-01"),
    (45, "08-22", "09-21", "09-06"),
    (43, "08-28", "09-26", "09-11"),
    (41, "09-03", "10-01", "09-16"),
    (39, "09-08", "10-07", "09-22"),
    (37, "09-13", "10-12", "09-27"),
    (35, "09-18", "10-17", "10-02"),
    (33, "09-24", "10-23", "10-07"),
    (31, "09-29", "10-28", "10-12"),
    (29, "10-04", "11-04", "10-18"),
    (27, "10-09", "11-10", "10-24"),
    (25, "10-14", "11-18", "10-29"),
    (23, "10-20", "11-27", "11-04"),
    (21, "10-25", "12-12", "11-11"),
]


def in_2023(text: str) -> date:
    return date.fromisoformat(f"2023-{text}")


def days_apart(one: date, other: date) -> int:
    return abs((one - other).days)


@pytest.mark.outside
@pytest.mark.parametrize(("latitude", "opens"), [row[:2] for row in EDGES])
def test_the_leading_edge(latitude, opens):
    """The window opens where the noon sun sinks to 57°, to a day. [Taylor2019], [Spencer1971]"""
    assert days_apart(migration_window(latitude, WEST_OF_MIDDLE, 2023).opens, in_2023(opens)) <= 1


@pytest.mark.outside
@pytest.mark.parametrize(("latitude", "closes"), [(row[0], row[2]) for row in EDGES])
def test_the_trailing_edge(latitude, closes):
    """The window closes where the noon sun sinks to 46°, to a day. [Taylor2019], [Spencer1971]"""
    assert days_apart(migration_window(latitude, WEST_OF_MIDDLE, 2023).closes, in_2023(closes)) <= 1


@pytest.mark.outside
@pytest.mark.parametrize(("latitude", "middle"), [(row[0], row[3]) for row in EDGES])
def test_the_middle(latitude, middle):
    """The middle of the window agrees with a table of migration middles recalled from memory, to two days."""
    assert days_apart(migration_window(latitude, WEST_OF_MIDDLE, 2023).middle, in_2023(middle)) <= 2


@pytest.mark.outside
@pytest.mark.parametrize(
    ("latitude", "year", "seen", "days"),
    [
        (39.0, 2014, date(2014, 9, 10), 3),  # front usually 9–11 September (Monarch Watch, via Journey North 2014)
        (39.0, 2001, date(2001, 9, 10), 4),  # front of 10 September 2001 (Monarch Watch)
        (36 + 50 / 60, 2001, date(2001, 9, 17), 4),  # front of 17 September 2001 (Monarch Watch)
    ],
)
def test_the_front_as_it_was_seen(latitude, year, seen, days):
    """Fronts that were seen come on or a few days after the opening by the sun: within the week that is claimed."""
    assert timedelta(0) <= seen - migration_window(latitude, WEST_OF_MIDDLE, year).opens <= timedelta(days=days)


@pytest.mark.outside
def test_the_peak_as_it_was_estimated():
    """At 39° N the peak was put at 23 September 2014 (Monarch Watch, via Journey North): the middle, to two days."""
    assert days_apart(migration_window(39.0, WEST_OF_MIDDLE, 2014).middle, date(2014, 9, 23)) <= 2


@pytest.mark.outside
def test_the_dates_of_common_practice():
    """Common practice, no source: migrants from about the end of August, eggs from about 1 August, careful 25 July.

    It is practised in the northern states; at 42° N the rule gives those dates to within three days.
    """
    window = migration_window(42.0, WEST_OF_MIDDLE, 2025)
    start = outdoor_start(window.opens)
    assert days_apart(window.opens, date(2025, 8, 31)) <= 3
    assert days_apart(start.outdoors_from, date(2025, 8, 1)) <= 3
    assert days_apart(start.careful_from, date(2025, 7, 25)) <= 3


@pytest.mark.outside
def test_counting_back_from_the_end_of_august():
    """Common practice, no source: from 31 August, 30 days lead to 1 August and a week more to 25 July.

    The usual development time lies in the 21–35, mostly 25–30 days of common practice.
    """
    assert outdoor_start(date(2025, 8, 31)) == (date(2025, 7, 25), date(2025, 8, 1))
    assert 25 <= DEVELOPMENT_DAYS <= 30


@pytest.mark.outside
@pytest.mark.parametrize(
    ("latitude", "longitude"),
    [(51.5, 0.0), (37.8, -122.4), (-33.9, 151.2), (19.4, -99.1), (60.0, -95.0), (21.3, -157.9)],
)
def test_elsewhere_the_window_is_not_known(latitude, longitude):
    """West of the Rocky Mountains, south of 20° N, overseas and in the far north there is none. [Taylor2019]"""
    assert migration_window(latitude, longitude, 2025) is None
    assert "eastern North America" in not_covered(latitude, longitude)


def test_where_the_sun_never_sinks_to_46_degrees_the_window_has_no_end():
    """South of about 20.5° N the search ends at the solstice with no closing day, instead of going on for ever."""
    window = migration_window(20.2, -99.0, 2025)
    assert window.closes is None
    assert window.opens < window.middle


@pytest.mark.outside
@pytest.mark.parametrize(
    ("day", "minutes"),
    [(date(2024, 6, 21), 0.0), (date(2024, 12, 22), 0.0), (date(2024, 9, 22), -3.77), (date(2024, 3, 20), 3.77)],
)
def test_day_length_changes_least_at_the_solstices(day, minutes):
    """At 50° N days change by nothing at the solstices and by 3.77 min at the equinoxes.

    Worked by hand from the sunrise equation: dH/dδ = tan φ at the equinox, 0.395° of declination a day, 4 min a degree
    of hour angle, twice. Tolerance 0.1 min, for the refraction and the day that a solstice may be off.
    """
    assert day_length_change_minutes(50.0, 0.0, day) == pytest.approx(minutes, abs=0.1)


COVERED = (st.floats(SOUTH_DEG, NORTH_DEG), st.integers(1950, 2100))


@given(*COVERED)
def test_the_window_is_where_the_sun_says(latitude, year):
    """On the first and last day the sun is at or below its limit, the day before it is above; both after the solstice."""
    window = migration_window(latitude, WEST_OF_MIDDLE, year)
    for day, limit in ((window.opens, LEADING_DEG), (window.closes, TRAILING_DEG)):
        if day is None:
            assert latitude < 21.0
            continue
        assert sun.noon_elevation_deg(latitude, day) <= limit
        assert sun.noon_elevation_deg(latitude, day - timedelta(days=1)) > limit or day == date(year, 6, 22)
    assert date(year, 6, 21) < window.opens < window.middle


@given(*COVERED, st.floats(0.0, 5.0))
def test_the_migration_goes_south(latitude, year, further):
    """Farther south the window never opens earlier."""
    south = max(SOUTH_DEG, latitude - further)
    assert migration_window(south, WEST_OF_MIDDLE, year).opens >= migration_window(latitude, WEST_OF_MIDDLE, year).opens


@given(st.dates(date(2000, 1, 1), date(2050, 12, 31)), st.floats(10, 120), st.floats(0, 30))
def test_slower_development_begins_earlier(emerging_from, development_days, careful_days):
    """The careful date is never after the usual one, which is never after the emergence; slower never begins later."""
    start = outdoor_start(emerging_from, development_days, careful_days)
    assert start.careful_from <= start.outdoors_from < emerging_from
    assert outdoor_start(emerging_from, min(120.0, development_days + 1)).outdoors_from <= start.outdoors_from


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: migration_window(91.0, -83.5, 2025), "latitude"),
        (lambda: migration_window(41.5, -83.5, 1800), "years"),
        (lambda: outdoor_start(date(2025, 8, 31), 5.0), "development time"),
        (lambda: outdoor_start(date(2025, 8, 31), 30.0, -1.0), "margin"),
    ],
)
def test_what_makes_no_sense_is_refused_in_words(call, words):
    """Out of range raises ValueError that names the quantity."""
    with pytest.raises(ValueError, match=words):
        call()


def test_the_box_of_eastern_north_america_has_its_edges():
    """20–52° N and 52–105° W are still known; a hair beyond is not, and is told with the box."""
    corners = [(20.0, -105.0), (20.0, -52.0), (52.0, -105.0), (52.0, -52.0)]
    assert all(not_covered(*corner) == "" for corner in corners)
    for latitude, longitude in ((19.99, -80.0), (52.01, -80.0), (40.0, -105.01), (40.0, -51.99)):
        assert not_covered(latitude, longitude).endswith("(20–52° N, 52–105° W)")


def test_the_change_of_day_length_is_in_minutes():
    """The one day's length less that of the day before."""
    day = date(2026, 8, 20)
    hours = [day_length_hours(41.5, -83.5, each) for each in (day - timedelta(days=1), day)]
    assert day_length_change_minutes(41.5, -83.5, day) == pytest.approx(60 * (hours[1] - hours[0]), abs=1e-9)
