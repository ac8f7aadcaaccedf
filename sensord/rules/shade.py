"""Shade left on: when the shade that the keeper put on can come off again. Said once, in its own time.

Sun and swinging temperatures are cues that make migrants, so shade is for hot hours. It may stay on through a hot spell:
this rule speaks on an evening after a cool day, or on a morning that will not get hot. Shade that was there from the start
(a tree, a wall) is nobody's task.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from enum import StrEnum

from pydantic import Field

from sensord import actions
from sensord.model import AMBIENT, Hazard, Number, Quantity, Severity, State, Verdict
from sensord.rules import Evidence, Need, Per, Unclear
from sensord.rules._kinds import EXPECTED
from sensord.rules._manners import NOTE
from sensord.rules._readings import Bounds, breach, fine, middle, seconds, track, unknown
from sensord.rules._sky import course, is_afternoon, low_sun_at, sky_at, solar_hour
from sensord.rules._storm_signs import storm_asks
from sensord.rules._tracks import NOTHING

NAME = "shade"
LOOKBACK = timedelta(hours=6)
HOLDS = timedelta(hours=4)
AT_LEAST_ON = timedelta(hours=2)
LAST_OFF = timedelta(minutes=30)
"""From so long before sunset on it waits for the morning. Chosen."""


class Reason(StrEnum):
    """What this rule can say."""

    EVENING = "evening"
    MORNING = "morning"
    NO_SHADE_TO_TAKE_OFF = "no shade to take off"
    SHADED = "shaded"
    LEFT_TO_STORM = "left to storm"


class Thresholds(Bounds):
    """When a day counts as cool. All chosen."""

    cool_day_c: float = Field(30, ge=15, le=40, description="a day is cool that stays below this inside [°C]; chosen")
    low_sun_deg: float = Field(15, ge=0, le=40, description="the evening begins when the sun stands so low [°]; chosen")
    after_h: float = Field(9, ge=6, le=12, description="mornings are judged from this solar time on [h]; chosen")
    until_h: float = Field(21, ge=17, le=24, description="nothing is said after this solar time [h]; chosen")


class ShadeLeftOn:
    """When to take the shade off."""

    name = NAME
    per = Per.ENCLOSURE
    every = timedelta(minutes=15)
    manner = replace(NOTE, hazard=Hazard.HEAT)
    reasons = Reason
    advises = (actions.UNSHADE,)
    Parameters = Thresholds

    def needs(self, parameters: Thresholds) -> tuple[Need, ...]:
        """How warm it was and will be."""
        return (
            Need("inside", "subject", Quantity.TEMPERATURE, LOOKBACK),
            Need("ambient", AMBIENT, Quantity.TEMPERATURE, LOOKBACK),
        )

    def decide(self, evidence: Evidence, now: datetime) -> Verdict:
        """No shade, shade that is needed, or shade that can come off."""
        p: Thresholds = evidence.parameters
        stand = evidence.stand
        if stand is None:
            return unknown(NAME, evidence, now, Unclear.NO_ENCLOSURE)
        if not stand.shaded or stand.shaded_at is None or stand.sheltered_at is not None:
            return fine(NAME, evidence, now, Reason.NO_SHADE_TO_TAKE_OFF)
        facts: dict[str, Number | datetime] = {"shaded_at": stand.shaded_at}
        inside = track(evidence, "inside", now, -60, 90)
        ambient = track(evidence, "ambient", now, -60, 60)
        inside = inside if inside.is_fresh(seconds(now)) else ambient
        if not inside.is_fresh(seconds(now)):
            return unknown(NAME, evidence, now, Unclear.NO_TEMPERATURE, facts)
        facts["inside_c"] = middle(inside.since(seconds(now) - 900.0)) or inside.values[-1]
        if storm_asks(evidence):
            return fine(NAME, evidence, now, Reason.LEFT_TO_STORM, facts, easing=True)
        was = evidence.concern
        if was is not None and was.verdict.state is State.BREACH and max(inside.values[-3:]) < p.cool_day_c:
            return _off(
                evidence, now, Reason(was.verdict.reason), facts
            )  # once said, it stands until it is done or gets warm
        hour = solar_hour(evidence.site, now)
        if now - stand.shaded_at < AT_LEAST_ON or not p.after_h <= hour <= p.until_h:
            return fine(NAME, evidence, now, Reason.SHADED, facts)
        if is_afternoon(evidence.site, now):
            low = sky_at(evidence.site, now, NOTHING).elevation_deg <= p.low_sun_deg
            sunset = low_sun_at(evidence.site, now, 0.0)
            if (
                low
                and sunset is not None
                and sunset - now > LAST_OFF
                and hour >= 15.0
                and max(inside.values) < p.cool_day_c
            ):
                return _off(evidence, now, Reason.EVENING, facts)
            return fine(NAME, evidence, now, Reason.SHADED, facts)
        riser = ambient if ambient.is_fresh(seconds(now)) else inside
        way = course(evidence.site, now, riser)
        if way is None:
            return fine(NAME, evidence, now, Reason.SHADED, facts)
        kind = EXPECTED[stand.enclosure.kind]
        peak_c = riser.values[-1] + way.rise_k + (kind.high_k + kind.warm_k) / 2  # in the sun, once the shade is off
        facts["peak_c"] = peak_c
        if peak_c < p.cool_day_c:
            return _off(evidence, now, Reason.MORNING, facts)
        return fine(NAME, evidence, now, Reason.SHADED, facts)


RULE = ShadeLeftOn()


def _off(evidence: Evidence, now: datetime, reason: Reason, facts: dict[str, Number | datetime]) -> Verdict:
    sunset = low_sun_at(evidence.site, now, 0.0)
    by_day = (
        min(now + HOLDS, sunset) if sunset is not None else now + HOLDS
    )  # what still stands at night is for the morning
    advice = actions.UNSHADE.advice(holds_until=by_day)
    return breach(NAME, evidence, now, reason, Severity.MINOR, advice, facts)
