"""The signs of a storm, each to the second of its window and to the point of its threshold."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pytest

from sensord.model import AMBIENT, Doubt
from sensord.rules import Seen
from sensord.rules._storm_signs import Signs, is_wet, signs
from sensord.rules.storm import RULE
from tests.rules.scenes import NOON, evidence, probe

NOW = NOON.timestamp()
PA = 99_000.0
Ago = Mapping[float, float]
"""What was measured so many seconds ago."""


def sent(ago: Ago, interval_s: float = 60.0, doubt: int = 0) -> list[Seen]:
    at = sorted(ago, reverse=True)
    of = probe("any", AMBIENT, interval_s=interval_s)
    return [Seen.of(of, [NOW - s for s in at], [ago[s] for s in at], [doubt] * len(at))]


def read(interval_s: float = 60.0, parameters: Mapping[str, Any] | None = None, **of: Ago) -> Signs:
    """The signs of what each need has measured."""
    known = evidence(RULE, {need: sent(ago, interval_s) for need, ago in of.items()}, NOON, parameters=parameters)
    return signs(known, NOON, known.parameters)


@pytest.mark.parametrize(
    ("interval_s", "before", "latest", "change_pa"),
    [
        (60.0, 11_400.0, 600.0, -500.0),
        (60.0, 11_400.5, 600.0, None),
        (60.0, 10_800.5, 600.0, -500.0),
        (60.0, 10_800.0, 600.0, None),
        (60.0, 11_400.0, 600.5, None),
        (600.0, 12_000.0, 1200.0, -500.0),
        (600.0, 12_000.5, 1200.0, None),
        (600.0, 12_000.0, 1200.5, None),
    ],
)
def test_the_change_is_of_ten_minutes_and_those_three_hours_before(
    interval_s: float, before: float, latest: float, change_pa: float | None
) -> None:
    """Or of two intervals of a rare barometer."""
    assert read(interval_s, pressure={before: PA, latest: PA - 500.0}).change_pa == change_pa


def test_what_no_air_has_is_no_pressure_and_no_change_is_too_large_to_be_told() -> None:
    """From 300 to 1100 hPa, both included."""
    fell, rose = (read(pressure={11_000.0: a, 60.0: b}) for a, b in ((110_000.0, 30_000.0), (30_000.0, 110_000.0)))
    assert (fell.tendency, fell.change_pa) == ("falling very rapidly", -20_000.0)
    assert (rose.tendency, rose.change_pa) == ("rising very rapidly", 20_000.0)
    assert read(pressure={11_000.0: PA, 60.0: 29_999.0}).change_pa is None
    assert read(pressure={11_000.0: 110_001.0, 60.0: PA}).change_pa is None
    assert not read().anything
    assert read(pressure={11_000.0: PA, 60.0: PA}).anything
    assert read(gust={60.0: 1.0}).anything


@pytest.mark.parametrize(
    ("interval_s", "ago", "gust", "highest"),
    [
        (60.0, 600.0, 9.0, 9.0),
        (60.0, 600.5, 1.0, 9.0),
        (600.0, 1500.0, 9.0, 9.0),
        (600.0, 1500.5, 1.0, 9.0),
        (60.0, 3600.0, 1.0, 9.0),
        (60.0, 3600.5, 1.0, 1.0),
    ],
)
def test_the_gust_is_of_ten_minutes_and_the_highest_of_an_hour(
    interval_s: float, ago: float, gust: float, highest: float
) -> None:
    """Of ten minutes or two and a half intervals."""
    found = read(interval_s, gust={ago: 9.0, 60.0: 1.0})
    assert (found.gust_m_s, found.highest_m_s, found.gust_estimated) == (gust, highest, False)


def test_what_no_gauge_can_measure_is_no_wind() -> None:
    """Gusts up to 90 m/s, means up to 60; where both are old there is none; only the mean is estimated from."""
    assert [read(gust={60.0: g}).gust_m_s for g in (-0.1, 0.0, 90.0, 90.1)] == [None, 0.0, 90.0, None]
    assert [read(wind={60.0: w}).gust_m_s for w in (-0.1, 0.0, 60.0, 60.1)] == [None, 0.0, 90.0, None]
    assert read(gust={1201.0: 5.0}, wind={60.0: 2.0}).gust_m_s == 3.0
    assert read(gust={60.0: 5.0}, wind={60.0: 2.0}).gust_m_s == 5.0
    assert read(gust={1201.0: 5.0}).gust_m_s is None


def test_the_air_is_the_middle_of_a_quarter_of_an_hour() -> None:
    """From −60 to 60 °C."""
    assert [read(air={ago: 20.0}).air_c for ago in (900.0, 900.5)] == [20.0, None]
    assert [read(air={60.0: c}).air_c for c in (-60.1, -60.0, 60.0, 60.1)] == [None, -60.0, 60.0, None]


@pytest.mark.parametrize(
    ("change_pa", "last_hour_pa", "expected"),
    [
        (-200.0, -90.0, "possible"),  # the last hour fell so fast
        (-200.0, -89.0, ""),
        (-300.0, -130.0, "possible"),  # and 1.3 times as fast as a third of all
        (-300.0, -129.0, ""),
        (-160.0, -160.0, "possible"),  # "falling"
        (-150.0, -150.0, ""),  # "falling slowly"
        (-350.0, -200.0, "possible"),
        (-360.0, 0.0, "likely"),  # "falling quickly"
        (-700.0, 0.0, "likely"),
        (300.0, -200.0, ""),
    ],
)
def test_what_a_fall_foretells(change_pa: float, last_hour_pa: float, expected: str) -> None:
    """Falling, and ever faster, it may come; falling quickly it is likely; the tide of the air is nothing."""
    course = {11_000.0: PA - change_pa, 4000.0: PA - last_hour_pa, 60.0: PA}
    assert read(pressure=course).expected == expected


def test_two_means_of_three_minutes_are_enough_for_a_rapid_fall() -> None:
    """Of the last hour; one mean is none, and neither is a spike within one."""
    assert read(pressure={240.0: PA + 70.0, 60.0: PA}).expected == "likely"
    assert read(pressure={240.0: PA + 67.0, 60.0: PA}).expected == ""
    start = NOW % 180.0
    assert read(pressure={start - 1.0: PA + 70.0, start - 2.0: PA}).expected == ""


@pytest.mark.parametrize(
    ("pressure", "air", "gust", "front"),
    [
        ({1200.0: PA, 900.0: PA + 60.0}, {1200.0: 28.0, 900.0: 26.0}, {}, True),
        ({1200.5: PA, 900.0: PA + 60.0}, {1200.0: 28.0, 900.0: 26.0}, {}, False),  # it is over
        ({1200.0: PA, 900.0: PA + 59.9}, {1200.0: 28.0, 900.0: 26.0}, {}, False),
        ({1200.0: PA, 900.0: PA - 60.0}, {1200.0: 28.0, 900.0: 26.0}, {}, False),  # it fell
        ({1200.0: PA, 600.0: PA + 60.0}, {1200.0: 28.0, 900.0: 26.0}, {}, True),  # within ten minutes
        ({1200.0: PA, 599.5: PA + 60.0}, {1200.0: 28.0, 900.0: 26.0}, {}, False),
        ({900.0: PA, 600.0: PA + 60.0}, {1200.0: 28.0, 900.0: 26.01}, {}, False),
        ({900.0: PA, 600.0: PA + 60.0}, {1200.5: 28.0, 900.0: 26.0}, {}, False),
        ({900.0: PA, 600.0: PA + 60.0}, {900.0: 28.0, 300.0: 26.0}, {}, True),
        ({900.0: PA, 600.0: PA + 60.0}, {900.0: 28.0, 299.5: 26.0}, {}, False),
        ({900.0: PA, 600.0: PA + 60.0}, {900.0: 26.0, 600.0: 28.0}, {}, False),  # it warmed
        ({900.0: PA, 600.0: PA + 60.0}, {}, {2700.0: 3.0, 900.0: 8.0}, True),  # or the gusts leapt
        ({900.0: PA, 600.0: PA + 60.0}, {}, {2700.5: 3.0, 900.0: 8.0}, False),
        ({900.0: PA, 600.0: PA + 60.0}, {}, {900.5: 3.0, 900.0: 8.0}, True),
        ({900.0: PA, 600.0: PA + 60.0}, {}, {2700.0: 3.0, 900.5: 89.0, 60.0: 7.0}, False),
        ({900.0: PA, 600.0: PA + 60.0}, {}, {2700.0: 3.0, 900.0: 7.99}, False),
        ({}, {1200.0: 28.0, 900.0: 26.0}, {2700.0: 3.0, 900.0: 8.0}, False),
    ],
)
def test_a_front_to_the_point(pressure: Ago, air: Ago, gust: Ago, front: bool) -> None:
    """Within twenty minutes the pressure rose by 60 Pa in ten, and the air cooled by 2 K in ten or the gusts leapt by 5 m/s
    over those of the half hour before the last quarter."""
    assert read(pressure=pressure, air=air, gust=gust).front is front


@pytest.mark.parametrize("gust", [{1000.0: 0.0}, {60.0: 5.0}, {}])
def test_gusts_of_which_only_before_or_after_is_known_did_not_leap(gust: Ago) -> None:
    """However small a leap is configured to be one."""
    jump = {900.0: PA, 600.0: PA + 60.0}
    assert not read(pressure=jump, gust=gust, parameters={"front_leap_m_s": 1.0}).front
    assert read(pressure=jump, gust={1000.0: 0.0, 60.0: 1.0}, parameters={"front_leap_m_s": 1.0}).front


@pytest.mark.parametrize(
    ("interval_s", "ago", "wet"),
    [
        (60.0, {1200.0: 0.97}, True),
        (60.0, {60.0: 0.969}, False),
        (60.0, {1200.0: 1.0, 60.0: 0.95}, True),
        (60.0, {1200.5: 1.0, 60.0: 0.95}, False),
        (900.0, {1800.0: 1.0, 60.0: 0.95}, True),
        (900.0, {1800.5: 1.0, 60.0: 0.95}, False),
        (60.0, {60.0: 1.1}, True),
        (60.0, {60.0: 1.11}, None),
        (60.0, {60.0: 0.0}, False),
        (60.0, {60.0: -0.01}, None),
        (60.0, {1201.0: 1.0}, None),
        (60.0, {}, None),
    ],
)
def test_netting_is_wet_at_saturation(interval_s: float, ago: Ago, wet: bool | None) -> None:
    """By the middle of twenty minutes or two intervals; where nothing tells it, it is not known."""
    known = evidence(RULE, {"humidity": sent(ago, interval_s)}, NOON)
    assert is_wet(known, NOON) is wet
    assert signs(known, NOON, known.parameters).wet is wet


def test_netting_is_wet_where_the_sensor_is_marked_so() -> None:
    """By more than half of its readings."""
    of = probe("any", AMBIENT)
    for marked, wet in ((2, True), (1, False)):
        doubts = [int(Doubt.WET)] * marked + [0] * (2 - marked)
        series = {"humidity": [Seen.of(of, [NOW - 120.0, NOW - 60.0], [0.8, 0.8], doubts)]}
        assert is_wet(evidence(RULE, series, NOON), NOON) is wet
