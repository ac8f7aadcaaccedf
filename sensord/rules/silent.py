"""Silent: a probe that should report does not, or sends only what no computation can use.

When all of them are silent it is not the probes, and `watch` speaks; when only the air at the post is missing, `ambient`
does. So one missing thing makes one message.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from enum import StrEnum

from sensord import actions
from sensord.model import AMBIENT, Doubt, Number, Probe, Quantity, Severity, Verdict
from sensord.rules import Evidence, Need, Per, Unclear
from sensord.rules._manners import WATCHING
from sensord.rules._readings import breach, fine, seconds, unknown
from sensord.rules._tracks import REFUSED
from sensord.rules._watching import Patience, tells_ambient, title_of

NAME = "silent"
NONSENSE = REFUSED & ~int(Doubt.CLOCK | Doubt.FUTURE)
"""A wrong date is for `clock` to tell."""
LOOKBACK = timedelta(minutes=45)
HOLDS = timedelta(hours=24)
LOOKED_AT = {Quantity.TEMPERATURE: "temperature", Quantity.HUMIDITY: "humidity", Quantity.PRESSURE: "pressure"}
"""Quantities that never stand still: wind may well be 0.0 for an hour."""


class Reason(StrEnum):
    """What this rule can say."""

    SILENT = "silent"
    STUCK = "stuck"
    UNUSABLE = "unusable"
    HEARD = "heard"


class Silent:
    """Whether a probe is heard, and tells anything."""

    name = NAME
    per = Per.PROBE
    every = timedelta(minutes=5)
    manner = WATCHING
    reasons = Reason
    advises = (actions.CHECK_PROBE,)
    Parameters = Patience

    def needs(self, parameters: Patience) -> tuple[Need, ...]:
        """What the probe sent lately."""
        return tuple(Need(name, "subject", quantity, LOOKBACK) for quantity, name in LOOKED_AT.items())

    def decide(self, evidence: Evidence, now: datetime) -> Verdict:
        """Heard, silent, or talking nonsense."""
        probe, watch = evidence.probe, evidence.watch
        if probe is None or watch is None:
            return unknown(NAME, evidence, now, Unclear.NOTHING_KNOWN)
        heard = watch.heard_at(probe)
        facts: dict[str, Number | datetime] = {
            "probe": probe.name,
            "place": title_of(evidence.stands, probe.place) if probe.place != AMBIENT else None,
            "heard_at": heard,
            "at_post": (probe.place == AMBIENT) or None,
            "never": (probe.name not in watch.last_heard) or None,
        }
        if not watch.connected or watch.all_silent(evidence.probes, now):
            return unknown(NAME, evidence, now, Unclear.NOTHING_IS_HEARD, facts)
        why = Reason.SILENT if watch.is_silent(probe, now) else _nonsense(evidence, probe, now)
        if why is None:
            return fine(NAME, evidence, now, Reason.HEARD, facts)
        if tells_ambient(probe) and _is_only_ambient(evidence, probe, now):
            return unknown(NAME, evidence, now, Unclear.LEFT_TO_AMBIENT, facts)
        advice = actions.CHECK_PROBE.advice(holds_until=now + HOLDS)
        return breach(NAME, evidence, now, why, Severity.MODERATE, advice, facts)


RULE = Silent()


def _is_only_ambient(evidence: Evidence, probe: Probe, now: datetime) -> bool:
    """Whether no other probe tells the temperature at the post."""
    watch = evidence.watch
    assert watch is not None
    others = [p for p in evidence.probes if p.name != probe.name and tells_ambient(p)]
    return watch.all_silent(others, now)


def _nonsense(evidence: Evidence, probe: Probe, now: datetime) -> Reason | None:
    """What is wrong with all of a probe's latest readings; None if any of them can be used."""
    latest_s = seconds(now) - max(900.0, 4 * probe.interval_s)
    found = None
    for seen in (s for need in LOOKED_AT.values() for s in evidence.series.get(need, ())):
        doubts = seen.doubts_since(latest_s)
        if len(doubts) >= 3 and all(d & NONSENSE for d in doubts):
            found = Reason.STUCK if all(d & int(Doubt.STUCK) for d in doubts) else Reason.UNUSABLE
    return found
