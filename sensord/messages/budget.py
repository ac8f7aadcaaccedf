"""Which messages the day has room for: the table at the head of `postman`. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from enum import IntEnum, auto

from sensord.messages.desk import Desk
from sensord.messages.drafts import Draft
from sensord.messages.quiet import quiet_hours
from sensord.model import (
    Fate,
    Hazard,
    Message,
    Parcel,
    Route,
    Severity,
    Telling,
    Unsaid,
)

UNBUDGETED = ("morning", "watched again", "week")
"""Messages that are no part of the day's budget, by rule."""


class BudgetRow(IntEnum):
    """The rows of the budget's table, in the order in which they are weighed."""

    ALWAYS = auto()
    FIRST = auto()
    NEWS = auto()
    REPEAT = auto()


def counts_today(parcel: Parcel, desk: Desk) -> bool:
    """Whether a message takes from the day's budget."""
    message = parcel.message
    if desk.day_began is not None and message.at < desk.day_began:
        return False
    return message.route == Route.PHONE and message.rule not in UNBUDGETED and parcel.state in (Fate.WAITING, Fate.SENT)


def row_of(draft: Draft, desk: Desk, now: datetime) -> BudgetRow:
    """The row of the budget's table that a message is in."""
    message = draft.message
    if message.severity >= Severity.SEVERE or message.telling is Telling.OVER or _falls_due_in_quiet(draft, desk, now):
        return BudgetRow.ALWAYS
    if _first_about(message, desk):
        return BudgetRow.FIRST
    return BudgetRow.REPEAT if _is_repeat(message) else BudgetRow.NEWS


def no_room_for(draft: Draft, parcels: Sequence[Parcel], desk: Desk, now: datetime) -> Unsaid | None:
    """Why the budget has no room for a message; None if it has. `parcels`: what counts to the day so far."""
    gone = [
        p.message for p in parcels if p.state == "sent" or not set(p.message.concerns) <= set(draft.message.concerns)
    ]
    budget, row = desk.keeper.pushes_per_day, row_of(draft, desk, now)
    quarter = budget // 4
    match row:
        case BudgetRow.ALWAYS:
            return None
        case BudgetRow.FIRST:
            share = max(1, quarter)
            hazards = _first_about(draft.message, desk)
            within = any(sum(hazard in _first_about(m, desk) for m in gone) < share for hazard in hazards)
            room = within or sum(not _is_repeat(m) for m in gone) < budget
            return None if room else Unsaid.SHARE
        case BudgetRow.NEWS:
            return None if len(gone) < budget else Unsaid.BUDGET
        case BudgetRow.REPEAT:
            return None if len(gone) < budget - quarter else Unsaid.REST


def _is_repeat(message: Message) -> bool:
    return message.telling in (Telling.AGAIN, Telling.EASED)


def _first_about(message: Message, desk: Desk) -> frozenset[Hazard]:
    """Of which hazards a message says something for the first time."""
    return frozenset(_hazard(s.concern, desk) for s in message.said if s.telling is Telling.OPENED)


def _hazard(key: str, desk: Desk) -> Hazard:
    return desk.manner_of(key.partition("/")[0]).hazard


def _falls_due_in_quiet(draft: Draft, desk: Desk, now: datetime) -> bool:
    """Storm advice whose deadline lies in the coming quiet hours: it goes before they begin."""
    for notice in draft.group:
        advice = notice.concern.verdict.advice
        due = (advice.by or advice.holds_until) if advice else None
        if due is None or not desk.manner_of(notice.concern.rule).before_quiet:
            continue
        if any(now < start <= due < end for start, end in quiet_hours(desk, now)):
            return True
    return False
