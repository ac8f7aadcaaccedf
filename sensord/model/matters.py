"""What a rule says, and the life of a matter that stands. Severity, urgency and certainty use the words of CAP 1.2."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import IntEnum, StrEnum

from sensord.model.entries import What


class State(StrEnum):
    """What a rule can say. UNKNOWN is a value: too little data is never FINE."""

    FINE = "fine"
    BREACH = "breach"
    UNKNOWN = "unknown"


class Severity(IntEnum):
    """CAP 1.2 severity, ordered."""

    NONE = 0
    MINOR = 1
    MODERATE = 2
    SEVERE = 3
    EXTREME = 4

    @property
    def word(self) -> str:
        """The word that CAP 1.2 writes."""
        return self.name.capitalize()


class Urgency(StrEnum):
    """CAP 1.2 urgency."""

    IMMEDIATE = "Immediate"
    EXPECTED = "Expected"
    FUTURE = "Future"


class Certainty(StrEnum):
    """CAP 1.2 certainty."""

    OBSERVED = "Observed"
    LIKELY = "Likely"
    POSSIBLE = "Possible"


Number = float | int | str | bool | None


@dataclass(frozen=True, slots=True)
class Advice:
    """What to do, by when, and until when saying so still makes sense."""

    action: str  # the word of one of `actions`, which also makes it
    by: datetime | None = None  # the deadline told to the keeper
    holds_until: datetime | None = None  # after this the advice must not be sent any more
    outdoors: bool = True  # it sends somebody out: never while a gust front is there


@dataclass(frozen=True, slots=True)
class Verdict:
    """What a rule says of one subject at one instant."""

    rule: str
    subject: str  # an enclosure, a probe, or "" for the site
    state: State
    at: datetime
    reason: str  # one of the rule's own `Reason`, by which its sentence is found
    severity: Severity = Severity.NONE
    urgency: Urgency = Urgency.EXPECTED
    certainty: Certainty = Certainty.OBSERVED
    numbers: Mapping[str, Number] = field(
        default_factory=dict
    )  # SI; instants as datetimes are not numbers: use ISO text
    advice: Advice | None = None
    easing: bool = False  # FINE only by a margin smaller than the hysteresis: do not end a concern on it yet


class Standing(StrEnum):
    """Where a concern is in its life; the table in `judge` says how it moves."""

    FORMING = "forming"  # breached, but not yet for the dwell time
    OPEN = "open"
    ANSWERED = "answered"  # the keeper said seen, done or not now
    OVER = "over"


def concern_key(rule: str, subject: str) -> str:
    """`rule/subject`, or the rule alone where it is about the site: unique among the concerns of a site that are not over."""
    return f"{rule}/{subject}" if subject else rule


class Telling(StrEnum):
    """Why a concern has something to say now."""

    OPENED = "opened"
    WORSE = "worse"
    CHANGED = "changed"  # the same severity, but something else must be done now
    AGAIN = "again"  # still unanswered
    EASED = "eased"
    OVER = "over"
    FOLLOW_UP = "follow-up"  # whether the advice helped


class Hazard(StrEnum):
    """What a rule watches for. Each has its own share of the day's messages."""

    HEAT = "heat"
    WIND = "wind"  # storms included
    FROST = "frost"
    WET = "wet"
    WATCHING = "watching"  # the watch itself: probes, batteries, the clock, the broker
    OTHER = "other"


class Unsaid(StrEnum):
    """Why something was not said: kept with its concern and in the outbox, and shown in the log and on the page."""

    QUIET = "quiet hours"
    STORM = "nobody is sent out while the storm is here"
    LATE = "it holds no more"
    DEADLINE = "its deadline has passed"
    EXPIRED = "it came too late"
    ANSWERED = "the keeper has answered"
    AGAIN = "it was said again since"
    FINE = "it is fine meanwhile"
    OVER = "it is over"
    ANEW = "it was over; what stands now is told by itself"
    BUDGET = "the day's messages are used up"
    SHARE = "the day's messages are used up, and the share of this hazard too"
    REST = "what is left of the day's messages is for news"


@dataclass(frozen=True, slots=True)
class Asked:
    """What is to be said of a concern and has not reached the phone: its message is on its way, or it was withheld."""

    at: datetime
    telling: Telling
    severity: Severity
    action: str
    withheld: Unsaid | None = None  # why it was not said; None while its message is on its way


@dataclass(frozen=True, slots=True)
class Concern:
    """A matter that stands: one rule about one subject."""

    site: str
    rule: str
    subject: str
    standing: Standing
    verdict: Verdict  # the latest
    breached_since: datetime
    fine_since: datetime | None = None
    unknown_since: datetime | None = None
    opened_at: datetime | None = None
    peak: Severity = Severity.NONE
    told: Severity = Severity.NONE  # what the phone knows: the last message about it that the channel took
    told_action: str = ""
    told_at: datetime | None = None
    tellings: int = 0
    asked: Asked | None = None  # what the phone is still to hear
    askings: int = 0  # how often something was to be said, delivered or not
    answered_at: datetime | None = None
    answer: What | None = None
    over_at: datetime | None = None

    @property
    def key(self) -> str:
        """By which it is told from the others: see `concern_key`."""
        return concern_key(self.rule, self.subject)

    @property
    def last_action(self) -> str:
        """What was last to be done about it, whether or not the phone has heard of it."""
        return self.asked.action if self.asked else self.told_action

    @property
    def withheld(self) -> Asked | None:
        """What was not said, with the reason."""
        return self.asked if self.asked and self.asked.withheld else None


@dataclass(frozen=True, slots=True)
class Notice:
    """What the judge wants to be said; the postman makes messages of the notices of a moment."""

    at: datetime
    telling: Telling
    concern: Concern
