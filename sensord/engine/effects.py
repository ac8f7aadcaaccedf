"""What the engine wants done in the world, in this order. The loop does it and feeds back what became of it.

MakeDurable   one transaction, all or nothing         → Committed, NotCommitted
Acknowledge   tell the broker; only after the commit
Send          hand a message to its channel           → Sent, NotSent, NotTaken
Summarise     bring hours, days and tallies up to date
Prune         delete old raw readings                 → Pruned
LookBack      the week's review in sentences          → LookedBack
Tell          a line for the log
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import IntEnum

from sensord.model import Arrival, Message
from sensord.ports import Commit


@dataclass(frozen=True, slots=True)
class MakeDurable:
    """One transaction."""

    number: int
    commit: Commit


@dataclass(frozen=True, slots=True)
class Acknowledge:
    """These are durable: the broker may forget them."""

    arrivals: tuple[Arrival, ...]


@dataclass(frozen=True, slots=True)
class Send:
    """To the phone, or to the stand-in. It was judged a moment ago."""

    message: Message


@dataclass(frozen=True, slots=True)
class Summarise:
    """Derive what is derived from the readings."""

    at: datetime


@dataclass(frozen=True, slots=True)
class Prune:
    """Raw readings older than `before`, about `most` of them at once."""

    before: datetime
    most: int


@dataclass(frozen=True, slots=True)
class LookBack:
    """On an ISO week, as known at `at`."""

    week: str
    at: datetime


class Level(IntEnum):
    """How loud a line of the log is: the numbers of the standard library's levels."""

    INFO = 20
    WARNING = 30
    ERROR = 40


@dataclass(frozen=True, slots=True)
class Tell:
    """A line for the log, for whoever runs the machine; `defect` brings its traceback."""

    level: Level
    line: str
    defect: Exception | None = None


Effect = MakeDurable | Acknowledge | Send | Summarise | Prune | LookBack | Tell
