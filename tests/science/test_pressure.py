"""What the barometer says."""

import math

import psychrolib
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sensord.science.pressure import (
    GUST_FRONT_RISE_PA,
    Direction,
    Pace,
    falls_rapidly,
    pressure_jump_pa,
    rises_rapidly,
    sea_level_pressure_pa,
    standard_pressure_pa,
    tendency,
)

# Classes of a three-hour change in hPa, given to 0.1 hPa. [MetOfficeTendency]
CLASSES = [
    (0.0, "steady"),
    (0.04, "steady"),
    (-0.04, "steady"),
    (-0.1, "falling slowly"),
    (-1.5, "falling slowly"),
    (-1.6, "falling"),
    (-3.5, "falling"),
    (-3.6, "falling quickly"),
    (-6.0, "falling quickly"),
    (-6.1, "falling very rapidly"),
    (0.1, "rising slowly"),
    (1.5, "rising slowly"),
    (1.6, "rising"),
    (3.5, "rising"),
    (3.6, "rising quickly"),
    (4.2, "rising quickly"),
    (6.0, "rising quickly"),
    (6.1, "rising very rapidly"),
]


@pytest.mark.outside
@pytest.mark.parametrize(("change_hpa", "words"), CLASSES)
def test_tendency_classes(change_hpa, words):
    """Each limit of the classes, and the values that round to it, gets its words. [MetOfficeTendency]"""
    assert str(tendency(change_hpa * 100)) == words


@pytest.mark.parametrize(
    ("change_pa", "words"), [(-154.0, "falling slowly"), (-155.0, "falling"), (604.9, "rising quickly")]
)
def test_the_change_is_rounded_before_it_is_classed(change_pa, words):
    """Between 1.5 and 1.6 hPa there is no gap: the nearer tenth decides."""
    assert str(tendency(change_pa)) == words


@given(st.floats(-5000, 5000))
def test_every_change_has_one_class(change_pa):
    """Direction and pace are steady together, the mirror image swaps only the direction, and rounding is to 10 Pa."""
    forth, back = tendency(change_pa), tendency(-change_pa)
    assert (forth.direction is Direction.STEADY) == (forth.pace is Pace.STEADY) == (forth.change_pa == 0)
    assert forth.pace is back.pace
    assert forth.change_pa == -back.change_pa
    assert abs(forth.change_pa - change_pa) <= 5.0 + 1e-9


# "0.06 inch per hour or more, totaling 0.02 inch or more" [AFMAN15-111] is 203.2 Pa/h and 67.7 Pa.
@pytest.mark.outside
@pytest.mark.parametrize(
    ("minutes", "fall_pa", "rapid"),
    [
        (20, 68.0, True),  # 204 Pa/h
        (15, 60.0, False),  # 240 Pa/h, but too little in total
        (180, 300.0, False),  # 100 Pa/h
        (20, 67.0, False),
        (60, 203.0, False),
        (60, 203.5, True),
    ],
)
def test_rapid_fall_by_rate_and_total(minutes, fall_pa, rapid):
    """A fall is rapid from both limits on; the mirrored rise likewise. [AFMAN15-111]"""
    times, pressures = [0.0, minutes * 60.0], [100_000.0, 100_000.0 - fall_pa]
    fall = falls_rapidly(times, pressures)
    assert bool(fall) is rapid
    assert fall.total_pa == pytest.approx(fall_pa)
    assert fall.rate_pa_h == pytest.approx(fall_pa * 60 / minutes)
    assert not rises_rapidly(times, pressures)
    assert bool(rises_rapidly(times, pressures[::-1])) is rapid


def test_a_rapid_fall_is_found_behind_a_slow_one():
    """A steep last half hour counts although the three hours as a whole are slow; once it is over, it does not."""
    times = [600.0 * i for i in range(19)]
    pressures = [100_000.0] * 16 + [99_950.0, 99_900.0, 99_850.0]
    assert falls_rapidly(times, pressures).rate_pa_h == pytest.approx(300.0)
    times += [times[-1] + 600.0 * (i + 1) for i in range(6)]
    assert not falls_rapidly(times, pressures + [99_850.0] * 6)


def test_too_few_readings_are_unknown_not_fine():
    """With fewer than two readings there is no verdict."""
    assert falls_rapidly([], []) is None
    assert falls_rapidly([0.0], [100_000.0]) is None
    assert pressure_jump_pa([0.0, 3600.0], [100_000.0, 100_100.0]) is None


@pytest.mark.outside
def test_a_mean_gust_front_is_a_jump():
    """A rise of 0.6 hPa within ten minutes, the mean of 30 gust fronts, reaches the threshold. [Mahoney1988]"""
    times = [60.0 * i for i in range(31)]
    pressures = [99_800.0 - i for i in range(25)] + [99_790.0, 99_810.0, 99_825.0, 99_836.0, 99_835.0, 99_830.0]
    assert pressure_jump_pa(times, pressures) == pytest.approx(60.0)
    assert pressure_jump_pa(times, pressures) >= GUST_FRONT_RISE_PA
    assert pressure_jump_pa(times, pressures[::-1]) < GUST_FRONT_RISE_PA


