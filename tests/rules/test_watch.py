"""Watch: one missing thing makes one message, and nobody is told "fine" of what nobody sees."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from sensord.model import (
    Severity,
    State,
    Verdict,
)
from sensord.rules import ambient, clock, watch
from tests.rules.scenes import NOON, evidence
from tests.rules.scenes import watch as watching
from tests.rules.watched import CAGES, HOUR, MINUTE, PROBES, SECOND, about, heard


def anybody(**changes: Any) -> Verdict:
    """Whether anybody watches."""
    known = evidence(
        watch.RULE, {}, NOON, subject="", cages=CAGES, probes=PROBES, watch=watching(NOON, heard(), **changes)
    )
    return watch.RULE.decide(known, NOON)


def test_nobody_watches_without_broker_or_probes() -> None:
    """Ten minutes without the broker, or silence from all: told, with since when."""
    assert anybody().reason == "watching"
    short = anybody(connected=False, disconnected_since=NOON - 5 * MINUTE)
    assert (short.state, short.easing) == (State.FINE, True)
    away = anybody(connected=False, disconnected_since=NOON - 15 * MINUTE)
    assert (away.reason, away.severity) == ("no broker", Severity.MODERATE)
    gone = anybody(last_heard={p.name: NOON - HOUR for p in PROBES})
    assert gone.advice is not None
    assert (gone.reason, gone.advice.action) == ("nothing is heard", "check watch")
    assert anybody(last_heard={"birch-1": NOON}).state is State.FINE


def test_nobody_watches_to_the_second() -> None:
    """Five minutes without being able to store anything, ten without the broker; from the start where it never was."""
    for minutes, changes, before, after in (
        (5, {"unstored_since": NOON}, "watching", "nothing is stored"),
        (10, {"connected": False, "disconnected_since": NOON}, "reconnecting", "no broker"),
        (10, {"connected": False, "running_since": NOON}, "reconnecting", "no broker"),
    ):
        for more, reason in ((timedelta(), before), (SECOND, after)):
            since = NOON - minutes * MINUTE - more
            verdict = anybody(**{k: since if v is NOON else v for k, v in changes.items()})
            assert verdict.reason == reason
        assert verdict.advice is not None
        assert verdict.advice.holds_until == NOON + 24 * HOUR
    assert verdict.numbers["probes_count"] == 4
    full = anybody(unstored_since=NOON - HOUR)
    assert (full.severity, full.numbers["unstored_at"]) == (Severity.SEVERE, (NOON - HOUR).isoformat())


def test_a_rule_that_fails_is_named() -> None:
    """Where all else is well."""
    verdict = anybody(failing=("storm/birch", "wind/birch"))
    assert (verdict.reason, verdict.numbers["failing"]) == ("a rule fails", "storm/birch, wind/birch")


def test_one_outage_is_one_message() -> None:
    """Everything silent: of all the watching rules, `watch` alone is in breach."""
    gone = watching(NOON, {p.name: NOON - HOUR for p in PROBES})
    verdicts = [about(p, watch=gone) for p in PROBES]
    for rule in (ambient.RULE, clock.RULE, watch.RULE):
        known = evidence(rule, {}, NOON, subject="", cages=CAGES, probes=PROBES, watch=gone)
        verdicts.append(rule.decide(known, NOON))
    assert [v.rule for v in verdicts if v.state is State.BREACH] == ["watch"]
