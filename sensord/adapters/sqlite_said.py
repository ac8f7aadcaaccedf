"""What the store answers of what was said: by the keeper, by the rules, to the phone; and small facts and counts."""

from __future__ import annotations

from datetime import datetime
from functools import lru_cache
from typing import Any

from sensord.adapters.sqlite_codec import (
    from_json,
    from_microseconds,
    microseconds,
)
from sensord.adapters.sqlite_connection import Connection
from sensord.model import (
    Concern,
    Entry,
    Fate,
    Message,
    Parcel,
    Refusal,
    Verdict,
    What,
)


class SqliteEntries:
    """`ports.Entries`."""

    def __init__(self, connection: Connection, site: str) -> None:
        self._connection, self._site = connection, site

    def between(self, start: datetime, end: datetime) -> list[Entry]:
        """By `at` (start <= at < end), ascending."""
        rows = self._connection.all(
            "SELECT at_us, received_us, subject, what, amount, text, author, source FROM entry"
            " WHERE site = ? AND at_us >= ? AND at_us < ? ORDER BY at_us, id",
            (self._site, microseconds(start), microseconds(end)),
        )
        return [
            Entry(self._site, from_microseconds(at), from_microseconds(received), subject, What(what), *rest)
            for at, received, subject, what, *rest in rows
        ]


class SqliteConcerns:
    """`ports.Concerns`."""

    def __init__(self, connection: Connection, site: str) -> None:
        self._connection, self._site = connection, site

    def standing(self) -> list[Concern]:
        """Concerns that are not over, oldest first."""
        return self._bodies(Concern, "concern WHERE site = ? AND over_us IS NULL ORDER BY id")

    def past(self, start: datetime, end: datetime) -> list[Concern]:
        """Concerns that ended in the span (start <= over_at < end), by their end."""
        where = "concern WHERE site = ? AND over_us >= ? AND over_us < ? ORDER BY over_us, id"
        return self._bodies(Concern, where, microseconds(start), microseconds(end))

    def verdicts(self, start: datetime, end: datetime) -> list[Verdict]:
        """Verdicts that said something else than the one before of the same rule and subject (start <= at < end)."""
        where = "verdict WHERE site = ? AND at_us >= ? AND at_us < ? ORDER BY at_us, id"
        return self._bodies(Verdict, where, microseconds(start), microseconds(end))

    def _bodies(self, kind: type, where: str, *values: int) -> list[Any]:
        rows = self._connection.all(f"SELECT body FROM {where}", (self._site, *values))  # noqa: S608 (the texts above)
        return [from_json(kind, body) for (body,) in rows]


class SqliteOutbox:
    """`ports.Outbox`."""

    def __init__(self, connection: Connection, site: str) -> None:
        self._connection, self._site = connection, site

    def due(self, at: datetime | None = None) -> list[Parcel]:
        """Messages still to be delivered (due at or before `at`), most severe first, then oldest."""
        where = "state = 'waiting' AND due_us <= ? ORDER BY severity DESC, at_us, id"
        return self._parcels(where, 2**62 if at is None else microseconds(at))

    def between(self, start: datetime, end: datetime) -> list[Parcel]:
        """All messages of a span (start <= at < end), with what became of them, oldest first."""
        return self._parcels("at_us >= ? AND at_us < ? ORDER BY at_us, id", microseconds(start), microseconds(end))

    def _parcels(self, where: str, *values: int) -> list[Parcel]:
        rows = self._connection.all(
            f"SELECT {PARCEL} FROM message t WHERE site = ? AND {where}",  # noqa: S608
            (self._site, *values),
        )
        return [parcel_of(*row) for row in rows]


class SqliteFacts:
    """`ports.Facts`."""

    def __init__(self, connection: Connection, site: str) -> None:
        self._connection, self._site = connection, site

    def recall(self, name: str) -> str | None:
        """The fact as it was committed last."""
        row = self._connection.one("SELECT value FROM fact WHERE site = ? AND name = ?", (self._site, name))
        return None if row is None else str(row[0])


class SqliteAccounts:
    """`ports.Accounts`."""

    def __init__(self, connection: Connection, site: str) -> None:
        self._connection, self._site = connection, site

    def refusals(self, limit: int = 100) -> list[Refusal]:
        """The newest refused messages, newest first."""
        sql = "SELECT received_us, topic, payload, reason FROM refusal WHERE site = ? ORDER BY id DESC LIMIT ?"
        return [Refusal(from_microseconds(at), *rest) for at, *rest in self._connection.all(sql, (self._site, limit))]

    def counters(self) -> dict[str, int]:
        """Counts since the store was made: readings, duplicates, refused, entries, and `messages <state>`."""
        counts = dict.fromkeys(("readings", "duplicates", "refused", "entries"), 0)
        counts.update(self._connection.all("SELECT name, count FROM counter WHERE site = ?", (self._site,)))
        sql = "SELECT 'messages ' || state, count(*) FROM message WHERE site = ? GROUP BY state ORDER BY state"
        counts.update(self._connection.all(sql, (self._site,)))
        return counts


PARCEL = "t.body, t.attempts, t.due_us, t.state, t.detail, t.changed_us"


def parcel_of(body: str, attempts: int, due_us: int, state: str, detail: str, changed_us: int) -> Parcel:
    """A message in the outbox, of a row `PARCEL`."""
    sent_at = from_microseconds(changed_us) if state == Fate.SENT else None  # it stays as it was then
    return Parcel(_message(body), attempts, from_microseconds(due_us), Fate(state), detail, sent_at)


@lru_cache(1024)
def _message(body: str) -> Message:
    """Frozen throughout, and asked for on every turn."""
    message: Message = from_json(Message, body)
    return message
