"""Overheating: level and duration, told while there is time, and never asking again for what has been done."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sensord.model import (
    Advice,
    Certainty,
    Concern,
    Doubt,
    Kind,
    Severity,
    Standing,
    State,
    Telling,
    Urgency,
    Verdict,
    What,
)
from sensord.rules import Evidence
from sensord.rules._readings import moment
from sensord.rules.overheating import RULE
from tests.rules.scenes import MONARCH, NOON, Curve, Told, cohort, enclosure, entry, evidence, pair

MINUTE, HOUR = timedelta(minutes=1), timedelta(hours=1)
THREE = NOON + 3 * HOUR
"""The sun's three o'clock: the warmest of the day."""


def decide(inside: Curve | float, ambient: Curve | float, now: datetime = THREE, **more: object) -> Verdict:
    return RULE.decide(evidence(RULE, pair(inside, ambient, now), now, **more), now)  # type: ignore[arg-type]


def since(hours: float, warm: float, before: float = 27.0) -> Curve:
    """`before`, and for the last `hours` `warm`."""
    return lambda h: warm if h >= -hours else before


def plus(curve: Curve, more: float, hours: float = 24.0) -> Curve:
    """A curve with so much more in the last hours."""
    return lambda h: curve(h) + (more if h >= -hours else 0.0)


def day(peak: float, low: float, now: datetime) -> Curve:
    """A half cosine from the sun's 5:30 to its 15:00, seen from `now`."""

    def curve(h: float) -> float:
        solar = 12.0 + (now - NOON) / HOUR + h
        way = min(1.0, max(0.0, (solar - 5.5) / 9.5))
        return low + (peak - low) * (1.0 - math.cos(math.pi * way)) / 2.0

    return curve


@pytest.mark.outside
def test_the_tiers_are_those_of_york_and_oberhauser() -> None:
    """29 °C does larvae harm, 33 °C was assumed lethal, 36 °C was the constant heat and the daily pulse of the trials.

    Source: York HA & Oberhauser KS (2002), Journal of the Kansas Entomological Society 75(4): 290–298, abstract.
    38 °C is a choice of ours.
    """
    assert [t.temperature_c for t in MONARCH.heat_tiers] == [29.0, 33.0, 36.0, 38.0]
    assert decide(since(5, 32.0), 28.0).state is State.FINE
    assert decide(since(1.2, 33.5), 30.0).severity is Severity.MODERATE
    assert decide(since(1.2, 36.5), 33.0).severity is Severity.SEVERE
    assert decide(since(0.3, 38.5), 35.0).severity is Severity.EXTREME


@pytest.mark.outside
def test_an_ordinary_august_afternoon_is_recorded_and_not_pushed() -> None:
    """Above 29 °C for hours: hours and degree-hours stand in the verdict, and nothing is asked. Source: as above."""
    verdict = decide(since(4, 31.0), 29.0)
    assert (verdict.state, verdict.reason, verdict.advice) == (State.FINE, "warm", None)
    assert verdict.numbers["recorded_h"] == pytest.approx(4.0, abs=0.2)
    assert verdict.numbers["recorded_degree_hours"] == pytest.approx(8.0, abs=0.5)


@pytest.mark.outside
def test_a_warm_pulse_of_hours_is_never_called_extreme() -> None:
    """Daily pulses of 36 °C for 6 h brought "very little mortality": such a day is Severe at most. Source: as above."""
    assert decide(since(6, 36.4), 33.0).severity is Severity.SEVERE


def test_a_single_reading_is_no_heat() -> None:
    """One minute of 45 °C among 28 °C asks for nothing."""
    spike: Curve = lambda h: 45.0 if -0.05 < h < -0.03 else 28.0  # noqa: E731  # a curve reads best as one
    assert decide(spike, 27.0).state is State.FINE


