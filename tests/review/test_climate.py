"""Columns of a review and what is counted along them, worked out by hand."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import NamedTuple
from zoneinfo import ZoneInfo

import psychrolib
import pytest

from sensord.model import Doubt
from sensord.review.climate import (
    NOTHING,
    Climate,
    ReviewColumns,
    cut,
    dew_hours,
    dew_near,
    hour_of,
    hourly_offsets,
    hours_by_trust,
    known_h,
    mean,
    offsets_by_hour,
    on_line,
    trusted,
    usable,
    value_at,
    within,
)

HOUR = 3600.0
KOLKATA = ZoneInfo("Asia/Kolkata")
"""Half an hour off the full hours of UTC, and no summer time."""


def columns(*points: tuple[float, float]) -> ReviewColumns:
    return ReviewColumns([t for t, _ in points], [v for _, v in points])


def points(of: ReviewColumns) -> list[tuple[float, float]]:
    return list(zip(*of, strict=True))


LINE = columns((0.0, 10.0), (HOUR, 20.0), (2 * HOUR + 1, 30.0), (2 * HOUR + 61, 40.0))
"""An hour that may be bridged, one second more that may not, and a minute."""


def test_only_what_can_be_computed_with_is_kept() -> None:
    """Neither what is doubted so, nor what is no number; other doubts are only told of."""
    times, values = (0.0, 1.0, 2.0, 3.0), (1.0, math.nan, 3.0, 4.0)
    bad, noted = int(Doubt.JUMP), int(Doubt.WET)
    assert points(usable(times, values, (0, 0, 0, 0))) == [(0.0, 1.0), (2.0, 3.0), (3.0, 4.0)]
    assert points(usable(times, (1.0, 2.0, 3.0, 4.0), (0, 0, noted, bad))) == [(0.0, 1.0), (1.0, 2.0), (2.0, 3.0)]
    assert usable(times, (1.0, 2.0, 3.0, 4.0), (0, 0, 0, 0)).times_s is times


def test_each_hour_is_of_the_first_probe_that_has_any_of_it() -> None:
    """In order of trust; an hour is never put together from two."""
    first, second = columns((10.0, 1.0), (2 * HOUR, 2.0)), columns((20.0, 7.0), (HOUR, 8.0), (2 * HOUR + 5, 9.0))
    assert points(trusted([first, second])) == [(10.0, 1.0), (HOUR, 8.0), (2 * HOUR, 2.0)]
    assert trusted([second]) is second
    assert trusted([]) is NOTHING


@pytest.mark.parametrize(
    ("at_s", "value"),
    [(0.0, 10.0), (900.0, 12.5), (HOUR, 20.0), (HOUR + 1, None), (2 * HOUR + 1, 30.0), (2 * HOUR + 31, 35.0),
     (2 * HOUR + 61, 40.0), (2 * HOUR + 62, None), (-1.0, None)],
)  # fmt: skip
def test_a_value_is_read_off_the_line(at_s: float, value: float | None) -> None:
    """Between two readings at most an hour apart; at a reading it is the reading; beyond the ends there is none."""
    assert value_at(LINE, at_s) == value


def test_no_line_is_drawn_to_the_first_reading_or_between_two_of_one_instant() -> None:
    """Nor beyond the last."""
    assert on_line(LINE, 0, 0.0) is None
    assert on_line(LINE, 4, 9000.0) is None
    assert on_line(columns((5.0, 1.0), (5.0, 3.0)), 1, 5.0) is None
    assert on_line(LINE, 1, 1800.0) == 15.0


def test_a_span_is_cut_with_points_where_the_line_crosses_its_edges() -> None:
    """Readings at its very edges are its own, and are not doubled; where no line may be drawn there is no point."""
    assert points(cut(LINE, 900.0, 2700.0)) == [(900.0, 12.5), (2700.0, 17.5)]
    assert points(cut(LINE, 0.0, HOUR)) == [(0.0, 10.0), (HOUR, 20.0)]
    assert points(cut(LINE, 1800.0, HOUR + 100)) == [(1800.0, 15.0), (HOUR, 20.0)]
    assert points(cut(LINE, HOUR + 100, 2 * HOUR + 31)) == [(2 * HOUR + 1, 30.0), (2 * HOUR + 31, 35.0)]
    assert points(cut(LINE, -50.0, 9000.0)) == points(LINE)
    even = columns((0.0, 0.0), (1800.0, 10.0), (3600.0, 20.0), (5400.0, 30.0))
    assert points(cut(even, 1800.0, 3600.0)) == [(1800.0, 10.0), (3600.0, 20.0)]
    assert points(cut(even, 900.0, 4500.0)) == [(900.0, 5.0), (1800.0, 10.0), (3600.0, 20.0), (4500.0, 25.0)]
    assert points(cut(LINE, HOUR + 10, HOUR + 20)) == []


def test_the_end_of_a_span_is_not_within_it() -> None:
    """Its begin is."""
    assert points(within(LINE, 0.0, HOUR)) == [(0.0, 10.0)]
    assert points(within(LINE, 0.5, HOUR + 0.5)) == [(HOUR, 20.0)]


def test_a_mean_is_of_the_lines_by_their_lengths() -> None:
    """An hour at 15 °C and a minute at 35 °C; without any line it is of the readings."""
    assert mean(LINE) == pytest.approx((60 * 15.0 + 1 * 35.0) / 61)
    assert mean(columns((0.0, 1.0), (HOUR + 1, 4.0))) == 2.5
    assert mean(columns((0.0, 7.0))) == 7.0
    assert mean(NOTHING) is None


def test_what_is_known_is_what_is_measured_or_bridged() -> None:
    """Sixty-one minutes of LINE."""
    assert known_h(LINE) == pytest.approx(61 / 60)
    assert known_h(NOTHING) == 0.0


def test_offsets_go_by_the_local_hour() -> None:
    """Inside less what the line of the air says at that moment; an hour without a pair has none."""
    begin = datetime(2026, 8, 20, 18, 30, tzinfo=UTC).timestamp()  # midnight in Kolkata
    inside = columns((begin, 22.0), (begin + 1800, 26.0), (begin + HOUR, 30.0), (begin + 3 * HOUR, 99.0))
    ambient = columns((begin, 20.0), (begin + HOUR, 22.0))
    assert offsets_by_hour(inside, ambient, KOLKATA) == (3.5, 8.0, *[None] * 22)


class Hour(NamedTuple):
    start: datetime
    minimum: float
    maximum: float
    mean: float


def hour(n: int, mean_c: float) -> Hour:
    return Hour(datetime(2026, 8, 20, 18, tzinfo=UTC) + timedelta(hours=n), mean_c, mean_c, mean_c)


def test_hourly_offsets_go_by_the_local_hour_too() -> None:
    """Of hours that both have."""
    inside, ambient = (
        [hour(0, 25.0), hour(1, 26.0), hour(24, 29.0), hour(2, 9.0)],
        [hour(0, 20.0), hour(1, 20.0), hour(24, 20.0)],
    )
    assert hourly_offsets(inside, ambient, KOLKATA) == (6.0, *[None] * 22, 7.0)


def test_hours_are_of_the_first_probe_that_has_them() -> None:
    """In order of time."""
    first, second = [hour(2, 1.0)], [hour(1, 5.0), hour(2, 6.0)]
    assert hours_by_trust([first, second]) == [hour(1, 5.0), hour(2, 1.0)]
    assert hour_of(hour(1, 0.0)) - hour_of(hour(0, 0.0)) == 1
    assert hour_of(hour(0, 0.0)) * HOUR == hour(0, 0.0).start.timestamp()


@pytest.mark.outside
@pytest.mark.parametrize(
    ("dew_point_c", "near_1_k", "near_3_k"),
    [(19.1, True, True), (18.9, False, True), (17.1, False, True), (16.9, False, False)],
)
def test_dew_is_near_by_another_library(dew_point_c: float, near_1_k: bool, near_3_k: bool) -> None:
    """In air of 20 °C. Source: psychrolib, ASHRAE Handbook Fundamentals 2017, chapter 1."""
    psychrolib.SetUnitSystem(psychrolib.SI)
    ratio = psychrolib.GetRelHumFromTDewPoint(20.0, dew_point_c)
    assert (dew_near(20.0, ratio, 1.0), dew_near(20.0, ratio, 3.0)) == (near_1_k, near_3_k)


@pytest.mark.parametrize(("ratio", "near"), [(0.995, True), (0.9949, False), (1.0, True), (1.2, True)])
def test_what_is_saturated_is_dew(ratio: float, near: bool) -> None:
    """From 0.995 on, however little below the air its dew point is asked to lie."""
    assert dew_near(20.0, ratio, 0.0) is near


def dew(
    humidity: Sequence[tuple[float, float]], air_c: float = 20.0, start_s: float = 0.0, end_s: float = 2 * HOUR
) -> tuple[float, float]:
    beside = columns((-HOUR, air_c), (0.0, air_c), (HOUR, air_c), (2 * HOUR, air_c), (3 * HOUR, air_c))
    return dew_hours(Climate(NOTHING, columns(*humidity), beside), start_s, end_s)


def test_each_reading_stands_for_half_of_the_way_to_the_next() -> None:
    """Dry, likely, possible, dry, twenty minutes apart."""
    humidity = [(0.0, 0.5), (1200.0, 1.0), (2400.0, 0.9), (3600.0, 0.5)]
    assert dew(humidity) == (pytest.approx(1 / 3), pytest.approx(2 / 3))
    assert dew([(0.0, 1.0), (HOUR, 1.0), (2 * HOUR, 1.0)]) == (2.0, 2.0)
    assert dew([(0.0, 1.0), (HOUR + 1, 1.0)]) == (0.0, 0.0), "no line may be drawn"
    assert dew([(-1800.0, 1.0), (900.0, 1.0)]) == (0.25, 0.25), "only what is within the span"
    assert dew([(1.5 * HOUR, 1.0), (2.5 * HOUR, 1.0)]) == (0.5, 0.5)
    assert dew([(-HOUR, 1.0), (0.0, 1.0), (HOUR, 1.0)]) == (1.0, 1.0)
    assert dew([]) == dew_hours(Climate(NOTHING), 0.0, HOUR) == (0.0, 0.0)


@pytest.mark.parametrize(("air_c", "hours"), [(-49.1, 0.0), (-49.0, 1.0), (100.0, 1.0), (100.1, 0.0)])
def test_dew_is_told_where_its_formulas_hold(air_c: float, hours: float) -> None:
    """From −49 to 100 °C; where the air is not known, nothing is."""
    assert dew([(0.0, 1.0), (HOUR, 1.0)], air_c) == (hours, hours)
    alone = Climate(NOTHING, columns((0.0, 1.0), (HOUR, 1.0)))
    assert dew_hours(alone, 0.0, HOUR) == (0.0, 0.0)
