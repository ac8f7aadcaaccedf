"""What became of what was to be said: only what the channel took is told; what was withheld is owed. Pure."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

from sensord.concerns.life import with_something_to_say
from sensord.concerns.telling import PROMPTLY, is_answered_since, wanted_telling
from sensord.model import (
    Concern,
    Message,
    Notice,
    Route,
    State,
    Unsaid,
)
from sensord.rules import Manner


def delivered(concern: Concern, message: Message, at: datetime) -> Concern:
    """The concern now that the phone has the message: only this makes it told."""
    said = next((s for s in message.said if s.concern == concern.key), None)
    if said is None or message.route != Route.PHONE or not _is_of_this_life(concern, message):
        return concern
    asked = concern.asked
    if asked is not None and asked.at <= message.at:
        at = asked.at if at - asked.at < PROMPTLY or is_answered_since(concern) else at
        asked = None
    return replace(
        concern,
        told=said.severity,
        told_action=said.action,
        told_at=at,
        tellings=concern.tellings + 1,
        asked=asked,
    )


def not_said(concern: Concern, message: Message, why: Unsaid) -> Concern:
    """The concern now that the message is not to be sent, or no longer speaks of it: what was asked is withheld."""
    asked = concern.asked
    if asked is None or message.route != Route.PHONE or not _speaks_of_it(concern, message):
        return concern
    return replace(concern, asked=replace(asked, withheld=why))


def on_its_way(concern: Concern, message: Message) -> Concern:
    """The concern now that its message was rewritten: what that says is on its way, also where it was withheld."""
    asked = concern.asked
    if asked is None or message.route != Route.PHONE or not _speaks_of_it(concern, message):
        return concern
    said = next(s for s in message.said if s.concern == concern.key)
    return replace(concern, asked=replace(asked, severity=said.severity, action=said.action, withheld=None))


def owed(concern: Concern, manner: Manner, now: datetime) -> tuple[Concern, Notice] | None:
    """What was withheld of a concern, asked again, if it still holds; None where nothing is owed."""
    holds = concern.verdict.state is State.BREACH and concern.unknown_since is None
    if concern.withheld is None or not holds or is_answered_since(concern):
        return None
    telling = wanted_telling(replace(concern, asked=None), manner, now)
    return None if telling is None else with_something_to_say(concern, telling, now)


def _speaks_of_it(concern: Concern, message: Message) -> bool:
    """Whether the message says what is asked, or what has become of it."""
    asked, mentioned = concern.asked, any(s.concern == concern.key for s in message.said)
    return asked is not None and mentioned and message.at >= asked.at and _is_of_this_life(concern, message)


def _is_of_this_life(concern: Concern, message: Message) -> bool:
    return concern.opened_at is not None and concern.opened_at <= message.at


def no_later_than(concern: Concern, now: datetime) -> Concern:
    """The concern without an instant that lies ahead: the clock that gave it has been put right."""

    def clamped(at: datetime | None) -> datetime | None:
        return None if at is None else min(at, now)

    return replace(
        concern,
        breached_since=min(concern.breached_since, now),
        fine_since=clamped(concern.fine_since),
        unknown_since=clamped(concern.unknown_since),
        opened_at=clamped(concern.opened_at),
        told_at=clamped(concern.told_at),
        answered_at=clamped(concern.answered_at),
        asked=concern.asked and replace(concern.asked, at=min(concern.asked.at, now)),
    )
