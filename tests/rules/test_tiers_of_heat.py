"""When `overheating` speaks, and of which tier, to the minute and to the point."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

import pytest

from sensord.model import Advice, Certainty, Concern, Severity, Standing, State, Verdict, What
from sensord.rules._sky import low_sun_at, solar_hour
from sensord.rules.overheating import RULE
from tests.rules.scenes import NOON, SITE, Curve, cohort, enclosure, entry, evidence, pair

MINUTE, HOUR = timedelta(minutes=1), timedelta(hours=1)
THREE = NOON + 3 * HOUR


def decide(inside: Curve | float, ambient: Curve | float, now: datetime = THREE, **more: Any) -> Verdict:
    return RULE.decide(evidence(RULE, pair(inside, ambient, now), now, **more), now)


def since(minutes: int, warm: float, before: float = 27.0) -> Curve:
    return lambda h: warm if round(-60 * h) <= minutes else before


def standing(state: State = State.BREACH, since: datetime = NOON, **numbers: Any) -> Concern:
    was = Verdict(
        "overheating", "birch", state, NOON, "shade", Severity.MODERATE, numbers=numbers, advice=Advice("shade")
    )
    return Concern(SITE.name, "overheating", "birch", Standing.OPEN, was, since)


@pytest.mark.parametrize(("minute", "least"), [(45, 64), (46, 65), (59, 78)])
def test_a_moderate_tier_counts_as_of_the_last_full_quarter(minute: int, least: int) -> None:
    """An hour of means of five minutes, and what has passed of the quarter: enclosures that warm alike speak together."""
    now = NOON.replace(hour=20, minute=minute)
    states = [decide(since(minutes, 34.0), 31.0, now).state for minutes in (least - 1, least)]
    assert states == [State.FINE, State.BREACH]


def test_a_severe_tier_does_not_wait_for_the_quarter() -> None:
    """Its time counts to the minute, whatever the clock says."""
    least = {
        minute: next(
            m
            for m in range(50, 90)
            if decide(since(m, 36.5), 33.0, NOON.replace(hour=20, minute=minute)).severity >= Severity.SEVERE
        )
        for minute in (45, 59)
    }
    assert abs(least[45] - least[59]) <= 5


@pytest.mark.parametrize(
    ("inside_c", "numbers", "state"),
    [
        (32.0, {"tier_c": 33.0, "observed": True}, State.BREACH),
        (31.99, {"tier_c": 33.0, "observed": True}, State.FINE),
        (32.5, {"tier_c": 32.9, "observed": True}, State.FINE),  # of a lower tier
        (32.5, {"tier_c": 33.0}, State.FINE),  # it was only expected
        (32.5, {"tier_c": "33", "observed": True}, State.FINE),
    ],
)
def test_a_tier_holds_for_a_degree(inside_c: float, numbers: dict[str, Any], state: State) -> None:
    """Once it was reached, until it is a degree cooler."""
    assert decide(inside_c, 30.0, concern=standing(**numbers)).state is state
    assert decide(inside_c, 30.0, concern=standing(State.FINE, **numbers)).state is State.FINE
    assert decide(inside_c, 30.0).state is State.FINE


def test_of_all_tiers_that_hold_the_worst_is_told() -> None:
    """With its temperature, and how long it has lasted."""
    verdict = decide(since(120, 36.5), 33.0)
    assert (verdict.severity, verdict.numbers["tier_c"]) == (Severity.SEVERE, 36.0)
    assert verdict.numbers["spell_h"] == pytest.approx(2.0, abs=0.1)
    assert verdict.advice is not None
    assert verdict.advice.holds_until == THREE + 90 * MINUTE


@pytest.mark.parametrize(
    ("inside", "now", "passing"),
    [
        (lambda h: 33.5 - 0.6 * h, THREE, True),  # within the hour it will be at the tier
        (lambda h: 33.5 - 0.4 * h, THREE, False),
        (lambda h: 33.5 - 0.6 * h, THREE - 4 * MINUTE, False),  # not before the warmest hour
        (lambda h: 34.5 - 0.1 * h, NOON + 5.5 * HOUR, True),  # in the evening whatever cools
        (lambda h: 34.5 - 0.1 * h, NOON + 5.4 * HOUR, False),
        (lambda h: 34.5, NOON + 5.5 * HOUR, False),
        (lambda h: 37.5 - 3.0 * h, NOON + 5.5 * HOUR, False),  # Severe is not borne
    ],
)
def test_what_passes_by_itself(inside: Curve, now: datetime, passing: bool) -> None:
    """Past the warmest hour, and cooling to the tier within the hour, or in the evening at all."""
    assert (decide(inside, 32.0, now).reason == "passing") is passing


def test_what_lies_below_the_tier_already_passes() -> None:
    """However slowly it cools; by the slope of an hour."""
    held = {"concern": standing(tier_c=33.0, observed=True)}
    assert decide(lambda h: 32.5 - 0.01 * h, 32.0, **held).reason == "passing"
    assert decide(lambda h: 32.5 + 0.01 * h, 32.0, **held).reason != "passing"
    assert decide(lambda h: 32.5 - 0.01 * h if h >= -1.0 else 20.0, 32.0, **held).reason == "passing"
    assert decide(lambda h: 32.5 - 0.01 * h if h >= -0.95 else 32.3, 32.0, **held).reason != "passing"


@pytest.mark.parametrize(
    ("inside_c", "concern", "reason", "easing"),
    [
        (32.0, None, "warm", True),  # within a degree of the first tier that asks for something
        (31.99, None, "warm", False),
        (29.0, None, "warm", False),
        (28.99, None, "cool", False),
    ],
)
def test_what_is_warm_and_what_is_nearly_too_warm(
    inside_c: float, concern: Concern | None, reason: str, easing: bool
) -> None:
    """29 °C are recorded; the first tier that asks for something is 33 °C."""
    verdict = decide(inside_c, inside_c - 1.0, concern=concern)
    assert (verdict.reason, verdict.easing) == (reason, easing)


@pytest.mark.parametrize(
    ("inside_c", "now", "easing"),
    [(27.0, NOON, True), (26.99, NOON, False), (27.0, THREE - 4 * MINUTE, True), (27.0, THREE, False)],
)
def test_a_cloud_ends_no_hot_day(inside_c: float, now: datetime, easing: bool) -> None:
    """What stands before the warmest hour stands, within six degrees of the tier; where nothing stands nothing does."""
    assert decide(inside_c, 26.0, now, concern=standing()).easing is easing
    assert decide(inside_c, 26.0, now).easing is False


# --- on the way to a tier -----------------------------------------------------------------------------------------------


def day(peak: float, low: float, now: datetime) -> Curve:
    """A half cosine from the sun's 5:30 to its 15:00, seen from `now`."""

    def curve(h: float) -> float:
        solar = 12.0 + (now - NOON) / HOUR + h
        way = min(1.0, max(0.0, (solar - 5.5) / 9.5))
        return low + (peak - low) * (1.0 - math.cos(math.pi * way)) / 2.0

    return curve


