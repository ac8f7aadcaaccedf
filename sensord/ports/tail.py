"""What is still to be shipped to another database, in order: of all sites of a store, which ship to one place.

Each change has a number that only grows. What carries things away reads the next changes beyond its position, as the store
has them by then, and tells the store up to which it has delivered. Sending something twice is possible, leaving it out is not.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from enum import IntEnum
from typing import Any, NamedTuple, Protocol

from sensord.model import Concern, Entry, Gap, Parcel

BEFORE_ALL = -(2**62)


class ChangeKind(IntEnum):
    """What has changed."""

    READING = 0
    HOUR = 1
    DAY = 2
    TALLY = 3
    CONCERN = 4
    ENTRY = 5
    MESSAGE = 6
    GAP = 7


class Mark(NamedTuple):
    """One thing to ship: enough to find it again."""

    kind: int
    number: int
    at: int


class Parked(NamedTuple):
    """A point that the other database refuses for good, with its words."""

    mark: Mark
    line: str
    words: str


class Position(NamedTuple):
    """How far one has got: all changes before `change` are done, and of its readings those up to `measured_ms`."""

    change: int = 0
    measured_ms: int = BEFORE_ALL


class ChangeWindow(NamedTuple):
    """The next changes, as the store has them now. Readings: (series, measured_ms, value as stored, doubts, delay_ms, …)."""

    after: Position  # where to go on once all of it is delivered
    readings: list[tuple[Any, ...]]
    hours: list[tuple[Any, ...]]
    days: list[tuple[Any, ...]]
    tallies: list[tuple[Any, ...]]
    concerns: list[tuple[int, Concern]]
    entries: list[tuple[int, Entry]]
    messages: list[tuple[int, Parcel]]
    gaps: list[tuple[int, Gap]]


class Backlog(NamedTuple):
    """What waits to be shipped."""

    changes: int
    oldest: datetime | None  # receipt of the oldest reading that waits, of those that came since shipping began
    settled_at: datetime | None  # when the writer last struck off what had been delivered


class Tail(Protocol):
    """What is still to be shipped, for the thread that ships."""

    def window(self, position: Position, limit: int) -> ChangeWindow | None:
        """The next changes: at most about `limit` things; None where nothing waits."""

    def newest(self) -> ChangeWindow:
        """The newest reading, whether it was shipped or not."""

    def series(self) -> Mapping[int, tuple[str, str, str, float]]:
        """Of every series by number: site, probe, quantity, and steps per unit."""

    def backlog(self, position: Position) -> Backlog:
        """What waits beyond a position."""

    def close(self) -> None:
        """Leave."""


class Settles(Protocol):
    """The store's writing side, used by the loop's thread alone."""

    def settle(self, upto: int, parked: Sequence[Parked], now: datetime) -> None:
        """Strike off what has been delivered, and keep what was refused for inspection."""
