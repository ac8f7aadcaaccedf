"""Water in the air, and how hot it feels to the keeper."""

import math

import psychrolib
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sensord.science.moist_air import (
    CondensationRisk,
    condensation,
    dew_point_c,
    humidity_ratio_kg_kg,
    pinned,
    saturated,
    saturation_pressure_pa,
    vapour_pressure_deficit_pa,
    vapour_pressure_pa,
    wet_bulb_c,
)

psychrolib.SetUnitSystem(psychrolib.SI)


@pytest.mark.outside
@pytest.mark.parametrize(
    ("temperature_c", "pressure_pa"),
    [(-20, 103.24), (-5, 401.74), (5, 872.6), (25, 3169.7), (50, 12351.3), (100, 101418.0)],
)
def test_saturation_pressure_of_the_tables(temperature_c, pressure_pa):
    """[ASHRAE2017] chapter 1 table 3, over ice below zero, within the 300 ppm that the formulas claim."""
    assert saturation_pressure_pa(temperature_c) == pytest.approx(pressure_pa, rel=3e-4)


@pytest.mark.outside
def test_saturation_pressure_of_deep_cold():
    """[ASHRAE2017] chapter 1 table 3 at −60 °C: 1.08 Pa, to its last digit."""
    assert saturation_pressure_pa(-60) == pytest.approx(1.08, abs=0.01)


# hPa over water: Magnus with WMO constants [Sonntag1990], Tetens [FAO56], [Buck1996], [HylandWexler1983].
# Evaluated apart from this code; the constants of the first and third are from memory.
FORMULAS = [
    (0, 6.1120, 6.1080, 6.1121, 6.1115),
    (5, 8.7174, 8.7231, 8.7244, 8.7249),
    (10, 12.2603, 12.2796, 12.2786, 12.2800),
    (15, 17.0167, 17.0535, 17.0517, 17.0545),
    (20, 23.3260, 23.3828, 23.3834, 23.3880),
    (25, 31.6006, 31.6778, 31.6853, 31.6922),
    (30, 42.3372, 42.4307, 42.4513, 42.4603),
    (35, 56.1284, 56.2268, 56.2675, 56.2782),
    (40, 73.6746, 73.7561, 73.8236, 73.8346),
    (50, 123.4516, 123.3676, 123.4940, 123.4986),
]


@pytest.mark.outside
@pytest.mark.parametrize(("temperature_c", "magnus", "tetens", "buck", "hyland_wexler"), FORMULAS)
def test_saturation_pressure_against_four_formulas(temperature_c, magnus, tetens, buck, hyland_wexler):
    """Equal to its own formula to the digits given, and within 0.35 % of the others from 0 to 50 °C."""
    ours_hpa = saturation_pressure_pa(temperature_c) / 100
    assert ours_hpa == pytest.approx(hyland_wexler, abs=0.0003)
    for other_hpa in (magnus, tetens, buck):
        assert ours_hpa == pytest.approx(other_hpa, rel=3.5e-3)


@pytest.mark.outside
@pytest.mark.parametrize(("temperature_c", "pressure_kpa"), [(24.5, 3.075), (15.0, 1.705)])
def test_saturation_pressure_of_the_irrigation_example(temperature_c, pressure_kpa):
    """[FAO56] example 3, values from memory; formulas differ by up to 0.35 %."""
    assert saturation_pressure_pa(temperature_c) / 1000 == pytest.approx(pressure_kpa, rel=3.5e-3)


@pytest.mark.outside
@pytest.mark.parametrize(
    ("temperature_c", "ratio", "tolerance"),
    [
        (-50, 0.0000243, 0.01),
        (-20, 0.0006373, 0.01),
        (-5, 0.0024863, 0.005),
        (5, 0.005425, 0.005),
        (25, 0.020173, 0.005),
        (50, 0.086863, 0.01),
    ],
)
def test_humidity_ratio_of_saturated_air(temperature_c, ratio, tolerance):
    """[ASHRAE2017] chapter 1 table 2, of real gas; tolerances for the ideal gas as in the tests of [Psychrolib]."""
    assert humidity_ratio_kg_kg(temperature_c, 1.0) == pytest.approx(ratio, rel=tolerance)


@pytest.mark.outside
@pytest.mark.parametrize(
    ("temperature_c", "ratio", "wet_bulb"), [(30, 0.0192281274241096, 25.0), (-1, 0.00120399819933844, -5.0)]
)
def test_wet_bulb_above_and_below_freezing(temperature_c, ratio, wet_bulb):
    """At 95,461 Pa, worked in a spreadsheet by the authors of [Psychrolib], who allow 300 ppm of the ratio."""
    vapour_pa = 95_461 * ratio / (0.621945 + ratio)
    humidity = vapour_pa / saturation_pressure_pa(temperature_c)
    assert wet_bulb_c(temperature_c, humidity, 95_461) == pytest.approx(wet_bulb, abs=0.005)


