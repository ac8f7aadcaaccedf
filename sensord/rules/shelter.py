"""Shelter: what was taken out of the wind or indoors comes back out as soon as it is calm, for the sake of the cues.

Days indoors, even three as pupae, cost butterflies of the last generation their bearings [TengerTrolander2019]: hours
are enough. This rule says so once the wind has dropped and nothing foretells a storm.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from enum import StrEnum

from pydantic import Field

from sensord import actions
from sensord.model import Hazard, Number, Severity, Verdict
from sensord.rules import Evidence, Need, Per, Unclear
from sensord.rules._animals import has_pupae, is_empty
from sensord.rules._manners import USUAL
from sensord.rules._readings import Bounds, breach, fine, seconds, unknown
from sensord.rules._storm_signs import gusts_of, storm_asks, wind_needs

NAME = "shelter"
UNSEEN = 3.0
"""Where no gauge tells the wind, so many times the patience. Chosen."""


class Reason(StrEnum):
    """What this rule can say."""

    TOO_LONG = "too long"
    IN_ITS_PLACE = "in its place"
    SHELTERED = "sheltered"


class Thresholds(Bounds):
    """When to go back out. All chosen."""

    after_h: float = Field(2, ge=0.5, le=48, description="sheltered for so long [h]; chosen")
    calm_gust_m_s: float = Field(8, ge=2, le=20, description="and no gust above this within an hour [m/s]; chosen")


class Shelter:
    """Whether an enclosure has been out of its place for longer than needed."""

    name = NAME
    per = Per.ENCLOSURE
    every = timedelta(minutes=15)
    manner = replace(USUAL, hazard=Hazard.WIND)
    reasons = Reason
    advises = (actions.RETURN,)
    Parameters = Thresholds

    def needs(self, parameters: Thresholds) -> tuple[Need, ...]:
        """The wind at the post."""
        return wind_needs()

    def decide(self, evidence: Evidence, now: datetime) -> Verdict:
        """In its place, rightly sheltered, or sheltered for too long."""
        p: Thresholds = evidence.parameters
        stand = evidence.stand
        if stand is None:
            return unknown(NAME, evidence, now, Unclear.NO_ENCLOSURE)
        if stand.sheltered_at is None:
            return fine(NAME, evidence, now, Reason.IN_ITS_PLACE)
        gusts, _ = gusts_of(evidence, now)
        recent = gusts.last_hour(seconds(now)).values
        blows = max(recent, default=0.0) >= p.calm_gust_m_s
        stormy = storm_asks(evidence)
        facts: dict[str, Number | datetime] = {
            "sheltered_at": stand.sheltered_at,
            "sheltered_h": (now - stand.sheltered_at).total_seconds() / 3600.0,
            "pupae": has_pupae(stand) or None,
            "calm": bool(recent) or None,
            "unseen": not recent or None,
        }
        patience = timedelta(hours=p.after_h if recent else UNSEEN * p.after_h)
        if blows or stormy or now - stand.sheltered_at < patience:
            return fine(NAME, evidence, now, Reason.SHELTERED, facts, easing=True)
        severity = Severity.MINOR if is_empty(evidence) else Severity.MODERATE
        advice = actions.RETURN.advice(holds_until=now + timedelta(hours=3))
        return breach(NAME, evidence, now, Reason.TOO_LONG, severity, advice, facts)


RULE = Shelter()
