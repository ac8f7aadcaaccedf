"""Degree-days against published tables, other software's published output, brute force and a year of real weather."""

from __future__ import annotations

import math
import time
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sensord.science.degree_days import (
    DAY_S,
    Cutoff,
    Method,
    Tally,
    double_sine,
    double_triangle,
    estimate,
    integrate,
    integrate_between,
    modified_average,
    simple_average,
    single_sine,
    single_triangle,
)

CUTOFFS = list(Cutoff)


def celsius(fahrenheit: float) -> float:
    return (fahrenheit - 32) / 1.8


def in_fahrenheit(method: Method, low, high, following, lower, upper=None, cutoff=Cutoff.HORIZONTAL) -> float:
    """°F-days of a day given in °F, by way of the °C functions."""
    upper_c = None if upper is None else celsius(upper)
    day = estimate(method, celsius(low), celsius(high), celsius(following), celsius(lower), upper_c, cutoff)
    return 1.8 * day


# --- Zalom et al. 1983, University of California Leaflet 21373, table 7: lower 55, upper 90 °F, horizontal -------------

ZALOM_METHODS = (Method.SINGLE_TRIANGLE, Method.DOUBLE_TRIANGLE, Method.SINGLE_SINE, Method.DOUBLE_SINE)
ZALOM = [  # minimum, maximum, next minimum, then the four methods as printed
    (96, 110, 91, 35.00, 35.00, 35.00, 35.00),
    (91, 105, 96, 35.00, 35.00, 35.00, 35.00),
    (45, 54, 38, 0, 0, 0, 0),
    (38, 50, 45, 0, 0, 0, 0),
    (60, 80, 75, 15.00, 18.75, 15.00, 18.75),
    (75, 88, 60, 26.50, 22.75, 26.50, 22.75),
    (50, 82, 45, 11.39, 10.62, 11.85, 11.31),
    (45, 70, 50, 4.50, 5.06, 5.31, 5.70),
    (60, 100, 75, 23.75, None, 22.82, 26.26),  # the missing cell is a misprint, see below
    (75, 95, 60, 29.38, 25.76, 28.91, 25.30),
    (50, 101, 48, 19.56, 19.19, 18.95, 18.69),
    (48, 95, 50, 16.76, 17.13, 16.96, 17.23),
]
ZALOM_CELLS = [
    (method, *row[:3], printed)
    for row in ZALOM
    for method, printed in zip(ZALOM_METHODS, row[3:], strict=True)
    if printed is not None
]


@pytest.mark.outside
@pytest.mark.parametrize(("method", "low", "high", "following", "printed"), ZALOM_CELLS)
def test_agrees_with_the_table_of_zalom_1983(method, low, high, following, printed):
    """Each cell of table 7 but the misprint comes out as printed, to its two decimals."""
    assert in_fahrenheit(method, low, high, following, 55, 90) == pytest.approx(printed, abs=0.0051)


@pytest.mark.outside
def test_the_misprinted_cell_of_zalom_1983_is_a_misprint():
    """Day 60/100/75 by double triangle is printed 24.88; brute force over the drawn day gives 27.125, and so do we."""
    ours = in_fahrenheit(Method.DOUBLE_TRIANGLE, 60, 100, 75, 55, 90)
    drawn = np.interp(np.linspace(0, 1, 200_001), [0, 0.5, 1], [60, 100, 75])
    assert ours == pytest.approx(np.mean(np.clip(drawn, 55, 90) - 55), abs=0.001)
    assert ours == pytest.approx(27.125, abs=0.0001)
    assert abs(ours - 24.88) > 2


# --- University of California IPM calculator, Esparto 2020, 50/70 °F, all methods and cut-offs -------------------------
# Source: [DegreeDayChallenge] data/ucipm_results/ucipm_low50_high70_all.csv; printed to two decimals.

