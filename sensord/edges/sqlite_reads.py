"""What the store answers; the same for the writer and for readers in other threads and processes."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Sequence
from datetime import date, datetime
from functools import lru_cache
from pathlib import Path
from typing import Any, NamedTuple

from sensord.edges import sqlite_codec as codec
from sensord.edges import sqlite_migrations
from sensord.edges.sqlite_codec import (
    from_json,
    from_microseconds,
    microseconds,
    transient,
    value_from_steps,
)
from sensord.edges.sqlite_migrations import HOUR_MS
from sensord.model import (
    Arrival,
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
    milliseconds,
)
from sensord.ports import Day, Hour, Series, TallyHour


class Slot(NamedTuple):
    """What was measured in a slot of time."""

    start_s: int  # Unix time
    mean: float
    minimum: float
    maximum: float


class Reads:
    """The read methods of `ports.Store` over one SQLite connection."""

    def __init__(self, db: sqlite3.Connection, path: str) -> None:
        self._db = db
        self._path = path
        self._series: dict[tuple[str, str, str], tuple[int, float]] = {}

    def _all(self, sql: str, values: Sequence[Any] = ()) -> list[Any]:
        with transient(self._path):
            return self._db.execute(sql, values).fetchall()

    def _one(self, sql: str, values: Sequence[Any] = ()) -> Any:
        rows = self._all(sql, values)
        return rows[0] if rows else None

    def _number(self, site: str, probe: str, quantity: Quantity) -> tuple[int, float] | None:
        """The series' number and scale, or None where nothing was ever stored of it."""
        key = (site, probe, quantity)
        if key not in self._series:
            row = self._one(
                "SELECT id FROM series WHERE site = ? AND probe = ? AND quantity = ?", (site, probe, quantity)
            )
            if row is None:
                return None
            self._series[key] = (row[0], codec.SCALE[quantity])
        return self._series[key]

    # --- readings and what is derived from them

    def readings(self, site: str, probe: str, quantity: Quantity, start: datetime, end: datetime) -> Series:
        """Stored readings with start <= measured_at < end, ascending."""
        number = self._number(site, probe, quantity)
        if number is None:
            return Series([], [], [])
        return self._columns(*number, ceil_ms(start), ceil_ms(end))

    def _columns(self, series: int, scale: float, start_ms: int, end_ms: int) -> Series:
        rows = self._all(
            "SELECT measured_ms, value, doubts FROM reading WHERE series = ? AND measured_ms >= ? AND measured_ms < ?"
            " ORDER BY measured_ms",
            (series, start_ms, end_ms),
        )
        return columns(rows, scale)

    def latest(self, site: str, probe: str, quantity: Quantity, before: datetime | None = None) -> Reading | None:
        """The newest stored reading by measured_at (measured before `before`), its times to the millisecond."""
        number = self._number(site, probe, quantity)
        if number is None:
            return None
        row = self._one(
            "SELECT measured_ms, delay_ms, value, doubts FROM reading WHERE series = ? AND measured_ms < ?"
            " ORDER BY measured_ms DESC LIMIT 1",
            (number[0], 2**62 if before is None else ceil_ms(before)),
        )
        if row is None:
            return None
        measured_ms, delay_ms, value, doubts = row
        value = value_from_steps(value, number[1])
        return Reading(site, probe, quantity, instant(measured_ms), instant(measured_ms + delay_ms), value, doubts)

    def slots(
        self, site: str, probe: str, quantity: Quantity, start: datetime, end: datetime, slot_s: int, refused: int
    ) -> list[Slot]:
        """Means, lows and highs of equal slots of time, of the readings that carry none of the doubts `refused`.

        The slots begin at whole multiples of `slot_s` since 1970; one without such a reading is left out.
        """
        number = self._number(site, probe, quantity)
        if number is None:
            return []
        rows = self._all(
            "SELECT measured_ms / ?, avg(value), min(value), max(value) FROM reading"
            " WHERE series = ? AND measured_ms >= ? AND measured_ms < ? AND doubts & ? = 0 AND typeof(value) = 'integer'"
            " GROUP BY 1 ORDER BY 1",
            (slot_s * 1000, number[0], ceil_ms(start), ceil_ms(end), refused),
        )
        scale = number[1]
        return [Slot(slot * slot_s, mean / scale, low / scale, high / scale) for slot, mean, low, high in rows]

    def hours(self, site: str, probe: str, quantity: Quantity, start: datetime, end: datetime) -> list[Hour]:
        """Hourly summaries with start <= hour < end; an hour without a usable reading is left out."""
        number = self._number(site, probe, quantity)
        if number is None:
            return []
        rows = self._all(
            "SELECT hour, count, minimum, maximum, mean, doubtful FROM hour"
            " WHERE series = ? AND hour >= ? AND hour < ? AND count > 0 ORDER BY hour",
            (number[0], *_hours(start, end)),
        )
        return [Hour(instant(hour * HOUR_MS), *rest) for hour, *rest in rows]

    def days(self, site: str, probe: str, quantity: Quantity, first: date, last: date) -> list[Day]:
        """Daily summaries by the site's local day, both ends included; a day without a usable reading is left out."""
        number = self._number(site, probe, quantity)
        if number is None:
            return []
        rows = self._all(
            "SELECT day, count, minimum, minimum_ms, maximum, maximum_ms, mean FROM day"
            " WHERE series = ? AND day >= ? AND day <= ? ORDER BY day",
            (number[0], first.toordinal(), last.toordinal()),
        )
        return [
            Day(date.fromordinal(day), count, low, instant(low_ms), high, instant(high_ms), mean)
            for day, count, low, low_ms, high, high_ms, mean in rows
        ]

    def tally(self, site: str, enclosure: str, start: datetime, end: datetime) -> list[TallyHour]:
        """Degree-days by hour, as the enclosure is defined now; an hour of which nothing is known is left out."""
        rows = self._all(
            "SELECT hour, degree_days, measured_s, bridged_s, missing_s FROM tally WHERE hour >= ? AND hour < ?"
            " AND place = (SELECT id FROM place WHERE site = ? AND enclosure = ? AND active) ORDER BY hour",
            (*_hours(start, end), site, enclosure),
        )
        return [TallyHour(instant(hour * HOUR_MS), *rest) for hour, *rest in rows]

    # --- what else came from outside

    def first_receipt(self, arrival: Arrival) -> datetime | None:
        """When a redelivered message without a time of its own was first committed; None if it never was."""
        if not arrival.redelivered or arrival.packet is None:
            return None
        row = self._one(
            "SELECT received_us FROM undated WHERE packet = ? AND digest = ?", (arrival.packet, codec.digest(arrival))
        )
        return None if row is None else from_microseconds(row[0])

    def entries(self, site: str, start: datetime, end: datetime) -> list[Entry]:
        """What the keeper said, by `at` (start <= at < end), ascending."""
        rows = self._all(
            "SELECT at_us, received_us, subject, what, amount, text, author, source FROM entry"
            " WHERE site = ? AND at_us >= ? AND at_us < ? ORDER BY at_us, id",
            (site, microseconds(start), microseconds(end)),
        )
        return [
            Entry(site, from_microseconds(at), from_microseconds(received), subject, What(what), *rest)
            for at, received, subject, what, *rest in rows
        ]

    def refusals(self, limit: int = 100) -> list[Refusal]:
        """The newest refused messages, newest first."""
        rows = self._all("SELECT received_us, topic, payload, reason FROM refusal ORDER BY id DESC LIMIT ?", (limit,))
        return [Refusal(from_microseconds(received), *rest) for received, *rest in rows]

    def gaps(self, site: str, start: datetime, end: datetime) -> list[Gap]:
        """Gaps that touch the span, by their start."""
        rows = self._all(
            "SELECT kind, subject, started_us, ended_us, detail FROM gap"
            " WHERE site = ? AND started_us < ? AND (ended_us IS NULL OR ended_us >= ?) ORDER BY started_us, id",
            (site, microseconds(end), microseconds(start)),
        )
        return [
            Gap(site, GapKind(kind), subject, from_microseconds(started), maybe_instant(ended), detail)
            for kind, subject, started, ended, detail in rows
        ]

    # --- concerns and messages

    def concerns(self, site: str) -> list[Concern]:
        """Concerns that are not over, oldest first."""
        rows = self._all("SELECT body FROM concern WHERE site = ? AND over_us IS NULL ORDER BY id", (site,))
        return [from_json(Concern, body) for (body,) in rows]

    def past_concerns(self, site: str, start: datetime, end: datetime) -> list[Concern]:
        """Concerns that ended in the span (start <= over_at < end), by their end."""
        rows = self._all(
            "SELECT body FROM concern WHERE site = ? AND over_us >= ? AND over_us < ? ORDER BY over_us, id",
            (site, microseconds(start), microseconds(end)),
        )
        return [from_json(Concern, body) for (body,) in rows]

    def verdicts(self, site: str, start: datetime, end: datetime) -> list[Verdict]:
        """Verdicts that said something else than the one before of the same rule and subject (start <= at < end)."""
        rows = self._all(
            "SELECT body FROM verdict WHERE site = ? AND at_us >= ? AND at_us < ? ORDER BY at_us, id",
            (site, microseconds(start), microseconds(end)),
        )
        return [from_json(Verdict, body) for (body,) in rows]

    def outbox(self, due: datetime | None = None) -> list[Parcel]:
        """Messages still to be delivered (due at or before `due`), most severe first, then oldest."""
        return self._parcels(
            "state = 'waiting' AND due_us <= ? ORDER BY severity DESC, at_us, id",
            (2**62 if due is None else microseconds(due),),
        )

    def messages(self, site: str, start: datetime, end: datetime) -> list[Parcel]:
        """All messages of a span (start <= at < end), with what became of them, oldest first."""
        return self._parcels(
            "site = ? AND at_us >= ? AND at_us < ? ORDER BY at_us, id", (site, microseconds(start), microseconds(end))
        )

    def _parcels(self, where: str, values: Sequence[Any]) -> list[Parcel]:
        rows = self._all(f"SELECT body, attempts, due_us, state, detail FROM message WHERE {where}", values)  # noqa: S608
        return [
            Parcel(_message(body), attempts, from_microseconds(due_us), Fate(state), detail)
            for body, attempts, due_us, state, detail in rows
        ]

    # --- odds and ends

    def backup(self, path: str | Path) -> None:
        """Copy the store as it is at this moment to another file, while it is in use; whole or not at all.

        Raises Transient when the copy can't be written, ValueError when it isn't sound.
        """
        part = f"{path}.part"
        Path(part).unlink(missing_ok=True)
        with transient(str(path)):
            copy = sqlite3.connect(part)
            try:
                self._db.backup(copy)
                copy.execute("PRAGMA journal_mode = DELETE")
                (verdict,) = copy.execute("PRAGMA integrity_check(1)").fetchone()
            finally:
                copy.close()
        if verdict != "ok":
            raise ValueError(f"{part}: the copy is not sound: {verdict}")
        flush(part)
        os.replace(part, path)
        flush(Path(path).absolute().parent)

    def counters(self) -> dict[str, int]:
        """Counts since the store was made: readings, duplicates, refused, entries, and `messages <state>`."""
        counts = dict.fromkeys(("readings", "duplicates", "refused", "entries"), 0)
        counts.update(self._all("SELECT name, count FROM counter"))
        counts.update(self._all("SELECT 'messages ' || state, count(*) FROM message GROUP BY state ORDER BY state"))
        return counts

    def recall(self, name: str) -> str | None:
        """The remembered fact."""
        row = self._one("SELECT value FROM fact WHERE name = ?", (name,))
        return None if row is None else row[0]

    def close(self) -> None:
        """Close; everything committed stays."""
        self._db.close()


