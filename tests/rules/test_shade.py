"""Shade that was left on: said once, in its own time."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

import pytest

from sensord.model import Concern, Severity, Standing, State, Telling, Verdict, What
from sensord.rules import Seen, shade
from sensord.rules._sky import course, low_sun_at, solar_hour, sun_at
from tests.rules.scenes import NOON, SITE, Curve, Told, enclosure, entry, evidence, pair

MINUTE, HOUR = timedelta(minutes=1), timedelta(hours=1)


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


EVENING = NOON + 6 * HOUR
LONG_AGO = NOON - 24 * HOUR


def told(now: datetime, curve: Curve | float = 24.0, **more: Any) -> str:
    return left_on(curve, now, LONG_AGO, **more).reason


def test_shade_is_left_on_for_two_hours_at_least() -> None:
    """To the minute."""
    assert left_on(24.0, EVENING, EVENING - 2 * HOUR).reason == "evening"
    assert left_on(24.0, EVENING, EVENING - 2 * HOUR + MINUTE).reason == "shaded"


def test_a_day_is_cool_that_stays_below_thirty_degrees() -> None:
    """Whatever it was in the six hours that are seen."""
    assert told(EVENING, 29.99) == "evening"
    assert told(EVENING, 30.0) == "shaded"
    assert told(EVENING, lambda h: 30.0 if round(60 * h) == -300 else 24.0) == "shaded"


def test_the_evening_begins_when_the_sun_is_low_and_ends_before_it_sets() -> None:
    """At 15 degrees, or as configured; from half an hour before sunset on it waits for the morning."""
    for degrees in (15.0, 25.0):
        now = next(t for t in every_minute() if told(t, parameters={"low_sun_deg": degrees}) == "evening")
        sun = [sun_at(SITE.latitude_deg, SITE.longitude_deg, t).elevation_deg for t in (now - MINUTE, now)]
        assert sun[1] <= degrees < sun[0]
    last = max(t for t in every_minute() if told(t) == "evening")
    sets = low_sun_at(SITE, last, 0.0)
    assert sets is not None
    assert sets - last == 35 * MINUTE, "the sun's setting is known to five minutes"
    assert low_sun_at(SITE, last + MINUTE, 0.0) == last + 31 * MINUTE
    advice = left_on(24.0, last, LONG_AGO).advice
    assert advice is not None
    assert advice.holds_until == sets


def every_minute() -> list[datetime]:
    """Of a late afternoon."""
    return [NOON + m * MINUTE for m in range(270, 380)]


def test_a_low_sun_at_noon_is_no_evening() -> None:
    """In winter it begins at 15 o'clock by the sun."""
    december = NOON.replace(month=12)
    low = {"low_sun_deg": 40.0}
    first = next(t for t in (december + m * MINUTE for m in range(160, 200)) if told(t, parameters=low) == "evening")
    assert solar_hour(SITE, first) >= 15.0 > solar_hour(SITE, first - MINUTE)


def test_nothing_is_said_outside_of_its_hours() -> None:
    """From 9 o'clock by the sun until as configured."""
    late = next(t for t in every_minute() if solar_hour(SITE, t) > 17.5)
    assert told(late - MINUTE, parameters={"until_h": 17.5, "low_sun_deg": 40.0}) == "evening"
    assert told(late, parameters={"until_h": 17.5, "low_sun_deg": 40.0}) == "shaded"
    mornings = [NOON + m * MINUTE for m in range(-130, -50)]
    rising: Curve = lambda h: 14.0 + 0.5 * h  # noqa: E731
    for after_h in (10.0, 11.0):
        first = next(t for t in mornings if told(t, rising, parameters={"after_h": after_h}) == "morning")
        assert solar_hour(SITE, first) >= after_h > solar_hour(SITE, first - MINUTE)


def test_a_morning_is_judged_by_what_the_cage_would_have_in_the_sun() -> None:
    """The air as warm as it will be, and between what its kind usually adds and what is too warm for it: 0.8 K and 3 K."""
    morning = NOON - 90 * MINUTE
    rising: Curve = lambda h: 20.0 + 1.5 * h  # noqa: E731
    peak_c = left_on(rising, morning, LONG_AGO).numbers["peak_c"]
    assert isinstance(peak_c, float)
    air = pair(rising, rising, morning)["ambient"][0].usable(morning.timestamp())
    way = course(SITE, morning, air)
    assert way is not None
    assert peak_c == pytest.approx(air.values[-1] + way.rise_k + 1.9, abs=0.001)
    assert told(morning, rising, parameters={"cool_day_c": peak_c + 0.01}) == "morning"
    assert told(morning, rising, parameters={"cool_day_c": peak_c - 0.01}) == "shaded"
    advice = left_on(rising, morning, LONG_AGO).advice
    assert advice is not None
    assert advice.holds_until == morning + 4 * HOUR
    assert told(morning, 20.0) == "shaded", "without a trend nothing is foretold"