IPM_METHODS = (Method.SINGLE_SINE, Method.DOUBLE_SINE, Method.SINGLE_TRIANGLE, Method.DOUBLE_TRIANGLE)
IPM_CUTOFFS = (Cutoff.HORIZONTAL, Cutoff.VERTICAL, Cutoff.INTERMEDIATE)
IPM = """
1/2    36  67 33   5.71 5.71 5.71   5.56 5.56 5.56    4.66 4.66 4.66    4.46 4.46 4.46
1/3    33  59 37   2.34 2.34 2.34   2.45 2.45 2.45    1.56 1.56 1.56    1.7  1.7  1.7
1/8    41  50 37   0    0    0      0    0    0       0    0    0       0    0    0
2/15   37  66 49   5.39 5.39 5.39   6.5  6.5  6.5     4.41 4.41 4.41    5.97 5.97 5.97
2/24   38  75 47   8.72 3.92 7.92   9.61 4.44 8.76    8.11 5.41 7.77    9.41 6.27 9.02
4/20   49  70 45   9.59 9.59 9.59   9.03 9.03 9.03    9.52 9.52 9.52    8.76 8.76 8.76
5/15   56  79 60   15   6.4  12.51  15.86 6.73 13.22  15.74 7.91 13.98  16.55 7.9 14.61
6/20   56  91 59   16.07 4.79 8.64  16.61 4.96 8.97   17.2 5.2 10.9     17.65 5.09 11.06
7/19   61  97 60   18.04 4.7 7.08   17.88 4.7 7.02    18.88 3.88 8.75   18.76 3.96 8.77
8/14   71 103 68   20   0    3      19.9 1.43 3.55    20   0    3       19.97 0.54 3.69
8/18   71 102 71   20   0    3.5    20   0    3.5     20   0    3.5     20   0    3.5
9/7    58  93 58   16.9 4.87 8.3    16.9 4.87 8.3     17.94 4.8 10.39   17.94 4.8 10.39
9/27   72  95 69   20   0    6.5    19.96 1.21 7.17   20   0    6.5     19.99 0.38 7.23
10/20  52  90 53   14.44 4.11 7.89  14.64 4.22 8.04   15.74 5.21 10.47  15.92 5.25 10.58
"""
IPM_CELLS = [
    pytest.param(method, cutoff, *map(float, row[1:4]), float(row[4 + 3 * m + c]), id=f"{row[0]}-{method}-{cutoff}")
    for row in map(str.split, IPM.strip().splitlines())
    for m, method in enumerate(IPM_METHODS)
    for c, cutoff in enumerate(IPM_CUTOFFS)
]


@pytest.mark.outside
@pytest.mark.parametrize(("method", "cutoff", "low", "high", "following", "published"), IPM_CELLS)
def test_agrees_with_the_calculator_of_uc_ipm(method, cutoff, low, high, following, published):
    """Each of twelve columns comes out as that calculator published it, to its two decimals."""
    assert in_fahrenheit(method, low, high, following, 50, 70, cutoff) == pytest.approx(published, abs=0.0055)


# --- Ojai, California, 2016, lower 12, upper 33 °C, horizontal: close to the monarch's thresholds ----------------------
# Source: [TrenchR] tests/testthat/degree-days-*.csv; printed to two decimals, from temperatures to one.

OJAI = """
01-01  7.8 19.4  4.4   2.72  2.36  2.53  2.09
01-02  4.4 22.2  3.3   3.51  2.92  3.45  2.84
01-03  3.3 18.9 10.0   2.05  1.53  2.46  2.10
01-04 10.0 21.7  6.1   4.21  4.02  3.86  3.52
01-05  6.1 15.0  4.4   0.77  0.51  0.73  0.47
01-06  4.4 14.4  5.0   0.51  0.29  0.52  0.30
01-07  5.0 15.0  3.3   0.72  0.45  0.69  0.42
04-06 10.6 34.4 11.7  10.50 10.50 10.71 10.75
04-17 11.7 33.9  9.4  10.74 10.78 10.34 10.28
09-25 10.6 38.9 14.4  11.71 12.17 12.55 13.05
09-26 14.4 39.4 15.0  13.49 14.08 13.63 14.22
09-27 15.0 37.2 16.7  13.31 13.70 13.72 14.11
10-20 12.8 35.6 12.2  11.82 12.05 11.68 11.90
"""
OJAI_METHODS = (Method.SINGLE_SINE, Method.SINGLE_TRIANGLE, Method.DOUBLE_SINE, Method.DOUBLE_TRIANGLE)
OJAI_CELLS = [
    pytest.param(method, *map(float, row[1:4]), float(row[4 + m]), id=f"{row[0]}-{method}")
    for row in map(str.split, OJAI.strip().splitlines())
    for m, method in enumerate(OJAI_METHODS)
]


