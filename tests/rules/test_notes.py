"""Small notes that are said once: a long wet spell, a cold night, shade that was left on."""

from __future__ import annotations

import math
from datetime import datetime, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sensord.model import Concern, Doubt, Quantity, Severity, Stage, Standing, State, Telling, Urgency, Verdict, What
from sensord.rules import all_rules, frost, shade, wet
from tests.rules.scenes import NOON, SITE, Curve, Told, cohort, enclosure, entry, evidence, pair, probe, seen

MINUTE, HOUR = timedelta(minutes=1), timedelta(hours=1)
HUMID = probe("birch-1", "birch", Quantity.HUMIDITY)

# --- wet ------------------------------------------------------------------------------------------------------------


def moist(curve: Curve | float, now: datetime = NOON, doubts: int = 0, **more: Any) -> Verdict:
    series = {"humidity": [seen(HUMID, curve, now, 18, doubts)]}
    return wet.RULE.decide(evidence(wet.RULE, series, now, **more), now)


def test_a_night_of_dew_is_no_wet_spell() -> None:
    """Ten hours at saturation are a summer night; seventeen are a spell: one Minor note."""
    assert moist(lambda h: 1.0 if h >= -10 else 0.7).state is State.FINE
    long = moist(lambda h: 1.0 if h >= -17 else 0.7)
    assert long.advice is not None
    assert (long.severity, long.advice.action) == (Severity.MINOR, "look for mould")
    assert long.numbers["spell_h"] == pytest.approx(17.0, abs=0.1)


def test_a_sensor_that_is_marked_wet_counts_as_wet() -> None:
    """A pinned sensor is wet, whatever it shows and even if it is called stuck."""
    assert moist(0.9, doubts=int(Doubt.WET | Doubt.STUCK)).state is State.BREACH


def test_a_dry_noon_ends_a_spell_and_a_dry_moment_does_not() -> None:
    """Three dry hours begin it anew; twenty minutes don't."""
    assert moist(lambda h: 0.6 if -6 < h < -3 else 1.0).state is State.FINE
    assert moist(lambda h: 0.6 if -6.3 < h < -6 else 1.0).state is State.BREACH


def test_a_wet_week_is_one_note() -> None:
    """Wet for days: told once, without repeats."""
    told = Told(wet.RULE)
    for hours in range(0, 96):
        now = NOON + hours * HOUR
        told.at(now, evidence(wet.RULE, {"humidity": [seen(HUMID, 1.0, now, 18)]}, now))
    assert [n.telling for n in told.notices] == [Telling.OPENED]


def test_without_humidity_it_is_unknown() -> None:
    """A probe that measures no humidity says nothing of wetness."""
    assert wet.RULE.decide(evidence(wet.RULE, {"humidity": []}, NOON), NOON).state is State.UNKNOWN


# --- frost ----------------------------------------------------------------------------------------------------------

MIDNIGHT = NOON + 11 * HOUR


def cold(curve: Curve | float, now: datetime = MIDNIGHT, **more: Any) -> Verdict:
    series = {"inside": [seen(probe("birch-1", "birch"), curve, now, 2)]}
    return frost.RULE.decide(evidence(frost.RULE, series, now, **more), now)


def test_frost_is_told_when_it_is_there_and_before() -> None:
    """At 2 °C it is now; on the way there early in the night it is expected, with time to act."""
    now = cold(1.5)
    assert (now.reason, now.severity) == ("now", Severity.MODERATE)
    ahead = cold(lambda h: 7.0 - 1.6 * h, NOON + 9 * HOUR)
    assert (ahead.reason, ahead.urgency) == ("expected", Urgency.EXPECTED)
    assert ahead.advice is not None
    assert ahead.advice.by is not None
    assert cold(9.0).state is State.FINE
    assert cold(lambda h: 14.0 - 1.0 * h).state is State.FINE


def test_pupae_are_spoken_of() -> None:
    """Whoever takes pupae indoors should know what it costs."""
    assert cold(1.0, cohorts=[cohort(stage=Stage.PUPA)]).numbers["pupae"] is True