@pytest.mark.parametrize(("hours", "state"), [(0.8, State.FINE), (1.2, State.BREACH)])
def test_level_alone_is_not_enough(hours: float, state: State) -> None:
    """33 °C matters once it has lasted the hour that the species file asks for."""
    assert decide(since(hours, 34.0), 31.0).state is state


def test_a_breath_of_wind_does_not_end_a_spell() -> None:
    """A dip of a few minutes within a hot hour changes nothing."""
    dip: Curve = lambda h: 30.0 if -0.5 < h < -0.43 else 34.0 if h >= -1.5 else 27.0  # noqa: E731
    assert decide(dip, 31.0).severity is Severity.MODERATE


def test_shade_is_advised_from_the_side_of_the_sun() -> None:
    """In the afternoon the sun stands in the west: shade from there, and now."""
    verdict = decide(since(1.5, 34.0), 30.0)
    assert verdict.advice is not None
    assert (verdict.advice.action, verdict.urgency) == ("shade", Urgency.IMMEDIATE)
    assert verdict.advice.holds_until == THREE + 90 * MINUTE
    assert verdict.numbers["spell_h"] == pytest.approx(1.5, abs=0.1)
    assert decide(since(0.5, 38.5), 35.0).numbers["spell_h"] == pytest.approx(0.5, abs=0.1)
    azimuth, elevation = verdict.numbers["sun_azimuth_deg"], verdict.numbers["sun_elevation_deg"]
    assert isinstance(azimuth, float)
    assert isinstance(elevation, float)
    assert 225 < azimuth < 280
    assert 30 < elevation < 60
    assert "airflow" not in verdict.numbers


def test_ambient_near_the_tier_asks_for_air_too() -> None:
    """Where the air outside has the tier itself, shade alone can't cool below it: the advice adds airflow."""
    verdict = decide(since(1.5, 34.0), 32.5)
    assert verdict.advice is not None
    assert verdict.advice.action == "shade"
    assert verdict.numbers["airflow"] is True
    assert verdict.numbers["shade_limit"] is True
    assert verdict.numbers["keeper_heat"] is True


def test_what_the_keeper_did_is_not_asked_again() -> None:
    """Shaded since yesterday: shade is not advised; more air is, or a better place."""
    shaded = [entry(What.SHADED, THREE - 26 * HOUR)]
    near = decide(since(1.5, 34.0), 32.6, entries=shaded)
    assert near.advice is not None
    assert near.advice.action == "add airflow"
    far = decide(since(1.5, 34.0), 30.0, entries=shaded)
    assert far.advice is not None
    assert far.advice.action == "move to shade"


def test_shade_is_given_half_an_hour() -> None:
    """Just shaded: nothing more is asked, but the heat is not called over."""
    verdict = decide(since(1.5, 34.0), 30.0, entries=[entry(What.SHADED, THREE - 15 * MINUTE)])
    assert (verdict.state, verdict.severity, verdict.advice) == (State.BREACH, Severity.MODERATE, None)


def test_shade_that_did_not_help_leads_to_a_move() -> None:
    """The offset is what it was, under the same sun, 40 minutes after shading: move it into real shade."""
    verdict = decide(since(2, 34.5), 31.0, entries=[entry(What.SHADED, THREE - 40 * MINUTE)])
    assert verdict.advice is not None
    assert verdict.advice.action == "move to shade"
    assert (verdict.numbers["shade_helped"], verdict.numbers["shade_failed"]) == ("no", True)


