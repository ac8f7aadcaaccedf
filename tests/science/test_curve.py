"""Degree-days that add up: curves read both ways, and outlooks through daily extremes."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sensord.science.curve import (
    Curve,
    PastReadings,
    Tallies,
    carry_on,
    outlook_from_extremes,
    outlook_from_hours,
)
from sensord.science.degree_days import DAY_S, Tally, double_sine, integrate
from sensord.science.thresholds import Cutoff

NOW = 1_788_000_000.0


@given(st.lists(st.tuples(st.integers(1, 3000), st.floats(5, 40)), min_size=2, max_size=20), st.floats(0.01, 1))
def test_a_curve_reads_the_same_both_ways(steps, share):
    """`at` and `when` undo each other wherever warmth was had, and the end is the exact integral."""
    times, at = [], NOW
    for gap, _ in steps:
        at += gap
        times.append(at)
    temperatures = [value for _, value in steps]
    curve = PastReadings(times, temperatures).curve(11.5, 33, Cutoff.HORIZONTAL, times[0], times[-1])
    assert curve.total == pytest.approx(integrate(times, temperatures, 11.5, 33).degree_days, abs=1e-9)
    wanted = share * curve.total
    if wanted > 1e-6:
        assert curve.at(curve.when(wanted)) == pytest.approx(wanted, rel=1e-3)
    assert curve.when(curve.total + 1) == math.inf


def test_a_curve_carried_on_keeps_what_was_had():
    """Sums, times and missing time of two curves join at the instant that they share."""
    joined = Curve([0, 10], [0, 1], 3).then(Curve([10, 20], [0, 2], 4))
    assert joined == Curve([0, 10, 20], [0, 1, 3], 7)
    assert (joined.at(-5), joined.at(15), joined.at(99)) == (0, 2, 3)


def test_what_was_had_from_the_start_was_had_at_the_start():
    """Nothing, or less, is reached at once; a sum that stands for a while is reached when it first stood."""
    curve = Curve([10, 20, 30, 40], [0, 2, 2, 3])
    assert [curve.when(value) for value in (-1, 0, 1, 2, 2.5, 3, 3.1)] == [10, 10, 15, 20, 35, 40, math.inf]
    assert [curve.at(instant) for instant in (0, 10, 15, 20, 25, 40, 99)] == [0, 0, 1, 2, 2, 3, 3]
    assert curve.missing_s == 0


HOURS = Tallies([0, 3600, 10800], [Tally(1, 3600, 0, 0), Tally(0.5, 1800, 0, 1800), Tally(2, 3600, 0, 0)], 11.5)
"""3.5 °C·d in 2.5 hours that are known: 1.4 °C·d an hour."""


@pytest.mark.parametrize(
    ("start_s", "end_s", "times_s", "sums", "missing_s"),
    [
        (0, 7200, [0, 3600, 7200], [0, 1, 2], 1800),
        (3600, 7200, [3600, 7200], [0, 1], 1800),
        (1800, 5400, [1800, 3600, 5400], [0, 0.5, 1], 900),
        (
            -3600,
            18_000,
            [-3600, 0, 3600, 7200, 10_800, 14_400, 18_000],
            [0, 1.4, 2.4, 3.6, 5, 7, 8.4],
            3 * 3600 + 1800,
        ),
        (7200, 10_800, [7200, 10_800], [0, 0], 3600),
        (-1, 1, [-1, 0, 1], [0, 1 / 3600, 2 / 3600], 1),
        (20_000, 20_000, [20_000], [0], 0),
    ],
)
def test_tallies_add_up_and_what_they_lack_goes_at_the_mean_rate(start_s, end_s, times_s, sums, missing_s):
    """Worked by hand: an edge cuts an hour by its share; hours before, between and after are missing."""
    curve = HOURS.curve(11.5, 33, Cutoff.HORIZONTAL, start_s, end_s)
    assert curve.times_s == times_s
    assert curve.sums == pytest.approx(sums)
    assert curve.missing_s == missing_s


def test_tallies_without_their_hours_are_refused():
    """Two columns of one table."""
    with pytest.raises(ValueError, match="shorter"):
        Tallies([0, 3600], [Tally(1, 3600, 0, 0)], 11.5).curve(11.5, 33, Cutoff.HORIZONTAL, 0, 7200)


def test_an_outlook_that_is_warmer_gives_that_much_more():
    """Two days at 20 °C, two kelvin warmer, are 2 × 10.5 °C·d above 11.5 °C; its error is from 0 to 10 °C."""
    outlook = outlook_from_hours([NOW, NOW + 2 * DAY_S], [20, 20])
    assert outlook.curve(11.5, 33, Cutoff.HORIZONTAL, NOW, 2.0).total == pytest.approx(21)
    assert outlook.curve(11.5, 33, Cutoff.HORIZONTAL, NOW + 3 * DAY_S, 2.0).total == 0
    assert outlook.sd_c == outlook_from_extremes(NOW, [10], [20]).sd_c == 1.0
    assert [outlook_from_hours([0], [20], sd_c).sd_c for sd_c in (0, 10)] == [0, 10]
    for sd_c in (-0.01, 10.01):
        with pytest.raises(ValueError, match="0–10 °C"):
            outlook_from_hours([0], [20], sd_c)


def test_a_day_is_coolest_at_three_and_warmest_at_three():
    """Three hours after midnight and twelve hours later, a point every half hour, up to the last day's minimum again."""
    outlook = outlook_from_extremes(NOW, [10, 12], [20, 24])
    assert outlook.times_s == [NOW + 3 * 3600 + 1800 * index for index in range(97)]
    assert [outlook.temperatures_c[24 * index] for index in range(5)] == pytest.approx([10, 20, 12, 24, 12])
    assert outlook.temperatures_c[12] == pytest.approx(15)
    assert outlook.known_until_s == NOW + 3 * 3600 + 2 * DAY_S


