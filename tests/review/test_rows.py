"""The figures of a span, worked out by hand: from readings, from days, from hourly summaries."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import NamedTuple

import pytest

from sensord.model import EPOCH, Severity
from sensord.review.climate import NOTHING, Climate, ReviewColumns
from sensord.review.rows import (
    Bar,
    Daily,
    Extreme,
    Kept,
    LongestSpell,
    bars,
    daily_bars,
    from_hours,
    from_readings,
    hourly_spells,
    longest_spells,
    together,
)
from sensord.species.limits import Era, Limits, Tier

START = datetime(2026, 8, 20, 4, tzinfo=UTC)
HOUR = timedelta(hours=1)
DAY = 24 * HOUR
TIERS = (Tier(29.0, 1.0, Severity.MODERATE), Tier(33.0, 1.0, Severity.SEVERE))
LIMITS = Limits("monarch", "Monarch", TIERS, 15.0, 2.0, 11.5, 33.0)
"""Bands: below 15, to 29, to 33, above."""
ALL_ALONG = (Era(EPOCH, "monarch", 11.5, 33.0),)


def columns(*points: tuple[float, float]) -> ReviewColumns:
    """Of (hours from the start, value)."""
    return ReviewColumns([START.timestamp() + 3600 * h for h, _ in points], [v for _, v in points])


def hourly(*values: float, first: int = 0) -> ReviewColumns:
    return columns(*((first + n, v) for n, v in enumerate(values)))


def test_a_day_from_its_readings() -> None:
    """Six hours at 20 °C, one up to 34 °C, an hour there and down again, then nothing."""
    climate = Climate(
        hourly(20.0, 20.0, 20.0, 34.0, 34.0, 20.0), hourly(0.5, 0.9, 1.0, 1.0, 0.5, 0.5), hourly(*[20.0] * 6)
    )
    row = from_readings("day", START, START + DAY, climate, LIMITS, ALL_ALONG)
    assert (row.known_h, row.missing_h, row.hours) == (5.0, 19.0, 24.0)
    up_h, above_h = 4 / 14, 1 / 14  # of an hour between 29 and 33 °C, and above, on the way from 20 to 34 °C
    assert row.bands_h == pytest.approx((0.0, 2 + 2 * 9 / 14, 2 * up_h, 1 + 2 * above_h))
    assert row.above_h == pytest.approx((1 + 2 * 5 / 14, 1 + 2 * above_h))
    assert row.degree_hours == pytest.approx((5.0 + 2 * 5 / 14 * 2.5, 1.0 + 2 * above_h * 0.5))
    assert row.low == Extreme(20.0, START)
    assert row.high == Extreme(34.0, START + 3 * HOUR)
    assert row.mean_c == pytest.approx((20 + 20 + 27 + 34 + 27) / 5)
    assert row.swing_k is None, "too little of the day is known"
    assert row.relative_humidity == pytest.approx((0.7 + 0.95 + 1.0 + 0.75 + 0.5) / 5)
    assert row.humid_h == pytest.approx(1 + 0.03 / 0.1 + 0.03 / 0.5)
    assert (row.dew_likely_h, row.dew_possible_h) == (2.0, 3.0)
    gained = 2 * 8.5 + 15.5 * 2 - 2 * (1 / 14) * 0.5 + 21.5
    assert row.degree_days == pytest.approx(gained / 24)


def test_of_nothing_nothing_is_told() -> None:
    """Neither of a place that was not measured, nor of one without a hygrometer."""
    row = from_readings("day", START, START + DAY, Climate(NOTHING, NOTHING), LIMITS, ALL_ALONG)
    assert (row.known_h, row.missing_h, row.above_h, row.degree_hours) == (0.0, 24.0, (0.0, 0.0), (0.0, 0.0))
    assert {row.low, row.high, row.mean_c, row.swing_k, row.degree_days, row.relative_humidity, row.humid_h} == {None}
    assert {row.dew_likely_h, row.dew_possible_h} == {None}
    dry = from_readings("day", START, START + DAY, Climate(hourly(20.0, 20.0)), LIMITS, ALL_ALONG)
    assert {dry.relative_humidity, dry.humid_h, dry.dew_likely_h, dry.dew_possible_h} == {None}


@pytest.mark.parametrize(("hours", "swing_k"), [(18, 18.0), (17, None)])
def test_a_day_swings_where_three_quarters_of_it_are_known(hours: int, swing_k: float | None) -> None:
    """Eighteen hours, to the point."""
    climate = Climate(hourly(*(float(n) for n in range(hours + 1))))
    assert from_readings("day", START, START + DAY, climate, LIMITS, ALL_ALONG).swing_k == swing_k


def test_degree_days_are_by_the_species_of_each_era() -> None:
    """Two hours above 11.5 °C, two above 10 °C; what lies beyond the day is none of it."""
    eras = (
        Era(EPOCH, "monarch", 11.5, 33.0),
        Era(START + 2 * HOUR, "other", 10.0, None),
        Era(START + 2 * DAY, "later", 0.0, None),
    )
    row = from_readings("day", START, START + 4 * HOUR, Climate(hourly(*[20.0] * 9)), LIMITS, eras)
    assert row.degree_days == pytest.approx((2 * 8.5 + 2 * 10.0) / 24)


def test_a_tier_that_is_only_touched_has_no_degree_hours() -> None:
    """The highest reading is the tier."""
    row = from_readings("day", START, START + DAY, Climate(hourly(29.0, 29.0)), LIMITS, ALL_ALONG)
    assert (row.above_h, row.degree_hours) == ((1.0, 0.0), (0.0, 0.0))


def test_a_week_is_its_days_together() -> None:
    """Sums add up, extremes are of all, the swing is the mean of those that have one, means are over the whole."""
    whole = Climate(hourly(*[20.0] * 24, *[30.0] * 25), hourly(*[0.4] * 24, *[1.0] * 25), hourly(*[20.0] * 49))
    days = [from_readings(str(n), START + n * DAY, START + (n + 1) * DAY, whole, LIMITS, ALL_ALONG) for n in range(2)]
    empty = from_readings("2", START + 2 * DAY, START + 3 * DAY, Climate(NOTHING), LIMITS, ALL_ALONG)
    row = together("week", START, START + 3 * DAY, whole, [*days, empty])
    assert (row.known_h, row.missing_h) == (48.0, 24.0)
    assert row.bands_h == pytest.approx(tuple(a + b for a, b in zip(days[0].bands_h, days[1].bands_h, strict=True)))
    assert row.above_h[0] == pytest.approx(days[0].above_h[0] + days[1].above_h[0])
    assert row.degree_hours[0] == pytest.approx(days[0].degree_hours[0] + days[1].degree_hours[0])
    assert (row.low, row.high) == (days[0].low, days[1].high)
    assert row.mean_c == pytest.approx((23 * 20 + 25 + 24 * 30) / 48)
    assert row.swing_k == pytest.approx((days[0].swing_k or 0) / 2 + (days[1].swing_k or 0) / 2)
    assert row.degree_days == pytest.approx((days[0].degree_days or 0) + (days[1].degree_days or 0))
    assert row.relative_humidity == pytest.approx((23 * 0.4 + 0.7 + 24) / 48)
    assert row.humid_h == pytest.approx((days[0].humid_h or 0) + (days[1].humid_h or 0))
    assert row.dew_likely_h == row.dew_possible_h == pytest.approx(24.5)
    nothing = together("week", START, START + DAY, Climate(NOTHING), [empty])
    assert {nothing.low, nothing.high, nothing.mean_c, nothing.swing_k, nothing.degree_days, nothing.humid_h} == {None}


def test_the_longest_spell_of_each_tier() -> None:
    """Of means of five minutes; one that is never reached has none, one that is only touched has one."""
    climate = Climate(hourly(*[20.0] * 2, *[29.0] * 3, 20.0, *[29.0] * 2), interval_s=3600.0)
    longest, none = longest_spells(climate, LIMITS, START, START + DAY)
    assert longest == LongestSpell(2.0, START + 2 * HOUR, START + 4 * HOUR)
    assert none is None
    assert longest_spells(Climate(NOTHING), LIMITS, START, START + DAY) == (None, None)


def test_bars_are_the_hours_of_the_span() -> None:
    """Counted from its beginning; a part of an hour is one, its end is not its own."""
    found = bars(columns((0.0, 10.0), (0.5, 14.0), (1.999, 9.0), (2.5, 7.0)), START, START + 2.5 * HOUR)
    assert found == (
        Bar(START, 10.0, 12.0, 14.0),
        Bar(START + HOUR, 9.0, 9.0, 9.0),
        Bar(START + 2 * HOUR, None, None, None),
    )


def test_an_hour_has_3600_seconds() -> None:
    """Its first second is its own, and a second more than two hours is a third bar."""
    ends = columns((0.0, 1.0), (3599.5 / 3600, 2.0), (1.0, 3.0))
    assert [b.mean_c for b in bars(ends, START, START + 2 * HOUR)] == [1.5, 3.0]
    assert len(bars(ends, START, START + 2 * HOUR + timedelta(seconds=1))) == 3


def test_of_a_single_tier_the_highest_band_is_above_it() -> None:
    """However many bands there are."""
    one = replace(LIMITS, tiers=TIERS[:1])
    row = from_readings("day", START, START + DAY, Climate(hourly(20.0, 34.0, 34.0)), one, ALL_ALONG)
    assert row.above_h == pytest.approx((1 + 5 / 14,))


class Summary(NamedTuple):
    start: datetime
    minimum: float
    maximum: float
    mean: float


def hour(n: float, low: float, high: float, mean: float | None = None) -> Summary:
    return Summary(START + n * HOUR, low, high, (low + high) / 2 if mean is None else mean)


def daily(n: int, low: float, high: float, known_h: int) -> Daily:
    at = START + n * DAY
    return Daily(at, Extreme(low, at + 5 * HOUR), Extreme(high, at + 15 * HOUR), (low + high) / 2, known_h)


KEPT = Kept(
    hours=[hour(-1, 50.0, 50.0), hour(0, 20.0, 20.0), hour(1, 28.0, 30.0), hour(2, 31.0, 35.0), hour(24, 50.0, 50.0)],
    days=[daily(-1, -9.0, 60.0, 24), daily(0, 20.0, 35.0, 18), daily(1, -9.0, 60.0, 24)],
    tally=[(START - HOUR, 9.0), (START, 0.5), (START + HOUR, 0.25), (START + DAY, 9.0)],
    humidity=[
        hour(-1, 1.0, 1.0),
        hour(0, 0.97, 0.97),
        hour(1, 0.9, 0.9),
        hour(2, 0.5, 0.5),
        hour(3, 0.96, 0.96),
        hour(24, 1.0, 1.0),
    ],
)


def test_a_day_from_its_hours() -> None:
    """Each hour runs straight from its lowest to its highest; what begins at the end of the span is none of it."""
    row = from_hours("day", START, START + DAY, KEPT, LIMITS)
    assert (row.known_h, row.missing_h) == (3.0, 21.0)
    assert row.bands_h == pytest.approx((0.0, 1.5, 1.0, 0.5))
    assert row.above_h == pytest.approx((1.5, 0.5))
    assert row.degree_hours == pytest.approx((0.5 * 0.5 + 4.0, 0.5 * 1.0))
    assert (row.low, row.high) == (KEPT.days[1].low, KEPT.days[1].high)
    assert (row.mean_c, row.swing_k, row.degree_days) == (pytest.approx((20 + 29 + 33) / 3), 15.0, 0.75)
    assert (row.relative_humidity, row.humid_h) == (pytest.approx((0.97 + 0.9 + 0.5 + 0.96) / 4), 1.0)
    assert (row.dew_likely_h, row.dew_possible_h) == (1.0, 2.0)
    part = from_hours("now", START, START + 2.5 * HOUR, KEPT, LIMITS)
    assert (part.known_h, part.missing_h) == (2.5, 0.0)


def test_of_no_hours_nothing_is_told() -> None:
    """And a day of which seventeen hours are known has no swing."""
    row = from_hours("day", START, START + DAY, Kept((), (), ()), LIMITS)
    assert (row.known_h, row.missing_h, row.bands_h) == (0.0, 24.0, (0.0,) * 4)
    assert {row.low, row.high, row.mean_c, row.swing_k, row.degree_days, row.relative_humidity, row.humid_h} == {None}
    assert {row.dew_likely_h, row.dew_possible_h} == {None}
    less = Kept((), [daily(0, 20.0, 35.0, 17)], ())
    assert from_hours("day", START, START + DAY, less, LIMITS).swing_k is None


@pytest.mark.parametrize(("air_c", "hours"), [(-49.1, 0.0), (-49.0, 1.0), (100.0, 1.0), (100.1, 0.0)])
def test_dew_of_hours_is_told_where_its_formulas_hold(air_c: float, hours: float) -> None:
    """From −49 to 100 °C."""
    kept = Kept([hour(0, air_c, air_c)], (), (), [hour(0, 1.0, 1.0)])
    row = from_hours("day", START, START + DAY, kept, LIMITS)
    assert (row.dew_likely_h, row.dew_possible_h) == (hours, hours)


def test_the_longest_run_of_hot_hours() -> None:
    """By their means; a run is broken by an hour that is missing or cooler."""
    hot = [hour(n, 29.0, 29.0) for n in (-1, 0, 1, 3, 4, 5, 24)]
    found = hourly_spells(Kept(hot, (), ()), LIMITS, START, START + DAY)
    assert found == (LongestSpell(3.0, START + 3 * HOUR, START + 6 * HOUR), None)
    for hours, first in (((-1, 0, 1, 2, 22, 23), 0), ((0, 1, 21, 22, 23, 24), 21)):
        edge = Kept([hour(n, 29.0, 29.0) for n in hours], (), ())
        longest = LongestSpell(3.0, START + first * HOUR, START + (first + 3) * HOUR)
        assert hourly_spells(edge, LIMITS, START, START + DAY)[0] == longest


def test_the_bars_of_a_season_are_its_days() -> None:
    """A day of which nothing is known has none."""
    assert daily_bars(KEPT, [START, START + 2 * DAY]) == (
        Bar(START, 20.0, 27.5, 35.0),
        Bar(START + 2 * DAY, None, None, None),
    )