def test_after_shade_and_air_a_bearable_heat_is_borne() -> None:
    """The keeper has shaded and aired: at 33 °C nothing more is asked, above 36 °C a cooler place still is."""
    told = Told(RULE)
    shaded = [entry(What.SHADED, THREE - 26 * HOUR)]
    for step in range(24):
        now = THREE - 2 * HOUR + step * 5 * MINUTE
        told.at(now, evidence(RULE, pair(34.0, 32.8, now), now, entries=shaded))
    assert told.verdicts[-1].reason == "add airflow"
    done = [*shaded, entry(What.DONE, THREE, subject="overheating/birch")]
    for step in range(12):
        now = THREE + step * 5 * MINUTE
        told.at(now, evidence(RULE, pair(34.0, 32.8, now), now, entries=done))
    assert (told.verdicts[-1].reason, told.verdicts[-1].advice) == ("endure", None)
    now = THREE + HOUR
    worse = told.at(now, evidence(RULE, pair(37.0, 35.5, now), now, entries=done))
    assert worse.advice is not None
    assert worse.advice.action == "move to shade"


def test_a_day_that_heads_for_the_tier_is_told_in_time() -> None:
    """At eleven the day is heading for 35 °C: shade before the tier is reached, not after."""
    now = (NOON - 1 * HOUR).replace(minute=30, second=0)
    verdict = decide(day(36.5, 19.0, now), day(35.0, 18.0, now), now)
    assert verdict.advice is not None
    assert verdict.advice.by is not None
    assert (verdict.reason, verdict.urgency) == ("shade", Urgency.EXPECTED)
    assert verdict.certainty in (Certainty.LIKELY, Certainty.POSSIBLE)
    assert now + 15 * MINUTE <= verdict.advice.by <= NOON + 2 * HOUR
    assert verdict.advice.by.minute % 15 == 0
    curve = day(36.5, 19.0, now)
    assert curve((verdict.advice.by - now) / HOUR) <= 33.3, "the deadline lies before the tier"


def test_what_is_shaded_and_heads_for_the_tier_is_told_with_its_numbers() -> None:
    """Nothing can be done beforehand: a note, with the tier, the peak, and what was looked at for more."""
    now = (NOON - 1 * HOUR).replace(minute=30, second=0)
    verdict = decide(day(36.5, 19.0, now), day(35.0, 18.0, now), now, entries=[entry(What.SHADED, now - 26 * HOUR)])
    assert (verdict.reason, verdict.severity, verdict.advice) == ("expected", Severity.MINOR, None)
    assert verdict.numbers["tier_c"] == 33.0
    assert verdict.numbers["peak_c"] > 34.0
    assert verdict.numbers["expected"] is True


def test_a_deadline_that_was_told_is_not_put_off() -> None:
    """Nobody shades: the deadline of the first telling stays in every later verdict, and once it has passed it is overdue."""
    told = Told(RULE)
    start = (NOON - 1 * HOUR).replace(minute=30, second=0)
    for step in range(42):
        now = start + step * 5 * MINUTE
        told.at(now, evidence(RULE, pair(day(35.5, 19.0, now), day(34.0, 18.0, now), now), now))
    first, *repeats = told.notices
    assert first.concern.verdict.advice is not None
    due = first.concern.verdict.advice.by
    assert due is not None
    asked = [v for v in told.verdicts if v.at >= first.at and v.advice is not None and v.advice.action == "shade"]
    assert {v.advice.by for v in asked if v.advice} == {due, None}
    for verdict in asked:
        late = moment(verdict.numbers.get("overdue_at"))
        assert late == (due if verdict.at >= due else None), verdict.at
    assert [n.telling for n in repeats] == [Telling.AGAIN, Telling.AGAIN], "before the deadline, and after it"
    assert repeats[0].at < due < repeats[1].at


def test_what_is_told_first_leaves_a_quarter_of_an_hour() -> None:
    """The dwell does not eat into the deadline: from the telling to it, at least 15 minutes."""
    for minutes in range(-60, 150, 30):
        told = Told(RULE)
        for step in range(4):
            now = NOON.replace(minute=30, second=0) + (minutes + 5 * step) * MINUTE
            told.at(now, evidence(RULE, pair(day(35.5, 19.0, now), day(34.0, 18.0, now), now), now))
        for notice in told.notices:
            by = notice.concern.verdict.advice.by if notice.concern.verdict.advice else None
            assert by is None or by - notice.at >= 15 * MINUTE


