"""A store that nobody keeps: everything in memory, with the promises of the SQLite store. For simulations and tests.

The store stands for the disk: a site's share that is given up after a crash is handed out again by `of`, with everything
that was committed and nothing else.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime
from itertools import chain
from zoneinfo import ZoneInfo

from sensord.adapters.memory_readings import MemoryReadings, row_of
from sensord.adapters.memory_said import MemoryAccounts, MemoryConcerns, MemoryEntries, MemoryFacts, MemoryOutbox
from sensord.adapters.memory_summaries import MemorySummaries
from sensord.adapters.memory_tail import Known, MemoryTail
from sensord.adapters.sqlite_codec import digest
from sensord.adapters.sqlite_journal import KeptBounds
from sensord.adapters.sqlite_migrations import HOUR_MS
from sensord.adapters.sqlite_summaries import BRIDGE_MS
from sensord.model import (
    EPOCH,
    FAR,
    Arrival,
    Site,
    milliseconds,
)
from sensord.ports import Added, Commit, Parked, Place, Places, Share, places_by


class MemoryStore:
    """`ports.Store`; sites share nothing, so each may be used by a thread of its own."""

    def __init__(self, bounds: KeptBounds = KeptBounds(), ships_to: str = "") -> None:  # noqa: B008 (a tuple)
        self._bounds = bounds
        self._journals: dict[str, MemoryJournal] = {}
        self.tail = MemoryTail()
        self.ship_to(ships_to)

    def ship_to(self, destination: str) -> None:
        """Note from now on what changes, for this destination; one that is new is to get everything. "" ends it."""
        self.tail.ship_to(
            destination, lambda: chain.from_iterable(journal.everything() for journal in self._journals.values())
        )

    def settle(self, upto: int, parked: Sequence[Parked], now: datetime) -> None:
        """Strike off what has been shipped, and keep what was refused for inspection."""
        self.tail.settle(upto, parked, now)

    def of(self, site: Site, places: Sequence[Place] | Places = ()) -> Share:
        """This site's share; `places` says whose degree-days are counted."""
        journal = self._journals.setdefault(site.name, MemoryJournal(site, self._bounds, self.tail))
        journal.places = places_by(places)
        journal.follow()
        return Share(
            journal,
            journal.readings,
            journal.summaries,
            journal.entries,
            journal.concerns,
            journal.outbox,
            journal.facts,
            journal.accounts,
        )

    def close(self) -> None:
        """Nothing is to be closed; everything committed stays."""


class MemoryJournal:
    """`ports.Journal` of one site, which owns its parts: what can't be committed is found out before anything is changed."""

    def __init__(self, site: Site, bounds: KeptBounds, tail: MemoryTail) -> None:
        self._site, self._bounds, self._tail = site.name, bounds, tail
        self.readings = MemoryReadings(site.name, tail)
        self.summaries = MemorySummaries(site.name, self.readings, ZoneInfo(site.time_zone), tail)
        self.entries, self.concerns = MemoryEntries(tail), MemoryConcerns(tail)
        self.outbox, self.facts = MemoryOutbox(tail), MemoryFacts()
        self.accounts = MemoryAccounts(self.outbox)
        self._undated: dict[int, tuple[bytes, datetime]] = {}
        self.places: Places = places_by(())

    def follow(self) -> None:
        """Count for those who are where by what was said."""
        self.summaries.count_for(self.places(self.entries.between(EPOCH, FAR)))

    def commit(self, commit: Commit) -> Added:
        """Make everything in it durable, all or nothing."""
        commit.check_site(self._site)
        rows = [row_of(self._site, reading) for reading in commit.readings]
        self.outbox.check(commit)
        digests = [(a.packet, digest(a), a.received_at) for a in commit.undated if a.packet is not None]

        new = self.readings.put(rows)
        self.summaries.touch(rows)
        for gap in commit.gaps:
            self.readings.put_gap(gap)
        for packet, content, received_at in digests:
            self._undated[packet] = (content, received_at)
        entries = sum(self.entries.put(entry) for entry in commit.entries)
        for concern in commit.concerns:
            self.concerns.put(concern)
        self.concerns.log(commit.verdicts, commit.at, self._bounds.verdicts)
        self.outbox.put(commit)
        self.facts.known.update(commit.facts)
        added = Added(len(new), len(rows) - len(new), len(commit.refusals))
        self.accounts.put(commit.refusals, added, entries, self._bounds)
        return added

    def first_receipt(self, arrival: Arrival) -> datetime | None:
        """When a redelivered message without a time of its own was first committed; None if it never was."""
        if not arrival.redelivered or arrival.packet is None:
            return None
        content, received_at = self._undated.get(arrival.packet, (b"", None))
        return received_at if content == digest(arrival) else None

    def summarise(self, now: datetime) -> int:
        """Bring summaries and tallies up to date with what was committed; returns how many hours were computed."""
        self.follow()
        return self.summaries.compute(milliseconds(now))

    def prune(self, before: datetime, most: int = 2**62) -> int:
        """Delete raw readings from before the hour that precedes `before`; what is derived stays. Returns how many."""
        self.summarise(before)
        horizon_ms = (milliseconds(before) - BRIDGE_MS) // HOUR_MS * HOUR_MS
        waiting_ms = self._tail.unshipped_ms(self._site)
        if waiting_ms is not None:
            horizon_ms = min(horizon_ms, waiting_ms // HOUR_MS * HOUR_MS)
        self.summaries.pruned_before_ms = max(self.summaries.pruned_before_ms, horizon_ms)
        deleted = 0
        for key, column in self.readings.columns.items():
            refused = self._tail.refused_ms(self.readings.number_of(key))
            deleted += column.drop(horizon_ms, most - deleted, refused)
        return deleted

    def everything(self) -> Iterator[Known]:
        """All that there is to ship."""
        for part in (self.readings, self.summaries, self.entries, self.concerns, self.outbox):
            yield from part.everything()

    def close(self) -> None:
        """Nothing is to be closed."""
