"""Heat that is expected, that is just over, or that is borne: what is said then, and how urgently."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

import pytest

from sensord.model import Advice, Concern, Severity, Standing, State, Verdict, What
from sensord.rules._readings import moment
from sensord.rules.overheating import RULE
from tests.rules.scenes import NOON, Curve, cohort, enclosure, entry, evidence, pair
from tests.rules.test_overheating import THREE, day, decide, plus

MINUTE, HOUR = timedelta(minutes=1), timedelta(hours=1)
FORENOON = (NOON - HOUR).replace(minute=30, second=0)


def standing(severity: Severity, since: datetime = NOON) -> Concern:
    """A matter of heat that was told."""
    was = Verdict("overheating", "birch", State.BREACH, since, "shade", severity, advice=Advice("shade"))
    return Concern("larkfield", "overheating", "birch", Standing.OPEN, was, since, opened_at=since, tellings=1)


@pytest.mark.parametrize(("minutes", "state"), [(7.5, State.FINE), (2.5, State.BREACH)])
def test_what_was_hot_is_over_with_two_cool_spans_of_five_minutes(minutes: float, state: State) -> None:
    """Spans of the clock: at 20:37 those from 20:30 and from 20:35 on. One of them may be a breath of wind."""
    assert (THREE.minute, THREE.second) == (37, 0)
    cooled: Curve = lambda h: 31.0 if 60 * h > -minutes else 34.0 if h > -2.0 else 27.0  # noqa: E731  # reads best as one
    assert decide(cooled, 28.0).state is state


def test_the_hours_of_a_warm_day_are_still_told_when_it_is_cool() -> None:
    """What asks for nothing is a record of the day, whatever it is like now."""
    evening: Curve = lambda h: 24.0 if h > -1.0 else 31.0 if h > -4.0 else 24.0  # noqa: E731
    assert decide(evening, 23.0).numbers["recorded_h"] == pytest.approx(3.0, abs=0.1)


@pytest.mark.parametrize(("ambient_c", "limited"), [(34.0, True), (29.5, None)])
def test_what_shade_can_do_is_judged_by_the_afternoons_air(ambient_c: float, limited: bool | None) -> None:
    """In the forenoon the air is cool; whether it will have the tier itself by three decides what is said of the shade."""
    air = day(ambient_c, 18.0, FORENOON)
    verdict = decide(plus(air, 35.0 - ambient_c), air, FORENOON)
    assert verdict.reason == "shade"
    assert verdict.numbers.get("shade_limit") is limited


def test_heat_is_expected_without_a_shaded_post_too() -> None:
    """The inside's own course tells; nothing is said of what shade can do."""
    series = {"inside": pair(day(36.5, 19.0, FORENOON), 20.0, FORENOON)["inside"]}
    verdict = RULE.decide(evidence(RULE, series, FORENOON), FORENOON)
    assert verdict.reason == "shade"
    assert "shade_limit" not in verdict.numbers


def test_shade_is_asked_for_before_the_sun_adds_anything() -> None:
    """In the forenoon an enclosure behind a hedge is as warm as the air: the sun may come round by the afternoon."""
    air = day(36.5, 19.0, FORENOON)
    assert decide(air, air, FORENOON).reason == "shade"


@pytest.mark.parametrize(("peak_c", "reason"), [(33.4, "shade"), (33.0, "cool")])
def test_what_was_expected_stays_so_down_to_the_tier(peak_c: float, reason: str) -> None:
    """It takes a margin to be told first: a course that wavers does not make the phone waver."""
    air = day(30.0, 18.0, FORENOON)
    inside, concern = plus(air, peak_c - 30.0), standing(Severity.MODERATE, FORENOON - 10 * MINUTE)
    assert decide(inside, air, FORENOON, concern=concern).reason == reason
    assert decide(inside, air, FORENOON).state is State.FINE


def test_a_bearable_heat_that_is_borne_is_a_note() -> None:
    """Shaded and aired: it stands, and nobody is called."""
    asked = replace(standing(Severity.MODERATE), told_action="add airflow", answer=What.DONE)
    shaded = [entry(What.SHADED, THREE - 26 * HOUR)]
    borne = decide(34.0, 32.8, entries=shaded, concern=asked)
    assert (borne.reason, borne.severity) == ("endure", Severity.MINOR)


def test_where_no_tier_asks_for_anything_no_end_is_put_off() -> None:
    """A species whose heat is only recorded: fine is fine."""
    known = evidence(RULE, pair(31.0, 29.0, THREE), THREE, concern=standing(Severity.MODERATE))
    assert known.limits is not None
    recorded = replace(known.limits, tiers=known.limits.tiers[:1])
    verdict = RULE.decide(known._replace(limits=recorded), THREE)
    assert (verdict.state, verdict.easing) == (State.FINE, False)


def test_shade_that_comes_off_within_half_an_hour_comes_off_now() -> None:
    """A time is told from half an hour on; told at a full quarter, it is never sooner, and sometimes just that."""
    ahead = set()
    for days in range(8):
        for quarters in range(12):
            now = (NOON + timedelta(days=days, hours=5)).replace(minute=0, second=0) + quarters * 15 * MINUTE
            on = [entry(What.SHADED, now - 3 * HOUR)]
            concern = standing(Severity.MODERATE, now - 4 * HOUR)
            verdict = decide(24.0, 23.0, now, entries=on, concern=concern)
            at = moment(verdict.numbers.get("off_at"))
            ahead |= {at - now} if at is not None else set()
    assert min(ahead) == 30 * MINUTE


def test_where_no_animals_are_it_is_expected_without_a_call() -> None:
    """A note of the day; nobody needs to shade a cage that the ledger knows to be empty."""
    air = day(36.5, 19.0, FORENOON)
    cages, cohorts = [enclosure("birch"), enclosure("alder")], [cohort("alder")]
    verdict = decide(plus(air, 3.0), air, FORENOON, cages=cages, cohorts=cohorts)
    assert (verdict.reason, verdict.severity, verdict.advice) == ("expected", Severity.MINOR, None)


def test_heat_says_how_long_it_has_lasted_and_its_advice_holds_for_an_hour_and_a_half() -> None:
    """From a few minutes on."""
    air: Curve = lambda h: 38.0 if h > -0.5 else 26.0  # noqa: E731  # reads best as one
    verdict = decide(plus(air, 3.0), air)
    assert verdict.numbers["spell_h"] == pytest.approx(0.5, abs=0.1)
    assert verdict.advice is not None
    assert verdict.advice.holds_until == THREE + timedelta(minutes=90)