def test_a_warm_day_that_stays_bearable_is_not_announced() -> None:
    """Heading for 30 °C: nothing is said all morning."""
    for minutes in range(-240, 180, 5):
        now = NOON + minutes * MINUTE
        assert decide(day(30.0, 16.0, now), day(29.0, 16.0, now), now).state is State.FINE


@given(st.floats(22, 29), st.floats(0.0, 2.0))
@settings(max_examples=15, deadline=None)
def test_no_announced_peak_is_beyond_an_ordinary_swing(peak: float, offset: float) -> None:
    """Whatever the day, no peak is announced that a clear day's course would not reach, nor any below the tier."""
    for minutes in range(-210, 180, 30):
        now = (NOON + minutes * MINUTE).replace(minute=0, second=0)
        air = day(peak, 12.0, now)
        verdict = decide(plus(air, offset), air, now)
        assert verdict.state is State.FINE, (verdict.numbers, minutes)


def test_a_cloud_at_noon_does_not_end_what_was_announced() -> None:
    """A cool half hour before the day's warmest: the concern stays, and no second warning follows."""
    told = Told(RULE)
    start = (NOON - 90 * MINUTE).replace(minute=0, second=0)
    for step in range(40):
        now = start + step * 5 * MINUTE
        cloudy = NOON <= now < NOON + 30 * MINUTE
        curve = day(36.5, 19.0, now)
        inside = plus(curve, -2.0, 0.3) if cloudy else curve
        told.at(now, evidence(RULE, pair(inside, day(35.0, 18.0, now), now), now))
    assert [n.telling for n in told.notices if n.telling is not Telling.AGAIN] == [Telling.OPENED]


def test_a_heat_that_passes_by_itself_is_no_task() -> None:
    """Late in the day and falling fast, 33 °C is over within the hour: a note, no advice."""
    now = NOON + 5 * HOUR
    verdict = decide(lambda h: 33.2 - 0.8 * h, 31.0, now)
    assert (verdict.reason, verdict.severity, verdict.advice) == ("passing", Severity.MINOR, None)


def test_below_the_tier_in_the_evening_nothing_new_is_asked() -> None:
    """Within the hysteresis and cooling, past the day's warmest: a note, whatever was told before."""
    told = Told(RULE)
    told.at(THREE, evidence(RULE, pair(since(2, 34.0), 30.0, THREE), THREE))
    now = THREE + 90 * MINUTE
    verdict = told.at(now, evidence(RULE, pair(lambda h: 32.3 - 0.3 * h, 30.0, now), now))
    assert (verdict.reason, verdict.severity, verdict.advice) == ("passing", Severity.MINOR, None)


def test_a_tier_holds_until_it_is_clearly_left() -> None:
    """Within a degree below the tier the concern neither ends nor is breached anew; two below, it is fine."""
    told = Told(RULE)
    told.at(THREE, evidence(RULE, pair(since(2, 34.0), 30.0, THREE), THREE))
    now = THREE + 30 * MINUTE
    held = told.at(now, evidence(RULE, pair(since(0.3, 32.4, 34.0), 29.0, now), now))
    assert held.state is State.BREACH
    now += 30 * MINUTE
    assert told.at(now, evidence(RULE, pair(since(0.6, 31.5, 34.0), 29.0, now), now)).state is State.FINE


def test_no_hours_are_told_of_a_tier_that_only_holds() -> None:
    """Half a kelvin below the tier the breach holds, but "0 h above 33 °C" is nothing to say."""
    told = Told(RULE)
    told.at(THREE, evidence(RULE, pair(since(1.6, 33.8), 31.0, THREE), THREE))
    later = THREE + 30 * MINUTE
    held = told.at(later, evidence(RULE, pair(lambda h: 32.5 if h > -0.4 else 33.8, 31.0, later), later))
    assert held.numbers["observed"]
    assert "spell_h" not in held.numbers