HALF = (NOON - HOUR).replace(minute=30, second=0)
EARLY = {"ahead_h": 6.0}


def expected(now: datetime = HALF, peak: float = 36.5, **more: Any) -> Verdict:
    more.setdefault("parameters", EARLY)
    return decide(day(peak, 19.0, now), day(peak - 1.5, 18.0, now), now, **more)


def test_a_warning_begins_on_the_half_hour_and_stands_from_then_on() -> None:
    """In its first five minutes, so that enclosures that warm alike make one message."""
    begun = [m for m in range(30) if expected(HALF + m * MINUTE).state is State.BREACH]
    assert begun == [0, 1, 2, 3, 4]
    assert all(expected(HALF + m * MINUTE, concern=standing()).state is State.BREACH for m in range(30))


def tier(c: float, **more: float) -> dict[str, Any]:
    """The tier that asks for something first, as configured."""
    return {"parameters": {"moderate_c": round(c, 6), **EARLY, **more}}


def test_a_day_must_head_for_more_than_the_tier() -> None:
    """By 0.7 K to be told; once told, down to 0.3 K below it. Two kelvin above it is likely."""
    peak_c = expected().numbers["peak_c"]
    assert isinstance(peak_c, float)
    for above_k, concern, state in (
        (0.71, None, State.BREACH),
        (0.69, None, State.FINE),
        (-0.29, standing(), State.FINE),
        (0.01, standing(), State.BREACH),
        (0.69, standing(State.FINE), State.FINE),
    ):
        assert expected(concern=concern, **tier(peak_c - above_k)).state is state
    likely = [expected(**tier(peak_c - above_k)).certainty for above_k in (2.01, 1.99)]
    assert likely == [Certainty.LIKELY, Certainty.POSSIBLE]


def test_a_tier_is_warned_of_when_it_is_near_in_time() -> None:
    """So many hours before as configured, and an hour more once it was told; never where none is configured, nor of what
    lies eight degrees above."""
    deadline = expected().numbers
    assert deadline["expected"] is True
    inside_c = deadline["inside_c"]
    assert isinstance(inside_c, float)
    hours = [h / 20 for h in range(1, 120)]
    least = {
        told: next(h for h in hours if expected(concern=concern, **tier(33.0, ahead_h=h)).state is State.BREACH)
        for told, concern in ((False, None), (True, standing()))
    }
    assert least[False] - least[True] == pytest.approx(1.0, abs=0.051)
    assert expected(parameters={"ahead_h": 0.0}).state is State.FINE
    for above_k, state in ((7.99, State.BREACH), (8.01, State.FINE)):
        own = tier(at_half_past(42.0, HALF - HOUR) + above_k, severe_c=50.0, extreme_c=60.0)
        assert expected(HALF - HOUR, 42.0, **own).state is state