@pytest.mark.outside
@pytest.mark.parametrize(("method", "low", "high", "following", "published"), OJAI_CELLS)
def test_agrees_with_a_published_series_in_celsius(method, low, high, following, published):
    """Each value of the series comes out as published, to its two decimals."""
    assert estimate(method, low, high, following, 12, 33) == pytest.approx(published, abs=0.0055)


# --- The navel orangeworm example of the R package degday: lower 55, upper 93.9 °F, horizontal -------------------------
# Source: [DegdayR] README; single triangle, single sine, double triangle, double sine, to two decimals.

ORANGEWORM = [
    (38, 55, 36, 0, 0, 0, 0),
    (36, 67, 33, 2.32, 3.31, 2.22, 3.23),
    (33, 59, 37, 0.31, 0.68, 0.34, 0.71),
    (37, 59, 38, 0.36, 0.74, 0.37, 0.75),
    (38, 63, 36, 1.28, 1.99, 1.23, 1.95),
    (36, 58, 30, 0.20, 0.48, 0.18, 0.45),
]
ORANGEWORM_METHODS = (Method.SINGLE_TRIANGLE, Method.SINGLE_SINE, Method.DOUBLE_TRIANGLE, Method.DOUBLE_SINE)


@pytest.mark.outside
@pytest.mark.parametrize(
    ("method", "low", "high", "following", "published"),
    [(m, *row[:3], value) for row in ORANGEWORM for m, value in zip(ORANGEWORM_METHODS, row[3:], strict=True)],
)
def test_agrees_with_the_example_of_an_r_package(method, low, high, following, published):
    """Each day of the package's worked example comes out as shown, to its two decimals."""
    assert in_fahrenheit(method, low, high, following, 55, 93.9) == pytest.approx(published, abs=0.0055)


# --- McMaster & Wilhelm 1997, table 1, base 0 °C -------------------------------------------------------------------------

MCMASTER_WILHELM = [  # maximum, minimum, method 1, method 2
    (20, 10, 15, 15),
    (10, 1, 5.5, 5.5),
    (8, -2, 3, 4),
    (6, 0, 3, 3),
    (10, 5, 7.5, 7.5),
    (5, -5, 0, 2.5),
    (-2, -7, 0, 0),
    (-5, -10, 0, 0),
    (10, -2, 4, 5),
    (15, 2, 8.5, 8.5),
]


@pytest.mark.outside
@pytest.mark.parametrize(("high", "low", "published", "_"), MCMASTER_WILHELM)
def test_simple_average_agrees_with_mcmaster_wilhelm_method_1(high, low, published, _):
    """Source: [McMasterWilhelm1997] table 1, exact."""
    assert simple_average(low, high, 0) == pytest.approx(published, abs=1e-9)


@pytest.mark.outside
@pytest.mark.parametrize(("high", "low", "_", "published"), MCMASTER_WILHELM)
def test_modified_average_agrees_with_mcmaster_wilhelm_method_2(high, low, _, published):
    """Source: [McMasterWilhelm1997] table 1, exact."""
    assert modified_average(low, high, 0) == pytest.approx(published, abs=1e-9)


@pytest.mark.outside
@pytest.mark.parametrize(
    ("method", "low", "high", "lower", "upper", "published", "tolerance"),
    [
        (Method.SIMPLE_AVERAGE, 40, 100, 50, None, 20, 1e-9),  # [OregonDegreeDays]
        (Method.MODIFIED_AVERAGE, 40, 100, 50, 86, 18, 1e-9),  # [OregonDegreeDays]
        (Method.SIMPLE_AVERAGE, 64, 64, 53, None, 11, 1e-9),  # [UCIPM] citrus, mean 64 °F
        (Method.SIMPLE_AVERAGE, 50.2, 74.1, 50, None, 12.15, 1e-9),  # [OhioDegreeDays]
        (Method.MODIFIED_AVERAGE, 38.6, 66.5, 50, None, 8.25, 1e-9),  # [OhioDegreeDays] minimum replaced
        (Method.SINGLE_SINE, 34, 60, 50, None, 2.749, 0.0005),  # [BaskervilleEmin1969] by way of a test that cites it
    ],
)
def test_agrees_with_single_published_examples(method, low, high, lower, upper, published, tolerance):
    """Worked examples in °F of teaching pages; the source stands beside each."""
    assert in_fahrenheit(method, low, high, low, lower, upper) == pytest.approx(published, abs=tolerance)