class SqliteReader(Reads):
    """A read-only connection of its own. It sees what is committed, and never holds up the writer."""

    def __init__(self, path: str | Path, busy_s: float = 5.0) -> None:
        if not Path(path).is_file():
            raise ValueError(f"{path}: no such store; `sensord run` makes it")
        with transient(str(path)):
            db = connect(path, "ro", busy_s)
        super().__init__(db, str(path))
        try:
            with transient(str(path)):
                sqlite_migrations.check(db, str(path), complete=True)
        except BaseException:
            db.close()
            raise

    def version(self) -> int:
        """Another number than at the last call where something was committed since."""
        return int(self._one("PRAGMA data_version")[0])


def connect(path: str | Path, mode: str, busy_s: float) -> sqlite3.Connection:
    """A connection that begins and ends transactions only where told; ValueError for a file that is no database."""
    address = f"{Path(path).absolute().as_uri()}?mode={mode}" if str(path) != ":memory:" else ":memory:"
    db = sqlite3.connect(address, uri=True, timeout=busy_s, isolation_level=None, check_same_thread=False)
    try:
        db.execute("PRAGMA temp_store = MEMORY")
        db.execute("PRAGMA schema_version")
    except sqlite3.DatabaseError as error:
        db.close()
        if error.sqlite_errorcode == sqlite3.SQLITE_NOTADB:
            raise ValueError(
                f"{path}: not an SQLite file, or damaged; restore a backup or name another file"
            ) from error
        raise
    return db


