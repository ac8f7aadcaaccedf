"""Heat exposure: doses, spells, patterns and bands, against brute force and the exposures of a published experiment."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sensord.science.heat import (
    Exposure,
    Pattern,
    Spell,
    exposure_above,
    hours_in_bands,
    most_hours_a_day,
    pattern_above,
    spells_above,
    swing,
)

HOUR = 3600.0

degrees = st.floats(10, 45, allow_nan=False).map(lambda value: round(value, 2))
series = st.lists(st.tuples(st.integers(1, 900), degrees), min_size=2, max_size=30).map(
    lambda steps: (np.cumsum([gap for gap, _ in steps]).astype(float).tolist(), [value for _, value in steps])
)


def regime(days: int, hours_a_day: float, hot_c: float = 36.0, else_c: float = 27.0) -> tuple[list[float], list[float]]:
    """Readings every ten minutes of a chamber that is hot for some hours a day."""
    times = [600.0 * index for index in range(days * 144 + 1)]
    return times, [hot_c if at % 86400 < hours_a_day * HOUR else else_c for at in times]


@given(series, degrees)
def test_dose_agrees_with_brute_force(readings, tier):
    """Hours and degree-hours above a tier are those of a fine grid under the straight lines between readings."""
    times, temperatures = readings
    grid = np.linspace(times[0], times[-1], 40_001)
    line = np.interp((grid[1:] + grid[:-1]) / 2, times, temperatures)
    span_hours = (times[-1] - times[0]) / HOUR
    exposure = exposure_above(times, temperatures, tier)
    assert exposure.degree_hours == pytest.approx(np.mean(np.maximum(line - tier, 0)) * span_hours, abs=1e-4)
    assert exposure.hours == pytest.approx(np.mean(line >= tier) * span_hours, abs=len(times) * span_hours / 40_000)


@given(series, degrees, st.data())
def test_doses_of_adjacent_spans_add_up(readings, tier, data):
    """Hours, degree-hours and coverage of two spans that share a reading are those of the whole."""
    times, temperatures = readings
    at = data.draw(st.integers(0, len(times) - 1))
    whole = exposure_above(times, temperatures, tier)
    first = exposure_above(times[: at + 1], temperatures[: at + 1], tier)
    second = exposure_above(times[at:], temperatures[at:], tier)
    for key in ("hours", "degree_hours", "known_hours", "missing_hours"):
        assert getattr(first, key) + getattr(second, key) == pytest.approx(getattr(whole, key), abs=1e-9)


@given(series, degrees, st.floats(0, 10))
def test_a_hotter_tier_is_never_exceeded_longer(readings, tier, higher):
    """Monotone in the tier: hours, dose and longest spell."""
    low, high = exposure_above(*readings, tier), exposure_above(*readings, tier + higher)
    assert high.hours <= low.hours + 1e-9
    assert high.degree_hours <= low.degree_hours + 1e-9
    assert high.longest_spell_hours <= low.longest_spell_hours + 1e-9


@given(series, degrees)
def test_spells_lie_apart_in_order_and_sum_to_the_hours(readings, tier):
    """Without tolerance the spells are exactly the time at or above the tier."""
    spells = spells_above(*readings, tier)
    assert all(first.end_s <= second.start_s for first, second in pairwise(spells))
    total = sum(spell.end_s - spell.start_s for spell in spells) / HOUR
    assert total == pytest.approx(exposure_above(*readings, tier).hours, abs=1e-6)


@given(series, degrees, st.floats(0, 2000))
def test_tolerating_dips_never_shortens_a_spell(readings, tier, dip):
    """The longest spell and the current one can only grow with the dip that is tolerated."""
    strict, lenient = exposure_above(*readings, tier), exposure_above(*readings, tier, tolerated_dip_s=dip)
    assert lenient.longest_spell_hours >= strict.longest_spell_hours - 1e-9
    assert lenient.current_spell_hours >= strict.current_spell_hours - 1e-9


def test_a_spell_runs_from_crossing_to_crossing():
    """A rise from 30 to 40 and back within two hours is above 35 for the middle hour, 2.5 °C·h of it, and is over."""
    exposure = exposure_above([0, HOUR, 2 * HOUR], [30, 40, 30], 35)
    assert exposure == pytest.approx(Exposure(1.0, 2.5, 1.0, 0.0, 2.0, 0.0))
    assert spells_above([0, HOUR, 2 * HOUR], [30, 40, 30], 35) == [Spell(1800, 5400)]


def test_the_current_spell_reaches_the_last_reading():
    """While it is still at or above the tier, the current spell grows; a reading exactly at the tier counts as reached."""
    exposure = exposure_above([0, 600, 1200, 1800], [30, 36, 36, 36], 36)
    assert exposure.current_spell_hours == pytest.approx(1200 / HOUR)
    assert exposure.hours == pytest.approx(1200 / HOUR)
    assert exposure.degree_hours == 0


def test_a_short_dip_does_not_end_a_spell():
    """A cloud of six minutes splits the spell without tolerance, and not with ten minutes of it, now or just past."""
    times, temperatures = [0, 1800, 1800, 2160, 2160, 3600], [37, 37, 30, 30, 37, 37]
    assert exposure_above(times, temperatures, 36).longest_spell_hours == pytest.approx(0.5)
    assert exposure_above(times, temperatures, 36, tolerated_dip_s=600).longest_spell_hours == pytest.approx(1.0)
    assert exposure_above(times[:4], temperatures[:4], 36).current_spell_hours == 0
    assert exposure_above(times[:4], temperatures[:4], 36, tolerated_dip_s=600).current_spell_hours == pytest.approx(
        0.5
    )


def test_a_dip_is_tolerated_up_to_its_length_and_the_millisecond_of_rounding():
    """Readings are kept to the millisecond: a dip longer by one is still as long as is tolerated, by two it is not."""
    for dip_s, spells in ((600.0, 1), (600.001, 1), (600.002, 2)):
        times, temperatures = [-1800.0, 0.0, 0.0, dip_s, dip_s, 3600.0], [37, 37, 30, 30, 37, 37]
        assert len(spells_above(times, temperatures, 36, tolerated_dip_s=600.0)) == spells
        current_h = exposure_above(times[:4], temperatures[:4], 36, tolerated_dip_s=600.0).current_spell_hours
        assert current_h == (0.5 if spells == 1 else 0.0)


def test_missing_time_is_not_cool_and_not_hot():
    """A gap longer than the bridge counts neither way, is reported, and ends a spell even if dips are tolerated."""
    times, temperatures = [0, 600, 9000, 9600], [37, 37, 37, 37]
    exposure = exposure_above(times, temperatures, 36, tolerated_dip_s=1e6)
    assert exposure.hours == pytest.approx(1200 / HOUR)
    assert exposure.missing_hours == pytest.approx(8400 / HOUR)
    assert exposure.current_spell_hours == pytest.approx(600 / HOUR)
    assert exposure_above(times[:3], temperatures[:3], 36).current_spell_hours == 0
    assert exposure_above([], [], 36) == exposure_above([5.0], [40.0], 36) == Exposure(0, 0, 0, 0, 0, 0)


def test_after_a_gap_a_spell_goes_on_as_one():
    """An instant of Unix time, a gap of two hours, then an hour of heat in six steps: two spells, the last one current."""
    times = [1_788_000_000.0 + 600 * i for i in (0, 1, *range(13, 20))]
    temperatures = [37.0] * len(times)
    spells = spells_above(times, temperatures, 36)
    assert [(spell.start_s - times[0], spell.end_s - times[0]) for spell in spells] == [(0, 600), (7800, 11_400)]
    exposure = exposure_above(times, temperatures, 36)
    assert (exposure.current_spell_hours, exposure.longest_spell_hours) == (1.0, 1.0)
    short = exposure_above(times[:4], temperatures[:4], 36)  # the last spell, not the longest
    assert short.current_spell_hours == pytest.approx(1 / 6)
    longer = exposure_above([*times, times[-1] + 7200, times[-1] + 7800], [*temperatures, 37.0, 37.0], 36)
    assert (longer.current_spell_hours, longer.longest_spell_hours) == pytest.approx((1 / 6, 1))


def test_edges_of_bands_ascend():
    """Two alike leave nothing between them."""
    assert hours_in_bands([0, 3600], [30, 30], [30, 31]) == [0, 1, 0]
    for edges in ([30, 30], [31, 30]):
        with pytest.raises(ValueError, match="must ascend"):
            hours_in_bands([0, 3600], [30, 30], edges)


def test_twelve_hours_are_a_pulse_and_a_second_more_is_not():
    """As long as larvae were shown to bear, in one go or in any 24 h."""
    times = [600.0 * i for i in range(74)]
    hot = [36.0] * 73
    assert pattern_above([*times[:73], times[73]], [*hot, 20.0], 36) is Pattern.PULSES
    assert pattern_above([*times[:73], times[72] + 1, times[73]], [*hot, 36.0, 20.0], 36) is Pattern.CONSTANT
    assert most_hours_a_day([]) == 0.0
    assert most_hours_a_day([Spell(0, 43_200), Spell(86_399, 90_000)]) == 12 + 1 / HOUR


@pytest.mark.parametrize(("known_h", "pattern"), [(18.1, Pattern.NONE), (18.0, Pattern.UNKNOWN)])
def test_less_than_a_quarter_may_be_missing_to_say_that_there_was_none(known_h, pattern):
    """Of a day."""
    times = [600.0 * i for i in range(int(known_h * 6) + 1)]
    times += [times[0] + known_h * HOUR, 24 * HOUR]
    times = sorted(set(times))
    assert pattern_above(times, [20.0] * len(times), 36) is pattern


@pytest.mark.parametrize(("known_h", "is_known"), [(18.0, True), (18.0 - 0.5 / HOUR, False)])
def test_three_quarters_of_a_day_tell_its_swing(known_h, is_known):
    """And no less; a span without any reading, or of no length, tells none."""
    times = [600.0 * i for i in range(int(known_h * 6) + 1)] + [known_h * HOUR]
    for start_s in (0, 86_400):
        at = [start_s + time_s for time_s in times]
        found = swing(at, [20.0 + 5.0 * (i % 2) for i in range(len(at))], start_s, start_s + 86_400)
        assert found == (5.0 if is_known else None)
    assert swing([0, 600], [20, 21], 0, 0) is None


@given(series)
def test_bands_share_out_all_known_time(readings):
    """Hours in bands add up to the span; those at or above an edge are the hours above that tier."""
    edges = (15.0, 29.0, 33.0, 36.0)
    bands = hours_in_bands(*readings, edges)
    assert sum(bands) == pytest.approx((readings[0][-1] - readings[0][0]) / HOUR)
    assert min(bands) >= -1e-12
    for index, edge in enumerate(edges):
        assert sum(bands[index + 1 :]) == pytest.approx(exposure_above(*readings, edge).hours, abs=1e-9)


# York & Oberhauser 2002: larvae at 27 °C otherwise; 36 °C for 6 or 12 h daily killed very few, longer constant exposure
# killed more. Source: [YorkOberhauser2002] abstract; the regimes are its treatments, the days are ours.
REGIMES = [
    (regime(4, 0), Pattern.NONE),
    (regime(4, 6), Pattern.PULSES),
    (regime(4, 12), Pattern.PULSES),
    (regime(1, 24), Pattern.CONSTANT),
    (regime(2, 24), Pattern.CONSTANT),
    (regime(4, 24), Pattern.CONSTANT),
]


@pytest.mark.outside
@pytest.mark.parametrize(("readings", "pattern"), REGIMES, ids=["none", "6 h", "12 h", "1 d", "2 d", "4 d"])
def test_tells_the_pulses_from_the_constant_exposures_of_york_and_oberhauser(readings, pattern):
    """Their 6 h and 12 h daily pulses are pulses; their constant exposures are constant."""
    times, temperatures = readings
    assert pattern_above(times, temperatures, 36.0) is pattern


def test_pulses_without_rest_are_constant():
    """Two hours off and ten on, around the clock: no spell is over 12 h, yet no day has 12 h of rest."""
    times = [600.0 * index for index in range(3 * 144)]
    temperatures = [27.0 if at % (12 * HOUR) < 2 * HOUR else 36.0 for at in times]
    assert exposure_above(times, temperatures, 36).longest_spell_hours < 12
    assert pattern_above(times, temperatures, 36) is Pattern.CONSTANT


def test_a_pattern_is_unknown_when_a_quarter_is_missing():
    """Too little was measured to say that it was not constant; what is known to be constant stays so."""
    assert pattern_above([0, 600, 9000, 9600], [25, 25, 25, 25], 36) is Pattern.UNKNOWN
    assert pattern_above([], [], 36) is Pattern.UNKNOWN
    times, temperatures = regime(1, 24)
    assert pattern_above([*times, 10 * 86400.0], [*temperatures, 20.0], 36) is Pattern.CONSTANT


def test_the_fullest_day_has_24_hours():
    """Of spells without a pause a day holds 24 h, to the second, and never more."""
    assert most_hours_a_day([Spell(0.0, 200_000.0)]) == 24.0
    assert most_hours_a_day([Spell(0.0, 86_390.0), Spell(86_399.0, 86_402.0)]) * HOUR == pytest.approx(86_391.0)


@given(st.lists(st.tuples(st.integers(1, 40_000), st.integers(1, 40_000)), min_size=1, max_size=12))
def test_the_fullest_day_is_found_wherever_it_begins(gaps_and_lengths):
    """No 24 h window, of those that start every quarter hour, holds more than the one found."""
    spells, at = [], 0.0
    for gap, length in gaps_and_lengths:
        spells.append(Spell(at + gap, at + gap + length))
        at += gap + length
    starts = np.arange(-86400, at, 900)
    held = [sum(max(0, min(s.end_s, t + 86400) - max(s.start_s, t)) for s in spells) for t in starts]
    most = most_hours_a_day(spells)
    assert max(held) / HOUR <= most + 1e-9
    assert most <= max(held) / HOUR + 0.25
    assert most_hours_a_day([]) == 0


def test_the_swing_of_a_day_is_unknown_with_too_little_of_it():
    """Highest less lowest of the span, its edges interpolated; None when a quarter of it is missing."""
    times = [HOUR * hour for hour in range(25)]
    temperatures = [20 - 8 * np.cos(2 * np.pi * hour / 24) for hour in range(25)]
    assert swing(times, temperatures, 0, 86400) == pytest.approx(16)
    assert swing(times[:17], temperatures[:17], 0, 86400) is None
    assert swing([], [], 0, 86400) is None
