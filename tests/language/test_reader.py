"""Numbers as people read them, held against published tables and definitions."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sensord.language import Catalogue, Reader
from sensord.language.measure import WRITERS

ENGLISH = Catalogue.load()
DETROIT = ZoneInfo("America/Detroit")
NOON = datetime(2026, 8, 20, 16, 0, tzinfo=UTC)  # 12:00 in Detroit


def reader(units: str = "metric", now: datetime = NOON) -> Reader:
    return Reader(ENGLISH, units, DETROIT, now, 2.0)


def both(name: str, value: float | str) -> tuple[str | None, str | None]:
    return reader().figure(name, {name: value}), reader("us").figure(name, {name: value})


@pytest.mark.outside
@pytest.mark.parametrize(
    ("name", "value", "metric", "us"),
    [
        # Fixed points of the scales (definition): −40 is the same, water freezes at 32 °F and boils at 212 °F.
        ("a_c", -40.0, "-40 °C", "-40 °F"),
        ("a_c", 0.0, "0 °C", "32 °F"),
        ("a_c", 100.0, "100 °C", "212 °F"),
        # York & Oberhauser 2002 give 29, 33 and 36 °C; in °F by definition 84.2, 91.4, 96.8.
        ("a_c", 29.0, "29 °C", "84 °F"),
        ("a_c", 33.0, "33 °C", "91 °F"),
        ("a_c", 36.0, "36 °C", "97 °F"),
        # 5 K are 9 °F (definition).
        ("a_k", 5.0, "5.0 °C", "9.0 °F"),
        ("a_k", 5.2, "5.2 °C", "9.4 °F"),
        # Beaufort scale as tabled for use on land: 9 begins at 20.8 m/s, 75 km/h, 47 mph, 6 at 10.8 m/s, 39 km/h.
        ("a_m_s", 20.8, "75 km/h", "47 mph"),
        ("a_m_s", 10.8, "39 km/h", "24 mph"),
        # The gust of a High Wind Warning of the US National Weather Service, 58 mph, is 25.93 m/s.
        ("a_m_s", 25.93, "93 km/h", "58 mph"),
        # 1 mi = 1609.344 m (international mile, 1959): 3600 km are 2236.936 mi.
        ("a_m_s", 1000.0, "3600 km/h", "2237 mph"),
        # Rapid fall: 0.06 inHg is 2.03 hPa (AFMAN 15-111, 2019); standard atmosphere 1013.25 hPa, 29.92 inHg.
        ("a_pa", 203.2, "2.0 hPa", "0.06 inHg"),
        ("a_pa", 101325.0, "1013.2 hPa", "29.92 inHg"),
        # A US standard brick, 4.5 lb, is 2.04 kg (definition of the pound, 1959).
        ("a_kg", 2.0412, "2 kg", "4.5 lb"),
        ("a_kg", 14.93, "14.9 kg", "33 lb"),
        ("a_kg", 4.0, "4 kg", "8.8 lb"),
    ],
)
def test_units(name: str, value: float, metric: str, us: str) -> None:
    """Each quantity is written in the keeper's unit, as the published tables have it."""
    assert both(name, value) == (metric, us)


@pytest.mark.parametrize(
    ("name", "value", "text"),
    [
        ("spell_min", 40.4, "40 min"),
        ("spell_h", 2.0, "2 h"),
        ("spell_h", 1.55, "1.6 h"),
        ("charge_percent", 12.4, "12 %"),
        ("charge_percent", 100.0, "100 %"),
        ("wet_ratio", 0.985, "98 %"),
        ("sun_elevation_deg", 54.6, "55°"),
        ("count", 3, "3"),
        ("dose", 3.14159, "3.14"),
        ("word", "larvae", "larvae"),
        ("night_c", -0.3, "0 °C"),
        ("flag", True, ""),
        ("flag", False, None),
        ("gone_c", None, None),
        ("wild_c", float("nan"), None),
        ("wild_c", float("inf"), None),
        ("when_at", "yesterday", None),
        ("when_at", "2026-08-20T12:00:00", None),  # without an offset: nobody knows which instant
    ],
)
def test_other_figures(name: str, value: float | str | None, text: str | None) -> None:
    """Endings without a choice of unit; what is not there is None, what is true is empty."""
    assert reader().figure(name, {name: value}) == text


@pytest.mark.outside
def test_directions() -> None:
    """The eight principal winds lie 45° apart from north, clockwise; between two, the nearer one counts (compass rose)."""
    assert [reader().direction(d) for d in (360 + 22.4, 360 + 23.0, 720 + 45.0)] == [
        "north",
        "north-east",
        "north-east",
    ]
    names = ["north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west"]
    assert [reader().figure("a_deg", {"a_deg": 45.0 * i}) for i in range(8)] == names
    # In sixteen points, WSW is 247.5°: the half way goes on clockwise.
    assert [reader().figure("a_deg", {"a_deg": d}) for d in (247.4, 247.5, 337.4, 337.5, 359.9, 360.0, -90.0)] == [
        "south-west",
        "west",
        "north-west",
        "north",
        "north",
        "north",
        "west",
    ]


