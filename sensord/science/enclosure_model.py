"""How one enclosure warms: its offset from ambient as a function of sun and wind, learnt from its own history.

Steady state, after the heat balance of a ventilated box: the sun's gain over a loss that grows with wind,

    offset = base + gain · irradiance / (1 + wind / half_wind)

with a gain of its own for the morning's (eastern) and the afternoon's (western) sun, because trees and walls shade one
side. The offset follows with one time constant. No published measurement of a small mesh enclosure in sun was found, so
nothing is assumed but a wide prior. Half-wind and time constant are searched on a grid; base and gains are fitted
robustly, so that a door left open or a hand on the probe does not bend them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from statistics import median
from typing import NamedTuple

from sensord.science.robust import Robust, fit_linear, huber_loss

BIN_S = 900.0
"""History is taken by this long: closer readings say the same thing again."""

MOST_BINS = 960
"""Ten days: the sun's path over an enclosure changes with the season."""

FEWEST_BINS = 16
FEWEST_SUNNY_BINS = 6
SUNNY_KW_M2 = 0.15
"""A gain is known only where its side has seen this many bins of at least this much sun (chosen)."""

HALF_WINDS_M_S = (math.inf, 8.0, 4.0, 2.0, 1.0, 0.5)
TIME_CONSTANTS_S = (0.0, 600.0, 1200.0, 2400.0, 4800.0)
WORTHWHILE = 0.98
"""A wind effect or a time constant must lower the loss to this share of the simpler model's (chosen)."""

PRIOR_SDS_C = (2.0, 15.0, 15.0)
"""Priors around 0: the offset without sun (chosen; [Woodford1973] found nights slightly warmer), and the gains in
1000 W/m², as wide as what paper bags reached [Gitz2015]."""

FLOOR_C = 0.15
"""No fit is believed closer than this (chosen; two [DS18B20] may differ by 0.5 °C, one pair steadily so)."""

SIGMA_OF_P90 = 1.2816


class Sample(NamedTuple):
    """What was seen at one instant."""

    time_s: float
    offset_c: float  # inside less ambient
    irradiance_w_m2: float  # on a horizontal surface; measured, or of a clear sky
    sun_azimuth_deg: float  # clockwise from north: below 180 the sun is in the east
    wind_speed_m_s: float | None = None  # mean; None where there is no gauge


class Fit(NamedTuple):
    """An enclosure's parameters, numbers only, so that they can be stored as a series."""

    base_c: float  # offset without sun
    east_gain_c: float  # offset in calm air per 1000 W/m² of morning sun
    west_gain_c: float  # and of afternoon sun
    half_wind_m_s: float  # wind that halves the gain; infinite where wind shows no effect or was not measured
    time_constant_s: float
    residual_c: float  # spread of what the model does not explain, one standard deviation
    base_sd_c: float
    east_gain_sd_c: float
    west_gain_sd_c: float
    east_bins: int  # quarter hours of sun in the east
    west_bins: int
    bins: int


class TooLittle(NamedTuple):
    """No fit, and what is lacking."""

    why: str


class Prediction(NamedTuple):
    """An offset to expect, P10 and P90 [°C]."""

    offset_c: float
    p10_c: float
    p90_c: float


class _Bin(NamedTuple):
    time_s: float
    offset_c: float
    east_kw_m2: float
    west_kw_m2: float
    wind_m_s: float | None


_Sun = tuple[float, float]  # eastern and western irradiance after wind and time constant [kW/m²]


def fit(samples: Sequence[Sample]) -> Fit | TooLittle:
    """Learn an enclosure's parameters from its history.

    Args:
        samples: ascending in time, of any spacing; quarter hours are formed, and the newest 960 used.

    Returns:
        the fit, or what is lacking: at least 16 quarter hours, 6 of them with sun on one side.

    Raises:
        ValueError: for times that go back, irradiance or wind below 0, values that are not finite.

    Source: [Huber1964] for the estimate; the heat balance at the head is our own
    """
    bins = _bins(samples)[-MOST_BINS:]
    east = sum(row.east_kw_m2 >= SUNNY_KW_M2 for row in bins)
    west = sum(row.west_kw_m2 >= SUNNY_KW_M2 for row in bins)
    if len(bins) < FEWEST_BINS:
        return TooLittle(f"{len(bins)} quarter hours of history; {FEWEST_BINS} are needed")
    if max(east, west) < FEWEST_SUNNY_BINS:
        return TooLittle(f"{max(east, west)} quarter hours with sun; {FEWEST_SUNNY_BINS} are needed")
    half_winds = HALF_WINDS_M_S if all(row.wind_m_s is not None for row in bins) else HALF_WINDS_M_S[:1]
    found = _solve(bins, math.inf, 0.0)
    spread, half_wind, time_constant = found.spread, math.inf, 0.0
    least = huber_loss(found.residuals, spread) * WORTHWHILE
    for candidate_wind in half_winds:
        for candidate_time in TIME_CONSTANTS_S:
            candidate = _solve(bins, candidate_wind, candidate_time)
            loss = huber_loss(candidate.residuals, spread)
            if loss < least:
                found, least, half_wind, time_constant = candidate, loss, candidate_wind, candidate_time
    base_sd, east_sd, west_sd = (math.sqrt(found.covariance[i][i]) for i in range(3))
    base, east_gain, west_gain = found.parameters
    return Fit(
        base,
        east_gain,
        west_gain,
        half_wind,
        time_constant,
        found.spread,
        base_sd,
        east_sd,
        west_sd,
        east,
        west,
        len(bins),
    )