@pytest.mark.outside
def test_the_worked_example_of_moist_air():
    """40 °C with a wet bulb of 20 °C: humidity ratio 0.0065, dew point 7 °C, relative humidity 14 %.

    [ASHRAE2017] chapter 1 example 1, read off a chart; tolerances as in the tests of [Psychrolib].
    """
    humidities = [i / 10_000 for i in range(1000, 2000)]
    humidity = min(humidities, key=lambda rh: abs(wet_bulb_c(40.0, rh) - 20.0))
    assert humidity == pytest.approx(0.14, abs=0.01)
    assert humidity_ratio_kg_kg(40.0, humidity) == pytest.approx(0.0065, abs=0.0001)
    assert dew_point_c(40.0, humidity) == pytest.approx(7.0, abs=0.5)


# °C, relative humidity → dew point (Hyland–Wexler; Magnus), deficit kPa (Tetens), g/m³, wet bulb (psychrolib; Stull).
# Evaluated apart from this code.
DERIVED = [
    (20, 0.5, 9.272, 9.255, 1.1691, 8.644, 13.783, 13.699),
    (25, 0.5, 13.864, 13.852, 1.5839, 11.516, 17.889, 17.998),
    (25, 0.6, 16.701, 16.693, 1.2671, 13.820, 19.471, 19.503),
    (30, 0.4, 14.936, 14.925, 2.5458, 12.140, 20.064, 20.449),
    (30, 0.7, 23.928, 23.927, 1.2729, 21.245, 25.503, 25.596),
    (35, 0.4, 19.385, 19.384, 3.3736, 15.829, 23.934, 24.514),
    (35, 0.6, 26.068, 26.072, 2.2491, 23.744, 28.175, 28.488),
    (40, 0.2, 12.783, 12.780, 5.9005, 10.218, 22.032, 22.704),
    (10, 0.9, 8.437, 8.434, 0.1228, 8.458, 9.157, 8.920),
    (25, 1.0, 25.0, 25.0, 0.0, 23.033, 25.0, 25.046),
]


@pytest.mark.outside
@pytest.mark.parametrize(("temperature_c", "rh", "dew_point", "magnus"), [row[:4] for row in DERIVED])
def test_dew_point(temperature_c, rh, dew_point, magnus):
    """Equal to the inverted formula to the digits given, within 0.02 K of Magnus."""
    assert dew_point_c(temperature_c, rh) == pytest.approx(dew_point, abs=0.0006)
    assert dew_point_c(temperature_c, rh) == pytest.approx(magnus, abs=0.02)


@pytest.mark.outside
@pytest.mark.parametrize(("temperature_c", "rh", "deficit_kpa"), [(*row[:2], row[4]) for row in DERIVED])
def test_vapour_pressure_deficit(temperature_c, rh, deficit_kpa):
    """Within the 0.35 % by which formulas of saturation pressure differ. [FAO56]"""
    assert vapour_pressure_deficit_pa(temperature_c, rh) / 1000 == pytest.approx(deficit_kpa, rel=3.5e-3, abs=1e-9)


@pytest.mark.outside
@pytest.mark.parametrize(("temperature_c", "rh", "exact", "stull"), [(*row[:2], *row[6:]) for row in DERIVED])
def test_wet_bulb(temperature_c, rh, exact, stull):
    """Within psychrolib's own 0.001 K of its wet bulb, and within −1 to +0.65 K of the formula of [Stull2011]."""
    ours = wet_bulb_c(temperature_c, rh)
    assert ours == pytest.approx(exact, abs=0.002)
    assert -1.0 <= stull - ours <= 0.75


@pytest.mark.outside
def test_agreement_with_psychrolib_over_a_grid():
    """Over −30 to 50 °C and 5 to 100 %: pressure and ratio equal to 1e-12, dew point and wet bulb to 0.001 K."""
    pressure, ratio, dew, wet = 0.0, 0.0, 0.0, 0.0
    for temperature_c in range(-30, 51, 2):
        theirs = psychrolib.GetSatVapPres(temperature_c)
        pressure = max(pressure, abs(saturation_pressure_pa(temperature_c) / theirs - 1.0))
        for rh in (0.05, 0.2, 0.4, 0.6, 0.8, 0.95, 1.0):
            theirs = psychrolib.GetHumRatioFromRelHum(temperature_c, rh, 95_000)
            if theirs > 1e-7:  # psychrolib holds drier air at that
                ratio = max(ratio, abs(humidity_ratio_kg_kg(temperature_c, rh, 95_000) / theirs - 1.0))
            theirs = psychrolib.GetTDewPointFromRelHum(temperature_c, rh)
            dew = max(dew, abs(dew_point_c(temperature_c, rh) - theirs))
            theirs = psychrolib.GetTWetBulbFromRelHum(temperature_c, rh, 95_000)
            wet = max(wet, abs(wet_bulb_c(temperature_c, rh, 95_000) - theirs))
    print(f"saturation {pressure:.1e}, ratio {ratio:.1e}, dew point {dew:.1e} K, wet bulb {wet:.1e} K")
    assert pressure < 1e-12
    assert ratio < 1e-9
    assert dew < 0.001
    assert wet < 0.001


