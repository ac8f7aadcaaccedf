"""The parts of a store, each of one site: nothing of one site is seen, or waits for, through the parts of another.

A store hands out a site's `Share`, which the site's loop alone uses; whoever only looks (page, review, commands) gets a
`Shelf`, from any thread or process. What can be asked of a distant database as well is `Records`.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from types import MappingProxyType
from typing import NamedTuple, Protocol

from sensord.model import (
    EPOCH,
    Arrival,
    Concern,
    Entry,
    Gap,
    Message,
    Parcel,
    Quantity,
    Reading,
    Refusal,
    Site,
    Verdict,
)
from sensord.science.steps import LONGEST_BRIDGE_S
from sensord.science.thresholds import check_thresholds

# --- what is put in and what comes out


class Series(NamedTuple):
    """Readings of one quantity of one probe, ascending: three columns of equal length."""

    times_s: list[float]  # Unix time of measurement
    values: list[float]
    doubts: list[int]


class Slot(NamedTuple):
    """What was measured in a slot of time."""

    start_s: int  # Unix time
    mean: float
    minimum: float
    maximum: float


class Hour(NamedTuple):
    """Summary of one probe's quantity over one clock hour UTC, of its usable readings."""

    start: datetime
    count: int  # type: ignore[assignment]  # a count of readings says what it is
    minimum: float
    maximum: float
    mean: float  # time-weighted where the readings allow, else arithmetic
    doubtful: int  # readings stored for this hour that carry any doubt


class Day(NamedTuple):
    """Summary over one local day of the site."""

    day: date
    count: int  # type: ignore[assignment]  # as in Hour
    minimum: float
    minimum_at: datetime
    maximum: float
    maximum_at: datetime
    mean: float


class TallyHour(NamedTuple):
    """Degree-days of one enclosure over one clock hour, above a species' lower threshold."""

    start: datetime
    degree_days: float
    measured_s: float
    bridged_s: float
    missing_s: float


@dataclass(frozen=True, slots=True)
class Place:
    """Whose degree-days are counted: an enclosure, its probes with temperature in order of trust, thresholds [°C].

    Where the species changes, an enclosure is several places, one from each full hour on at which another begins.
    """

    enclosure: str
    probes: tuple[str, ...]
    lower_c: float
    upper_c: float | None
    species: str = ""
    since: datetime = EPOCH

    def __post_init__(self) -> None:
        check_thresholds(self.lower_c, self.upper_c)

    @property
    def definition(self) -> str:
        """What the figures depend on besides the readings."""
        return json.dumps([*self.probes, self.lower_c, self.upper_c, LONGEST_BRIDGE_S, *filter(None, (self.species,))])


Places = Callable[[Sequence[Entry]], Sequence[Place]]
"""Whose degree-days are counted, by what the keeper has said."""


def places_by(places: Sequence[Place] | Places) -> Places:
    """Places that nothing said changes, or those that follow from it."""
    return places if callable(places) else lambda said: places


class Sending(NamedTuple):
    """What became of an attempt to send a message."""

    key: str
    at: datetime
    detail: str | None = None  # None: the channel took it; else what was wrong
    due_at: datetime | None = None  # of a failure: when to try again; None: given up, visibly undelivered


class Commit(NamedTuple):
    """Everything that one event makes durable, all or nothing."""

    at: datetime
    readings: Sequence[Reading] = ()
    refusals: Sequence[Refusal] = ()
    entries: Sequence[Entry] = ()
    gaps: Sequence[Gap] = ()  # opened, or with its end closed: the same kind, subject and start are one gap
    undated: Sequence[Arrival] = ()  # arrivals whose readings took their receipt as time: remembered by packet
    concerns: Sequence[Concern] = ()  # as they are now
    verdicts: Sequence[Verdict] = ()  # kept where they say something else than the last of their rule and subject
    messages: Sequence[Message] = ()  # into the outbox; one whose key is known is ignored
    withdrawn: Sequence[tuple[str, str]] = ()  # key of a message that waits, and why it does no longer
    held: Sequence[tuple[Message, str]] = ()  # messages that were held back, and why
    sendings: Sequence[Sending] = ()  # also of messages of this very commit
    facts: Mapping[str, str] = MappingProxyType({})  # small facts to keep across restarts

    def check_site(self, site: str) -> None:
        """Raise ValueError for a thing of another site, which is a defect. Readings, which are many, are left to the store."""
        sites = {c.site for c in self.concerns} | {m.site for m in (*self.messages, *(m for m, _ in self.held))}
        sites |= {e.site for e in self.entries} | {g.site for g in self.gaps}
        if strangers := sites - {site}:
            raise ValueError(f"{site}: something of {', '.join(sorted(strangers))} does not belong here")


class Added(NamedTuple):
    """What became of a commit."""

    stored: int
    duplicates: int  # readings whose identity was there already; the first value won
    refused: int


# --- the parts


