"""Frost: a night that gets, or is likely to get, as cold as the species should not have it."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from enum import StrEnum

from pydantic import Field

from sensord import actions
from sensord.model import Certainty, Hazard, Number, Quantity, Severity, Site, State, Urgency, Verdict
from sensord.rules import Evidence, Need, Per, Unclear
from sensord.rules._animals import has_pupae, is_empty
from sensord.rules._manners import USUAL
from sensord.rules._readings import Bounds, breach, fine, middle, seconds, slope_per_h, track, unknown
from sensord.rules._sky import sun_times

NAME = "frost"
LOOKBACK = timedelta(hours=2)


class Reason(StrEnum):
    """What this rule can say."""

    NOW = "now"
    EXPECTED = "expected"
    MILD = "mild"


class Thresholds(Bounds):
    """When a night is cold; the limit itself is the species'."""

    frost_c: float | None = Field(
        None, ge=-30, le=15, description="protect at or below this [°C]; default: species file"
    )
    watch_above_k: float = Field(
        8, ge=1, le=20, description="a night is looked ahead only this close to it [K]; chosen"
    )
    margin_k: float = Field(0.5, ge=0, le=5, description="the night must be heading for so much less [K]; chosen")
    hysteresis_k: float = Field(1, ge=0.1, le=5, description="it holds until it is so much warmer [K]; chosen")


class Frost:
    """Cold nights."""

    name = NAME
    per = Per.ENCLOSURE
    every = timedelta(minutes=15)
    manner = replace(USUAL, hazard=Hazard.FROST)
    reasons = Reason
    advises = (actions.PROTECT_FROM_FROST,)
    Parameters = Thresholds

    def needs(self, parameters: Thresholds) -> tuple[Need, ...]:
        """The temperature inside."""
        return (Need("inside", "subject", Quantity.TEMPERATURE, LOOKBACK),)

    def decide(self, evidence: Evidence, now: datetime) -> Verdict:
        """Mild, on its way to frost, or there."""
        p: Thresholds = evidence.parameters
        if evidence.stand is None or evidence.limits is None:
            return unknown(NAME, evidence, now, Unclear.NO_SPECIES)
        inside = track(evidence, "inside", now, -60, 90)
        inside_c = middle(inside.since(seconds(now) - max(900.0, 2.5 * inside.interval_s)))
        if inside_c is None or not inside.is_fresh(seconds(now)):
            return unknown(NAME, evidence, now, Unclear.NO_INSIDE)
        limit_c = evidence.limits.frost_c if p.frost_c is None else p.frost_c
        facts: dict[str, Number | datetime] = {
            "inside_c": inside_c,
            "frost_c": limit_c,
            "pupae": has_pupae(evidence.stand) or None,
        }
        severity = Severity.MINOR if is_empty(evidence) else Severity.MODERATE
        if inside_c <= limit_c:
            advice = actions.PROTECT_FROM_FROST.advice(holds_until=now + timedelta(hours=3))
            return breach(NAME, evidence, now, Reason.NOW, severity, advice, facts)
        near = inside_c <= limit_c + p.watch_above_k
        night = _night(evidence.site, now) if near else None
        slope = slope_per_h(inside) if night is not None else None
        was = evidence.concern
        standing = was is not None and was.verdict.state is State.BREACH
        if night is not None and slope is not None:
            lowest_c = inside_c + coming_drop_k(slope, *night)
            if lowest_c <= limit_c - (-p.hysteresis_k if standing else p.margin_k):
                facts["lowest_c"] = lowest_c
                by = now + timedelta(hours=1.5)
                advice = actions.PROTECT_FROM_FROST.advice(by=by, holds_until=now + timedelta(hours=6))
                facts["by_at"] = by
                return breach(
                    NAME, evidence, now, Reason.EXPECTED, severity, advice, facts, Urgency.EXPECTED, Certainty.POSSIBLE
                )
        return fine(NAME, evidence, now, Reason.MILD, facts, easing=inside_c <= limit_c + p.hysteresis_k)


RULE = Frost()


def coming_drop_k(slope_k_h: float, since_sunset_h: float, night_h: float) -> float:
    """How much colder it will be at sunrise, from how fast it cools now; not above 0.

    A clear calm night cools by the square root of the time since sunset: with slope s at t hours, 2 s √t (√T − √t) is
    still to come of a night of T hours. Brunt's law of nocturnal cooling, from memory.
    """
    root = math.sqrt(max(since_sunset_h, 0.01))
    return min(0.0, 2.0 * slope_k_h * root * (math.sqrt(max(night_h, since_sunset_h)) - root))


def _night(site: Site, now: datetime) -> tuple[float, float] | None:
    """Hours since sunset and length of the night, from an hour after sunset on; None by day."""
    local = now.astimezone(UTC) + timedelta(hours=site.longitude_deg / 15.0)
    for day in (local.date(), local.date() - timedelta(days=1)):
        times = sun_times(site.latitude_deg, site.longitude_deg, day)
        if times is None:
            continue
        night_h = 24.0 - (times.sunset - times.sunrise).total_seconds() / 3600.0
        since_h = (now - times.sunset).total_seconds() / 3600.0
        if 1.0 <= since_h < night_h:
            return since_h, night_h
    return None