@pytest.mark.parametrize(
    ("instant", "metric", "us"),
    [
        ("2026-08-20T17:05:00Z", "13:05", "1:05 pm"),
        ("2026-08-20T16:00:00Z", "12:00", "12:00 pm"),
        ("2026-08-20T04:00:00Z", "00:00", "12:00 am"),
        ("2026-08-21T03:59:00Z", "23:59", "11:59 pm"),
        ("2026-08-21T04:00:00Z", "00:00 tomorrow", "12:00 am tomorrow"),
        ("2026-08-20T03:59:00Z", "23:59 yesterday", "11:59 pm yesterday"),
        ("2026-08-18T16:00:00Z", "12:00 on Tuesday", "12:00 pm on Tuesday"),
        ("2026-08-01T16:00:00Z", "12:00 on 2026-08-01", "12:00 pm on 2026-08-01"),
    ],
)
def test_times(instant: str, metric: str, us: str) -> None:
    """An instant is written as the site's clock shows it, with the day where it is not today."""
    assert both("a_at", instant) == (metric, us)


def test_a_day_has_its_name_within_a_week() -> None:
    """Up to six days away in either direction; from the seventh on it would be the wrong one, and the date is told."""
    told = [reader().at(NOON + timedelta(days=days)) for days in (-7, -6, -2, 2, 6, 7)]
    days = ["2026-08-13", "Friday", "Tuesday", "Saturday", "Wednesday", "2026-08-27"]
    assert told == [f"12:00 on {day}" for day in days]


@pytest.mark.parametrize(
    ("hours", "text"),
    [
        (0.0, "a minute"),
        (0.02, "a minute"),
        (0.5, "30 minutes"),
        (0.94, "56 minutes"),
        (0.95, "an hour"),
        (1.04, "an hour"),
        (1.05, "1.1 hours"),
        (2.0, "2 hours"),
        (6.4, "6.4 hours"),
        (19.9, "19.9 hours"),
        (20.0, "20 hours"),
        (20.6, "21 hours"),
    ],
)
def test_hours_in_words(hours: float, text: str) -> None:
    """Minutes below what rounds to an hour, tenths below twenty; never "0 minutes", never "1 hours"."""
    assert reader().hours(hours) == text


def test_hours_and_minutes() -> None:
    """To the minute: no hours where there are none, no minutes where they are full."""
    told = [reader().spell(minutes / 60) for minutes in (0, 50, 59.4, 59.6, 60, 120, 125)]
    assert told == ["0 min", "50 min", "59 min", "1 h", "1 h", "2 h", "2 h 05 min"]


def test_an_hour_of_the_day() -> None:
    """Midnight is 12 am and noon 12 pm, as clocks of twelve hours have it."""
    hours = (0, 1, 11, 12, 13, 23)
    assert [reader().hour(h) for h in hours] == ["00:00", "01:00", "11:00", "12:00", "13:00", "23:00"]
    assert [reader("us").hour(h) for h in hours] == ["12 am", "1 am", "11 am", "12 pm", "1 pm", "11 pm"]


@pytest.mark.parametrize(
    ("instant", "metric", "us"),
    [
        (NOON, ("Thu 12:00", "Thu 20 Aug 12:00", "12:00:00"), ("Thu 12 pm", "Thu Aug 20 12:00 pm", "12:00 pm")),
        (
            datetime(2026, 1, 1, 5, 5, 7, tzinfo=UTC),
            ("Thu 00:00", "Thu 1 Jan 00:05", "00:05:07"),
            ("Thu 12 am", "Thu Jan 1 12:05 am", "12:05 am"),
        ),
        (
            datetime(2027, 1, 1, 4, 59, tzinfo=UTC),
            ("Thu 23:00", "Thu 31 Dec 23:59", "23:59:00"),
            ("Thu 11 pm", "Thu Dec 31 11:59 pm", "11:59 pm"),
        ),
    ],
)
def test_moments(instant: datetime, metric: tuple[str, ...], us: tuple[str, ...]) -> None:
    """The hour that it lies in, the whole of it, and the clock alone; by the site's own days."""
    for units, texts in (("metric", metric), ("us", us)):
        by = reader(units)
        assert (by.weekday_and_hour(instant), by.moment(instant), by.clock(instant, seconds=True)) == texts
        assert by.weekday(instant) == "Thursday"
        assert by.moment(instant) == f"{by.weekday_and_day(instant)} {by.clock(instant)}"