CORN_EARWORM = [  # [Hartstack1976] stage sums in °C-days and °F-days, each printed to one decimal
    ("egg", 40.5, 72.9),
    ("small larva", 81.7, 147.1),
    ("large larva", 120.6, 217.1),
    ("pupa", 179.5, 323.1),
    ("egg to adult", 422.3, 760.1),
    ("before laying", 62.6, 112.7),
    ("generation", 484.9, 872.8),
]


# --- properties of the daily estimates -----------------------------------------------------------------------------------

degrees = st.floats(-40, 60, allow_nan=False).map(lambda value: round(value, 3))
thresholds = st.tuples(st.floats(-10, 25), st.floats(1, 30)).map(lambda pair: (pair[0], pair[0] + pair[1]))
days = st.tuples(degrees, degrees, degrees).map(lambda three: (min(three[:2]), max(three), three[2]))
methods = st.sampled_from(list(Method))
cutoffs = st.sampled_from(CUTOFFS)


@given(days, thresholds, methods, cutoffs)
def test_a_day_is_never_negative_nor_endless(day, limits, method, cutoff):
    """Whatever the day, degenerate ones included, the estimate is finite and at least 0."""
    value = estimate(method, *day, *limits, cutoff)
    assert math.isfinite(value)
    assert value >= 0


@pytest.mark.parametrize("method", list(Method))
@pytest.mark.parametrize("cutoff", CUTOFFS)
@pytest.mark.parametrize(("constant", "share"), [(5.0, 0), (11.5, 0), (20.0, 8.5), (33.0, 21.5), (40.0, None)])
def test_a_day_without_a_swing_is_its_temperature(method, cutoff, constant, share):
    """Minimum = maximum divides nothing: the day counts as a constant one, below, at, between and above the thresholds."""
    value = estimate(method, constant, constant, constant, 11.5, 33.0, cutoff)
    if method is Method.SIMPLE_AVERAGE:
        assert value == pytest.approx(max(0, constant - 11.5))
    elif method is Method.MODIFIED_AVERAGE:
        assert value == pytest.approx(min(max(constant, 11.5), 33) - 11.5)
    elif share is not None and not (constant == 33.0 and cutoff is Cutoff.VERTICAL):
        assert value == pytest.approx(share)
    else:
        above = {Cutoff.NONE: 28.5, Cutoff.HORIZONTAL: 21.5, Cutoff.INTERMEDIATE: 14.5, Cutoff.VERTICAL: 0}
        assert value == pytest.approx(above[cutoff] if constant > 33 else 0)


@given(days, thresholds, methods)
def test_vertical_and_intermediate_never_exceed_horizontal(day, limits, method):
    """Stopping or slowing above the upper threshold never gives more than going on at its rate; none gives the most."""
    none, horizontal, intermediate, vertical = (estimate(method, *day, *limits, cutoff) for cutoff in CUTOFFS)
    assert vertical <= horizontal + 1e-9
    assert intermediate <= horizontal + 1e-9
    assert horizontal <= none + 1e-9


@given(days, thresholds, methods, st.sampled_from([Cutoff.NONE, Cutoff.HORIZONTAL]), st.floats(0, 10))
def test_a_warmer_day_never_gives_less(day, limits, method, cutoff, warmer):
    """Monotone in temperature, as long as heat does not stop development."""
    assert estimate(method, *(value + warmer for value in day), *limits, cutoff) >= (
        estimate(method, *day, *limits, cutoff) - 1e-9
    )


@given(days, thresholds, methods, cutoffs, st.floats(0, 0.9))
def test_a_higher_lower_threshold_never_gives_more(day, limits, method, cutoff, share):
    """Monotone in the lower threshold, for the cut-offs that count from it."""
    lower, upper = limits
    raised = lower + share * (upper - lower)
    assert estimate(method, *day, raised, upper, cutoff) <= estimate(method, *day, lower, upper, cutoff) + 1e-9


