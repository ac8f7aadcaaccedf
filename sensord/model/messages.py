"""What the phone gets, and what became of it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import NamedTuple

from sensord.model.matters import Certainty, Severity, Telling, Urgency


class Said(NamedTuple):
    """What a message says of one concern."""

    concern: str  # its key
    telling: Telling
    severity: Severity
    action: str


class Route(StrEnum):
    """The routes of messages."""

    PHONE = "phone"  # to the keeper
    STAND_IN = "stand-in"  # by the second channel, to whoever stands in


@dataclass(frozen=True, slots=True)
class Message:
    """What the phone gets. `key` is stable: the same matter at the same moment has the same key in every attempt."""

    key: str
    site: str
    at: datetime
    rule: str
    subject: str  # subjects of a group, joined by ", "
    severity: Severity
    urgency: Urgency
    certainty: Certainty
    title: str
    text: str
    action: str
    concerns: tuple[str, ...]  # concern keys it speaks of
    holds_until: datetime | None
    route: Route = Route.PHONE
    telling: Telling = Telling.OPENED
    not_before: datetime | None = None  # held back until then (quiet hours)
    attachment: str = ""  # a picture to be made and sent with it, by its name: "review 2026-W34"
    said: tuple[Said, ...] = ()  # of each of its concerns; empty where it was written before that was kept


class Fate(StrEnum):
    """What has become of a message."""

    WAITING = "waiting"  # to go, or to go again
    SENT = "sent"  # the channel took it
    UNDELIVERED = "undelivered"  # given up
    WITHDRAWN = "withdrawn"  # it did not hold any more
    HELD = "held"  # never to go
    UNSENT = "not sent"  # all that another database keeps of one that did not go


class Parcel(NamedTuple):
    """A message in the outbox."""

    message: Message
    attempts: int
    due_at: datetime
    state: Fate
    detail: str = ""
    sent_at: datetime | None = None  # when the channel took it
