"""The only interfaces of the house: what the daemon needs of the world, and what each edge promises.

An edge returns or raises; only the daemon logs. `Transient` means "try again later", anything else is a defect.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime
from types import MappingProxyType
from typing import NamedTuple, Protocol

from sensord.model import Arrival, Concern, Entry, Gap, Message, Parcel, Quantity, Reading, Refusal, Verdict


class Transient(Exception):
    """The world is not there at the moment (network, broker, disk full): nothing was lost, try again."""


class Inbox(Protocol):
    """Where messages from outside come in. The only place where time passes."""

    def next_batch(self, until: datetime, limit: int) -> list[Arrival]:
        """Hand over, in order of receipt, what was received before `until`, at most `limit`; empty means `until` is reached.

        The live inbox waits (by a monotonic clock), the recorded one steps the clock; the promise is the same. Live, it
        may also return early and empty when it was woken; callers look at the clock, not at the emptiness.
        """

    def acknowledge(self, batch: Sequence[Arrival]) -> None:
        """Tell the sender that these are durable. Called only after the commit."""

    def gaps(self) -> list[Gap]:
        """Gaps that became known since the last call (session lost, queue overflow, clock step)."""

    def close(self) -> None:
        """Leave; what was not acknowledged comes again."""


class Clock(Protocol):
    """The one source of `now`. Real, scaled (demonstration) or stepped (replay)."""

    def now(self) -> datetime:
        """The instant [UTC, aware]; goes back only with a step that `steps` tells."""

    def steps(self) -> Sequence[tuple[datetime, datetime]]:
        """The steps noticed since the last call: the instant that was left, and the one that it went on at."""


class Series(NamedTuple):
    """Readings of one quantity of one probe, ascending: three columns of equal length."""

    times_s: list[float]  # Unix time of measurement
    values: list[float]
    doubts: list[int]


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


class Batch(NamedTuple):
    """What one commit makes durable."""

    readings: Sequence[Reading] = ()
    refusals: Sequence[Refusal] = ()
    entries: Sequence[Entry] = ()
    gaps: Sequence[Gap] = ()
    undated: Sequence[Arrival] = ()  # arrivals whose readings took their receipt as time: remembered by packet


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


class Added(NamedTuple):
    """What became of a batch."""

    stored: int
    duplicates: int  # readings whose identity was there already; the first value won
    refused: int


class Store(Protocol):
    """Where things become durable. One thread writes; every method that writes is one transaction."""

    def commit(self, commit: Commit) -> Added:
        """Make everything in it durable, all or nothing. Raises Transient when the disk is full or the file is locked.

        ValueError where a sending speaks of a message that nobody knows: nothing of the commit is stored then.
        """

    def add(self, batch: Batch) -> Added:
        """Make the batch durable, all or nothing. Raises Transient when the disk is full or the file is locked."""

    def first_receipt(self, arrival: Arrival) -> datetime | None:
        """When a redelivered message without a time of its own was first committed; None if it never was."""

    def readings(self, site: str, probe: str, quantity: Quantity, start: datetime, end: datetime) -> Series:
        """Stored readings with start <= measured_at < end, ascending."""

    def latest(self, site: str, probe: str, quantity: Quantity, before: datetime | None = None) -> Reading | None:
        """The newest stored reading by measured_at (measured before `before`)."""

    def hours(self, site: str, probe: str, quantity: Quantity, start: datetime, end: datetime) -> list[Hour]:
        """Hourly summaries with start <= hour < end; late readings are already in."""

    def days(self, site: str, probe: str, quantity: Quantity, first: date, last: date) -> list[Day]:
        """Daily summaries by the site's local day, both ends included."""

    def tally(self, site: str, enclosure: str, start: datetime, end: datetime) -> list[TallyHour]:
        """Degree-days by hour."""

    def summarise(self, now: datetime) -> int:
        """Bring summaries and tallies up to date with what was added; returns how many hours were recomputed."""

    def prune(self, before: datetime, most: int) -> int:
        """Delete raw readings of the hours before `before`, about `most` of them at most; returns how many."""

    def entries(self, site: str, start: datetime, end: datetime) -> list[Entry]:
        """What the keeper said, by `at`, ascending."""

    def concerns(self, site: str) -> list[Concern]:
        """Concerns that are not over."""

    def past_concerns(self, site: str, start: datetime, end: datetime) -> list[Concern]:
        """Concerns that ended in the span."""

    def verdicts(self, site: str, start: datetime, end: datetime) -> list[Verdict]:
        """Verdicts of the span that said something else than the one before of the same rule and subject, oldest first."""

    def record(
        self,
        now: datetime,
        concerns: Iterable[Concern],
        messages: Iterable[Message],
        verdicts: Iterable[Verdict] = (),
        withdrawn: Iterable[tuple[str, str]] = (),
        held: Iterable[tuple[Message, str]] = (),
    ) -> None:
        """One transaction: concerns as they are now, and messages into the outbox.

        Also what was withdrawn (key, why) and what was held back (message, why). A message whose key is in the
        outbox already is ignored: telling twice is one telling.
        """

    def outbox(self, due: datetime | None = None) -> list[Parcel]:
        """Messages still to be delivered (due at or before `due`), most severe first, then oldest."""

    def delivered(self, key: str, now: datetime) -> None:
        """The channel took the message."""

    def failed(self, key: str, now: datetime, due_at: datetime | None, detail: str) -> None:
        """An attempt failed; try again at `due_at`, or None: give up, visibly undelivered."""

    def messages(self, site: str, start: datetime, end: datetime) -> list[Parcel]:
        """All messages of a span, with what became of them."""

    def refusals(self, limit: int = 100) -> list[Refusal]:
        """The newest refused messages."""

    def gaps(self, site: str, start: datetime, end: datetime) -> list[Gap]:
        """Gaps that touch the span."""

    def close_gap(self, gap: Gap) -> None:
        """Give the open gap of this kind and subject its end."""

    def counters(self) -> dict[str, int]:
        """Counts since the store was made: readings, duplicates, refused, entries, messages by state."""

    def remember(self, name: str, value: str) -> None:
        """Keep a small fact across restarts (last alive, last morning line, rule states)."""

    def recall(self, name: str) -> str | None:
        """The remembered fact."""

    def close(self) -> None:
        """Close; everything committed stays."""


class Shipping(Protocol):
    """Carries what is stored to another database as well, off the loop's thread."""

    trouble: str  # why nothing is delivered at the moment; "" while all is well

    @property
    def unshipped_since(self) -> datetime | None:
        """Receipt of the oldest reading that is still to be delivered."""

    def settle(self, now: datetime) -> None:
        """Strike off in the store what was delivered; for the loop's thread, and it never waits for the network."""


class Channel(Protocol):
    """How a message reaches the phone."""

    name: str

    def send(self, message: Message) -> None:
        """Deliver, or raise Transient (retry) or ValueError (this message can never be delivered this way)."""
