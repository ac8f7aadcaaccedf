"""Clock: readings are dated wrongly, by the computer's own clock or by a probe's, so nothing can be said of now."""

from __future__ import annotations

from datetime import datetime, timedelta
from enum import StrEnum

from sensord import actions
from sensord.model import AMBIENT, Doubt, Number, Quantity, Severity, Verdict
from sensord.rules import Evidence, Need, Per, Unclear
from sensord.rules._bounds import Bounds
from sensord.rules._manners import WATCHING
from sensord.rules._readings import breach, fine, seconds, unknown
from sensord.rules._watching import NO_PATIENCE_HERE

NAME = "clock"
MISDATED = int(Doubt.CLOCK | Doubt.FUTURE)
LOOKBACK = timedelta(minutes=45)
HOLDS = timedelta(hours=24)


class Reason(StrEnum):
    """What this rule can say."""

    NOT_SET = "not set"
    PROBE = "probe"
    RIGHT = "right"


class Nothing(Bounds):
    """There is nothing to choose."""

    moved = NO_PATIENCE_HERE


class ClockRule:
    """Whether readings are dated by clocks that are right."""

    name = NAME
    per = Per.SITE
    every = timedelta(minutes=5)
    manner = WATCHING
    reasons = Reason
    advises = (actions.CHECK_CLOCK,)
    Parameters = Nothing

    def needs(self, parameters: Nothing) -> tuple[Need, ...]:
        """Temperatures and pressure, for how they are dated."""
        return (
            Need("inside", "subject", Quantity.TEMPERATURE, LOOKBACK),
            Need("ambient", AMBIENT, Quantity.TEMPERATURE, LOOKBACK),
            Need("pressure", AMBIENT, Quantity.PRESSURE, LOOKBACK),
        )

    def decide(self, evidence: Evidence, now: datetime) -> Verdict:
        """Right, not set, or a probe's is wrong."""
        watch = evidence.watch
        if watch is None:
            return unknown(NAME, evidence, now, Unclear.NOTHING_KNOWN)
        advice = actions.CHECK_CLOCK.advice(holds_until=now + HOLDS)
        if not watch.clock_is_set:
            return breach(NAME, evidence, now, Reason.NOT_SET, Severity.MODERATE, advice)
        if now - watch.running_since < LOOKBACK:
            return unknown(NAME, evidence, now, Unclear.JUST_STARTED)
        wrong = sorted(_misdating(evidence, now))
        if wrong:
            facts: dict[str, Number | datetime] = {"probes": ", ".join(wrong), "probes_count": len(wrong)}
            return breach(NAME, evidence, now, Reason.PROBE, Severity.MODERATE, advice, facts)
        return fine(NAME, evidence, now, Reason.RIGHT)


RULE = ClockRule()


def _misdating(evidence: Evidence, now: datetime) -> set[str]:
    """Probes that are heard, but whose latest readings are dated elsewhere, or in the future."""
    watch = evidence.watch
    assert watch is not None
    found: set[str] = set()
    for seen in (s for all_seen in evidence.series.values() for s in all_seen):
        probe = seen.probe
        heard = watch.last_heard.get(probe.name)
        if heard is None or watch.is_silent(probe, now):
            continue
        recent_s = seconds(now) - max(1800.0, 4 * probe.interval_s)
        doubts = seen.doubts_since(recent_s)
        if 4 * probe.interval_s > LOOKBACK.total_seconds():
            continue  # it reports too rarely to tell
        if not doubts or all(d & MISDATED for d in doubts):
            found.add(probe.name)
    return found
