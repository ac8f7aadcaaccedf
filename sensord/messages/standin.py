"""When a Severe matter that nobody answers goes to the second channel. Pure."""

from __future__ import annotations

from datetime import datetime, timedelta

from sensord.actions import keeps_in
from sensord.messages.desk import Desk
from sensord.messages.drafts import draft_of
from sensord.messages.writing import groups
from sensord.model import (
    Concern,
    Message,
    Notice,
    Route,
    Severity,
    Standing,
    State,
    Telling,
    What,
)


def stand_in(desk: Desk, now: datetime) -> tuple[Message, ...]:
    """Messages for the second channel: Severe, told, and unanswered for too long (or answered with "not now")."""
    if not desk.has_stand_in:
        return ()
    patience = timedelta(minutes=desk.keeper.stand_in_after_minutes)
    late = [c for c in desk.standing.values() if _needs_stand_in(c, desk, patience, now)]
    drafts = [draft_of(g, desk, now, Route.STAND_IN) for g in groups(Notice(now, Telling.AGAIN, c) for c in late)]
    return tuple(d.message for d in drafts if not d.too_late)


def _needs_stand_in(concern: Concern, desk: Desk, patience: timedelta, now: datetime) -> bool:
    severe = concern.verdict.state is State.BREACH and concern.verdict.severity >= Severity.SEVERE
    asked_at = _severe_asked_at(concern, desk)
    if not severe or asked_at is None:
        return False
    advice = concern.verdict.advice
    if _told(concern, Route.STAND_IN, concern.verdict.severity, desk) or (advice and keeps_in(advice.action)):
        return False  # told already; or there is nothing to do but to stay in
    if concern.standing is Standing.ANSWERED:
        return concern.answer is What.NOT_NOW
    if concern.standing is not Standing.OPEN:
        return False
    return now - asked_at >= patience


def _severe_asked_at(concern: Concern, desk: Desk) -> datetime | None:
    """Since when the keeper should know that it is Severe: told, or tried in vain; a phone out of reach helps nobody."""
    times = []
    if concern.told >= Severity.SEVERE and concern.told_at is not None:
        times.append(concern.told_at)
    if concern.asked is not None and concern.asked.severity >= Severity.SEVERE:
        times.append(concern.asked.at)
    return min([*_told(concern, Route.PHONE, Severity.SEVERE, desk), *times]) if times else None


def _told(concern: Concern, route: Route, severity: Severity, desk: Desk) -> list[datetime]:
    """When messages of at least that severity spoke of the concern on a route, or were to."""
    return [
        parcel.message.at
        for parcel in desk.lately
        if concern.key in parcel.message.concerns
        and parcel.message.severity >= severity
        and parcel.message.route == route
        and concern.opened_at is not None
        and parcel.message.at >= concern.opened_at
    ]
