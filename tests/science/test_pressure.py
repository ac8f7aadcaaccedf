"""What the barometer says."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sensord.science.pressure import (
    Direction,
    Pace,
    falls_rapidly,
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
    """A fall is rapid from both limits on; a rise never is. [AFMAN15-111]"""
    times, pressures = [0.0, minutes * 60.0], [100_000.0, 100_000.0 - fall_pa]
    fall = falls_rapidly(times, pressures)
    assert bool(fall) is rapid
    assert fall.total_pa == pytest.approx(fall_pa)
    assert fall.rate_pa_h == pytest.approx(fall_pa * 60 / minutes)
    assert not falls_rapidly(times, pressures[::-1])


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


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: tendency(math.nan), "change of pressure"),
        (lambda: falls_rapidly([0.0], []), "each pressure needs its time"),
        (lambda: falls_rapidly([0.0, 0.0], [1e5, 1e5]), "must rise"),
        (lambda: falls_rapidly([0.0, 60.0], [1013.0, 1012.0]), "station pressure"),
    ],
)
def test_what_physics_rules_out_is_refused_in_words(call, words):
    """Out of range, out of order or in hPa raises ValueError that says so."""
    with pytest.raises(ValueError, match=words):
        call()


def test_a_fall_of_next_to_nothing_is_told_as_it_is():
    """Steady pressure falls by nothing; half a pascal in an hour is half a pascal."""
    assert falls_rapidly([0, 60], [100_000.0, 100_000.0]) == (False, 0.0, 0.0)
    assert falls_rapidly([0, 3600], [100_000.5, 100_000.0]) == (False, 0.5, 0.5)