@given(days, thresholds, methods, cutoffs)
def test_fahrenheit_and_celsius_tell_the_same_day(day, limits, method, cutoff):
    """The same day in °F, computed in °F, is 1.8 times the one in °C: the formulas know no scale."""
    in_f = estimate(method, *(value * 1.8 + 32 for value in (*day, *limits)), cutoff)
    assert in_f == pytest.approx(1.8 * estimate(method, *day, *limits, cutoff), abs=1e-6)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: single_sine(20, 10, 11.5), "above its maximum"),
        (lambda: double_triangle(10, 20, 25, 11.5), "above its maximum"),
        (lambda: double_sine(10, 20, 12, 33, 11.5), "must lie above"),
        (lambda: single_triangle(math.nan, 20, 11.5), "finite"),
        (lambda: simple_average(1, math.inf, 0), "finite"),
        (lambda: integrate([0, 60], [20], 11.5, 33), "stand beside"),
        (lambda: integrate([60, 0], [20, 21], 11.5, 33), "ascending"),
        (lambda: integrate([0, 60], [20, math.nan], 11.5, 33), "finite"),
        (lambda: integrate([0, 60], [20, 21], 33, 11.5), "must lie above"),
        (lambda: integrate_between([0, 60], [20, 21], 60, 0, 11.5, 33), "before it starts"),
    ],
)
def test_what_cannot_be_is_refused_in_physical_words(call, words):
    """Impossible days, thresholds and series raise ValueError that says what is wrong."""
    with pytest.raises(ValueError, match=words):
        call()


# --- exact integration of readings -----------------------------------------------------------------------------------------


def rate(temperature, lower, upper, cutoff):
    """The rate of development as each cut-off is defined in words: an oracle apart from the closed forms."""
    if cutoff is Cutoff.NONE:
        return np.maximum(temperature - lower, 0)
    under = np.clip(temperature, lower, upper) - lower
    if cutoff is Cutoff.HORIZONTAL:
        return under
    if cutoff is Cutoff.VERTICAL:
        return np.where(temperature < upper, under, 0)
    return np.maximum(under - np.maximum(temperature - upper, 0), 0)


series = st.lists(st.tuples(st.integers(1, 900), degrees), min_size=2, max_size=30).map(
    lambda steps: (np.cumsum([gap for gap, _ in steps]).astype(float).tolist(), [value for _, value in steps])
)


@given(series, thresholds, cutoffs)
def test_integration_agrees_with_brute_force(readings, limits, cutoff):
    """Irregular readings, any cut-off: the same as summing the rate over a fine grid, within the grid's error."""
    times, temperatures = readings
    grid = np.linspace(times[0], times[-1], 40_001)
    middles = (grid[1:] + grid[:-1]) / 2
    brute = np.mean(rate(np.interp(middles, times, temperatures), *limits, cutoff)) * (times[-1] - times[0]) / DAY_S
    cell = grid[1] - grid[0]
    jump = (limits[1] - limits[0]) * len(times) * cell if cutoff is Cutoff.VERTICAL else 0.0
    bend = 3 * len(times) * np.max(np.abs(np.diff(temperatures) / np.diff(times))) * cell**2 / 4
    error = (jump + bend) / DAY_S  # of a cell with a threshold or a reading in it; elsewhere the middle is exact
    assert integrate(times, temperatures, *limits, cutoff).degree_days == pytest.approx(brute, abs=error + 1e-9)


@given(series, thresholds, cutoffs, st.data())
def test_adjacent_spans_add_up(readings, limits, cutoff, data):
    """Splitting at a shared reading, or anywhere by `integrate_between`, changes neither sum nor coverage."""
    times, temperatures = readings
    whole = integrate(times, temperatures, *limits, cutoff)
    at = data.draw(st.integers(0, len(times) - 1))
    parts = integrate(times[: at + 1], temperatures[: at + 1], *limits, cutoff).plus(
        integrate(times[at:], temperatures[at:], *limits, cutoff)
    )
    assert parts == pytest.approx(whole, abs=1e-9)
    edge = data.draw(st.floats(times[0], times[-1]))
    parts = integrate_between(times, temperatures, times[0], edge, *limits, cutoff).plus(
        integrate_between(times, temperatures, edge, times[-1], *limits, cutoff)
    )
    assert parts == pytest.approx(whole, abs=1e-7)


