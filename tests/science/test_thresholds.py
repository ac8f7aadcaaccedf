"""What a rise has above a level, by hand; and what no day and no pair of thresholds can be."""

from __future__ import annotations

import math

import pytest

from sensord.science.thresholds import Above, Cutoff, check_day, check_thresholds, combine, mean_rate, sine, triangle


@pytest.mark.parametrize("shape", [triangle, sine])
def test_wholly_above_or_below_a_level_the_shape_does_not_matter(shape):
    """The mean above it all of the time, or nothing none of the time."""
    assert shape(20.0, 30.0, 10.0) == Above(15.0, 1.0)
    assert shape(20.0, 30.0, 20.0) == Above(5.0, 1.0)
    assert shape(20.0, 30.0, 30.0) == shape(20.0, 30.0, 40.0) == Above(0.0, 0.0)
    assert shape(20.0, 20.0, 10.0) == Above(10.0, 1.0)


@pytest.mark.outside
def test_half_above_its_mean():
    """A straight rise has a quarter of its half swing above its mean, a sine 1/π of it (integrals of the textbook)."""
    assert triangle(10.0, 30.0, 20.0) == Above(2.5, 0.5)
    assert sine(10.0, 30.0, 20.0) == pytest.approx((10 / math.pi, 0.5))
    assert triangle(10.0, 30.0, 25.0) == Above(0.625, 0.25)
    assert sine(10.0, 30.0, 29.9).share == pytest.approx(math.acos(0.99) / math.pi)
    assert sine(10.0, 30.0, 10.1).share == pytest.approx(math.acos(-0.99) / math.pi)
    assert sine(10.0, 30.0, 25.0) == pytest.approx(((-5 * math.pi / 3 + 10 * math.cos(math.pi / 6)) / math.pi, 1 / 3))


@pytest.mark.parametrize(
    ("cutoff", "value", "rate"),
    [(Cutoff.NONE, 20, 20), (Cutoff.HORIZONTAL, 15, 15), (Cutoff.INTERMEDIATE, 10, 10), (Cutoff.VERTICAL, 0, 0)],
)
def test_wholly_above_the_upper_threshold(cutoff, value, rate):
    """30 °C above 10 and 25 °C: without end, as at 25, as far below it as it is above, not at all."""
    assert combine(triangle, 30.0, 30.0, 10.0, 25.0, cutoff) == value
    assert mean_rate(30.0, 30.0, 10.0, 25.0, cutoff) == rate
    assert combine(triangle, 30.0, 30.0, 10.0, None, cutoff) == mean_rate(30.0, 30.0, 10.0, None, cutoff) == 20
    hot = combine(triangle, 45.0, 45.0, 10.0, 25.0, cutoff)
    assert hot == {Cutoff.NONE: 35, Cutoff.HORIZONTAL: 15, Cutoff.INTERMEDIATE: -5, Cutoff.VERTICAL: 0}[cutoff]
    assert mean_rate(45.0, 45.0, 10.0, 25.0, cutoff) == max(0, hot)


@pytest.mark.parametrize(
    ("lower", "upper"),
    [(math.nan, None), (math.inf, None), (10.0, math.nan), (10.0, math.inf), (10.0, 10.0), (10.0, 9.0)],
)
def test_thresholds_are_finite_and_the_upper_lies_above(lower, upper):
    """Alike they would leave nothing between them."""
    with pytest.raises(ValueError, match="threshold"):
        check_thresholds(lower, upper)
    with pytest.raises(ValueError, match="threshold"):
        check_day(10.0, 20.0, lower, upper)
    check_thresholds(10.0, None)
    check_thresholds(10.0, 10.1)


@pytest.mark.parametrize(("minimum", "maximum"), [(math.nan, 20.0), (10.0, math.nan), (-math.inf, 20.0), (20.1, 20.0)])
def test_the_extremes_of_a_day_are_finite_and_in_order(minimum, maximum):
    """A day may stand still."""
    with pytest.raises(ValueError, match="of a day"):
        check_day(minimum, maximum, 10.0, None)
    check_day(20.0, 20.0, 10.0, None)


def test_extremes_that_hardly_differ_have_a_sine_all_the_same():
    """The nearest numbers that leave room for a level between them."""
    for low in (0.0, 20.0, -20.0, 1e-300):
        level = math.nextafter(low, math.inf)
        found = sine(low, math.nextafter(level, math.inf), level)
        assert 0.0 <= found.excess <= 1e-13
        assert 0.0 <= found.share <= 1.0