def test_a_load_is_told_as_one_carries_it() -> None:
    """From ten pounds on to the pound; kilograms, and what is lighter, to the tenth where there is one."""
    pounds = (4.5, 9.94, 9.95, -9.96, 10.6)
    assert [reader("us").load(lb * 0.45359237) for lb in pounds] == ["4.5 lb", "9.9 lb", "10 lb", "-10 lb", "11 lb"]
    assert [reader().load(kg) for kg in (4.0, 14.93, 3.04, 2.96)] == ["4 kg", "14.9 kg", "3 kg", "3 kg"]


def test_units_by_themselves() -> None:
    """What stands at the axis of a picture belongs to the numbers along it."""
    metric, us = reader(), reader("us")
    assert (metric.degree, metric.wind_unit, metric.mass_unit) == ("°C", "km/h", "kg")
    assert (us.degree, us.wind_unit, us.mass_unit) == ("°F", "mph", "lb")
    assert (metric.temperature(20.04), us.temperature(20.04)) == ("20.0 °C", "68.1 °F")
    assert (metric.level(33.25), us.level(33.25), metric.shown(20.04)) == ("33.25 °C", "92 °F", "20.0 °C")
    assert (metric.difference(0.84), us.difference(0.5), metric.signed(-0.26)) == ("0.8 °C", "0.9 °F", "-0.3")


def test_times_in_the_nights_when_the_clock_changes() -> None:
    """On 1 November 2026 Detroit has 01:30 twice, on 8 March 02:30 never; every instant has its right wall time."""
    autumn = reader(now=datetime(2026, 11, 1, 4, 0, tzinfo=UTC))
    assert [autumn.at(datetime(2026, 11, 1, h, 30, tzinfo=UTC)) for h in (5, 6, 7)] == [
        "01:30",
        "01:30",
        "02:30",
    ]
    spring = reader(now=datetime(2026, 3, 8, 5, 0, tzinfo=UTC))
    assert [spring.at(datetime(2026, 3, 8, h, 30, tzinfo=UTC)) for h in (6, 7)] == ["01:30", "03:30"]


@given(st.floats(0.0, 500.0), st.floats(0.2, 25.0))
def test_bricks_are_never_too_few(mass_kg: float, brick_kg: float) -> None:
    """So many bricks weigh at least the mass, and one less would not."""
    text = Reader(ENGLISH, "metric", DETROIT, NOON, brick_kg).figure("add_bricks", {"add_kg": mass_kg})
    assert text is not None
    count = int(text.split()[0])
    assert count * brick_kg >= mass_kg - 1e-6
    assert (count - 1) * brick_kg < mass_kg or count == 0


def test_bricks_by_hand() -> None:
    """14.930 kg are 7.465 bricks of 2.0 kg: 7 would be too few, so 8."""
    assert reader().figure("add_bricks", {"add_kg": 14.930}) == "8 bricks"
    assert reader().figure("add_bricks", {"add_kg": 2.0}) == "1 brick"
    assert reader().figure("add_bricks", {}) is None
    for kilograms, bricks in ((4.1, "3 bricks"), (4.0 + 1e-10, "2 bricks"), (0.0, "0 bricks"), (-4.1, "0 bricks")):
        assert reader().figure("add_bricks", {"add_kg": kilograms}) == bricks
    assert reader().figure("add_bricks", {"add_kg": True}) is None
    assert reader().figure("add_bricks", {"add_bricks": 3, "add_kg": 14.93}) == "3", "a number of that very name"


def test_lists() -> None:
    """Names are listed as people say them."""
    names = ["Alder", "Birch", "Cedar"]
    assert [reader().listed(names[:n]) for n in range(4)] == ["", "Alder", "Alder and Birch", "Alder, Birch and Cedar"]
    assert [reader().counted(n) for n in (-1, 0, 1, 3, 12, 13)] == ["-1", "no", "one", "three", "twelve", "13"]
    assert [reader().times(n) for n in (0, 1, 2, 3)] == ["0 times", "once", "twice", "3 times"]


@given(
    st.sampled_from([f"x{ending}" for ending in WRITERS] + ["x", "x_at", "x_bricks"]),
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=40),
    st.sampled_from(["metric", "us"]),
)
def test_any_number_is_written_or_missing(name: str, value: float | str | None, units: str) -> None:
    """No number whatever makes the writing fail."""
    if isinstance(value, int) and abs(value) > 1e300:
        value = 0
    text = reader(units).figure(name, {name: value, "x_kg": value})
    assert text is None or isinstance(text, str)


@given(st.datetimes(datetime(2020, 1, 1), datetime(2035, 1, 1)), st.timedeltas(timedelta(days=-9), timedelta(days=9)))
def test_any_instant_is_written(now: datetime, away: timedelta) -> None:
    """Any instant has a wall time."""
    now = now.replace(tzinfo=UTC)
    assert reader(now=now).at(now + away)