@given(series, thresholds, cutoffs, st.floats(-5000, 40_000), st.floats(0, 40_000), st.sampled_from([300.0, 3600.0]))
def test_measured_bridged_and_missing_make_up_the_span(readings, limits, cutoff, start, length, bridge):
    """No second of a span is counted twice or lost, wherever it lies to the readings."""
    tally = integrate_between(*readings, start, start + length, *limits, cutoff, bridge, measured_limit_s=120)
    assert tally.measured_s + tally.bridged_s + tally.missing_s == pytest.approx(length, abs=1e-6)
    assert tally.degree_days >= 0


@given(series, thresholds, st.floats(0, 10))
def test_warmer_readings_never_give_less(readings, limits, warmer):
    """Monotone in temperature, with the horizontal cut-off."""
    times, temperatures = readings
    hotter = [value + warmer for value in temperatures]
    assert integrate(times, hotter, *limits).degree_days >= integrate(times, temperatures, *limits).degree_days - 1e-9


@given(series, thresholds)
def test_integrated_vertical_and_intermediate_never_exceed_horizontal(readings, limits):
    """The order of the cut-offs holds for readings as for days."""
    none, horizontal, intermediate, vertical = (integrate(*readings, *limits, c).degree_days for c in CUTOFFS)
    assert max(vertical, intermediate) <= horizontal + 1e-9 <= none + 2e-9


@pytest.mark.parametrize("cutoff", CUTOFFS)
@pytest.mark.parametrize(("low", "high"), [(5, 10), (8, 30), (15, 28), (10, 40), (20, 45), (34, 41), (22, 22)])
def test_integration_converges_to_the_closed_forms(low, high, cutoff):
    """Readings of a sine and of a triangle, ever closer, come ever nearer the closed forms; by minutes within 0.002."""
    errors = []
    for step in (3600, 600, 60):
        times = np.arange(0, DAY_S + 1, step)
        sine = (low + high) / 2 - (high - low) / 2 * np.cos(2 * np.pi * times / DAY_S)
        ours = integrate(times.tolist(), sine.tolist(), 11.5, 33.0, cutoff).degree_days
        errors.append(abs(ours - single_sine(low, high, 11.5, 33.0, cutoff)))
    assert errors[2] < 0.002
    assert errors[2] <= errors[0] + 1e-9
    triangle = integrate([0, DAY_S / 2, DAY_S], [low, high, low], 11.5, 33.0, cutoff, DAY_S).degree_days
    assert triangle == pytest.approx(single_triangle(low, high, 11.5, 33.0, cutoff), abs=1e-9)


def test_steps_are_measured_bridged_or_missing_by_their_length():
    """Up to 15 minutes is measured, up to the bridging limit bridged on a straight line, beyond that nothing is counted."""
    times = [0.0, 900.0, 1801.0, 5401.0, 9002.0]
    tally = integrate(times, [21.5] * 5, 11.5, 33.0)
    assert tally[1:] == (900.0, 901.0 + 3600.0, 3601.0)
    assert tally.degree_days == pytest.approx(10 * 5401 / DAY_S)


def test_an_hour_is_integrated_with_the_readings_just_outside_it():
    """At the hour's edges the temperature is read off the line to the neighbour outside; without one it is missing."""
    times, temperatures = [-300.0, 300.0, 3500.0, 3700.0], [10.0, 20.0, 20.0, 30.0]
    tally = integrate_between(times, temperatures, 0.0, 3600.0, 10.0, None)
    assert tally.degree_days * DAY_S == pytest.approx((5 + 10) / 2 * 300 + 10 * 3200 + (10 + 15) / 2 * 100)
    assert tally[1:] == (400.0, 3200.0, 0.0)
    assert integrate_between(times[1:3], temperatures[1:3], 0.0, 3600.0, 10.0, None).missing_s == 400.0


def test_too_few_readings_are_missing_not_cool():
    """No reading, or one, measures nothing: the span is missing in full."""
    assert integrate([], [], 11.5, 33.0) == Tally(0, 0, 0, 0)
    assert integrate_between([], [], 0, 3600, 11.5, 33.0) == Tally(0, 0, 0, 3600)
    assert integrate_between([1800.0], [25.0], 0, 3600, 11.5, 33.0) == Tally(0, 0, 0, 3600)
    assert integrate_between([0.0, 60.0], [25.0, 25.0], 7200, 10_800, 11.5, 33.0) == Tally(0, 0, 0, 3600)


