"""A deadline that was told stays what it was, until it was done or has been let rest."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest

from sensord.model import Advice, Asked, Concern, Severity, Standing, State, Telling, Unsaid, Verdict, What
from sensord.rules import Evidence
from sensord.rules._deadlines import deadline, kept, told_deadline
from tests.rules.scenes import NOON, SITE

MINUTE, HOUR = timedelta(minutes=1), timedelta(hours=1)
BY, FRESH = NOON + HOUR, NOON + 3 * HOUR
TOLD_AT = NOON - HOUR
BREACH = Verdict("storm", "birch", State.BREACH, NOON, "anchor", Severity.MODERATE, advice=Advice("anchor", BY))
ON_ITS_WAY = Asked(TOLD_AT, Telling.OPENED, Severity.MODERATE, "anchor")
REMEMBERED = {"due_of": "anchor", "due_at": BY.isoformat()}


def of(verdict: Verdict = BREACH, told: str = "anchor", **changes: Any) -> Evidence:
    """Evidence with a concern of which the phone was told at `TOLD_AT`."""
    concern = Concern(SITE.name, "storm", "birch", Standing.OPEN, verdict, TOLD_AT)
    if told:
        concern = replace(concern, told_at=TOLD_AT, told_action=told)
    return Evidence(SITE, "birch", None, concern=replace(concern, **changes))


WITHHELD = replace(ON_ITS_WAY, withheld=next(iter(Unsaid)))
CASES = {
    "told": (of(), BY),
    "on its way": (of(told="", asked=ON_ITS_WAY), BY),
    "never told": (of(told=""), None),
    "withheld binds nobody": (of(told="", asked=WITHHELD), None),
    "told, and a repeat withheld": (of(asked=WITHHELD), BY),
    "another action told": (of(told="peg or shelter"), None),
    "another action advised by now": (of(replace(BREACH, advice=Advice("uncover", BY))), None),
    "nothing advised by now": (of(replace(BREACH, advice=None)), None),
    "advised, remembered": (of(replace(BREACH, advice=None, numbers=REMEMBERED)), BY),
    "remembered of another action": (of(replace(BREACH, numbers={**REMEMBERED, "due_of": "uncover"})), BY),
    "done since": (of(answer=What.DONE, answered_at=TOLD_AT + MINUTE), None),
    "done at that very instant": (of(answer=What.DONE, answered_at=TOLD_AT), None),
    "done before": (of(answer=What.DONE, answered_at=TOLD_AT - MINUTE), BY),
    "not now": (of(answer=What.NOT_NOW, answered_at=TOLD_AT + MINUTE), BY),
}


@pytest.mark.parametrize("case", CASES)
def test_which_deadline_was_told(case: str) -> None:
    """The first that reached the phone, or is about to, for the same action; none once it was done."""
    evidence, due = CASES[case]
    assert told_deadline(evidence, "anchor") == due


def test_what_is_carried_on_is_of_the_action_that_was_told() -> None:
    """So that the deadline is known when the same is asked for again, whatever is asked for in between."""
    assert kept(of()) == {"due_of": "anchor", "due_at": BY}
    between = replace(BREACH, advice=Advice("stay in"), numbers=REMEMBERED)
    assert kept(of(between, told="stay in")) == {"due_of": "anchor", "due_at": BY}
    for nothing in (of(told=""), Evidence(SITE, "birch", None)):
        assert kept(nothing) == {}
        assert told_deadline(nothing, "anchor") is None


def test_it_stays_until_it_has_passed_and_is_overdue_from_then_on() -> None:
    """To the very instant; without one that was told it is the fresh one."""
    nothing = {"by_at": FRESH, "due_of": None, "due_at": None}
    assert deadline(of(told=""), "anchor", FRESH, NOON) == (FRESH, nothing)
    told = {"due_of": "anchor", "due_at": BY}
    before = deadline(of(), "anchor", FRESH, BY - MINUTE)
    assert before == (BY, {"by_at": BY, "overdue_at": None, **told})
    for now in (BY, BY + 30 * HOUR):
        assert deadline(of(), "anchor", FRESH, now) == (None, {"by_at": None, "overdue_at": BY, **told})


def test_what_was_due_yesterday_and_has_been_fine_since_is_forgotten() -> None:
    """Eight hours after it, once it is fine; what still stands is still overdue."""
    rested = of(replace(BREACH, state=State.FINE, numbers=REMEMBERED))
    assert deadline(rested, "anchor", FRESH, BY + 8 * HOUR)[0] is None
    assert deadline(rested, "anchor", FRESH, BY + 8 * HOUR + MINUTE)[0] == FRESH
