"""The deadline of an action stays what was told first. Where it has passed, nothing later is told: it is overdue."""

from __future__ import annotations

from datetime import datetime, timedelta

from sensord.model import Concern, State, What
from sensord.rules import Evidence
from sensord.rules._readings import Findings, moment, remembered

FORGOTTEN_AFTER = timedelta(hours=8)
"""What was due yesterday, and has been fine since, is not held against the keeper today."""


def told_deadline(evidence: Evidence, action: str) -> datetime | None:
    """The deadline that was told first for `action`, since it was last done; None where none was told."""
    was = evidence.concern
    if was is None:
        return None
    asked_at, asked = _said(was)
    if asked_at is None:
        return None
    if was.answer is What.DONE and was.answered_at is not None and was.answered_at >= asked_at:
        return None  # it was done: what is asked for from now on is another matter
    if remembered(evidence, "due_of") == action:
        return moment(remembered(evidence, "due_at"))
    advice = was.verdict.advice
    return advice.by if asked == action and advice is not None and advice.action == action else None


def _said(was: Concern) -> tuple[datetime | None, str]:
    """When it was told, or put on its way, and the action; what is withheld binds nobody."""
    if was.asked is not None and not was.asked.withheld:
        return was.asked.at, was.asked.action
    return was.told_at, was.told_action


def kept(evidence: Evidence) -> Findings:
    """What every verdict carries on, so that the deadline is still known when the same is asked for again."""
    if evidence.concern is None:
        return {}
    of = remembered(evidence, "due_of")
    action = of if isinstance(of, str) else _said(evidence.concern)[1]
    due = told_deadline(evidence, action)
    return {"due_of": action, "due_at": due} if due is not None else {}


def deadline(evidence: Evidence, action: str, fresh: datetime, now: datetime) -> tuple[datetime | None, Findings]:
    """Until when: what was told, else `fresh`; None and `overdue_at` where it has passed. With what is to be carried on."""
    due = told_deadline(evidence, action)
    rested = evidence.concern is not None and evidence.concern.verdict.state is State.FINE
    if due is None or (rested and now - due > FORGOTTEN_AFTER):
        return fresh, {"by_at": fresh, "due_of": None, "due_at": None}
    by = due if due > now else None
    return by, {"by_at": by, "overdue_at": None if by else due, "due_of": action, "due_at": due}
