"""Degree-days that add up: curves read both ways, and outlooks through daily extremes."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sensord.science.curve import Curve, PastReadings, carry_on, outlook_from_extremes, outlook_from_hours
from sensord.science.degree_days import DAY_S, double_sine, integrate
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
    with pytest.raises(ValueError, match="120 days"):
        carry_on(outlook, NOW + 200 * DAY_S)


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
