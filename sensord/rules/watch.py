"""Watch: nobody is watching, because the broker is not reached, no probe at all is heard, nothing can be stored, or a rule
fails."""

from __future__ import annotations

from datetime import datetime, timedelta
from enum import StrEnum

from pydantic import Field

from sensord import actions
from sensord.model import Number, Severity, Verdict
from sensord.rules import Evidence, Need, Per, Unclear
from sensord.rules._bounds import Bounds
from sensord.rules._manners import WATCHING
from sensord.rules._readings import breach, fine, unknown
from sensord.rules._watching import NO_PATIENCE_HERE

NAME = "watch"
HOLDS = timedelta(hours=24)


class Reason(StrEnum):
    """What this rule can say."""

    A_RULE_FAILS = "a rule fails"
    NO_BROKER = "no broker"
    NOTHING_IS_HEARD = "nothing is heard"
    NOTHING_IS_STORED = "nothing is stored"
    RECONNECTING = "reconnecting"
    WATCHING = "watching"


class Thresholds(Bounds):
    """How long nobody may be watching."""

    moved = NO_PATIENCE_HERE

    unstored_min: float = Field(5, ge=1, le=1440, description="unable to store anything for so long [min]; chosen")
    disconnected_min: float = Field(10, ge=1, le=1440, description="without the broker for so long [min]; chosen")


class Watching:
    """Whether anything is heard at all."""

    name = NAME
    per = Per.SITE
    every = timedelta(minutes=5)
    manner = WATCHING
    reasons = Reason
    advises = (actions.CHECK_WATCH,)
    Parameters = Thresholds

    def needs(self, parameters: Thresholds) -> tuple[Need, ...]:
        """Nothing but the watching itself."""
        return ()

    def decide(self, evidence: Evidence, now: datetime) -> Verdict:
        """Watching, or not."""
        p: Thresholds = evidence.parameters
        watch = evidence.watch
        if watch is None or not evidence.probes:
            return unknown(NAME, evidence, now, Unclear.NOTHING_KNOWN)
        last = max(watch.heard_at(probe) for probe in evidence.probes)
        facts: dict[str, Number | datetime] = {"heard_at": last, "probes_count": len(evidence.probes)}
        advice = actions.CHECK_WATCH.advice(holds_until=now + HOLDS)
        full = watch.unstored_since
        if full is not None and now - full > timedelta(minutes=p.unstored_min):
            # Severe: only that goes out although it can't be stored itself
            return breach(
                NAME, evidence, now, Reason.NOTHING_IS_STORED, Severity.SEVERE, advice, {**facts, "unstored_at": full}
            )
        since = watch.disconnected_since or watch.running_since
        if not watch.connected:
            facts["disconnected_at"] = since
            if now - since > timedelta(minutes=p.disconnected_min):
                return breach(NAME, evidence, now, Reason.NO_BROKER, Severity.MODERATE, advice, facts)
            return fine(NAME, evidence, now, Reason.RECONNECTING, facts, easing=True)
        if watch.all_silent(evidence.probes, now):
            return breach(NAME, evidence, now, Reason.NOTHING_IS_HEARD, Severity.MODERATE, advice, facts)
        if watch.failing:
            facts["failing"] = ", ".join(watch.failing)
            return breach(NAME, evidence, now, Reason.A_RULE_FAILS, Severity.MODERATE, advice, facts)
        return fine(NAME, evidence, now, Reason.WATCHING, facts)


RULE = Watching()
