"""What the page shows, as values: one look at the store through a read-only connection, as of what the loop last knew.

Only short windows of raw readings are read; what stands longer comes from slots, summaries and the ledger.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from sensord import ledger
from sensord.adapters.sqlite import SqliteReader
from sensord.concerns import heard
from sensord.config import Settings
from sensord.engine.asking import ask, plan_of
from sensord.engine.recovery import last_heard, windows_of
from sensord.garden import At, Garden
from sensord.language import Catalogue
from sensord.model import (
    AMBIENT,
    EPOCH,
    Cohort,
    Concern,
    Enclosure,
    Entry,
    Number,
    Parcel,
    Standing,
)
from sensord.ports import Shelf, Transient
from sensord.rules import Watch
from sensord.rules._tracks import Track
from sensord.species.limits import Tier
from sensord.web import questions
from sensord.web.measured import MeasuredPlace, MeasuredPlaces, is_fresh, offset_k

DAY = timedelta(days=1)
SAID = timedelta(days=2)
LEFT = timedelta(hours=12)
"""For so long what the last message of a concern asked for is shown, unless it is done, answered, or too late."""


@dataclass(frozen=True, slots=True)
class PageNeeds:
    """What the page needs of the program that it runs in."""

    settings: Settings
    garden: Garden
    texts: Catalogue
    store: Path
    now: Callable[[], datetime]
    known_at: Callable[[], datetime]  # until when the loop has taken in and judged everything
    connected: Callable[[], tuple[bool, datetime | None]]
    put: Callable[[str, bytes], None]  # hands an entry to the loop
    root: str = ""  # below which address the garden's pages stand, where the page shows several
    running_since: Callable[[], datetime] = lambda: EPOCH  # of the loop


@dataclass(frozen=True, slots=True)
class Cage:
    """An enclosure: what is measured in it, how it stands, and what it holds."""

    enclosure: Enclosure
    place: MeasuredPlace
    stand: ledger.Stand
    offset_k: float | None
    holds_m_s: float | None
    gust_m_s: float | None  # the highest of the last ten minutes
    gust_estimated: bool
    worst_m_s: float | None  # the highest of the storm that is here or has just passed
    tiers: tuple[Tier, ...]


@dataclass(frozen=True, slots=True)
class Snapshot:
    """Everything of one moment."""

    now: datetime
    cages: tuple[Cage, ...]
    post: MeasuredPlace
    change_pa: float | None  # of the pressure in three hours
    gust_m_s: float | None  # the highest that the gauge has measured in the last ten minutes
    concerns: tuple[Concern, ...]
    advised_since: Mapping[str, datetime]  # of answered concerns that ask for something else by now, by key
    left: tuple[Concern, ...]  # over, but what they asked for as they ended is still to be done
    said: tuple[Entry, ...]  # lately, the newest first
    cohorts: tuple[Cohort, ...]
    connected: bool
    disconnected_since: datetime | None


class StoreLook:
    """Looks, from any thread: each has a read-only connection of its own."""

    def __init__(self, house: PageNeeds) -> None:
        self.house = house
        self._places = MeasuredPlaces(house.garden)
        self._plan = plan_of(house.garden)
        self._local = threading.local()
        self._opened: list[SqliteReader] = []
        self._lock = threading.Lock()

    @contextmanager
    def shelf(self) -> Iterator[Shelf]:
        """What is kept of the garden, through this thread's own connection."""
        with self._reader() as reader:
            yield reader.of(self.house.garden.site.name)

    @contextmanager
    def _reader(self) -> Iterator[SqliteReader]:
        """This thread's connection; made anew after trouble."""
        found: SqliteReader | None = getattr(self._local, "reader", None)
        if found is None:
            try:
                found = SqliteReader(self.house.store)
            except ValueError as error:
                raise Transient(str(error)) from None
            self._local.reader = found
            with self._lock:
                self._opened.append(found)
        try:
            yield found
        except BaseException:
            self._local.reader = None
            with self._lock:
                self._opened.remove(found)
            found.close()
            raise

    def close(self) -> None:
        """Close all connections, when no thread looks any more."""
        with self._lock:
            for reader in self._opened:
                reader.close()
            self._opened.clear()

    def version(self) -> int:
        """Changes when something was committed since this thread last asked."""
        with self._reader() as reader:
            return reader.version()

    def known_at(self) -> datetime:
        """As of when; before the loop has begun, now."""
        at = self.house.known_at()
        return at if at > EPOCH else self.house.now()

    def snapshot(self) -> Snapshot:
        """One look."""
        garden, now = self.house.garden, self.known_at()
        with self.shelf() as shelf:
            told = garden.told(shelf.entries.between(EPOCH, now + DAY))
            entries, stood = told.addressed, told.at(now)
            # with what was said since a rule was asked last: it is asked again in up to a quarter of an hour
            concerns = tuple(heard(c, entries, self.house.now()) for c in shelf.concerns.standing())
            watch = self._watch(shelf, now)
            post, outside = self._places.look(shelf, AMBIENT, watch, now)
            facts = self._storm_facts(shelf, told.entries, concerns, watch, now)
            cages = tuple(self._cage(shelf, e, stood, outside, facts, watch, now) for e in garden.enclosures)
            since = self._advised_since(shelf, concerns, now)
            left = self._left(shelf, concerns, entries, now)
        connected, disconnected_since = self.house.connected()
        return Snapshot(
            now=now,
            cages=cages,
            post=post,
            change_pa=next((_number(f, "pressure_change_pa") for f in facts.values()), None),
            gust_m_s=next((c.gust_m_s for c in cages if not c.gust_estimated), None),
            concerns=concerns,
            advised_since=since,
            left=left,
            said=tuple(e for e in reversed(told.entries) if e.at >= now - SAID)[:40],
            cohorts=tuple(c for cage in cages for c in cage.stand.cohorts),
            connected=connected,
            disconnected_since=disconnected_since,
        )

    def message(self, key: str, about: datetime) -> Parcel | None:
        """A message by its key, made within the fortnight before `about`."""
        with self.shelf() as shelf:
            found = shelf.outbox.between(about - 15 * DAY, about + DAY)
        return next((p for p in found if p.message.key == key), None)

    def entries(self, since: datetime) -> list[Entry]:
        """What was said since, the newest first."""
        with self.shelf() as shelf:
            return shelf.entries.between(since, self.house.now() + DAY)[::-1]

    # --- what is asked for

    def _advised_since(self, shelf: Shelf, concerns: tuple[Concern, ...], now: datetime) -> Mapping[str, datetime]:
        """Read only where an answered concern asks for something else than was told."""
        changed = [
            c
            for c in concerns
            if c.standing is Standing.ANSWERED and questions.action_of(c.verdict) not in ("", c.told_action)
        ]
        if not changed:
            return {}
        verdicts = shelf.concerns.verdicts(min(c.breached_since for c in changed), now + DAY)
        found = {c.key: questions.advised_since(c, verdicts) for c in changed}
        return {key: since for key, since in found.items() if since is not None}

    def _left(
        self,
        shelf: Shelf,
        concerns: tuple[Concern, ...],
        entries: Sequence[Entry],
        now: datetime,
    ) -> tuple[Concern, ...]:
        past = {c.key: c for c in shelf.concerns.past(now - LEFT, now + DAY)}
        standing = {c.key for c in concerns if c.standing is not Standing.FORMING}
        return tuple(c for c in past.values() if c.key not in standing and questions.is_left(c, entries, now))

    # --- places

    def _watch(self, shelf: Shelf, now: datetime) -> Watch:
        """What is known of the watching, as far as the store tells it."""
        garden = self.house.garden
        heard = {p.name: last_heard(shelf.readings, p, now) for p in garden.probes}
        known = {name: at for name, at in heard.items() if at is not None}
        return Watch(self.house.running_since(), True, known, True, patience=garden.patience)

    def _storm_facts(
        self, shelf: Shelf, entries: Sequence[Entry], concerns: tuple[Concern, ...], watch: Watch, now: datetime
    ) -> Mapping[str, Mapping[str, Number]]:
        """What the storm rule finds at this moment, by enclosure: the page never computes another way than the rule."""
        garden = self.house.garden
        if "storm" not in garden.rules:
            return {}
        standing = {c.key: c for c in concerns}
        plan = self._plan
        windows = windows_of(shelf.readings, plan.series_of("storm"), plan.longest_look, now)
        outcome = ask(garden, plan, ["storm"], windows, standing, entries, watch, now)
        return {v.subject: v.numbers for v in outcome.verdicts}

    def _cage(
        self,
        shelf: Shelf,
        enclosure: Enclosure,
        stood: At,
        outside: Track | None,
        storm: Mapping[str, Mapping[str, Number]],
        watch: Watch,
        now: datetime,
    ) -> Cage:
        facts, limits = storm.get(enclosure.name, {}), stood.limits(enclosure.name)
        place, inside = self._places.look(shelf, enclosure.name, watch, now)
        return Cage(
            enclosure=enclosure,
            place=place,
            stand=stood.stands[enclosure.name],
            offset_k=offset_k(inside, outside, now) if is_fresh(place) else None,
            holds_m_s=_number(facts, "holds_m_s") or stood.held(enclosure.name).gust_m_s(None),
            gust_m_s=_number(facts, "gust_m_s"),
            gust_estimated=bool(facts.get("gust_estimated")),
            worst_m_s=_number(facts, "worst_m_s"),
            tiers=limits.tiers if limits else (),
        )


def _number(facts: Mapping[str, Number], name: str) -> float | None:
    value = facts.get(name)
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None
