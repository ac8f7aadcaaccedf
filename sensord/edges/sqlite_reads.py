"""What the store answers of one site: the parts of a shelf, each over a connection that only reads."""

from __future__ import annotations

from datetime import date, datetime
from functools import lru_cache
from pathlib import Path
from typing import Any

from sensord.edges import sqlite_codec as codec
from sensord.edges import sqlite_migrations
from sensord.edges.sqlite_codec import (
    ceil_ms,
    columns,
    from_json,
    from_microseconds,
    maybe_instant,
    microseconds,
    transient,
    value_from_steps,
)
from sensord.edges.sqlite_connection import Connection, connect
from sensord.edges.sqlite_migrations import HOUR_MS
from sensord.model import (
    Concern,
    Entry,
    Fate,
    Gap,
    GapKind,
    Message,
    Parcel,
    Quantity,
    Reading,
    Refusal,
    Verdict,
    What,
    instant,
)
from sensord.ports import Day, Hour, Series, Shelf, Slot, TallyHour


class Numbers:
    """The numbers under which a site's series stand in the tables."""

    def __init__(self, connection: Connection, site: str) -> None:
        self._connection, self._site = connection, site
        self.known: dict[tuple[str, str], tuple[int, float]] = {}

    def of(self, probe: str, quantity: Quantity) -> tuple[int, float] | None:
        """The series' number and scale, or None where nothing was ever stored of it."""
        key = (probe, quantity)
        if key not in self.known:
            sql = "SELECT id FROM series WHERE site = ? AND probe = ? AND quantity = ?"
            row = self._connection.one(sql, (self._site, probe, quantity))
            if row is None:
                return None
            self.known[key] = (row[0], codec.SCALE[quantity])
        return self.known[key]


def columns_of(connection: Connection, series: int, scale: float, start_ms: int, end_ms: int) -> Series:
    """The readings of a numbered series."""
    rows = connection.all(
        "SELECT measured_ms, value, doubts FROM reading WHERE series = ? AND measured_ms >= ? AND measured_ms < ?"
        " ORDER BY measured_ms",
        (series, start_ms, end_ms),
    )
    return columns(rows, scale)


class SqliteReadings:
    """`ports.Readings`."""

    def __init__(self, connection: Connection, site: str, numbers: Numbers) -> None:
        self._connection, self._site, self._numbers = connection, site, numbers

    def series(self, probe: str, quantity: Quantity, start: datetime, end: datetime) -> Series:
        """Stored readings with start <= measured_at < end, ascending."""
        number = self._numbers.of(probe, quantity)
        if number is None:
            return Series([], [], [])
        return columns_of(self._connection, *number, ceil_ms(start), ceil_ms(end))

    def latest(self, probe: str, quantity: Quantity, before: datetime | None = None) -> Reading | None:
        """The newest stored reading by measured_at (measured before `before`), its times to the millisecond."""
        number = self._numbers.of(probe, quantity)
        if number is None:
            return None
        row = self._connection.one(
            "SELECT measured_ms, delay_ms, value, doubts FROM reading WHERE series = ? AND measured_ms < ?"
            " ORDER BY measured_ms DESC LIMIT 1",
            (number[0], 2**62 if before is None else ceil_ms(before)),
        )
        if row is None:
            return None
        measured_ms, delay_ms, stored, doubts = row
        value = value_from_steps(stored, number[1])
        measured_at, received_at = instant(measured_ms), instant(measured_ms + delay_ms)
        return Reading(self._site, probe, quantity, measured_at, received_at, value, doubts)

    def slots(
        self, probe: str, quantity: Quantity, start: datetime, end: datetime, slot_s: int, refused: int
    ) -> list[Slot]:
        """Means, lows and highs of equal slots of time, of the readings that carry none of the doubts `refused`."""
        number = self._numbers.of(probe, quantity)
        if number is None:
            return []
        rows = self._connection.all(
            "SELECT measured_ms / ?, avg(value), min(value), max(value) FROM reading"
            " WHERE series = ? AND measured_ms >= ? AND measured_ms < ? AND doubts & ? = 0 AND typeof(value) = 'integer'"
            " GROUP BY 1 ORDER BY 1",
            (slot_s * 1000, number[0], ceil_ms(start), ceil_ms(end), refused),
        )
        scale = number[1]
        return [Slot(slot * slot_s, mean / scale, low / scale, high / scale) for slot, mean, low, high in rows]

    def gaps(self, start: datetime, end: datetime) -> list[Gap]:
        """Gaps that touch the span, by their start."""
        rows = self._connection.all(
            "SELECT kind, subject, started_us, ended_us, detail FROM gap"
            " WHERE site = ? AND started_us < ? AND (ended_us IS NULL OR ended_us >= ?) ORDER BY started_us, id",
            (self._site, microseconds(end), microseconds(start)),
        )
        return [
            Gap(self._site, GapKind(kind), subject, from_microseconds(started), maybe_instant(ended), detail)
            for kind, subject, started, ended, detail in rows
        ]


