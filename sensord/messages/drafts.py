"""A message of a group, and until when it has to wait. Pure."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from sensord.concerns import says_stay_in
from sensord.messages.desk import Desk
from sensord.messages.quiet import quiet_until
from sensord.messages.writing import Letter, goes_out, write
from sensord.model import (
    Message,
    Notice,
    Route,
    Severity,
    Unsaid,
)

STORM_WAIT = timedelta(minutes=30)
"""How long a message that would send somebody out waits, each time, while people must stay in."""


@dataclass(frozen=True, slots=True)
class Draft:
    """A letter, and whether it has to wait."""

    letter: Letter
    group: tuple[Notice, ...]
    wait_why: Unsaid | None = None

    @property
    def message(self) -> Message:
        return self.letter.message

    @property
    def too_late(self) -> bool:
        """Whether it would go, or be read, when it holds no more."""
        m = self.message
        return m.holds_until is not None and m.holds_until <= (m.not_before or m.at)


def draft_of(
    group: tuple[Notice, ...], desk: Desk, now: datetime, route: Route = Route.PHONE, replaces: str = ""
) -> Draft:
    """The message of a group, and until when it has to wait."""
    severe = max(n.concern.verdict.severity for n in group) >= Severity.SEVERE
    until: datetime | None = None
    why: Unsaid | None = None
    staying = goes_out(group) and any(says_stay_in(c) for c in desk.standing.values())
    if not severe:
        until = quiet_until(desk, now)
        why = Unsaid.QUIET if until else None
        if staying and (until is None or until < now + STORM_WAIT):
            until, why = now + STORM_WAIT, Unsaid.STORM
    letter = write(group, desk, now, read_at=until or now, route=route, waits=staying and severe, replaces=replaces)
    return Draft(Letter(replace(letter.message, not_before=until), letter.missing), group, why)