def predict(
    fitted: Fit, irradiance_w_m2: float, sun_azimuth_deg: float, wind_speed_m_s: float | None = None
) -> Prediction | None:
    """The steady offset to expect; None where that side's sun has not been seen enough.

    Where wind matters to the fit but is not given, calm is assumed: the hottest case.

    Args:
        fitted: of this enclosure.
        irradiance_w_m2: on a horizontal surface, measured or clear-sky as for the fit [W/m²].
        sun_azimuth_deg: clockwise from north [°].
        wind_speed_m_s: mean, or None [m/s].

    Source: none; the heat balance at the head is our own
    """
    return predict_course(fitted, [Sample(0.0, 0.0, irradiance_w_m2, sun_azimuth_deg, wind_speed_m_s)])[0]


def predict_course(fitted: Fit, course: Sequence[Sample]) -> list[Prediction | None]:
    """Offsets to expect along a course, following with the time constant, from the steady state of its first instant.

    Args:
        fitted: of this enclosure.
        course: ascending in time; its offsets are not looked at.

    Source: none; the heat balance at the head is our own
    """
    _check(course)
    suns = [_sun(sample) for sample in course]
    winds = [sample.wind_speed_m_s for sample in course]
    times = [sample.time_s for sample in course]
    followed = _follow(times, suns, winds, fitted.half_wind_m_s, fitted.time_constant_s)
    return [
        None if _unseen(fitted, sun) else _predicted(fitted, state) for sun, state in zip(suns, followed, strict=True)
    ]


def _unseen(fitted: Fit, sun: _Sun) -> bool:
    east, west = sun
    return (east > 0 and fitted.east_bins < FEWEST_SUNNY_BINS) or (west > 0 and fitted.west_bins < FEWEST_SUNNY_BINS)


def _predicted(fitted: Fit, sun: _Sun) -> Prediction:
    east, west = sun
    offset = fitted.base_c + fitted.east_gain_c * east + fitted.west_gain_c * west
    variance = fitted.residual_c**2 + fitted.base_sd_c**2
    variance += (fitted.east_gain_sd_c * east) ** 2 + (fitted.west_gain_sd_c * west) ** 2
    reach = SIGMA_OF_P90 * math.sqrt(variance)
    return Prediction(offset, offset - reach, offset + reach)


def _check(samples: Sequence[Sample]) -> None:
    before_s = -math.inf
    for sample in samples:
        wind = 0.0 if sample.wind_speed_m_s is None else sample.wind_speed_m_s
        if not all(map(math.isfinite, (*sample[:4], wind))):
            raise ValueError(f"a sample of an enclosure is not finite: {sample}")
        if sample.irradiance_w_m2 < 0 or wind < 0:
            raise ValueError(f"irradiance and wind speed can't be negative: {sample}")
        if sample.time_s < before_s:
            raise ValueError("the samples of an enclosure must ascend in time")
        before_s = sample.time_s


def _sun(sample: Sample) -> _Sun:
    kw_m2 = sample.irradiance_w_m2 / 1000
    return (kw_m2, 0.0) if sample.sun_azimuth_deg % 360 < 180 else (0.0, kw_m2)


def _bins(samples: Sequence[Sample]) -> list[_Bin]:
    """Quarter hours: mean sun and wind, median offset (a hand on the probe for a minute does not count)."""
    _check(samples)
    groups: dict[int, list[Sample]] = {}
    for sample in samples:
        groups.setdefault(int(sample.time_s // BIN_S), []).append(sample)
    bins = []
    for number, group in groups.items():
        suns = [_sun(sample) for sample in group]
        winds = [sample.wind_speed_m_s for sample in group if sample.wind_speed_m_s is not None]
        bins.append(
            _Bin(
                (number + 0.5) * BIN_S,
                median(sample.offset_c for sample in group),
                sum(east for east, _ in suns) / len(suns),
                sum(west for _, west in suns) / len(suns),
                sum(winds) / len(winds) if winds else None,
            )
        )
    return bins


def _solve(bins: Sequence[_Bin], half_wind_m_s: float, time_constant_s: float) -> Robust:
    suns = [(row.east_kw_m2, row.west_kw_m2) for row in bins]
    winds = [row.wind_m_s for row in bins]
    followed = _follow([row.time_s for row in bins], suns, winds, half_wind_m_s, time_constant_s)
    rows = [(1.0, east, west) for east, west in followed]
    return fit_linear(rows, [row.offset_c for row in bins], PRIOR_SDS_C, FLOOR_C)


def _follow(
    times_s: Sequence[float],
    suns: Sequence[_Sun],
    winds_m_s: Sequence[float | None],
    half_wind_m_s: float,
    time_constant_s: float,
) -> list[_Sun]:
    """Sun damped by wind, followed with a time constant; a gap of more than an hour starts afresh."""
    states: list[_Sun] = []
    for index, ((east, west), wind) in enumerate(zip(suns, winds_m_s, strict=True)):
        damping = 1.0 / (1.0 + (wind or 0.0) / half_wind_m_s)
        east, west = east * damping, west * damping
        duration_s = times_s[index] - times_s[index - 1] if index else math.inf
        if time_constant_s > 0 and duration_s <= 3600:
            share = 1.0 - math.exp(-duration_s / time_constant_s)
            east_before, west_before = states[-1]
            east, west = east_before + share * (east - east_before), west_before + share * (west - west_before)
        states.append((east, west))
    return states
