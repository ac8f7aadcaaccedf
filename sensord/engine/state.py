"""Everything that the engine knows between two events, as one value; and what of it a store remembers.

Nothing here is changed in place: a step makes a new state. What is not durable yet stands in `batch` and `owed`, so a
state that is made anew from a store differs from the one that was lost by just that: the batch comes again from the
broker, and a turn that was not committed is asked again (`turned_at` is committed with what it decided).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from sensord.config import KeeperSettings, ReviewSettings
from sensord.engine import timetable
from sensord.engine.asking import Plan
from sensord.engine.events import Arrived
from sensord.engine.windows import Window
from sensord.garden import Garden
from sensord.language import Catalogue
from sensord.model import EPOCH, Concern, Entry, Gap, GapKind, Message, Parcel, Quantity, Standing
from sensord.ports import Commit

ALIVE, TURNED, BEGAN, MORNING = "alive", "turned", "began", "morning line"
SHIPPING_TROUBLE = "shipping trouble"
LATELY = timedelta(hours=36)
"""How far back messages are looked at; of what stands, as far as it goes back."""
REMEMBERED = timedelta(hours=12)
"""How far back readings are held, at least."""

NOTHING_OWED = Commit(EPOCH)
NOTHING: Mapping[Any, Any] = {}
"""Where nothing is known yet. Never written to, like all that a state holds."""


@dataclass(frozen=True, slots=True)
class Given:
    """What does not change while the engine runs."""

    garden: Garden
    plan: Plan
    keeper: KeeperSettings
    review: ReviewSettings
    texts: Catalogue
    zone: ZoneInfo
    has_stand_in: bool
    raw_kept: timedelta | None  # raw readings are deleted after so long; None: never, there is no other database

    @property
    def site(self) -> str:
        """The site's name."""
        return self.garden.site.name

    @property
    def remembered(self) -> timedelta:
        """How far back readings are held."""
        return max(REMEMBERED, self.plan.longest_look)


@dataclass(frozen=True, slots=True)
class Memory:
    """What a store remembers of a garden, when the engine begins."""

    entries: tuple[Entry, ...] = ()
    concerns: tuple[Concern, ...] = ()  # those that stand, and those that ended lately
    parcels: tuple[Parcel, ...] = ()  # of the last day and a half, of what stands, and all that wait
    readings: Mapping[tuple[str, Quantity], Window] = field(default_factory=dict)
    last_heard: Mapping[str, datetime] = field(default_factory=dict)
    open_gaps: tuple[Gap, ...] = ()
    facts: Mapping[str, str] = field(default_factory=dict)


class Counts(NamedTuple):
    """What was done since the engine began."""

    arrivals: int = 0
    readings: int = 0
    duplicates: int = 0
    refused: int = 0
    turns: int = 0
    messages: int = 0
    sent: int = 0


class EngineState(NamedTuple):
    """The engine between two events. A tuple, because a turn makes some thirty of them."""

    now: datetime
    next_turn: datetime
    started_at: datetime | None = None
    turned_at: datetime | None = None
    windows: Mapping[tuple[str, Quantity], Window] = NOTHING
    last_heard: Mapping[str, datetime] = NOTHING
    silences: Mapping[str, Gap] = NOTHING  # by probe, those that last
    entries: tuple[Entry, ...] = ()  # everything the keeper said, in the order in which it happened
    standing: Mapping[str, Concern] = NOTHING
    ended: Mapping[str, Concern] = NOTHING  # over, and the phone is still to hear of it
    parcels: Mapping[str, Parcel] = NOTHING
    facts: Mapping[str, str] = NOTHING
    in_hand: frozenset[str] = frozenset()  # keys that the sender has
    connected: bool = True
    disconnected_since: datetime | None = None
    shipping_trouble: str = ""
    unshipped_since: datetime | None = None
    clock_is_set: bool = True
    failing: Mapping[str, str] = NOTHING  # rules with a defect, by the concern's key, with its words
    refused: Mapping[str, tuple[datetime, int]] = NOTHING  # by topic: last told of, and how many since
    batch: Arrived | None = None  # came in and is not durable yet: nothing more is taken meanwhile
    owed: Commit = NOTHING_OWED  # decided and not durable yet
    committing: Commit | None = None  # what of `owed` is being made durable now
    committing_batch: bool = False  # and whether the batch is
    committed_at: datetime = EPOCH  # when anything last became durable
    outgoing: tuple[Message, ...] = ()  # to be sent as soon as `owed` is durable
    commits: int = 0  # the number of the last one
    retry_at: datetime | None = None  # when a commit that was refused is tried again
    unstored_since: datetime | None = None
    prune_at: datetime = EPOCH
    looking_back: str = ""  # the week whose review is being made, or met a defect
    said: Mapping[tuple[str, str], tuple[str, int, str]] = NOTHING  # by rule and subject, the last verdict
    counts: Counts = Counts()

    @property
    def wakes_at(self) -> datetime:
        """When the engine wants to be asked next, whether anything arrives or not."""
        return self.next_turn if self.retry_at is None else min(self.next_turn, self.retry_at)

    @property
    def has_room(self) -> bool:
        """Whether anything new may be taken from the inbox."""
        return self.batch is None


def is_of_now(parcel: Parcel, standing: Mapping[str, Concern], since: datetime) -> bool:
    """Whether a message is still looked at: it is of `since` or later, or of something that stands since before it."""
    return parcel.message.at >= since or any(
        (c := standing.get(key)) is not None and c.opened_at is not None and c.opened_at <= parcel.message.at
        for key in parcel.message.concerns
    )


def awake(given: Given, memory: Memory, now: datetime) -> EngineState:
    """The state with which the watch goes on at `now`: a turn that was due a moment ago and not committed is made up for."""
    cadences = tuple(given.plan.cadences.values())
    turned = memory.facts.get(TURNED)
    turned_at = datetime.fromisoformat(turned) if turned else None
    if turned_at is None or turned_at > now:
        turned_at, following = None, timetable.next_turn(now, cadences)
    else:
        following = timetable.turn_after(turned_at, now, cadences)
    return EngineState(
        now=now,
        next_turn=following,
        turned_at=turned_at,
        windows=memory.readings,
        last_heard=memory.last_heard,
        silences={g.subject: g for g in memory.open_gaps if g.kind is GapKind.SILENCE},
        entries=tuple(sorted(memory.entries, key=lambda e: e.at)),
        standing={c.key: c for c in memory.concerns if c.standing is not Standing.OVER},
        ended={c.key: c for c in memory.concerns if c.standing is Standing.OVER and c.asked is not None},
        parcels={p.message.key: p for p in memory.parcels},
        facts=memory.facts,
        shipping_trouble=memory.facts.get(SHIPPING_TROUBLE, ""),
    )
