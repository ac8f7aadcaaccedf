"""A store that nobody keeps: everything in memory, with the promises of the SQLite store. For simulations and tests.

The store stands for the disk: a site's share that is given up after a crash is handed out again by `of`, with everything
that was committed and nothing else.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from sensord.adapters.memory_readings import MemoryReadings, row_of
from sensord.adapters.memory_summaries import MemorySummaries
from sensord.edges.sqlite_codec import digest
from sensord.edges.sqlite_journal import Bounds
from sensord.edges.sqlite_migrations import HOUR_MS
from sensord.edges.sqlite_summaries import BRIDGE_MS
from sensord.model import (
    EPOCH,
    FAR,
    Arrival,
    Concern,
    Entry,
    Fate,
    Message,
    Parcel,
    Refusal,
    Site,
    Standing,
    Verdict,
    milliseconds,
)
from sensord.ports import Added, Commit, Place, Places, Sending, Share, places_by

DAY = timedelta(days=1)


class MemoryStore:
    """`ports.Store`; sites share nothing, so each may be used by a thread of its own."""

    def __init__(self, bounds: Bounds = Bounds()) -> None:  # noqa: B008 (a tuple)
        self._bounds = bounds
        self._journals: dict[str, MemoryJournal] = {}

    def of(self, site: Site, places: Sequence[Place] | Places = ()) -> Share:
        """This site's share; `places` says whose degree-days are counted."""
        journal = self._journals.setdefault(site.name, MemoryJournal(site, self._bounds))
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

    def __init__(self, site: Site, bounds: Bounds) -> None:
        self._site, self._bounds = site.name, bounds
        self.readings = MemoryReadings(site.name)
        self.summaries = MemorySummaries(self.readings, ZoneInfo(site.time_zone))
        self.entries, self.concerns = MemoryEntries(), MemoryConcerns()
        self.outbox, self.facts = MemoryOutbox(), MemoryFacts()
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
        self.summaries.pruned_before_ms = max(self.summaries.pruned_before_ms, horizon_ms)
        deleted = 0
        for column in self.readings.columns.values():
            deleted += column.drop(horizon_ms, most - deleted)
        return deleted

    def close(self) -> None:
        """Nothing is to be closed."""


class MemoryEntries:
    """`ports.Entries`."""

    def __init__(self) -> None:
        self._said: dict[tuple[object, ...], Entry] = {}

    def put(self, entry: Entry) -> bool:
        """Add it unless it was said already; whether it is new."""
        identity = (entry.at, entry.subject, entry.what, entry.amount, entry.text, entry.author)
        is_new = identity not in self._said
        self._said.setdefault(identity, entry)
        return is_new

    def between(self, start: datetime, end: datetime) -> list[Entry]:
        """By `at` (start <= at < end), ascending."""
        return sorted((e for e in self._said.values() if start <= e.at < end), key=lambda entry: entry.at)


class MemoryConcerns:
    """`ports.Concerns`."""

    def __init__(self) -> None:
        self._standing: dict[str, Concern] = {}
        self._past: dict[tuple[str, datetime, datetime], Concern] = {}
        self._verdicts: list[Verdict] = []
        self._last: dict[tuple[str, str], Verdict] = {}
        self._aged_at: datetime | None = None

    def put(self, concern: Concern) -> None:
        """As it is now; one that is over without ever having been opened leaves no trace."""
        if concern.standing is not Standing.OVER:
            self._standing[concern.key] = concern
            return
        self._standing.pop(concern.key, None)
        if concern.opened_at is not None:
            ended_at = concern.over_at or concern.verdict.at
            self._past[concern.key, concern.breached_since, ended_at] = concern

    def log(self, verdicts: Sequence[Verdict], now: datetime, kept: timedelta) -> None:
        """Those that say something else than the one before of the same rule and subject."""
        news = 0
        for v in verdicts:
            last = self._last.get((v.rule, v.subject))
            if last is None or (last.state, last.severity, last.reason) != (v.state, v.severity, v.reason):
                self._last[v.rule, v.subject] = v
                self._verdicts.append(v)
                news += 1
        if news and (self._aged_at is None or now - self._aged_at >= DAY):
            last_ones = {id(v) for v in self._last.values()}
            self._verdicts = [v for v in self._verdicts if v.at >= now - kept or id(v) in last_ones]
            self._aged_at = now

    def standing(self) -> list[Concern]:
        """Concerns that are not over, oldest first."""
        return list(self._standing.values())

    def past(self, start: datetime, end: datetime) -> list[Concern]:
        """Concerns that ended in the span (start <= over_at < end), by their end."""
        ended = [(at, concern) for (_, _, at), concern in self._past.items() if start <= at < end]
        return [concern for _, concern in sorted(ended, key=lambda pair: pair[0])]

    def verdicts(self, start: datetime, end: datetime) -> list[Verdict]:
        """Verdicts that said something else than the one before of the same rule and subject (start <= at < end)."""
        return sorted((v for v in self._verdicts if start <= v.at < end), key=lambda verdict: verdict.at)