def test_equal_times_are_allowed():
    """Two readings of one instant (two probes merged) make a step of no length, not a division by zero."""
    assert integrate([0, 60, 60, 120], [20, 20, 30, 30], 10, None).degree_days * DAY_S == pytest.approx(600 + 1200)


def test_a_day_of_minute_readings_costs_little_more_than_adding_it_up():
    """1441 readings cost at most 20 times a bare trapezium sum over them in the same run (measured: about 6)."""
    times = [60.0 * index for index in range(1441)]
    temperatures = [22 + 12 * math.sin(index / 230) for index in range(1441)]

    def bare():
        total = 0.0
        for (t1, c1), (t2, c2) in pairwise(zip(times, temperatures, strict=True)):
            total += (c1 + c2) / 2 * (t2 - t1)
        return total

    def fastest(work):
        durations = []
        for _ in range(9):
            began = time.perf_counter()
            work()
            durations.append(time.perf_counter() - began)
        return min(durations)

    assert fastest(lambda: integrate(times, temperatures, 11.5, 33.0)) < 20 * fastest(bare)


# --- a year of real weather -----------------------------------------------------------------------------------------------

# Greensboro NC, typical meteorological year 723170TYA (National Solar Radiation Database, TMY3), shipped with pvlib.
# Lower 11.5, upper 33 °C, horizontal. Estimates from daily extremes less the integral of hourly values: over the year
# [°C·d and %], and the root mean square of a single day [°C·d]. Not a published figure: what we measured, held steady.
YEAR_DIFFERENCES = [
    (Method.SIMPLE_AVERAGE, -80.95, -3.81, 0.89),
    (Method.MODIFIED_AVERAGE, 165.65, 7.80, 0.84),
    (Method.SINGLE_TRIANGLE, 7.57, 0.36, 0.57),
    (Method.DOUBLE_TRIANGLE, 7.15, 0.34, 0.60),
    (Method.SINGLE_SINE, 48.31, 2.27, 0.53),
    (Method.DOUBLE_SINE, 48.04, 2.26, 0.58),
]


@pytest.fixture(scope="module")
def greensboro() -> list[float]:
    """8760 hourly air temperatures [°C]."""
    import pvlib

    frame, _ = pvlib.iotools.read_tmy3(Path(pvlib.__file__).parent / "data" / "723170TYA.CSV", map_variables=True)
    return frame["temp_air"].tolist()


@pytest.mark.outside
@pytest.mark.parametrize(("method", "difference", "percent", "daily"), YEAR_DIFFERENCES)
def test_estimates_against_the_integral_over_a_typical_year(greensboro, method, difference, percent, daily):
    """How far each estimate from extremes lies from the integral: triangles 0.4 %, sines 2.3 %, averages 4 and 8 %."""
    times = [3600.0 * hour for hour in range(len(greensboro))]
    by_day = [greensboro[hour : hour + 24] for hour in range(0, len(greensboro), 24)]
    following = [min(min(later), max(day)) for day, later in zip(by_day, by_day[1:] + by_day[-1:], strict=True)]
    estimated = [
        estimate(method, min(day), max(day), after, 11.5, 33.0) for day, after in zip(by_day, following, strict=True)
    ]
    exact = [
        integrate_between(times, greensboro, DAY_S * day, min(DAY_S * (day + 1), times[-1]), 11.5, 33.0).degree_days
        for day in range(365)
    ]
    whole = integrate(times, greensboro, 11.5, 33.0).degree_days
    assert whole == pytest.approx(2124.55, abs=0.01)
    assert sum(exact) == pytest.approx(whole, abs=1e-6)
    assert sum(estimated) - whole == pytest.approx(difference, abs=0.006)
    assert (sum(estimated) / whole - 1) * 100 == pytest.approx(percent, abs=0.006)
    errors = np.subtract(estimated, exact)
    assert np.sqrt(np.mean(errors**2)) == pytest.approx(daily, abs=0.005)
    assert np.max(np.abs(errors)) < 3.2