class SqliteSummaries:
    """`ports.Summaries`."""

    def __init__(self, connection: Connection, site: str, numbers: Numbers) -> None:
        self._connection, self._site, self._numbers = connection, site, numbers

    def hours(self, probe: str, quantity: Quantity, start: datetime, end: datetime) -> list[Hour]:
        """Hourly summaries with start <= hour < end; an hour without a usable reading is left out."""
        number = self._numbers.of(probe, quantity)
        if number is None:
            return []
        rows = self._connection.all(
            "SELECT hour, count, minimum, maximum, mean, doubtful FROM hour"
            " WHERE series = ? AND hour >= ? AND hour < ? AND count > 0 ORDER BY hour",
            (number[0], *_hours(start, end)),
        )
        return [Hour(instant(hour * HOUR_MS), *rest) for hour, *rest in rows]

    def days(self, probe: str, quantity: Quantity, first: date, last: date) -> list[Day]:
        """Daily summaries by the site's local day, both ends included; a day without a usable reading is left out."""
        number = self._numbers.of(probe, quantity)
        if number is None:
            return []
        rows = self._connection.all(
            "SELECT day, count, minimum, minimum_ms, maximum, maximum_ms, mean FROM day"
            " WHERE series = ? AND day >= ? AND day <= ? ORDER BY day",
            (number[0], first.toordinal(), last.toordinal()),
        )
        return [
            Day(date.fromordinal(day), count, low, instant(low_ms), high, instant(high_ms), mean)
            for day, count, low, low_ms, high, high_ms, mean in rows
        ]

    def tally(self, enclosure: str, start: datetime, end: datetime) -> list[TallyHour]:
        """Degree-days by hour, as the enclosure is defined now; an hour of which nothing is known is left out."""
        rows = self._connection.all(
            "SELECT hour, degree_days, measured_s, bridged_s, missing_s FROM tally WHERE hour >= ? AND hour < ?"
            " AND place IN (SELECT id FROM place WHERE site = ? AND enclosure = ? AND active)"
            " AND measured_s + bridged_s > 0 ORDER BY hour",
            (*_hours(start, end), self._site, enclosure),
        )
        return [TallyHour(instant(hour * HOUR_MS), *rest) for hour, *rest in rows]


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
            f"SELECT body, attempts, due_us, state, detail FROM message WHERE site = ? AND {where}",  # noqa: S608
            (self._site, *values),
        )
        return [
            Parcel(_message(body), attempts, from_microseconds(due_us), Fate(state), detail)
            for body, attempts, due_us, state, detail in rows
        ]


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


def shelf_of(connection: Connection, site: str, numbers: Numbers | None = None) -> Shelf:
    """Everything that was kept of a site, over this connection."""
    numbers = numbers or Numbers(connection, site)
    return Shelf(
        SqliteReadings(connection, site, numbers),
        SqliteSummaries(connection, site, numbers),
        SqliteEntries(connection, site),
        SqliteConcerns(connection, site),
        SqliteOutbox(connection, site),
        SqliteFacts(connection, site),
        SqliteAccounts(connection, site),
    )


def open_to_read(path: str | Path, busy_s: float) -> Connection:
    """A read-only connection. It sees what is committed, and never holds up the writer.

    ValueError where there is no store, or one of another schema.
    """
    if not Path(path).is_file():
        raise ValueError(f"{path}: no such store; `sensord run` makes it")
    with transient(str(path)):
        db = connect(path, "ro", busy_s)
        try:
            sqlite_migrations.check(db, str(path), complete=True)
        except BaseException:
            db.close()
            raise
    return Connection(db, str(path))


@lru_cache(1024)
def _message(body: str) -> Message:
    """Frozen throughout, and asked for on every turn."""
    message: Message = from_json(Message, body)
    return message


def _hours(start: datetime, end: datetime) -> tuple[int, int]:
    return -(-ceil_ms(start) // HOUR_MS), -(-ceil_ms(end) // HOUR_MS)