@lru_cache(1024)
def _message(body: str) -> Message:
    """Frozen throughout, and asked for on every turn."""
    message: Message = from_json(Message, body)
    return message


def flush(path: str | Path) -> None:
    """See that a file, or the names in a directory, are on the disk."""
    number = os.open(path, os.O_RDONLY)
    try:
        os.fsync(number)
    finally:
        os.close(number)


def columns(rows: Sequence[tuple[int, Any, int]], scale: float) -> Series:
    """Rows of (measured_ms, value, doubts) as three columns."""
    if not rows:
        return Series([], [], [])
    times, stored, doubts = zip(*rows, strict=True)
    try:
        values = [steps / scale for steps in stored] if float not in map(type, stored) else None
    except TypeError:  # a NULL: not a number
        values = None
    if values is None:
        values = [value_from_steps(steps, scale) for steps in stored]
    return Series([ms / 1000 for ms in times], values, list(doubts))


def ceil_ms(moment: datetime) -> int:
    """Unix time rounded up [ms]: stored times are whole, so "at or after" and "before" both round up."""
    ms = milliseconds(moment)
    return ms if moment.microsecond % 1000 == 0 else ms + 1


def _hours(start: datetime, end: datetime) -> tuple[int, int]:
    return -(-ceil_ms(start) // HOUR_MS), -(-ceil_ms(end) // HOUR_MS)


def maybe_instant(unix_us: int | None) -> datetime | None:
    return None if unix_us is None else from_microseconds(unix_us)