@pytest.mark.outside
def test_an_unshielded_probe_is_not_called_air() -> None:
    """12 °C above ambient on an open mesh is the sun on the probe: unknown, not 38 °C of air.

    Source: Maclean et al. (2021), Methods in Ecology and Evolution, abstract: unshielded sensors err by up to 25 °C;
    Terando et al. (2017), Ecology and Evolution, abstract: by 0.8–3 °C even in makeshift shields.
    """
    verdict = decide(since(3, 38.0), 26.0)
    assert (verdict.state, verdict.reason) == (State.UNKNOWN, "probe in the sun")


def test_a_sunlit_probe_hides_no_real_heat() -> None:
    """At 31 °C ambient even the most that is plausible in the cage is a tier: it is told, with the doubt."""
    verdict = decide(since(3, 44.0), 31.5)
    assert verdict.state is State.BREACH
    assert verdict.severity >= Severity.SEVERE
    assert verdict.certainty is Certainty.LIKELY
    assert verdict.numbers["probe_doubt"] is True


def test_a_box_is_judged_by_its_heat() -> None:
    """A closed box 9 K above ambient is plausible: its 36.5 °C is Severe, and its lid is to be opened."""
    box = enclosure(kind=Kind.CLEAR_BOX, open_fraction=0.0)
    verdict = decide(since(2, 36.5), 27.5, cages=[box])
    assert verdict.severity is Severity.SEVERE
    assert verdict.numbers["closed_box"] is True


def test_an_empty_enclosure_is_a_note() -> None:
    """By the ledger nobody is in it while others are elsewhere: Minor. A ledger without animals proves nothing."""
    cages = [enclosure(), enclosure("alder")]
    assert decide(since(2, 37.0), 33.0, cages=cages, cohorts=[cohort("alder")]).severity is Severity.MINOR
    assert decide(since(2, 37.0), 33.0, cages=cages).severity is Severity.SEVERE


def test_what_is_sheltered_needs_air_not_shade() -> None:
    """In a shed the sun is not on it: more air is advised."""
    verdict = decide(since(2, 34.0), 29.0, entries=[entry(What.SHELTERED, THREE - HOUR)])
    assert verdict.advice is not None
    assert verdict.advice.action == "add airflow"


def test_the_configuration_outranks_the_species() -> None:
    """A keeper's own tier and duration count for that enclosure."""
    own = {"moderate_c": 30.0, "moderate_after_min": 20.0}
    assert decide(since(0.6, 31.0), 28.0, parameters=own).severity is Severity.MODERATE
    assert decide(since(0.2, 31.0), 28.0, parameters=own).state is State.FINE


def cooled(now: datetime, unshaded: bool = False, others: dict[str, Concern] | None = None) -> Verdict:
    """Shade was put up in the heat of the afternoon, and it is cool at `now`."""
    was = Verdict("overheating", "birch", State.BREACH, NOON, "shade", Severity.MODERATE, advice=Advice("shade"))
    heat = Concern("larkfield", "overheating", "birch", Standing.ANSWERED, was, NOON, opened_at=NOON, tellings=1)
    on = [entry(What.SHADED, NOON + HOUR), *([entry(What.UNSHADED, now - HOUR)] if unshaded else [])]
    return decide(24.0, 23.0, now, entries=on, concern=heat, others=others or {})


def test_nobody_is_sent_for_the_shade_in_the_dark() -> None:
    """By day the shade comes off at a low sun, in the late light at once, from half an hour before sunset in the morning.

    The sun sets at 20:22 local time (00:22 UTC) on that day at that place, within a few minutes.
    """
    sunset = NOON.replace(hour=0, minute=22) + timedelta(days=1)
    found = {
        minutes: next(name for name in ("off_at", "off_now", "off_morning") if decided.numbers.get(name))
        for minutes, decided in ((m, cooled(sunset + m * MINUTE)) for m in (-240, -60, -20, 50, 240))
    }
    assert found == {-240: "off_at", -60: "off_now", -20: "off_morning", 50: "off_morning", 240: "off_morning"}
    late = cooled(sunset - 60 * MINUTE)
    assert late.advice is not None
    assert late.advice.holds_until is not None
    assert late.advice.holds_until <= sunset + 10 * MINUTE


