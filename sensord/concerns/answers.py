"""What the keeper said or did about a concern, and whether that settles it. Pure."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import replace
from datetime import datetime

from sensord.actions import is_done_by
from sensord.concerns.telling import action_of
from sensord.model import (
    ANSWERS,
    Concern,
    Entry,
    Standing,
    What,
)


def done_since(concern: Concern, answers: Sequence[Entry], since: datetime, now: datetime) -> bool:
    """Whether what the concern's latest verdict advises has been done, at `since` or after it."""
    action = action_of(concern)
    return any(
        since <= entry.at <= now
        and entry.what not in (What.SEEN, What.NOT_NOW)
        and speaks_of(entry, concern.key, (action,))
        for entry in answers
    )


def heard(concern: Concern, answers: Sequence[Entry], now: datetime) -> Concern:
    """The concern with the keeper's newest answer to it, if there is one that it does not know yet."""
    if concern.standing not in (Standing.OPEN, Standing.ANSWERED):
        return concern
    known = concern.answered_at
    new = [
        entry
        for entry in answers
        if (entry.at > known if known else entry.at >= concern.breached_since)
        and entry.at <= now
        and _answers(entry, concern)
    ]
    if not new:
        return concern
    best = max(new, key=lambda entry: entry.at)
    answer = best.what if best.what in ANSWERS else What.DONE
    return replace(concern, standing=Standing.ANSWERED, answered_at=best.at, answer=answer)


def _answers(entry: Entry, concern: Concern) -> bool:
    return speaks_of(entry, concern.key, (action_of(concern), concern.told_action, concern.last_action))


def is_settled(key: str, action: str, since: datetime, entries: Iterable[Entry]) -> bool:
    """Whether the keeper has answered the concern of `key`, or done its `action`, at `since` or after it."""
    return any(e.at >= since and speaks_of(e, key, (action,)) for e in entries)


def speaks_of(entry: Entry, key: str, actions: Collection[str]) -> bool:
    """Whether an entry answers the concern of `key`: by a word about it, or by an act that does one of `actions`.

    What was done to animals is addressed to the enclosure that they were in: see `garden.Told.addressed`.
    """
    subject = key.partition("/")[2]
    if entry.what in ANSWERS:
        return entry.subject in (key, subject)
    return entry.subject == subject and any(is_done_by(action, entry.what) for action in actions)
