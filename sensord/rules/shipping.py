"""Shipping: what is measured has not reached the other database for long. Nothing is lost; the store here keeps it."""

from __future__ import annotations

from datetime import datetime, timedelta
from enum import StrEnum

from pydantic import Field

from sensord import actions
from sensord.model import Number, Severity, Verdict
from sensord.rules import Evidence, Need, Per, Unclear
from sensord.rules._manners import WATCHING
from sensord.rules._readings import Bounds, breach, fine, unknown

NAME = "shipping"
HOLDS = timedelta(hours=24)
LONGEST_TROUBLE = 100
"""Characters of a server's words that go to the phone."""


class Reason(StrEnum):
    """What this rule can say."""

    BEHIND = "behind"
    UP_TO_DATE = "up to date"
    CATCHING_UP = "catching up"


class Thresholds(Bounds):
    """How far behind it may be."""

    behind_h: float = Field(6, ge=0.25, le=24 * 90, description="the oldest reading that waits is as old [h]; chosen")


class ShippingRule:
    """Whether readings reach the other database, where one is configured."""

    name = NAME
    per = Per.SITE
    every = timedelta(minutes=15)
    manner = WATCHING
    reasons = Reason
    advises = (actions.CHECK_SHIPPING,)
    Parameters = Thresholds

    def needs(self, parameters: Thresholds) -> tuple[Need, ...]:
        """Nothing but the watching itself."""
        return ()

    def decide(self, evidence: Evidence, now: datetime) -> Verdict:
        """Up to date, or behind."""
        watch = evidence.watch
        if watch is None:
            return unknown(NAME, evidence, now, Unclear.NOTHING_KNOWN)
        since = watch.unshipped_since
        if since is None:
            return fine(NAME, evidence, now, Reason.UP_TO_DATE)
        facts: dict[str, Number | datetime] = {
            "behind_at": since,
            "behind_h": (now - since) / timedelta(hours=1),
            "trouble": watch.shipping_trouble[:LONGEST_TROUBLE] or None,
        }
        if now - since > timedelta(hours=evidence.parameters.behind_h):
            advice = actions.CHECK_SHIPPING.advice(holds_until=now + HOLDS)
            return breach(NAME, evidence, now, Reason.BEHIND, Severity.MINOR, advice, facts)
        return fine(NAME, evidence, now, Reason.CATCHING_UP, facts, easing=True)


RULE = ShippingRule()
