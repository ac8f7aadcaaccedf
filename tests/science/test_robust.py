"""Robust least squares against numpy's ordinary and scipy's Huber fits."""

from __future__ import annotations

import random
from statistics import NormalDist

import numpy as np
import pytest
import scipy.optimize
from hypothesis import given, settings
from hypothesis import strategies as st

from sensord.science.robust import fit_linear, huber_loss


def test_least_squares_would_have_been_bent():
    """The gross errors that the fit shrugs off move an ordinary least-squares fit (numpy) of the same rows."""
    dice = random.Random(3)
    rows = [(1.0, index / 50) for index in range(50)]
    values = [1 + 5 * x + dice.gauss(0, 0.1) + (20 if index > 43 else 0) for index, (_, x) in enumerate(rows)]
    ordinary = np.linalg.lstsq(np.array(rows), np.array(values), rcond=None)[0]
    robust = fit_linear(rows, values, (100.0, 100.0), 0.05)
    assert abs(ordinary[1] - 5) > 5
    assert robust.parameters[1] == pytest.approx(5, abs=0.6)


@pytest.mark.outside
@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10_000), st.floats(0, 0.2))
def test_the_robust_fit_is_the_one_that_scipy_finds(seed, outliers):
    """scipy.optimize.least_squares with Huber loss of the same spread finds the same minimum, to a hundredth of a spread."""
    dice = random.Random(seed)
    rows = [(1.0, dice.random(), dice.random()) for _ in range(80)]
    values = [2 * a - b + 3 * c + dice.gauss(0, 0.5) + 8 * (dice.random() < outliers) for a, b, c in rows]
    ours = fit_linear(rows, values, (1e4, 1e4, 1e4), 1e-6)
    theirs = scipy.optimize.least_squares(
        lambda unknowns: np.array(rows) @ unknowns - values, np.zeros(3), loss="huber", f_scale=1.345 * ours.spread
    )
    assert ours.parameters == pytest.approx(theirs.x, abs=0.01 * ours.spread)


@pytest.mark.outside
@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10_000))
def test_without_outliers_it_is_least_squares_and_says_how_sure(seed):
    """numpy's least squares and (XᵀX)⁻¹ s², where no residual is beyond the spread and neighbours err apart."""
    dice = random.Random(seed)
    rows = np.array([(1.0, dice.random(), dice.random()) for _ in range(40)])
    orthogonal = np.linalg.qr(np.column_stack([rows, [(-1) ** i for i in range(40)]]))[0][:, 3]
    values = rows @ np.array([2.0, -1.0, 3.0]) + orthogonal
    found = fit_linear(rows.tolist(), values.tolist(), (1e6, 1e6, 1e6), 1.0)
    assert found.parameters == pytest.approx(np.linalg.lstsq(rows, values, rcond=None)[0], abs=1e-6)
    assert found.residuals == pytest.approx(orthogonal, abs=1e-6)
    assert found.spread == 1.0
    assert np.array(found.covariance) == pytest.approx(np.linalg.inv(rows.T @ rows), rel=1e-6)


def test_a_prior_pulls_as_a_value_of_its_own_would():
    """Three values of 5 and a prior of 0, all equally sure: 15/4; neighbours that err alike tell less, five times here.

    By hand: variance 10² / 4, residuals all 1.25, so their lag-one correlation is 2/3 and (1 + r)/(1 − r) is 5.
    """
    found = fit_linear([(1.0,)] * 3, [5.0] * 3, (10.0,), 10.0)
    assert found.parameters == pytest.approx([3.75])
    assert found.residuals == pytest.approx([1.25] * 3)
    assert found.covariance[0][0] == pytest.approx(125.0)


@pytest.mark.parametrize(("residuals", "wider"), [([1, -1] * 4, 1), ([1, 1, -1, -1], 5 / 3), ([2.5] * 50, 19)])
def test_neighbours_that_err_alike_make_it_less_sure(residuals, wider):
    """By (1 + r)/(1 − r) of the lag-one correlation, worked by hand; r counts from 0 up to 0.9."""
    found = fit_linear([(0.0,)] * len(residuals), residuals, (1.0,), 1000.0)  # a column of 0 explains nothing
    assert found.residuals == residuals
    assert found.covariance[0][0] == pytest.approx(wider)


@pytest.mark.outside
def test_the_spread_is_that_of_a_normal_distribution():
    """Half of a normal distribution lies within 0.6745 standard deviations (its quantile, by the standard library)."""
    found = fit_linear([(1.0,)] * 5, [-3.0, 1.0, 0.0, -1.0, 3.0], (1e6,), 0.1)
    assert found.parameters == pytest.approx([0.0], abs=1e-6)
    assert found.spread == pytest.approx(1 / NormalDist().inv_cdf(0.75), abs=1e-4)


def test_huber_loss_is_square_near_and_straight_far():
    """[Huber1964]: half the square up to k = 1.345 spreads, then straight with slope k."""
    assert huber_loss([1.0], 1.0) == pytest.approx(0.5)
    assert huber_loss([0.5, -0.5, 0.0, 0.0], 1.0) == huber_loss([1.0, -1.0, 0.0, 0.0], 2.0) == pytest.approx(0.0625)
    assert huber_loss([-1.345], 1.0) == pytest.approx(1.345**2 / 2)
    assert huber_loss([10.0], 1.0) == pytest.approx(1.345 * (10 - 1.345 / 2))
    assert huber_loss([10.0], 1.0) - huber_loss([9.0], 1.0) == pytest.approx(1.345)


@pytest.mark.parametrize(
    ("rows", "values"), [([], []), ([(1.0,)], [1.0, 2.0]), ([(1.0,), (1.0, 2.0)], [1.0, 2.0]), ([(1.0, 2.0)], [1.0])]
)
def test_rows_that_do_not_fit_their_values_are_refused(rows, values):
    """None at all, more values than rows, rows of several lengths, more columns than unknowns."""
    with pytest.raises(ValueError, match="can't stand beside"):
        fit_linear(rows, values, (1.0,), 0.1)
