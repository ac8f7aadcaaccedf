"""What the concerns ask for now, what of it was answered, and what is merely worth knowing. Pure.

An answer is to what was advised when it was given: "seen" to "stay in" doesn't answer "look after".
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime

from sensord.actions import keeps_in as keeps_all_in
from sensord.concerns import is_settled, says_stay_in
from sensord.model import Concern, Entry, Standing, State, Verdict
from sensord.rules import Manner


def action_of(verdict: Verdict) -> str:
    """What it advises; "" nothing."""
    return verdict.advice.action if verdict.advice else ""


def keeps_in(concern: Concern) -> bool:
    """Whether staying in is all that it asks for."""
    action = action_of(concern.verdict)
    return says_stay_in(concern) and (not action or keeps_all_in(action))


def is_due(concern: Concern) -> bool:
    """Whether a FINE verdict's advice is for now: where it is fine only just, it may turn, but what it follows is past."""
    verdict = concern.verdict
    return bool(action_of(verdict)) and (not verdict.easing or keeps_all_in(concern.last_action))


def is_answered(concern: Concern, advised_since: datetime | None) -> bool:
    """Whether the keeper's answer is to what is advised now, which has been advised since `advised_since`."""
    if concern.standing is not Standing.ANSWERED:
        return False
    action, answered_at, told_at = action_of(concern.verdict), concern.answered_at, concern.told_at
    if not action or answered_at is None:
        return True
    asked_again = told_at is not None and told_at > answered_at and concern.tellings > 1  # whether it helped: it didn't
    if action == concern.told_action:
        return not asked_again
    if told_at is None and concern.verdict.state is State.BREACH and not keeps_all_in(action):
        return True  # it was done before it had to be told
    since = advised_since or (concern.fine_since if concern.verdict.state is State.FINE else None)
    return since is not None and answered_at >= since


def sort_of(concern: Concern, manner: Manner, advised_since: datetime | None = None) -> str:
    """Whether it is to do, answered, or known."""
    verdict = concern.verdict
    if verdict.state is State.FINE and not is_due(concern) and not keeps_in(concern):
        return "known"
    if is_answered(concern, advised_since):
        return "answered"
    if verdict.state is State.FINE or says_stay_in(concern):
        return "to_do"
    if concern.standing is Standing.ANSWERED:  # it was told: something else is to be done now
        return "to_do"
    return "to_do" if verdict.severity >= manner.tell_from else "known"


def together(concerns: Sequence[Concern], sorts: Sequence[str]) -> str:
    """The sort of those that only keep people in, as one matter: answered where the worst of them are."""
    worst = max(c.verdict.severity for c in concerns)
    return (
        "to_do"
        if "to_do" in {s for c, s in zip(concerns, sorts, strict=True) if c.verdict.severity == worst}
        else "answered"
    )


def advised_since(concern: Concern, verdicts: Iterable[Verdict]) -> datetime | None:
    """Since when its action has been advised without a break, by the verdicts that differ, ascending."""
    since: datetime | None = None
    action = action_of(concern.verdict)
    for verdict in verdicts:
        if (verdict.rule, verdict.subject) != (concern.rule, concern.subject):
            continue
        if verdict.state is State.UNKNOWN:
            continue
        if action_of(verdict) != action:
            since = None
        elif since is None:
            since = verdict.at
    return since


def is_left(concern: Concern, entries: Iterable[Entry], now: datetime) -> bool:
    """Whether what a concern asked for as it ended is still to be done: nobody answered it, and it still makes sense.

    `entries` are those since it ended.
    """
    advice, ended_at = concern.verdict.advice, concern.over_at
    if advice is None or ended_at is None or concern.verdict.state is not State.FINE:
        return False
    asked_at = concern.asked.at if concern.asked else concern.told_at
    if asked_at is None or asked_at < ended_at:
        return False
    if advice.holds_until is None or advice.holds_until <= now:
        return False
    return not is_settled(concern.key, advice.action, ended_at, entries)
