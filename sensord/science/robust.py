"""Least squares that a few wrong values do not bend, for a handful of unknowns and with a prior; pure Python.

Huber's estimate by reweighting: values that lie further than k spreads from the fit count less, the further the less.
The prior (each unknown normal around 0) keeps a fit to few data sane, and fades as data come.
"""

from __future__ import annotations

from collections.abc import Sequence
from operator import mul
from statistics import median
from typing import NamedTuple

HUBER_K = 1.345
ROUNDS = 60
MAD_TO_SD = 1.4826  # of a normal distribution


class Robust(NamedTuple):
    """Unknowns, their covariance, the spread that is left, and what the fit missed of each value."""

    parameters: list[float]
    covariance: list[list[float]]
    spread: float
    residuals: list[float]


def fit_linear(
    rows: Sequence[Sequence[float]], values: Sequence[float], prior_sds: Sequence[float], floor: float
) -> Robust:
    """Fit values ≈ rows · parameters.

    The covariance is widened for values that follow each other closely in time (lag-one correlation of the residuals):
    a thousand readings of one afternoon are not a thousand facts.

    Args:
        rows: one per value, as many numbers as there are unknowns.
        values: to be explained.
        prior_sds: of each unknown around 0, in its own unit.
        floor: the smallest spread that is believed, in the unit of the values.

    Source: [Huber1964] k = 1.345; scale by the median absolute deviation
    """
    n = len(prior_sds)
    if not rows or len(rows) != len(values) or any(len(row) != n for row in rows):
        raise ValueError(f"{len(rows)} rows of {n} unknowns can't stand beside {len(values)} values")
    columns = list(zip(*rows, strict=True))
    products = [[[*map(mul, first, second)] for second in columns] for first in columns]
    weights = [1.0] * len(rows)
    parameters = [0.0] * n
    middle = median(values)
    spread = max(floor, MAD_TO_SD * median([abs(value - middle) for value in values]))
    for _ in range(ROUNDS):
        matrix = [[sum(map(mul, weights, product)) for product in line] for line in products]
        for i, prior_sd in enumerate(prior_sds):
            matrix[i][i] += (spread / prior_sd) ** 2
        weighted = [*map(mul, weights, values)]
        vector = [sum(map(mul, weighted, column)) for column in columns]
        inverse = _invert(matrix)
        before, parameters = parameters, [sum(map(mul, line, vector)) for line in inverse]
        residuals = list(values)
        for parameter, column in zip(parameters, columns, strict=True):
            residuals = [rest - parameter * x for rest, x in zip(residuals, column, strict=True)]
        spread = max(floor, MAD_TO_SD * median(map(abs, residuals)))
        limit = HUBER_K * spread
        weights = [1.0 if abs(residual) <= limit else limit / abs(residual) for residual in residuals]
        if all(abs(new - old) <= 1e-4 * spread for new, old in zip(parameters, before, strict=True)):
            break
    widening = spread**2 * _inflation(residuals, limit)
    covariance = [[value * widening for value in line] for line in inverse]
    return Robust(parameters, covariance, spread, residuals)


def huber_loss(residuals: Sequence[float], spread: float) -> float:
    """Mean loss in spreads: squares near 0, straight beyond k. To compare fits, give all the same spread.

    Args:
        residuals: what a fit missed.
        spread: in the same unit.

    Source: [Huber1964]
    """
    total = 0.0
    for residual in residuals:
        size = abs(residual) / spread
        total += size * size / 2 if size <= HUBER_K else HUBER_K * (size - HUBER_K / 2)
    return total / len(residuals)


def _invert(matrix: Sequence[Sequence[float]]) -> list[list[float]]:
    """Gauss-Jordan; without pivoting, since the prior keeps the matrix positive definite."""
    n = len(matrix)
    work = [[*line, *(float(i == j) for j in range(n))] for i, line in enumerate(matrix)]
    for column in range(n):
        head = work[column][column]
        work[column] = [value / head for value in work[column]]
        for i in range(n):
            if i != column:
                factor = work[i][column]
                work[i] = [value - factor * top for value, top in zip(work[i], work[column], strict=True)]
    return [line[n:] for line in work]


def _inflation(residuals: Sequence[float], limit: float) -> float:
    """How much wider the covariance is for correlation between neighbours: (1 + r) / (1 − r), outliers cut."""
    cut = [max(-limit, min(limit, residual)) for residual in residuals]
    total = sum(value * value for value in cut)
    if total == 0.0:
        return 1.0
    r = max(0.0, min(0.9, float(sum(map(mul, cut, cut[1:]))) / total))
    return (1 + r) / (1 - r)
