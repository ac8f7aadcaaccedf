"""What may be configured of a rule: the lowest value, what holds where nothing is said, and the highest."""

import math

import pytest
from pydantic import ValidationError

from sensord.rules import Bounds, Rule, all_rules

RULES = all_rules()
SPECIES = KIND = None
"""What holds where nothing is said is the species' or the kind's."""
ABOVE_0, BELOW_1 = math.nextafter(0.0, 1.0), math.nextafter(1.0, 0.0)

# In the unit of its name.
BOUNDS: dict[tuple[str, str], tuple[float, float | None, float]] = {
    ("ambient", "same_within_k"): (0.2, 1.0, 5.0),
    ("ambient", "dark_k"): (0.5, 2.5, 20.0),
    ("ambient", "colder_k"): (0.5, 2.0, 20.0),
    ("ambient", "day_k"): (1.0, 4.0, 20.0),
    ("ambient", "hysteresis_k"): (0.1, 0.5, 5.0),
    ("battery", "low_ratio"): (ABOVE_0, 0.15, BELOW_1),
    ("battery", "low_v"): (0.0, 2.4, 48.0),
    ("battery", "hysteresis_ratio"): (0.0, 0.05, 0.5),
    ("frost", "frost_c"): (-30.0, SPECIES, 15.0),
    ("frost", "watch_above_k"): (1.0, 8.0, 20.0),
    ("frost", "margin_k"): (0.0, 0.5, 5.0),
    ("frost", "hysteresis_k"): (0.1, 1.0, 5.0),
    ("offset", "window_min"): (5.0, 15.0, 60.0),
    ("offset", "warm_k"): (0.5, KIND, 20.0),
    ("offset", "far_k"): (1.0, KIND, 40.0),
    ("offset", "dark_k"): (1.0, 5.0, 20.0),
    ("offset", "colder_k"): (1.0, 3.0, 20.0),
    ("offset", "spikes_k"): (1.0, 3.0, 20.0),
    ("offset", "harmless_below_c"): (0.0, 25.0, 40.0),
    ("offset", "matters_from_c"): (15.0, 29.0, 45.0),
    ("offset", "alarming_from_c"): (20.0, 38.0, 60.0),
    ("offset", "hysteresis_k"): (0.1, 1.0, 5.0),
    ("overheating", "moderate_c"): (20.0, SPECIES, 50.0),
    ("overheating", "moderate_after_min"): (0.0, SPECIES, 720.0),
    ("overheating", "severe_c"): (20.0, SPECIES, 50.0),
    ("overheating", "severe_after_min"): (0.0, SPECIES, 720.0),
    ("overheating", "extreme_c"): (20.0, SPECIES, 60.0),
    ("overheating", "extreme_after_min"): (0.0, SPECIES, 720.0),
    ("overheating", "least_min"): (1.0, 6.0, 60.0),
    ("overheating", "hysteresis_k"): (0.1, 1.0, 5.0),
    ("overheating", "near_k"): (0.0, 1.0, 5.0),
    ("overheating", "ahead_h"): (0.0, 2.5, 6.0),
    ("overheating", "ahead_margin_k"): (0.0, 0.7, 5.0),
    ("shade", "cool_day_c"): (15.0, 30.0, 40.0),
    ("shade", "low_sun_deg"): (0.0, 15.0, 40.0),
    ("shade", "after_h"): (6.0, 9.0, 12.0),
    ("shade", "until_h"): (17.0, 21.0, 24.0),
    ("shelter", "after_h"): (0.5, 2.0, 48.0),
    ("shelter", "calm_gust_m_s"): (2.0, 8.0, 20.0),
    ("shipping", "behind_h"): (0.25, 6.0, 2160.0),
    ("silent", "silent_min"): (2.0, 15.0, 1440.0),
    ("silent", "silent_intervals"): (2.0, 5.0, 100.0),
    ("storm", "design_gust_m_s"): (5.0, 15.0, 40.0),
    ("storm", "gust_height_factor"): (0.3, 0.85, 1.5),
    ("storm", "safety_factor"): (1.0, 1.5, 5.0),
    ("storm", "brick_kg"): (0.2, 2.0, 25.0),
    ("storm", "largest_ballast_kg"): (1.0, 20.0, 500.0),
    ("storm", "steepening_pa_h"): (20.0, 90.0, 500.0),
    ("storm", "front_rise_pa"): (20.0, 60.0, 400.0),
    ("storm", "front_drop_k"): (0.5, 2.0, 15.0),
    ("storm", "front_leap_m_s"): (1.0, 5.0, 30.0),
    ("storm", "strong_gust_m_s"): (5.0, 10.8, 30.0),
    ("storm", "thundery_gust_m_s"): (3.0, 8.0, 30.0),
    ("storm", "calm_gust_m_s"): (2.0, 8.0, 20.0),
    ("watch", "unstored_min"): (1.0, 5.0, 1440.0),
    ("watch", "disconnected_min"): (1.0, 10.0, 1440.0),
    ("wet", "wet_ratio"): (0.8, 0.97, 1.0),
    ("wet", "after_h"): (2.0, 16.0, 48.0),
    ("wind", "least_gust_m_s"): (2.0, 6.0, 20.0),
    ("wind", "strong_gust_m_s"): (5.0, 10.8, 30.0),
    ("wind", "times"): (1.0, 3.0, 60.0),
    ("wind", "hysteresis_ratio"): (0.3, 0.8, 1.0),
}


