"""Robust least squares against numpy's ordinary and scipy's Huber fits."""

from __future__ import annotations

import random

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


def test_huber_loss_is_square_near_and_straight_far():
    """[Huber1964]: half the square up to k = 1.345 spreads, then straight with slope k."""
    assert huber_loss([1.0], 1.0) == pytest.approx(0.5)
    assert huber_loss([10.0], 1.0) - huber_loss([9.0], 1.0) == pytest.approx(1.345)
    with pytest.raises(ValueError, match="can't stand beside"):
        fit_linear([(1.0,)], [1.0, 2.0], (1.0,), 0.1)