def test_the_shade_is_left_to_the_storm_and_not_asked_for_twice() -> None:
    """Under signs of a storm the storm speaks of the shade cloth; where it is off already nobody speaks of it."""
    now = NOON + 5 * HOUR
    assert cooled(now).advice is not None
    assert cooled(now, unshaded=True).advice is None
    storm = Verdict("storm", "birch", State.BREACH, now, "unshade", Severity.MODERATE, advice=Advice("unshade"))
    others = {"storm/birch": Concern("larkfield", "storm", "birch", Standing.OPEN, storm, now, opened_at=now)}
    assert cooled(now, others=others).advice is None
    others["storm/birch"] = replace(others["storm/birch"], verdict=replace(storm, state=State.FINE))
    assert cooled(now, others=others).advice is not None


def test_the_end_says_whether_the_shade_helped_and_when_it_comes_off() -> None:
    """Told, shaded, cooled under the same sun: the last word says that the shade works and until when it stays."""
    told = Told(RULE)
    shaded_at = THREE - 30 * MINUTE
    on = [entry(What.SHADED, shaded_at)]

    for step in range(72):
        now = THREE - 1 * HOUR + step * 5 * MINUTE
        shaded_h = max(0.0, (now - shaded_at) / HOUR)
        inside = plus(lambda h: 34.2, -3.0, shaded_h)
        known: Evidence = evidence(RULE, pair(inside, 30.2, now), now, entries=on if now >= shaded_at else [])
        told.at(now, known)
    last = told.notices[-1]
    assert (last.telling, last.concern.standing) == (Telling.OVER, Standing.OVER)
    verdict = last.concern.verdict
    assert verdict.advice is not None
    assert (verdict.reason, verdict.advice.action) == ("shaded", "unshade")
    assert (verdict.numbers["shade_helped"], verdict.numbers["helped_yes"]) == ("yes", True)
    assert verdict.numbers["offset_before_k"] == pytest.approx(4.0)
    assert isinstance(verdict.numbers["off_at"], str)


@pytest.mark.parametrize(
    "doubt", [Doubt.IMPOSSIBLE, Doubt.POWER_ON, Doubt.JUMP, Doubt.CLOCK, Doubt.FUTURE, Doubt.STUCK]
)
def test_readings_that_cant_be_used_are_no_readings(doubt: Doubt) -> None:
    """With nothing but unusable readings the inside is unknown, however hot they look."""
    verdict = RULE.decide(evidence(RULE, pair(45.0, 30.0, THREE, doubts=int(doubt)), THREE), THREE)
    assert (verdict.state, verdict.reason) == (State.UNKNOWN, "no inside")


def test_without_ambient_heat_is_still_judged() -> None:
    """A silent post takes the comparison away, not the thermometer."""
    series = {"inside": pair(since(2, 36.5), 30.0, THREE)["inside"]}
    verdict = RULE.decide(evidence(RULE, series, THREE), THREE)
    assert verdict.severity is Severity.SEVERE
    assert "offset_k" not in verdict.numbers


def test_enclosures_that_warm_alike_speak_at_one_moment() -> None:
    """An early warning begins on the half hour, an observed tier on the quarter: so alike cages make one message."""
    begun = []
    for minutes in range(-120, 60, 5):
        now = (NOON + minutes * MINUTE).replace(second=0)
        if decide(day(36.5, 19.0, now), day(35.0, 18.0, now), now).reason == "shade":
            begun.append(now.minute % 30)
    assert begun
    assert all(minute < 5 for minute in begun)