def test_once_said_it_stands_until_it_is_warm() -> None:
    """By the three newest readings; it does not waver with the sun's height."""
    said = Verdict("shade", "birch", State.BREACH, NOON, "morning", Severity.MINOR)
    was = Concern(SITE.name, "shade", "birch", Standing.OPEN, said, NOON)
    for since, reason in ((3, "shaded"), (4, "morning")):
        warm: Curve = lambda h, since=since: 30.0 if round(-60 * h) == since else 29.9  # type: ignore[misc]  # noqa: E731
        assert told(NOON + HOUR, warm, concern=was) == reason
    over = replace(was, verdict=replace(said, state=State.FINE))
    assert told(NOON + HOUR, concern=over) == "shaded"


def test_without_the_inside_the_air_speaks_and_without_either_nothing_is_known() -> None:
    """What is not of now is no temperature; what is told is the middle of a quarter of an hour."""

    def said(**series: list[Seen]) -> Verdict:
        known = evidence(shade.RULE, series, EVENING, entries=[entry(What.SHADED, LONG_AGO)])
        return shade.RULE.decide(known, EVENING)

    linear: Curve = lambda h: 20.0 + h  # noqa: E731
    both = pair(linear, 10.0, EVENING)
    assert said(**both).numbers["inside_c"] == pytest.approx(20.0 - 8 / 60, abs=0.001)
    assert said(ambient=both["ambient"]).numbers["inside_c"] == 10.0
    old = pair(20.0, 10.0, EVENING - 20 * MINUTE)
    assert said(inside=old["inside"], ambient=both["ambient"]).numbers["inside_c"] == 10.0
    assert said(**old).reason == "no temperature"


def test_in_its_shelter_its_shade_is_no_matter() -> None:
    """It is judged again once it is back."""
    away = [entry(What.SHADED, LONG_AGO), entry(What.SHELTERED, NOON)]
    known = evidence(shade.RULE, pair(24.0, 24.0, EVENING), EVENING, entries=away)
    assert shade.RULE.decide(known, EVENING).reason == "no shade to take off"


def test_what_is_told_is_of_a_quarter_of_an_hour_or_the_newest() -> None:
    """Whose window ends to the second; under signs of a storm nothing that stands ends on it."""
    linear: Curve = lambda h: 20.0 + 6.0 * h  # noqa: E731
    on = [entry(What.SHADED, LONG_AGO)]

    def inside_c(ago: timedelta, **more: Any) -> Verdict:
        series = pair(linear, 20.0, EVENING - ago)
        return shade.RULE.decide(evidence(shade.RULE, series, EVENING, entries=on, **more), EVENING)

    assert inside_c(timedelta()).numbers["inside_c"] == pytest.approx(19.2)
    assert inside_c(timedelta(seconds=0.5)).numbers["inside_c"] == pytest.approx(19.25)
    assert inside_c(16 * MINUTE).numbers["inside_c"] == pytest.approx(19.9)
    storm = Verdict("storm", "birch", State.BREACH, EVENING, "unshade", Severity.MODERATE)
    others = {"storm/birch": Concern(SITE.name, "storm", "birch", Standing.OPEN, storm, EVENING)}
    assert inside_c(timedelta(), others=others).easing


@pytest.mark.parametrize(("air_k_h", "inside_k_h", "reason"), [(0.8, 4.0, "morning"), (4.0, 0.8, "shaded")])
def test_a_morning_is_judged_by_the_air_and_not_by_the_shaded_inside(
    air_k_h: float, inside_k_h: float, reason: str
) -> None:
    """What is under the shade cloth rises otherwise than the air that the enclosure will have once it is off."""
    morning = NOON - 90 * MINUTE
    series = pair(lambda h: 24.0 + inside_k_h * h, lambda h: 24.0 + air_k_h * h, morning)
    known = evidence(shade.RULE, series, morning, entries=[entry(What.SHADED, LONG_AGO)])
    assert shade.RULE.decide(known, morning).reason == reason


def test_what_stands_when_the_sun_is_down_is_for_the_next_hours() -> None:
    """There is no sunset ahead by which it would have to be done."""
    night = NOON + 10 * HOUR
    said = Verdict("shade", "birch", State.BREACH, NOON, "evening", Severity.MINOR)
    was = Concern(SITE.name, "shade", "birch", Standing.OPEN, said, NOON)
    advice = left_on(20.0, night, LONG_AGO, concern=was).advice
    assert advice is not None
    assert advice.holds_until == night + 4 * HOUR
