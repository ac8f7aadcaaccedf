"""Shipping: told once it is behind for long, with the server's words; silent where nothing is shipped, or all is."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

from sensord.model import Severity, State, Verdict
from sensord.rules import shipping
from tests.rules.scenes import NOON, enclosure, evidence
from tests.rules.scenes import watch as watching


def said(since: datetime | None, trouble: str = "") -> Verdict:
    """What the rule says at noon."""
    watch = replace(watching(NOON, {}), unshipped_since=since, shipping_trouble=trouble)
    return shipping.RULE.decide(evidence(shipping.RULE, {}, NOON, subject="", cages=(enclosure(),), watch=watch), NOON)


def test_behind_for_long() -> None:
    """Minor, because no animal is in danger; with since when and why."""
    verdict = said(NOON - timedelta(hours=7), "401 unauthorized " + "x" * 300)
    assert (verdict.state, verdict.severity, verdict.reason) == (State.BREACH, Severity.MINOR, "behind")
    assert verdict.numbers["behind_h"] == 7
    assert str(verdict.numbers["trouble"]).startswith("401 unauthorized")
    assert len(str(verdict.numbers["trouble"])) <= 100
    assert verdict.advice is not None
    assert verdict.advice.action == "check shipping"


def test_behind_for_a_while() -> None:
    """Within six hours it is nobody's concern yet, and one that stands does not end on it."""
    verdict = said(NOON - timedelta(hours=5))
    assert (verdict.state, verdict.easing) == (State.FINE, True)


def test_it_is_behind_from_six_hours_on_and_a_message_of_it_holds_a_day() -> None:
    """Not at six hours, but a second later; of the server's words a hundred characters are told."""
    assert said(NOON - timedelta(hours=6)).reason == "catching up"
    late = said(NOON - timedelta(hours=6, seconds=1), "x" * 101)
    assert late.advice is not None
    assert (late.reason, late.advice.holds_until) == ("behind", NOON + timedelta(hours=24))
    assert late.numbers["trouble"] == "x" * 100
    assert "trouble" not in said(NOON - timedelta(hours=7)).numbers


def test_nothing_waits() -> None:
    """Where all is shipped, or nothing is to be, all is well."""
    verdict = said(None)
    assert (verdict.state, verdict.easing) == (State.FINE, False)