@given(st.lists(st.tuples(st.floats(5, 18), st.floats(19, 38)), min_size=1, max_size=7))
def test_an_outlook_through_extremes_has_the_degree_days_of_double_sines(days):
    """Half-hourly points through daily extremes integrate to the closed form, within 0.02 °C·d a day."""
    lows, highs = [low for low, _ in days], [high for _, high in days]
    outlook = outlook_from_extremes(NOW, lows, highs)
    following = [*lows[1:], lows[-1]]
    closed = sum(double_sine(lo, hi, after, 11.5, 33) for (lo, hi), after in zip(days, following, strict=True))
    ours = integrate(outlook.times_s, outlook.temperatures_c, 11.5, 33, longest_bridge_s=math.inf).degree_days
    assert ours == pytest.approx(closed, abs=0.02 * len(days))


def test_carrying_on_repeats_the_last_days():
    """What is added is what stood one repeat before; the end of knowledge does not move; less than a day is not carried."""
    outlook = outlook_from_extremes(NOW, [10, 12, 14, 16], [20, 24, 28, 32])
    longer = carry_on(outlook, NOW + 20 * DAY_S, days=2)
    assert longer.times_s[-1] >= NOW + 20 * DAY_S
    assert longer.known_until_s == outlook.times_s[-1]
    assert longer.temperatures_c[-96:] == outlook.temperatures_c[-96:]
    hours = outlook_from_hours([NOW, NOW + 3600], [20, 21])
    assert carry_on(hours, NOW + DAY_S) == hours
    end_s = outlook.times_s[-1]
    assert carry_on(outlook, end_s + 120 * DAY_S).times_s[-1] >= end_s + 120 * DAY_S
    with pytest.raises(ValueError, match="120 days"):
        carry_on(outlook, end_s + 120 * DAY_S + 1)


@pytest.mark.parametrize(("days", "repeated"), [({}, 3), ({"days": 1}, 1), ({"days": 2}, 2), ({"days": 9}, 4)])
def test_carrying_on_goes_in_steps_of_the_days_it_repeats(days, repeated):
    """Three by default, never more than there are; the instant asked for is reached, and no further repeat begun."""
    outlook = outlook_from_extremes(NOW, [10, 12, 14, 16], [20, 24, 28, 32], 0.5)
    until_s = outlook.times_s[-1] + 2 * repeated * DAY_S
    for asked_s in (until_s, until_s - repeated * DAY_S + 1):
        longer = carry_on(outlook, asked_s, **days)
        assert longer.times_s == [NOW + 3 * 3600 + 1800 * index for index in range(4 * 48 + 2 * repeated * 48 + 1)]
        steps = 48 * repeated
        for index in range(4 * 48 + 1, len(longer.times_s)):
            assert longer.temperatures_c[index] == longer.temperatures_c[index - steps]
        assert longer.sd_c == 0.5
    assert carry_on(outlook, outlook.times_s[-1]) == outlook


def test_a_single_day_can_be_carried_on():
    """And a minute less can't."""
    day = outlook_from_hours([NOW, NOW + DAY_S], [20, 21])
    assert carry_on(day, NOW + 2 * DAY_S).times_s == [NOW, NOW + DAY_S, NOW + 2 * DAY_S]
    less = outlook_from_hours([NOW, NOW + DAY_S - 60], [20, 21])
    assert carry_on(less, NOW + 2 * DAY_S) == less


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: outlook_from_hours([], []), "at least one"),
        (lambda: outlook_from_hours([0], [20], 50), "0–10 °C"),
        (lambda: outlook_from_extremes(0, [10], [20, 30]), "stand beside"),
        (lambda: outlook_from_extremes(0, [30], [20]), "above its maximum"),
    ],
)
def test_outlooks_that_cannot_be_are_refused(call, words):
    """An outlook without temperatures, or with impossible ones, raises ValueError in words."""
    with pytest.raises(ValueError, match=words):
        call()