class Journal(Protocol):
    """Where a site's things become durable. One thread at a time; every method that writes is one transaction, or several."""

    def commit(self, commit: Commit) -> Added:
        """Make everything in it durable, all or nothing. Raises Transient when the disk is full or the file is locked.

        ValueError where a sending speaks of a message that nobody knows: nothing of the commit is stored then.
        """

    def first_receipt(self, arrival: Arrival) -> datetime | None:
        """When a redelivered message without a time of its own was first committed; None if it never was."""

    def summarise(self, now: datetime) -> int:
        """Bring summaries and tallies up to date with what was committed; returns how many hours were computed."""

    def prune(self, before: datetime, most: int = 2**62) -> int:
        """Delete raw readings from before the hour that precedes `before`, about `most` at most; returns how many.

        What is derived stays. The hour is kept because the next still rests on it. What comes later for hours that were
        over at `before` is stored, and no longer counts towards summaries. What is still to be shipped stays as well.
        """

    def close(self) -> None:
        """Close; everything committed stays."""


class Readings(Protocol):
    """What was measured, and when readings may be missing."""

    def series(self, probe: str, quantity: Quantity, start: datetime, end: datetime) -> Series:
        """Stored readings with start <= measured_at < end, ascending."""

    def latest(self, probe: str, quantity: Quantity, before: datetime | None = None) -> Reading | None:
        """The newest stored reading by measured_at (measured before `before`), its times to the millisecond."""

    def slots(
        self, probe: str, quantity: Quantity, start: datetime, end: datetime, slot_s: int, refused: int
    ) -> list[Slot]:
        """Means, lows and highs of equal slots of time, of the readings that carry none of the doubts `refused`.

        The slots begin at whole multiples of `slot_s` since 1970; one without such a reading is left out.
        """

    def gaps(self, start: datetime, end: datetime) -> list[Gap]:
        """Gaps that touch the span, by their start."""


class Summaries(Protocol):
    """What is derived of readings; late ones are already in."""

    def hours(self, probe: str, quantity: Quantity, start: datetime, end: datetime) -> list[Hour]:
        """Hourly summaries with start <= hour < end; an hour without a usable reading is left out."""

    def days(self, probe: str, quantity: Quantity, first: date, last: date) -> list[Day]:
        """Daily summaries by the site's local day, both ends included; a day without a usable reading is left out."""

    def tally(self, enclosure: str, start: datetime, end: datetime) -> list[TallyHour]:
        """Degree-days by hour, as the enclosure is defined now; an hour of which nothing is known is left out."""


class Entries(Protocol):
    """What the keeper said."""

    def between(self, start: datetime, end: datetime) -> list[Entry]:
        """By `at` (start <= at < end), ascending."""


class Concerns(Protocol):
    """What stands, what stood, and what the rules said."""

    def standing(self) -> list[Concern]:
        """Concerns that are not over, oldest first."""

    def past(self, start: datetime, end: datetime) -> list[Concern]:
        """Concerns that ended in the span (start <= over_at < end), by their end."""

    def verdicts(self, start: datetime, end: datetime) -> list[Verdict]:
        """Verdicts of the span that said something else than the one before of the same rule and subject, oldest first."""


class SentMessages(Protocol):
    """What was told."""

    def between(self, start: datetime, end: datetime) -> list[Parcel]:
        """All messages of a span (start <= at < end), with what became of them, oldest first."""


class Outbox(SentMessages, Protocol):
    """What was told, and what waits to be."""

    def due(self, at: datetime | None = None) -> list[Parcel]:
        """Messages still to be delivered (due at or before `at`), most severe first, then oldest."""


class Facts(Protocol):
    """Small facts that outlive a restart (last alive, last morning line)."""

    def recall(self, name: str) -> str | None:
        """The fact as it was committed last."""


class Accounts(Protocol):
    """What became of everything that came in."""

    def refusals(self, limit: int = 100) -> list[Refusal]:
        """The newest refused messages, newest first."""

    def counters(self) -> dict[str, int]:
        """Counts since the store was made: readings, duplicates, refused, entries, and `messages <state>`."""


# --- what is handed out


class Records(Protocol):
    """What was kept of one site, as far as a distant database has it too."""

    @property
    def readings(self) -> Readings: ...
    @property
    def summaries(self) -> Summaries: ...
    @property
    def entries(self) -> Entries: ...
    @property
    def concerns(self) -> Concerns: ...
    @property
    def outbox(self) -> SentMessages: ...


@dataclass(frozen=True, slots=True)
class Shelf:
    """Everything that was kept of one site, to look at."""

    readings: Readings
    summaries: Summaries
    entries: Entries
    concerns: Concerns
    outbox: Outbox
    facts: Facts
    accounts: Accounts


@dataclass(frozen=True, slots=True)
class Share:
    """One site's share of a store: what its loop writes by, and everything that was kept."""

    journal: Journal
    readings: Readings
    summaries: Summaries
    entries: Entries
    concerns: Concerns
    outbox: Outbox
    facts: Facts
    accounts: Accounts


class Store(Protocol):
    """Where several sites keep what is theirs."""

    def of(self, site: Site, places: Sequence[Place] | Places = ()) -> Share:
        """This site's share; `places` says whose degree-days are counted. Each share may be used by a thread of its own."""

    def close(self) -> None:
        """Close for all sites; everything committed stays."""