def test_the_table_above_is_of_every_parameter_there_is() -> None:
    """Of every rule, and of nothing that is gone."""
    assert set(BOUNDS) == {(name, key) for name, rule in RULES.items() for key in rule.Parameters.model_fields}


@pytest.mark.parametrize(("rule", "key"), BOUNDS)
def test_a_parameter_may_be_anything_within_its_bounds_and_nothing_beyond(rule: str, key: str) -> None:
    """Both bounds are taken; the next number beyond either is refused by the parameter's name."""
    lowest, unsaid, highest = BOUNDS[rule, key]
    parameters = RULES[rule].Parameters
    assert getattr(parameters(), key) == unsaid
    below, above = math.nextafter(lowest, -math.inf), math.nextafter(highest, math.inf)
    if parameters.model_fields[key].annotation is int:
        below, above = lowest - 1, highest + 1
    for value in (lowest, highest):
        assert getattr(parameters(**{key: value}), key) == value
    for value, must_be in ((below, "greater than"), (above, "less than")):
        with pytest.raises(ValidationError, match=rf"(?m)^{key}$[^$]*{must_be}"):
            parameters(**{key: value})


def moved() -> list[tuple[Rule, str, str, float]]:
    return [(rule, key, *to) for rule in RULES.values() for key, to in getattr(rule.Parameters, "moved", {}).items()]


@pytest.mark.parametrize(("rule", "key", "to", "unsaid"), moved())
def test_a_parameter_that_has_moved_may_stay_where_it_stood_with_what_holds_anyway(
    rule: Rule, key: str, to: str, unsaid: float
) -> None:
    """A configuration written before goes on; what it would change is to be said under the rule that holds it now."""
    assert BOUNDS[to, key][1] == unsaid
    assert rule.Parameters(**{key: unsaid}) == rule.Parameters()
    with pytest.raises(ValidationError, match=rf"{key} holds for all rules alike: give it under \[rules.{to}\]"):
        rule.Parameters(**{key: unsaid + 1})


@pytest.mark.parametrize("value", [math.nan, math.inf])
def test_what_is_no_number_is_no_parameter(value: float) -> None:
    """Not even of a rule from elsewhere that sets no bounds."""

    class Unbounded(Bounds):
        level_c: float = 20.0

    with pytest.raises(ValidationError, match="finite number"):
        Unbounded(level_c=value)