class MemoryOutbox:
    """`ports.Outbox`."""

    def __init__(self) -> None:
        self._parcels: dict[str, Parcel] = {}

    def check(self, commit: Commit) -> None:
        """Raise ValueError where a sending speaks of a message that nobody knows."""
        known = {m.key for m in commit.messages} | {m.key for m, _ in commit.held}
        for sending in commit.sendings:
            if sending.key not in known and sending.key not in self._parcels:
                raise ValueError(f"no message has the key {sending.key!r}")

    def put(self, commit: Commit) -> None:
        """New messages, what was held back and withdrawn, and what became of attempts."""
        for message in commit.messages:
            self._add(message, Fate.WAITING, "")
        for message, why in commit.held:
            self._add(message, Fate.HELD, why)
        for key, why in commit.withdrawn:
            if key in self._parcels and self._parcels[key].state == Fate.WAITING:
                self._parcels[key] = self._parcels[key]._replace(state=Fate.WITHDRAWN, detail=why)
        for sending in commit.sendings:
            self._parcels[sending.key] = _after(self._parcels[sending.key], sending)

    def _add(self, message: Message, state: Fate, detail: str) -> None:
        due_at = message.at if message.not_before is None else message.not_before
        self._parcels.setdefault(message.key, Parcel(message, 0, due_at, state, detail))

    def states(self) -> list[str]:
        """What became of every message."""
        return [parcel.state for parcel in self._parcels.values()]

    def due(self, at: datetime | None = None) -> list[Parcel]:
        """Messages still to be delivered (due at or before `at`), most severe first, then oldest."""
        waiting = [p for p in self._parcels.values() if p.state == Fate.WAITING and (at is None or p.due_at <= at)]
        return sorted(waiting, key=lambda p: (-p.message.severity, p.message.at))

    def between(self, start: datetime, end: datetime) -> list[Parcel]:
        """All messages of a span (start <= at < end), with what became of them, oldest first."""
        found = [p for p in self._parcels.values() if start <= p.message.at < end]
        return sorted(found, key=lambda p: p.message.at)


def _after(parcel: Parcel, sending: Sending) -> Parcel:
    """What the channel took counts as sent even where it was withdrawn meanwhile."""
    parcel = parcel._replace(attempts=parcel.attempts + 1, detail=sending.detail or "")
    if sending.detail is None:
        return parcel._replace(state=Fate.SENT)
    if sending.due_at is not None:
        return parcel._replace(due_at=sending.due_at)
    return parcel._replace(state=Fate.UNDELIVERED if parcel.state == Fate.WAITING else parcel.state)


@dataclass(frozen=True, slots=True)
class MemoryFacts:
    """`ports.Facts`."""

    known: dict[str, str] = field(default_factory=dict)

    def recall(self, name: str) -> str | None:
        """The fact as it was committed last."""
        return self.known.get(name)


class MemoryAccounts:
    """`ports.Accounts`."""

    def __init__(self, outbox: MemoryOutbox) -> None:
        self._outbox = outbox
        self._refusals: list[Refusal] = []
        self._counts = dict.fromkeys(("readings", "duplicates", "refused", "entries"), 0)

    def put(self, refusals: Sequence[Refusal], added: Added, entries: int, bounds: Bounds) -> None:
        """Count, and keep the newest refusals, cut."""
        for name, count in zip(self._counts, (*added, entries), strict=True):
            self._counts[name] += count
        self._refusals += [r._replace(payload=r.payload[: bounds.payload]) for r in refusals]
        del self._refusals[: -bounds.refusals]

    def refusals(self, limit: int = 100) -> list[Refusal]:
        """The newest refused messages, newest first."""
        return self._refusals[::-1][:limit]

    def counters(self) -> dict[str, int]:
        """Counts since the store was made: readings, duplicates, refused, entries, and `messages <state>`."""
        states = sorted(self._outbox.states())
        return {**self._counts, **{f"messages {state}": states.count(state) for state in states}}
