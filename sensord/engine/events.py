"""What can happen to a garden's engine: all of it, and each with the instant at which it happened.

    from outside          Began, Arrived, Missed, Due, Noticed, ClockStepped, LinkLost, LinkBack, Ends
    what became of an     Committed, NotCommitted (of MakeDurable); Sent, NotSent, NotTaken (of Send);
    effect                LookedBack (of LookBack); Pruned (of Prune)

Every event is a value: written down and played again in the same order, they give the same state.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime

from sensord.model import Arrival, Entry, Gap, Reading, Refusal
from sensord.ports import Added


@dataclass(frozen=True, slots=True)
class Began:
    """The watch begins, or begins again after `State` was made from what a store remembers."""

    at: datetime


@dataclass(frozen=True, slots=True)
class Arrived:
    """A batch came in and was understood: what it holds, and what is to be acknowledged once it is durable."""

    at: datetime
    arrivals: tuple[Arrival, ...]
    readings: tuple[Reading, ...] = ()  # assessed
    refusals: tuple[Refusal, ...] = ()
    entries: tuple[Entry, ...] = ()
    undated: tuple[Arrival, ...] = ()  # whose readings took their receipt as time
    defects: tuple[tuple[Refusal, Exception], ...] = ()  # of ours, that a message met: it is among the refusals


@dataclass(frozen=True, slots=True)
class Missed:
    """The inbox noticed that something may be missing."""

    at: datetime
    gaps: tuple[Gap, ...]


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What is known of the world around the engine when a turn is due."""

    clock_is_set: bool = True
    shipping_trouble: str = ""  # why nothing reaches the other database; "" while all is well, or there is none
    unshipped_since: datetime | None = None
    facts: Mapping[str, str] = field(default_factory=dict)  # what the edges must know again after a restart


@dataclass(frozen=True, slots=True)
class Due:
    """An instant that the engine asked for (`State.wakes_at`) has come, or the clock is past it."""

    at: datetime
    around: Surroundings = Surroundings()


@dataclass(frozen=True, slots=True)
class Noticed:
    """The world around has changed between two turns."""

    at: datetime
    around: Surroundings


@dataclass(frozen=True, slots=True)
class ClockStepped:
    """The clock left `before` and went on at `at`: the one case in which time may go back."""

    at: datetime
    before: datetime


@dataclass(frozen=True, slots=True)
class LinkLost:
    """The broker can't be reached since `since`."""

    at: datetime
    since: datetime | None


@dataclass(frozen=True, slots=True)
class LinkBack:
    """The broker is there again."""

    at: datetime


@dataclass(frozen=True, slots=True)
class Committed:
    """The commit of this number is durable."""

    at: datetime
    number: int
    added: Added


@dataclass(frozen=True, slots=True)
class NotCommitted:
    """The commit of this number could not be made durable; nothing of it is stored."""

    at: datetime
    number: int
    why: str


@dataclass(frozen=True, slots=True)
class Sent:
    """The channel took the message."""

    at: datetime
    key: str


@dataclass(frozen=True, slots=True)
class NotSent:
    """An attempt failed."""

    at: datetime
    key: str
    why: str


@dataclass(frozen=True, slots=True)
class NotTaken:
    """The sender has its hands full; the message waits where it is."""

    at: datetime
    key: str


@dataclass(frozen=True, slots=True)
class LookedBack:
    """The week's review as sentences; none where it could not be made."""

    at: datetime
    week: str
    sentences: tuple[str, ...]
    is_hopeless: bool = False  # by a defect: another attempt would find the same


@dataclass(frozen=True, slots=True)
class Pruned:
    """So many old readings were deleted."""

    at: datetime
    deleted: int


@dataclass(frozen=True, slots=True)
class Ends:
    """The watch ends for now, in order."""

    at: datetime


Event = (
    Began
    | Ends
    | Arrived
    | Missed
    | Due
    | Noticed
    | ClockStepped
    | LinkLost
    | LinkBack
    | Committed
    | NotCommitted
    | Sent
    | NotSent
    | NotTaken
    | LookedBack
    | Pruned
)