@given(st.floats(-3, 0), st.floats(1, 12), st.floats(0, 4))
def test_a_night_cools_ever_more_slowly(slope: float, since_h: float, more_h: float) -> None:
    """By the square root of time: the drop to come is never above 0, and less than the slope would make it."""
    drop = frost.coming_drop_k(slope, since_h, since_h + more_h)
    assert slope * more_h - 1e-9 <= drop <= 0.0


def test_the_square_root_law_is_exact_for_itself() -> None:
    """A temperature that falls by the square root of time is foretold exactly (Brunt's law, from memory)."""
    fallen = -3.0 * (math.sqrt(10.0) - math.sqrt(4.0))
    assert frost.coming_drop_k(-3.0 / (2 * math.sqrt(4.0)), 4.0, 10.0) == pytest.approx(fallen)


# --- shade ----------------------------------------------------------------------------------------------------------


def left_on(curve: Curve | float, now: datetime, shaded_at: datetime | None, **more: Any) -> Verdict:
    entries = [entry(What.SHADED, shaded_at)] if shaded_at else []
    return shade.RULE.decide(evidence(shade.RULE, pair(curve, curve, now), now, entries=entries, **more), now)


def test_on_a_cool_evening_the_shade_comes_off() -> None:
    """The sun is low and the day was cool: Minor, take it off. After a hot day it may stay for the next."""
    evening = NOON + 6 * HOUR
    cool = left_on(24.0, evening, NOON - 2 * HOUR)
    assert cool.advice is not None
    assert (cool.reason, cool.severity, cool.advice.action) == ("evening", Severity.MINOR, "unshade")
    assert left_on(lambda h: 26.0 - 1.5 * h, evening, NOON - 2 * HOUR).state is State.FINE


def test_on_a_morning_that_stays_cool_it_comes_off_and_else_not() -> None:
    """Heading for 22 °C: off. Heading for 33 °C: it stays, without a word."""
    morning = NOON - 90 * MINUTE

    def day(peak: float) -> Curve:
        def curve(h: float) -> float:
            way = min(1.0, max(0.0, (10.5 + h - 5.5) / 9.5))
            return 14.0 + (peak - 14.0) * (1.0 - math.cos(math.pi * way)) / 2.0

        return curve

    assert left_on(day(22.0), morning, NOON - 24 * HOUR).reason == "morning"
    assert left_on(day(33.0), morning, NOON - 24 * HOUR).state is State.FINE


def test_what_is_not_the_keepers_shade_is_no_task() -> None:
    """A tree's shade, no shade, and shade that has just gone up ask for nothing."""
    evening = NOON + 6 * HOUR
    assert left_on(24.0, evening, None, cages=[enclosure(shaded=True)]).state is State.FINE
    assert left_on(24.0, evening, None).state is State.FINE
    assert left_on(24.0, evening, evening - HOUR).state is State.FINE


def test_it_is_not_said_in_the_last_light_nor_under_signs_of_a_storm() -> None:
    """From half an hour before sunset it waits for the morning; under signs of a storm the storm speaks of the shade."""
    evening, last = NOON + 6 * HOUR, NOON + 6 * HOUR + 30 * MINUTE
    assert left_on(24.0, last, NOON - 2 * HOUR).state is State.FINE
    storm = Verdict("storm", "birch", State.BREACH, evening, "unshade", Severity.MODERATE)
    others = {"storm/birch": Concern(SITE.name, "storm", "birch", Standing.OPEN, storm, evening)}
    waits = left_on(24.0, evening, NOON - 2 * HOUR, others=others)
    assert (waits.state, waits.reason, waits.advice) == (State.FINE, "left to storm", None)


def test_it_is_said_once() -> None:
    """From a cool evening to the next noon, still on: one telling."""
    told = Told(shade.RULE)
    start = NOON + 6 * HOUR
    on = [entry(What.SHADED, NOON - 2 * HOUR)]
    for quarter in range(80):
        now = start + quarter * 15 * MINUTE
        told.at(now, evidence(shade.RULE, pair(20.0, 20.0, now), now, entries=on))
    assert [n.telling for n in told.notices] == [Telling.OPENED]


def test_notes_have_a_manner_that_tells_minor_things() -> None:
    """What is Minor and worth a word is told from Minor on."""
    assert {all_rules()[rule].manner.tell_from for rule in ("wet", "shade", "battery")} == {Severity.MINOR}