def at_half_past(peak: float, now: datetime = HALF) -> float:
    """The temperature inside at that time of such a day."""
    inside_c = expected(now, peak).numbers["inside_c"]
    assert isinstance(inside_c, float)
    return inside_c


def test_a_deadline_is_the_full_quarter_before_the_tier_and_a_quarter_of_an_hour_is_given() -> None:
    """Told as long as it leaves time; what it is worth ends an hour and a half after it."""
    advice = expected().advice
    assert advice is not None
    assert advice.by is not None
    assert (advice.by.minute % 15, advice.by.second) == (0, 0)
    assert advice.holds_until == advice.by + 90 * MINUTE
    curve = day(36.5, 19.0, HALF)
    assert curve((advice.by - HALF) / HOUR) <= 33.1 <= curve((advice.by + 20 * MINUTE - HALF) / HOUR) + 0.4
    soon = expected(**tier(at_half_past(36.5) + 0.1)).advice
    assert soon is not None
    assert soon.by == HALF + 15 * MINUTE
    between = HALF + 3 * MINUTE
    later = expected(between, **tier(at_half_past(36.5) + 0.3)).advice
    assert later is not None
    assert later.by == HALF + 30 * MINUTE


def test_what_else_is_expected_is_a_note() -> None:
    """Shaded already, or empty: it is known, nobody is sent."""
    shaded = expected(entries=[entry(What.SHADED, HALF - 24 * HOUR)])
    assert (shaded.reason, shaded.severity, shaded.advice) == ("expected", Severity.MINOR, None)
    empty = expected(cages=[enclosure(), enclosure("alder")], cohorts=[cohort("alder")])
    assert (empty.reason, empty.severity) == ("expected", Severity.MINOR)


# --- what the probe in the sun hides, and the end ---------------------------------------------------------------------


@pytest.mark.parametrize(("inside_c", "reason"), [(33.0, "probe in the sun"), (32.99, "cool")])
def test_a_doubtful_probe_matters_where_what_it_shows_would(inside_c: float, reason: str) -> None:
    """Its newest reading at the first tier that asks for something."""
    assert decide(inside_c, 22.0).reason == reason


def ended(now: datetime, shaded_at: datetime = NOON + HOUR, **changes: Any) -> Verdict:
    """The heat is over at `now`, and shade was put up in it."""
    concern = replace(standing(), **{"fine_since": NOON, **changes})
    return decide(24.0, 23.0, now, entries=[entry(What.SHADED, shaded_at)], concern=concern)


def test_only_shade_that_was_put_up_in_this_heat_is_spoken_of() -> None:
    """From its beginning on."""
    now = NOON + 4 * HOUR
    assert ended(now, NOON).reason == "shaded"
    assert ended(now, NOON - MINUTE).reason == "cool"


def test_when_the_shade_can_come_off() -> None:
    """When the sun stands at 15 degrees, if that is half an hour away at least; before sunset at once; then in the morning."""
    evening = [NOON + m * MINUTE for m in range(300, 420)]
    told = {now: ended(now) for now in evening}
    sets = {now: low_sun_at(SITE, now, 0.0) for now in evening}
    for now, verdict in told.items():
        low_at, sunset = low_sun_at(SITE, now, 15.0), sets[now]
        assert verdict.advice is not None
        morning = sunset is None or sunset - now <= 30 * MINUTE
        at_once = not morning and (low_at is None or low_at - now < 30 * MINUTE)
        assert verdict.numbers.get("off_morning") is (True if morning else None)
        assert verdict.numbers.get("off_now") is (True if at_once else None)
        assert ("off_at" in verdict.numbers) is not (morning or at_once)
        if morning:
            assert verdict.advice.holds_until == now + 12 * HOUR
        else:
            off_at = now if at_once or low_at is None else low_at
            assert sunset is not None
            assert verdict.advice.holds_until == min(off_at + 90 * MINUTE, sunset)
    assert {bool(v.numbers.get(k)) for v in told.values() for k in ("off_at", "off_now", "off_morning")} == {
        True,
        False,
    }


@pytest.mark.parametrize(("minute", "waits"), [(0, False), (4, False), (5, True), (29, True), (30, False), (35, True)])
def test_an_end_waits_for_company(minute: int, waits: bool) -> None:
    """Until the next half hour, where it has not begun to be fine."""
    now = (NOON + 4 * HOUR).replace(minute=minute)
    assert ended(now, fine_since=None).easing is waits
    assert ended(now, fine_since=NOON).easing is False


def test_solar_three_is_the_warmest() -> None:
    """What stands at the head of this file."""
    assert 15.0 <= solar_hour(SITE, THREE) < 15.1