@pytest.mark.outside
def test_sea_level_pressure_of_the_published_case():
    """101,226.5 Pa at 105 m and 17.19 °C is 102,484.0 ± 1 Pa. [Psychrolib] tests, tolerance theirs."""
    assert sea_level_pressure_pa(101_226.5, 105.0, 17.19) == pytest.approx(102_484.0, abs=1.0)


# The barometric formula P (1 − 0.0065 h / (T + 0.0065 h + 273.15))^−5.257, another form of the same reduction:
# the first value is printed to 1e-6 hPa on a calculation page, the others were evaluated apart from this code.
# The two forms differ by their column temperature: 0.05 hPa below 500 m, 0.3 hPa at 1,000 m.
@pytest.mark.outside
@pytest.mark.parametrize(
    ("station_hpa", "elevation_m", "temperature_c", "sea_level_hpa", "tolerance_hpa"),
    [
        (1003.0, 150.0, 15.0, 1020.970, 0.05),
        (1000.0, 100.0, 15.0, 1011.916, 0.05),
        (950.0, 500.0, 10.0, 1008.741, 0.05),
        (900.0, 1000.0, 10.0, 1014.053, 0.3),
    ],
)
def test_sea_level_pressure_agrees_with_the_barometric_formula(
    station_hpa, elevation_m, temperature_c, sea_level_hpa, tolerance_hpa
):
    """The reduction agrees with another form of it, to what the forms differ by."""
    reduced = sea_level_pressure_pa(station_hpa * 100, elevation_m, temperature_c)
    assert reduced / 100 == pytest.approx(sea_level_hpa, abs=tolerance_hpa)


@pytest.mark.outside
@pytest.mark.parametrize(
    ("elevation_m", "pressure_pa"),
    [(-500, 107_478), (0, 101_325), (500, 95_461), (1000, 89_875), (4000, 61_640), (10_000, 26_436)],
)
def test_standard_atmosphere(elevation_m, pressure_pa):
    """[ASHRAE2017] chapter 1 table 1, to its ± 1 Pa."""
    assert standard_pressure_pa(elevation_m) == pytest.approx(pressure_pa, abs=1.0)


@pytest.mark.outside
def test_agreement_with_psychrolib_over_a_grid():
    """Largest difference over −500 to 3,000 m and −20 to 40 °C: sea level 1.5 Pa (their g is 9.807), standard none."""
    psychrolib.SetUnitSystem(psychrolib.SI)
    reduced, standard = 0.0, 0.0
    for elevation_m in range(-500, 3001, 100):
        theirs = psychrolib.GetStandardAtmPressure(elevation_m)
        standard = max(standard, abs(standard_pressure_pa(elevation_m) - theirs))
        for temperature_c in range(-20, 41, 5):
            ours = sea_level_pressure_pa(theirs, elevation_m, temperature_c)
            reduced = max(reduced, abs(ours - psychrolib.GetSeaLevelPressure(theirs, elevation_m, temperature_c)))
    print(f"sea level {reduced:.2f} Pa, standard {standard:.1e} Pa")
    assert reduced < 1.5
    assert standard < 1e-9


@given(st.floats(80_000, 105_000), st.floats(0, 2900), st.floats(-20, 40))
def test_sea_level_pressure_is_monotone(station_pa, elevation_m, temperature_c):
    """Higher stations and colder air give a higher reduced pressure; at sea level it is the station's."""
    here = sea_level_pressure_pa(station_pa, elevation_m, temperature_c)
    assert sea_level_pressure_pa(station_pa, elevation_m + 50, temperature_c) > here
    assert sea_level_pressure_pa(station_pa, elevation_m, temperature_c + 5) <= here
    assert sea_level_pressure_pa(station_pa, 0.0, temperature_c) == station_pa


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: tendency(math.nan), "change of pressure"),
        (lambda: falls_rapidly([0.0], []), "each pressure needs its time"),
        (lambda: falls_rapidly([0.0, 0.0], [1e5, 1e5]), "must rise"),
        (lambda: falls_rapidly([0.0, 60.0], [1013.0, 1012.0]), "station pressure"),
        (lambda: sea_level_pressure_pa(1013.25, 0.0, 15.0), "station pressure"),
        (lambda: standard_pressure_pa(20_000.0), "elevation"),
    ],
)
def test_what_physics_rules_out_is_refused_in_words(call, words):
    """Out of range, out of order or in hPa raises ValueError that says so."""
    with pytest.raises(ValueError, match=words):
        call()
