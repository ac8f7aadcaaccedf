"""Whether a concern has something to say now, and why: news at once, repeats by growing pauses. Pure."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

from sensord.actions import keeps_in
from sensord.model import (
    EPOCH,
    Advice,
    Asked,
    Concern,
    Severity,
    Standing,
    State,
    Telling,
    What,
)
from sensord.rules import Manner

PROMPTLY = timedelta(minutes=2)
"""What arrives within this was told when it was asked: a slow channel and a replay then decide alike. Chosen."""


def says_stay_in(concern: Concern) -> bool:
    """Whether this concern keeps people indoors now: until it is over, not merely until its next verdict."""
    if concern.standing not in (Standing.OPEN, Standing.ANSWERED):
        return False
    if concern.verdict.state is State.BREACH:
        return concern.verdict.advice is not None and keeps_in(concern.verdict.advice.action)
    return keeps_in(concern.last_action)


def is_answered_since(concern: Concern) -> bool:
    """Whether the keeper has answered since something was last to be said."""
    asked, answered_at = concern.asked, concern.answered_at
    return asked is not None and answered_at is not None and asked.at < answered_at


def telling_of(concern: Concern, manner: Manner, now: datetime) -> Telling | None:
    """Why to speak now, if at all. While something is asked, only what is news beside it."""
    asked = concern.asked
    if asked is None:
        return wanted_telling(concern, manner, now)
    as_if_told = _as_if_told(concern, asked)
    if is_answered_since(concern):
        return _by_what_arrived(wanted_telling(as_if_told, manner, now), concern)
    if concern.verdict.severity > asked.severity or _changed(as_if_told, manner, now):
        return wanted_telling(replace(concern, asked=None), manner, now)
    return None


def _by_what_arrived(telling: Telling | None, concern: Concern) -> Telling | None:
    """The telling as the phone must take it, where the keeper knew more than the phone."""
    if telling is None or telling is Telling.FOLLOW_UP:
        return telling
    if concern.told_at is None:
        return Telling.OPENED
    return Telling.CHANGED if telling is Telling.EASED and concern.verdict.severity >= concern.told else telling


def _as_if_told(concern: Concern, asked: Asked) -> Concern:
    """The concern as it would be if what is asked had arrived."""
    return replace(
        concern,
        told=asked.severity,
        told_action=asked.action,
        told_at=asked.at,
        tellings=max(concern.askings, concern.tellings),
        asked=None,
    )


def wanted_telling(concern: Concern, manner: Manner, now: datetime) -> Telling | None:
    """Why to speak now, by what was told; the first reason that holds."""
    severity, answered = concern.verdict.severity, concern.standing is Standing.ANSWERED
    if severity < manner.tell_from:
        return None
    if concern.told_at is None:
        if not answered or severity >= Severity.SEVERE:
            return Telling.OPENED
    elif severity > concern.told:
        return Telling.WORSE
    elif _changed(concern, manner, now):
        return Telling.EASED if severity < concern.told else Telling.CHANGED
    if answered:
        return _after_answer(concern, manner, now)
    return Telling.AGAIN if _repeat_is_due(concern, manner, now) else None


def action_of(concern: Concern) -> str:
    return concern.verdict.advice.action if concern.verdict.advice else ""


def _changed(concern: Concern, manner: Manner, now: datetime) -> bool:
    """Whether something else must be done than was told, and may be said already."""
    action = action_of(concern)
    if not action or action == concern.told_action or concern.told_at is None:
        return False
    if keeps_in(action):
        return True
    if concern.standing is Standing.ANSWERED and concern.answer is What.DONE and _settles(concern, manner, now):
        return False
    return now - concern.told_at >= manner.change_pause * concern.tellings


def _settles(concern: Concern, manner: Manner, now: datetime) -> bool:
    """Whether what was done may still help."""
    return concern.answered_at is not None and now - concern.answered_at < manner.settling


def _still_asked(concern: Concern, now: datetime) -> bool:
    """Whether what was told is still what is to be done, and there is time for it."""
    action = action_of(concern)
    same = concern.told_at is None or action == concern.told_action
    return same and not keeps_in(action) and not deadline_passed(concern.verdict.advice, now)


def _after_answer(concern: Concern, manner: Manner, now: datetime) -> Telling | None:
    assert concern.answered_at is not None
    spoken_since = concern.told_at is not None and concern.told_at > concern.answered_at
    if spoken_since or not _still_asked(concern, now):
        return None
    if concern.answer is What.NOT_NOW and now - concern.answered_at >= manner.after_not_now:
        return Telling.AGAIN if concern.told_at else Telling.OPENED
    if concern.answer is What.DONE and not _settles(concern, manner, now):
        return Telling.FOLLOW_UP
    return None


def _repeat_is_due(concern: Concern, manner: Manner, now: datetime) -> bool:
    assert concern.told_at is not None
    if concern.tellings >= manner.most_tellings[concern.verdict.severity] or not _still_asked(concern, now):
        return False
    due = concern.told_at + pause_after(concern, manner)
    advice = concern.verdict.advice
    if advice is not None and advice.by is not None:
        due = max(due, advice.by - manner.reminder)
    return now >= _on_grid(due, manner.grid)


def pause_after(concern: Concern, manner: Manner) -> timedelta:
    """The shortest time between the last telling (there was one) and a repeat."""
    pause = manner.pauses[min(concern.tellings, len(manner.pauses)) - 1]
    return pause / manner.hurry if concern.verdict.severity >= Severity.SEVERE else pause


def _on_grid(instant: datetime, grid: timedelta) -> datetime:
    """The first instant of the grid at or after `instant`."""
    return instant + (EPOCH - instant) % grid


def deadline_passed(advice: Advice | None, now: datetime) -> bool:
    if advice is None:
        return False
    return any(end is not None and end <= now for end in (advice.by, advice.holds_until))
