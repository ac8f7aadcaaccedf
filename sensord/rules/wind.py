"""Wind: an ordinary breeze already is more than what an enclosure holds. One decisive request for ballast, on a fair day.

It is told when there is no storm about, so that nobody must be asked to carry bricks when there is. While a storm's
concern stands or a strong gust blows, `storm` speaks alone.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from enum import StrEnum
from types import MappingProxyType

from pydantic import Field

from sensord import actions
from sensord.model import Number, Severity, State, Verdict
from sensord.rules import Evidence, Need, Per, Unclear
from sensord.rules._anchoring import is_draped, is_safe
from sensord.rules._animals import has_pupae, is_empty
from sensord.rules._bounds import Bounds
from sensord.rules._deadlines import deadline, kept
from sensord.rules._manners import FAIR_DAY
from sensord.rules._readings import breach, fine, round_up, seconds, unknown
from sensord.rules._storm_signs import gusts_of, is_wet, wind_needs

NAME = "wind"
LEAD = timedelta(hours=2)
WINDOW_S = 1800.0


class Reason(StrEnum):
    """What this rule can say."""

    ANCHOR = "anchor"
    PEG_OR_SHELTER = "peg or shelter"
    SAFE = "safe"
    LEFT_TO_STORM = "left to storm"
    HELD = "held"


class Thresholds(Bounds):
    """When a breeze matters. What holds an enclosure is as in `storm`."""

    moved = MappingProxyType(
        {
            "design_gust_m_s": ("storm", 15.0),
            "gust_height_factor": ("storm", 0.85),
            "safety_factor": ("storm", 1.5),
            "brick_kg": ("storm", 2.0),
            "largest_ballast_kg": ("storm", 20.0),
        }
    )

    least_gust_m_s: float = Field(6, ge=2, le=20, description="gusts below this move nothing [m/s]; chosen")
    strong_gust_m_s: float = Field(10.8, ge=5, le=30, description="from here on nobody is sent out [m/s]; as in storm")
    times: int = Field(
        3, ge=1, le=60, description="readings in half an hour that must exceed what it holds [1]; chosen"
    )
    hysteresis_ratio: float = Field(
        0.8, ge=0.3, le=1, description="it holds down to this share of the gust [1]; chosen"
    )


class Wind:
    """Ordinary gusts against what the enclosure holds."""

    name = NAME
    per = Per.ENCLOSURE
    every = timedelta(minutes=10)
    manner = FAIR_DAY
    reasons = Reason
    advises = (actions.ANCHOR, actions.PEG_OR_SHELTER)
    Parameters = Thresholds

    def needs(self, parameters: Thresholds) -> tuple[Need, ...]:
        """The wind at the post."""
        return wind_needs()

    def decide(self, evidence: Evidence, now: datetime) -> Verdict:
        """Held, or too light for a breeze."""
        p: Thresholds = evidence.parameters
        stand, held = evidence.stand, evidence.held
        if stand is None or held is None:
            return unknown(NAME, evidence, now, Unclear.NO_ENCLOSURE)
        gusts, estimated = gusts_of(evidence, now)
        recent = gusts.since(seconds(now) - max(WINDOW_S, 3 * gusts.interval_s)).values
        if not recent:
            return unknown(NAME, evidence, now, Unclear.NO_WIND_GAUGE)
        holds = held.gust_m_s(is_wet(evidence, now))
        facts: dict[str, Number | datetime] = {
            "gust_m_s": max(recent),
            "gust_estimated": estimated or None,
            "holds_m_s": holds,
            "ballast_kg": stand.ballast_kg,
            "draped": is_draped(stand) or None,
            **kept(evidence),
        }
        if is_safe(stand):
            return fine(NAME, evidence, now, Reason.SAFE, facts)
        storm = evidence.others.get(f"storm/{evidence.subject}")
        told_by_storm = storm is not None and storm.verdict.state is State.BREACH and storm.verdict.advice is not None
        if told_by_storm or max(recent) >= p.strong_gust_m_s:
            return fine(NAME, evidence, now, Reason.LEFT_TO_STORM, facts, easing=True)
        level = max(p.least_gust_m_s, holds)
        if sum(1 for gust in recent if gust >= level) < min(p.times, len(recent)):
            return fine(NAME, evidence, now, Reason.HELD, facts, easing=max(recent) >= p.hysteresis_ratio * level)
        action, more = held.to_hold(held.by.design_gust_m_s, False)
        if action is None:
            return fine(NAME, evidence, now, Reason.HELD, facts)  # it is ready for more, once the shade cloth is off
        severity = Severity.MINOR if is_empty(evidence) else Severity.MODERATE
        by, due = deadline(evidence, action.word, round_up(now + LEAD), now)
        facts |= {"expected_gust_m_s": held.by.design_gust_m_s, "pupae": has_pupae(stand) or None, **due}
        advice = action.advice(by, by or now + LEAD)
        return breach(NAME, evidence, now, Reason(action.word), severity, advice, facts | more)


RULE = Wind()