TEMPERATURES, HUMIDITIES = st.floats(-30, 50), st.floats(0.01, 1.0)


@given(TEMPERATURES, HUMIDITIES)
def test_dew_point_wet_bulb_and_air_are_in_order(temperature_c, rh):
    """Dew point ≤ wet bulb ≤ air, and the air at its dew point holds exactly its vapour."""
    dew, wet = dew_point_c(temperature_c, rh), wet_bulb_c(temperature_c, rh)
    assert dew <= wet + 1e-5 <= temperature_c + 2e-5
    assert saturation_pressure_pa(dew) == pytest.approx(vapour_pressure_pa(temperature_c, rh), rel=1e-5)


@given(TEMPERATURES, HUMIDITIES, st.floats(0, 10), st.floats(0, 0.5))
def test_monotone(temperature_c, rh, warmer, moister):
    """Warmer air holds more; moister air has the higher dew point and wet bulb and the smaller deficit."""
    more = min(1.0, rh + moister)
    assert saturation_pressure_pa(temperature_c + warmer) >= saturation_pressure_pa(temperature_c)
    assert dew_point_c(temperature_c, more) >= dew_point_c(temperature_c, rh) - 1e-5
    assert wet_bulb_c(temperature_c, more) >= wet_bulb_c(temperature_c, rh) - 1e-5
    assert vapour_pressure_deficit_pa(temperature_c, more) <= vapour_pressure_deficit_pa(temperature_c, rh)


def test_ice_and_water_meet_at_the_triple_point():
    """The two branches of the saturation pressure meet at 0.01 °C within 300 ppm, near 611.7 Pa."""
    below, above = saturation_pressure_pa(0.01), saturation_pressure_pa(0.010001)
    assert below == pytest.approx(above, rel=3e-4)
    assert below == pytest.approx(611.7, abs=0.3)


@pytest.mark.parametrize(
    ("temperature_c", "rh", "surface_c", "risk"),
    [
        (15.0, 0.50, None, CondensationRisk.NONE),
        (15.0, 0.85, None, CondensationRisk.POSSIBLE),
        (15.0, 0.96, None, CondensationRisk.LIKELY),
        (15.0, 0.997, None, CondensationRisk.FORMING),
        (15.0, 0.85, 12.0, CondensationRisk.FORMING),
        (15.0, 0.50, 5.5, CondensationRisk.LIKELY),
        (15.0, 0.997, 25.0, CondensationRisk.NONE),
    ],
)
def test_condensation_by_the_dew_point_spread(temperature_c, rh, surface_c, risk):
    """The risk follows from how far the surface is above the dew point; a sunlit surface stays dry in moist air."""
    assert condensation(temperature_c, rh, surface_c).risk is risk


def test_a_wet_sensor_is_told_from_moist_air():
    """Saturation starts at 99.5 %; an hour of it up to the latest reading is a wet sensor, less of it is not known."""
    assert saturated(0.995)
    assert not saturated(0.994)
    times = [600.0 * i for i in range(8)]
    assert pinned(times, [0.9, *[1.0] * 7]) is True
    assert pinned(times, [1.0] * 7 + [0.98]) is False
    assert pinned(times, [0.9] * 5 + [1.0] * 3) is False
    assert pinned(times[:3], [1.0] * 3) is None
    assert pinned([], []) is None


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: saturation_pressure_pa(-120.0), "air temperature"),
        (lambda: vapour_pressure_pa(20.0, 50.0), "relative humidity"),
        (lambda: vapour_pressure_deficit_pa(20.0, math.nan), "relative humidity"),
        (lambda: dew_point_c(20.0, 0.0), "relative humidity"),
        (lambda: wet_bulb_c(20.0, 0.5, 1013.25), "air pressure"),
        (lambda: pinned([0.0], []), "each humidity needs its time"),
    ],
)
def test_what_physics_rules_out_is_refused_in_words(call, words):
    """Out of range, percent for a fraction or hPa for Pa raises ValueError that says so."""
    with pytest.raises(ValueError, match=words):
        call()
