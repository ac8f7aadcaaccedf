"""An enclosure's own physics: what was put into a made-up history must come out, with an honest uncertainty."""

from __future__ import annotations

import math
import random
from functools import cache
from statistics import NormalDist

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sensord.science.enclosure_model import Fit, Sample, TooLittle, fit, predict, predict_course


def history(
    days: float,
    base: float = 0.3,
    east: float = 4.0,
    west: float = 9.0,
    half_wind: float = 2.0,
    time_constant: float = 1200.0,
    noise: float = 0.3,
    outliers: float = 0.0,
    gauge: bool = True,
    seed: int = 1,
) -> list[Sample]:
    """Five-minute samples of an enclosure that obeys the model, with clouds, wind, noise and gross errors."""
    dice = random.Random(seed)
    samples, state = [], None
    for index in range(int(days * 288)):
        at = 300.0 * index
        hour = at % 86400 / 3600
        cloud = 1.0 if int(at // 7200) * 7919 % 10 < 7 else 0.4
        irradiance = max(0.0, 900 * math.sin(math.pi * (hour - 6) / 12)) * cloud
        azimuth = (90 + (hour - 6) * 15) % 360
        wind = 1.5 + 1.2 * math.sin(index / 37) + dice.random() * 0.5
        target = (east if azimuth < 180 else west) * irradiance / 1000 / (1 + wind / half_wind)
        share = 1 - math.exp(-300 / time_constant) if time_constant else 1.0
        state = target if state is None else state + share * (target - state)
        offset = base + state + dice.gauss(0, noise)
        if dice.random() < outliers:
            offset += dice.choice([-10, 15])
        samples.append(Sample(at, offset, irradiance, azimuth, wind if gauge else None))
    return samples


@pytest.mark.parametrize("days", [1, 3, 8])
@pytest.mark.parametrize("outliers", [0.0, 0.15])
def test_parameters_that_were_put_in_come_out(days, outliers):
    """From one day on, with 15 % gross errors or none, gains are met within 12 %, wind and lag on their grid."""
    found = fit(history(days, outliers=outliers))
    assert isinstance(found, Fit)
    assert found.base_c == pytest.approx(0.3, abs=0.1)
    assert found.east_gain_c == pytest.approx(4.0, rel=0.12)
    assert found.west_gain_c == pytest.approx(9.0, rel=0.12)
    assert found.half_wind_m_s == 2.0
    assert found.time_constant_s in (600.0, 1200.0, 2400.0)
    assert found.residual_c < 0.35


def test_uncertainty_shrinks_with_history_and_covers_the_truth():
    """Ten days are surer than one; over many seeds the truth lies within three standard deviations of the gain."""
    short, long = fit(history(1)), fit(history(10))
    assert long.west_gain_sd_c < short.west_gain_sd_c
    missed = 0
    for seed in range(20):
        found = fit(history(2, time_constant=0.0, seed=seed))
        missed += abs(found.west_gain_c - 9.0) > 3 * found.west_gain_sd_c
    assert missed <= 2


def test_the_band_holds_eight_of_ten():
    """On days it has not seen, about 80 % of quarter-hour offsets lie between P10 and P90: here 70–95 %."""
    samples = history(6)
    learnt, new = samples[: 288 * 4], samples[288 * 4 :]
    predictions = predict_course(fit(learnt), new)
    quarters = [
        (np.median([s.offset_c for s in new[i : i + 3]]), predictions[i + 1]) for i in range(0, len(new) - 3, 3)
    ]
    inside = np.mean([p.p10_c <= offset <= p.p90_c for offset, p in quarters])
    assert 0.7 <= inside <= 0.95


def test_too_little_history_is_unknown_and_says_what_lacks():
    """Some minutes, or a night, are no ground for a fit; nor is a morning for the afternoon."""
    assert "quarter hours of history; 16 are needed" in fit(history(0.05)).why
    night = [sample for sample in history(2) if sample.irradiance_w_m2 == 0]
    assert "quarter hours with sun; 6 are needed" in fit(night).why
    assert isinstance(fit([]), TooLittle)
    morning = fit(history(0.5))
    assert predict(morning, 800, 120, 1.0) is not None
    assert predict(morning, 800, 240, 1.0) is None
    assert predict(morning, 0, 240, 1.0).offset_c == pytest.approx(0.3, abs=0.15)


def test_without_a_gauge_the_gain_holds_for_the_usual_wind():
    """No wind data: no wind effect is claimed, and the gain is that of the wind it stood in, near 9 / (1 + 1.75 / 2)."""
    found = fit(history(4, gauge=False))
    assert math.isinf(found.half_wind_m_s)
    assert found.west_gain_c == pytest.approx(9 / (1 + 1.75 / 2), rel=0.15)


@settings(max_examples=25, deadline=None)
@given(st.floats(0, 1100), st.floats(0, 12), st.floats(0, 300), st.floats(0, 5))
def test_more_sun_and_less_wind_never_cool(irradiance, wind, more_sun, less_wind):
    """Monotone where gains are positive; without a wind value calm is assumed, the hottest case."""
    here = predict(fitted(), irradiance, 200, wind)
    assert predict(fitted(), irradiance + more_sun, 200, wind).offset_c >= here.offset_c - 1e-9
    assert predict(fitted(), irradiance, 200, max(0, wind - less_wind)).offset_c >= here.offset_c - 1e-9
    assert predict(fitted(), irradiance, 200).offset_c >= here.offset_c - 1e-9
    assert here.p10_c < here.offset_c < here.p90_c


@cache
def fitted() -> Fit:
    """Of three days, asked for by several."""
    found = fit(history(3))
    assert isinstance(found, Fit)
    return found


def test_a_course_follows_with_the_time_constant():
    """When the sun comes out, 63 % of the way is done after one time constant, and a gap starts afresh."""
    lagging = fitted()._replace(time_constant_s=1200.0, base_c=0.0)
    dark, sun = Sample(0, 0, 0, 200, 0.0), [Sample(600.0 * i, 0, 800, 200, 0.0) for i in (1, 2)]
    course = predict_course(lagging, [dark, *sun])
    steady = predict(lagging, 800, 200, 0.0).offset_c
    assert course[0].offset_c == 0
    assert course[2].offset_c == pytest.approx(steady * (1 - math.exp(-1)))
    gap = predict_course(lagging, [dark, Sample(7200, 0, 800, 200, 0.0)])
    assert gap[1].offset_c == pytest.approx(steady)


def test_the_prior_keeps_a_shaded_side_near_nothing():
    """A side that saw no sun has a gain of about 0 with the prior's width, not a wild number."""
    found = fit(history(0.5))
    assert found.west_gain_c == pytest.approx(0, abs=0.1)
    assert found.west_gain_sd_c > 10


@pytest.mark.parametrize("half_wind", [0.5, 1.0, 2.0, 4.0, 8.0, math.inf])
def test_each_effect_of_wind_is_told_from_the_others(half_wind):
    """From one day without noise: the wind that halves the gain, or that it does nothing."""
    found = fit(history(1, half_wind=half_wind, time_constant=0.0, noise=0.0))
    assert (found.half_wind_m_s, found.time_constant_s) == (half_wind, 0.0)
    assert found.west_gain_c == pytest.approx(9.0, rel=0.05)


@pytest.mark.parametrize("time_constant", [600.0, 1200.0, 2400.0, 4800.0])
def test_each_time_constant_is_told_from_the_others(time_constant):
    """From one day without noise and wind: ten minutes to eighty."""
    found = fit(history(1, half_wind=math.inf, time_constant=time_constant, noise=0.0))
    assert (found.half_wind_m_s, found.time_constant_s) == (math.inf, time_constant)


QUARTER_S = 900.0


def quarters(sunny: int, dull: int = 0, azimuth: float = 90.0, irradiance: float = 500.0) -> list[Sample]:
    """Quarter hours, first with sun; the offset is 3 K and one twentieth more or less by turns."""
    return [
        Sample(QUARTER_S * i, 3.0 + 0.05 * (-1) ** i, irradiance if i < sunny else 0.0, azimuth, None)
        for i in range(sunny + dull)
    ]


def test_sixteen_quarter_hours_with_six_of_sun_are_enough():
    """One fewer of either is not, and says so; sun is 150 W/m² on its side, and only the newest ten days count."""
    found = fit(quarters(6, 10))
    assert (found.bins, found.east_bins, found.west_bins) == (16, 6, 0)
    assert fit(quarters(6, 10, azimuth=180.0)).west_bins == 6
    assert fit(quarters(6, 9)) == TooLittle("15 quarter hours of history; 16 are needed")
    assert fit(quarters(5, 11)) == TooLittle("5 quarter hours with sun; 6 are needed")
    assert fit(quarters(6, 10, irradiance=150.0)).east_bins == 6
    assert fit(quarters(6, 10, irradiance=149.0)) == TooLittle("0 quarter hours with sun; 6 are needed")
    assert fit(quarters(960)).bins == fit(quarters(961)).bins == 960


def test_a_quarter_hour_is_the_mean_of_sun_and_wind_and_the_median_of_the_offset():
    """A hand on the probe for a minute counts for nothing; readings of one instant are taken as they are."""
    plain, touched = [], []
    for i in range(20):
        east, at = (800.0 if i % 2 else 0.0), QUARTER_S * i
        plain.append(Sample(at, 1 + 5 * east / 1000, east, 90.0, 1.0))
        touched += [Sample(at, 1 + 5 * east / 1000, east - 300 * (east > 0), 90.0, 0.5)] * 2
        touched += [Sample(at + 60, 30.0, east, 90.0, 2.0), Sample(at + 899, 1 + 5 * east / 1000, east, 90.0, None)]
        touched += [Sample(at + 899, 1 + 5 * east / 1000, east + 600 * (east > 0), 90.0, 1.0)]
    assert fit(touched) == pytest.approx(fit(plain))


@pytest.mark.outside
@pytest.mark.parametrize(("azimuth", "side"), [(0.0, 1), (179.9, 1), (180.0, 2), (359.9, 2), (360.0, 1)])
def test_a_fit_is_the_ridge_estimate_of_numpy(azimuth, side):
    """(XᵀX + (s/σ)²)⁻¹, with priors of 2 K for the base and 15 K for each gain, and a spread of 0.15 K at least.

    Source: linear algebra, by numpy; the priors and the floor are those that the module's head tells.
    """
    samples = quarters(12, 8, azimuth)
    rows = np.zeros((20, 3))
    rows[:, 0], rows[:12, side] = 1.0, 0.5
    inverse = np.linalg.inv(rows.T @ rows + np.diag([(0.15 / sd) ** 2 for sd in (2.0, 15.0, 15.0)]))
    found = fit(samples)
    assert found[:3] == pytest.approx(inverse @ rows.T @ [s.offset_c for s in samples], abs=1e-9)
    assert (found.half_wind_m_s, found.time_constant_s, found.residual_c) == (math.inf, 0.0, 0.15)
    assert found[6:9] == pytest.approx(0.15 * np.sqrt(np.diag(inverse)), rel=1e-9)


BY_HAND = Fit(1.0, 10.0, 20.0, 2.0, 0.0, 0.3, 0.4, 1.0, 2.0, 6, 6, 16)


@pytest.mark.outside
@pytest.mark.parametrize(
    ("azimuth", "wind", "offset", "variance"),
    [
        (90.0, 2.0, 3.5, 0.3125),
        (90.0, 0.0, 6.0, 0.5),
        (90.0, None, 6.0, 0.5),
        (270.0, 2.0, 6.0, 0.5),
        (270.0, 6.0, 3.5, 0.3125),
    ],
)
def test_a_prediction_worked_by_hand(azimuth, wind, offset, variance):
    """500 W/m² on one side: base + gain · sun / (1 + wind / half wind); P10 and P90 by the normal distribution's quantile.

    Source: the balance at the module's head, on paper; the quantile by the standard library.
    """
    found = predict(BY_HAND, 500.0, azimuth, wind)
    reach = NormalDist().inv_cdf(0.9) * math.sqrt(variance)
    assert found == pytest.approx((offset, offset - reach, offset + reach), abs=1e-4)


def test_a_side_is_unknown_with_fewer_than_six_quarter_hours_of_its_sun():
    """Only where its sun shines: at night, and by the other's sun, it does not matter."""
    for azimuth, known, unknown in (
        (90.0, {"west_bins": 5}, {"east_bins": 5}),
        (270.0, {"east_bins": 5}, {"west_bins": 5}),
    ):
        assert predict(BY_HAND._replace(**known), 500.0, azimuth, 2.0) is not None
        assert predict(BY_HAND._replace(**unknown), 500.0, azimuth, 2.0) is None
        assert predict(BY_HAND._replace(**unknown), 0.0, azimuth, 2.0) is not None


def test_a_gap_of_more_than_an_hour_starts_afresh():
    """An hour to the second is still followed, on either side of the sun."""
    lagging = BY_HAND._replace(base_c=0.0, time_constant_s=3600.0)
    for azimuth, steady in ((90.0, 5.0), (270.0, 10.0)):
        dark, bright = Sample(0, 0, 0, azimuth, 0.0), Sample(3600.0, 0, 500, azimuth, 0.0)
        assert predict_course(lagging, [dark, bright])[1].offset_c == pytest.approx(steady * (1 - math.exp(-1)))
        assert predict_course(lagging, [dark, bright._replace(time_s=3601.0)])[1].offset_c == pytest.approx(steady)
        back = predict_course(lagging, [bright, bright._replace(time_s=7200.0, irradiance_w_m2=0.0)])
        assert back[1].offset_c == pytest.approx(steady * math.exp(-1))


@pytest.mark.parametrize(
    ("samples", "words"),
    [
        ([Sample(0, math.nan, 0, 0)], "not finite"),
        ([Sample(0, 1, -5, 0)], "negative"),
        ([Sample(0, 1, 5, 0, -1.0)], "negative"),
        ([Sample(0, 1, 5, 0, math.inf)], "not finite"),
        ([Sample(math.inf, 1, 5, 0)], "not finite"),
        ([Sample(60, 1, 5, 0), Sample(0, 1, 5, 0)], "ascend"),
    ],
)
def test_samples_that_cannot_be_are_refused(samples, words):
    """Values that are not finite, negative sun or wind, and times that go back raise ValueError."""
    with pytest.raises(ValueError, match=words):
        fit(samples)


def test_a_fit_is_made_of_numbers_only():
    """It can be stored as a series and read back as it was."""
    assert all(isinstance(value, (int, float)) for value in fitted())
    assert Fit(*fitted()) == fitted()
