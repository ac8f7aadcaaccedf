"""What is said and told, in memory: entries, concerns, messages, facts, and what is counted."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from sensord.adapters.memory_tail import Known, MemoryTail
from sensord.adapters.sqlite_journal import KeptBounds
from sensord.model import (
    Concern,
    Entry,
    Fate,
    Message,
    Parcel,
    Refusal,
    Standing,
    Verdict,
)
from sensord.ports import Added, ChangeKind, Commit, Mark, Sending

DAY = timedelta(days=1)


class MemoryEntries:
    """`ports.Entries`."""

    def __init__(self, tail: MemoryTail) -> None:
        self._tail = tail
        self._said: dict[tuple[object, ...], Entry] = {}
        self._numbers: dict[int, Entry] = {}

    def put(self, entry: Entry) -> bool:
        """Add it unless it was said already; whether it is new."""
        identity = (entry.at, entry.subject, entry.what, entry.amount, entry.text, entry.author)
        if identity in self._said:
            return False
        number = self._tail.new_number()
        self._said[identity] = self._numbers[number] = entry
        self._tail.note(Mark(ChangeKind.ENTRY, number, 0), self._shipped)
        return True

    def everything(self) -> Iterator[Known]:
        """All that there is to ship."""
        yield from ((Mark(ChangeKind.ENTRY, number, 0), self._shipped) for number in self._numbers)

    def _shipped(self, mark: Mark) -> tuple[int, Entry]:
        return mark.number, self._numbers[mark.number]

    def between(self, start: datetime, end: datetime) -> list[Entry]:
        """By `at` (start <= at < end), ascending."""
        return sorted((e for e in self._said.values() if start <= e.at < end), key=lambda entry: entry.at)


class MemoryConcerns:
    """`ports.Concerns`."""

    def __init__(self, tail: MemoryTail) -> None:
        self._tail = tail
        self._numbers: dict[int, Concern] = {}
        self._standing_as: dict[str, int] = {}
        self._standing: dict[str, Concern] = {}
        self._past_as: dict[tuple[str, datetime, datetime], int] = {}
        self._verdicts: list[Verdict] = []
        self._last: dict[tuple[str, str], Verdict] = {}
        self._aged_at: datetime | None = None

    def put(self, concern: Concern) -> None:
        """As it is now; one that is over without ever having been opened leaves no trace."""
        life = (concern.key, concern.breached_since, concern.over_at or concern.verdict.at)
        over = concern.standing is Standing.OVER
        if over and life in self._past_as:  # news of one that ended before: what stands by now is another one
            number = self._past_as[life]
        else:
            number = self._standing_as.get(concern.key) or self._tail.new_number()
            if not over:
                self._standing[concern.key] = concern
                self._standing_as[concern.key] = number
            else:
                self._standing.pop(concern.key, None)
                self._standing_as.pop(concern.key, None)
                if concern.opened_at is None:
                    self._numbers.pop(number, None)
                    return
                self._past_as[life] = number
        self._numbers[number] = concern
        self._tail.note(Mark(ChangeKind.CONCERN, number, 0), self._shipped)

    def everything(self) -> Iterator[Known]:
        """All that there is to ship."""
        yield from ((Mark(ChangeKind.CONCERN, number, 0), self._shipped) for number in self._numbers)

    def _shipped(self, mark: Mark) -> tuple[int, Concern] | None:
        concern = self._numbers.get(mark.number)
        return None if concern is None else (mark.number, concern)

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
        ended = [(at, self._numbers[number]) for (_, _, at), number in self._past_as.items() if start <= at < end]
        return [concern for _, concern in sorted(ended, key=lambda pair: pair[0])]

    def verdicts(self, start: datetime, end: datetime) -> list[Verdict]:
        """Verdicts that said something else than the one before of the same rule and subject (start <= at < end)."""
        return sorted((v for v in self._verdicts if start <= v.at < end), key=lambda verdict: verdict.at)


class MemoryOutbox:
    """`ports.Outbox`."""

    def __init__(self, tail: MemoryTail) -> None:
        self._tail = tail
        self._parcels: dict[str, Parcel] = {}
        self._numbers: dict[str, int] = {}
        self._keys: dict[int, str] = {}

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
                self._note(key)
        for sending in commit.sendings:
            self._parcels[sending.key] = _after(self._parcels[sending.key], sending)
            if sending.detail is None or sending.due_at is None:
                self._note(sending.key)

    def _add(self, message: Message, state: Fate, detail: str) -> None:
        due_at = message.at if message.not_before is None else message.not_before
        if message.key not in self._parcels:
            self._parcels[message.key] = Parcel(message, 0, due_at, state, detail)
            self._note(message.key)

    # --- to be shipped

    def _note(self, key: str) -> None:
        if key not in self._numbers:
            self._numbers[key] = self._tail.new_number()
            self._keys[self._numbers[key]] = key
        self._tail.note(Mark(ChangeKind.MESSAGE, self._numbers[key], 0), self._shipped)

    def everything(self) -> Iterator[Known]:
        """All that there is to ship."""
        yield from ((Mark(ChangeKind.MESSAGE, number, 0), self._shipped) for number in self._keys)

    def _shipped(self, mark: Mark) -> tuple[int, Parcel]:
        return mark.number, self._parcels[self._keys[mark.number]]

    # --- answers

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
        return parcel._replace(state=Fate.SENT, sent_at=parcel.sent_at or sending.at)
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

    def put(self, refusals: Sequence[Refusal], added: Added, entries: int, bounds: KeptBounds) -> None:
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
