"""What of the store is still to be shipped to another database, in order, and what that database refused.

Triggers note every row that was added or changed in the table `changed`, in the transaction that changes it: nothing is
forgotten over a crash, and no code has to remember to note anything. A row has a change number that only grows. The
shipper, on its own read-only connection, reads what the numbers after its place stand for, as it is now; when it has
been delivered, the writer deletes those numbers (`settle`). What is changed again meanwhile has got a new number. So the
cursor is the smallest number there is; sending something twice is possible, leaving something out is not.

    kind     number             at, until
    reading  series             measured_ms of the first and the last reading meant
    hour     series             hours since 1970
    day      series             proleptic ordinal of the local day
    tally    place              hours since 1970
    concern  id of the concern  0
    entry    id of the entry    0

An hour, day, tally or concern stands in the table once, with its newest number. Readings never change, so each adds a
row; where very many wait (the other database has been away for days), they are drawn together into one row an hour.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import datetime
from enum import IntEnum
from typing import Any, NamedTuple

from sensord.edges.sqlite_codec import SCALE, from_json, from_microseconds, microseconds
from sensord.edges.sqlite_concerns import ConcernWriter
from sensord.edges.sqlite_migrations import HOUR_MS
from sensord.edges.sqlite_reads import Reads, SqliteReader
from sensord.model import Concern, Entry, What, instant

DRAW_TOGETHER_AT = 100_000
"""Readings noted one by one that may wait before they are drawn together by the hour."""

PARKED_KEPT = 1000
LONGEST_WORDS = 500

DESTINATION = "ships to"
SETTLED = "shipped at"
BEFORE_ALL = -(2**62)


class Kind(IntEnum):
    """What a row of `changed` stands for."""

    READING = 0
    HOUR = 1
    DAY = 2
    TALLY = 3
    CONCERN = 4
    ENTRY = 5


class Mark(NamedTuple):
    """One thing to ship: enough to find it again."""

    kind: int
    number: int
    at: int


class Place(NamedTuple):
    """How far one has got: all changes before `change` are done, and of its readings those up to `measured_ms`."""

    change: int = 0
    measured_ms: int = BEFORE_ALL


class Window(NamedTuple):
    """The next changes, as the store has them now. Readings: (series, measured_ms, value as stored, doubts, delay_ms)."""

    after: Place  # where to go on once all of it is delivered
    readings: list[tuple[int, int, Any, int, int]]
    hours: list[tuple[Any, ...]]
    days: list[tuple[Any, ...]]
    tallies: list[tuple[Any, ...]]
    concerns: list[tuple[int, Concern]]
    entries: list[tuple[int, Entry]]


class Parked(NamedTuple):
    """A point that the other database refuses for good, with its words."""

    mark: Mark
    line: str
    words: str


class Backlog(NamedTuple):
    """What waits to be shipped."""

    changes: int
    oldest: (
        datetime | None
    )  # receipt of the oldest reading that waits, not counting what was there before shipping began
    settled_at: datetime | None  # when the writer last struck off what had been delivered


# --- noting ---------------------------------------------------------------------------------------------------------


def _note(what: str) -> str:
    return f"INSERT OR REPLACE INTO changed (kind, number, at) {what}"


TRIGGERS = {
    "ship_reading": "INSERT ON reading BEGIN INSERT INTO changed (kind, number, at, until)"
    " VALUES (0, NEW.series, NEW.measured_ms, NEW.measured_ms)",
    "ship_hour": "INSERT ON hour BEGIN " + _note("VALUES (1, NEW.series, NEW.hour)"),
    "ship_day": "INSERT ON day BEGIN " + _note("VALUES (2, NEW.series, NEW.day)"),
    "ship_tally": "INSERT ON tally BEGIN " + _note("VALUES (3, NEW.place, NEW.hour)"),
    "ship_concern": "INSERT ON concern BEGIN " + _note("VALUES (4, NEW.id, 0)"),
    "ship_concern_again": "UPDATE ON concern BEGIN " + _note("VALUES (4, NEW.id, 0)"),
    "ship_entry": "INSERT ON entry BEGIN " + _note("VALUES (5, NEW.id, 0)"),
}

BY_HOUR = f"measured_ms / {HOUR_MS}"
EVERYTHING = (
    "INSERT INTO changed (kind, number, at, until) SELECT 0, series, min(measured_ms), max(measured_ms)"  # noqa: S608
    f" FROM reading GROUP BY {BY_HOUR}, series ORDER BY {BY_HOUR}, series",
    _note("SELECT 1, series, hour FROM hour ORDER BY hour"),
    _note("SELECT 2, series, day FROM day ORDER BY day"),
    _note("SELECT 3, place, hour FROM tally ORDER BY hour"),
    _note("SELECT 4, id, 0 FROM concern ORDER BY id"),
    _note("SELECT 5, id, 0 FROM entry ORDER BY id"),
)
AGAIN = (
    _note("SELECT kind, number, at FROM parked WHERE kind <> 0 ORDER BY id"),
    "INSERT INTO changed (kind, number, at, until) SELECT 0, number, at, at FROM parked WHERE kind = 0 ORDER BY id",
    "DELETE FROM parked",
)


class ShippingWriter(ConcernWriter):
    """The part of the store that notes what is to be shipped and strikes off what has been."""

    _drawn_to = 0

    def _ship_to(self, destination: str) -> None:
        """Note from now on what changes, for this destination; one that is new is to get everything. "" ends it.

        What was refused is tried again once at each start.
        """
        facts = json.loads(self.recall(DESTINATION) or "{}")
        if facts.get("destination", "") == destination:
            if destination and self._one("SELECT 1 FROM parked LIMIT 1"):
                with self._transaction() as db:  # the keeper may have mended the cause
                    for statement in AGAIN:
                        db.execute(statement)
            return
        with self._transaction() as db:
            for name in TRIGGERS:
                db.execute(f"DROP TRIGGER IF EXISTS {name}")
            db.execute("DELETE FROM changed")
            db.execute("DELETE FROM parked")
            db.execute("DELETE FROM fact WHERE name IN (?, ?)", (DESTINATION, SETTLED))
            if not destination:
                return
            for name, event in TRIGGERS.items():
                db.execute(f"CREATE TRIGGER {name} AFTER {event}; END")
            for statement in EVERYTHING:
                db.execute(statement)
            (history,) = db.execute("SELECT coalesce(max(change), 0) FROM changed").fetchone()
            fact = json.dumps({"destination": destination, "history": history})
            db.execute("INSERT INTO fact VALUES (?, ?)", (DESTINATION, fact))

    def settle(self, upto: int, parked: Sequence[Parked], now: datetime) -> None:
        """Strike off what has been delivered, and keep what was refused for inspection: the newest 1000."""
        with self._transaction() as db:
            db.execute("DELETE FROM changed WHERE change <= ?", (upto,))
            db.executemany(
                "INSERT INTO parked (parked_us, kind, number, at, line, words) VALUES (?, ?, ?, ?, ?, ?)",
                [(microseconds(now), *p.mark, p.line, p.words[:LONGEST_WORDS]) for p in parked[-PARKED_KEPT:]],
            )
            db.execute("DELETE FROM parked WHERE id <= (SELECT max(id) FROM parked) - ?", (PARKED_KEPT,))
            db.execute("INSERT OR REPLACE INTO fact VALUES (?, ?)", (SETTLED, now.isoformat()))

    def _draw_together(self) -> None:
        """Bound what waits: readings noted one by one become one row an hour and series, under their newest number."""
        first, last = self._one("SELECT coalesce(min(change), 0), coalesce(max(change), 0) FROM changed")
        first = max(first, self._drawn_to + 1)
        if last - first < DRAW_TOGETHER_AT:
            return
        of_readings = "kind = 0 AND change >= ? AND change <= ?"
        with self._transaction() as db:
            rows = db.execute(
                f"SELECT max(change), 0, number, min(at), max(until) FROM changed WHERE {of_readings}"  # noqa: S608
                f" GROUP BY at / {HOUR_MS}, number",
                (first, last),
            ).fetchall()
            db.execute(f"DELETE FROM changed WHERE {of_readings}", (first, last))  # noqa: S608
            db.executemany("INSERT INTO changed (change, kind, number, at, until) VALUES (?, ?, ?, ?, ?)", rows)
        self._drawn_to = last

    def _unshipped_ms(self) -> int | None:
        """When the oldest reading that waits was measured [ms]."""
        oldest: int | None = self._one("SELECT min(at) FROM changed WHERE kind = 0")[0]
        return oldest


# --- reading --------------------------------------------------------------------------------------------------------


class ShippingReader(SqliteReader):
    """A read-only connection that says what is to be shipped."""

    def window(self, place: Place, limit: int) -> Window | None:
        """The next changes: at most about `limit` things; None where nothing waits."""
        (last,) = self._one(
            "SELECT max(change) FROM (SELECT change FROM changed WHERE change >= ? ORDER BY change LIMIT ?)",
            (place.change, limit),
        )
        if last is None:
            return None
        rows = self._all(
            "SELECT c.change, c.number, r.measured_ms, r.value, r.doubts, r.delay_ms FROM changed c CROSS JOIN reading r"
            " ON r.series = c.number AND r.measured_ms BETWEEN c.at AND c.until"
            " WHERE c.kind = 0 AND c.change BETWEEN ? AND ? AND (c.change > ? OR r.measured_ms > ?)"
            " ORDER BY c.change, r.measured_ms LIMIT ?",
            (place.change, last, place.change, place.measured_ms, limit),
        )
        after = Place(last + 1)
        if len(rows) == limit:  # perhaps in the middle of an hour that was drawn together
            last = rows[-1][0]
            after = Place(last, rows[-1][2])
        span = (place.change, last)
        return Window(
            after,
            [row[1:] for row in rows],
            self._marked(1, "t.* FROM changed c JOIN hour t ON t.series = c.number AND t.hour = c.at", span),
            self._marked(2, "t.* FROM changed c JOIN day t ON t.series = c.number AND t.day = c.at", span),
            self._marked(
                3,
                "t.*, p.site, p.enclosure FROM changed c JOIN tally t ON t.place = c.number AND t.hour = c.at"
                " JOIN place p ON p.id = t.place AND p.active",
                span,
            ),
            [
                (number, from_json(Concern, body))
                for number, body in self._marked(
                    4, "t.id, t.body FROM changed c JOIN concern t ON t.id = c.number", span
                )
            ],
            [
                (number, Entry(site, from_microseconds(at), from_microseconds(received), subject, What(what), *rest))
                for number, site, at, received, subject, what, *rest in self._marked(
                    5, "t.* FROM changed c JOIN entry t ON t.id = c.number", span
                )
            ],
        )

    def _marked(self, kind: int, what: str, span: tuple[int, int]) -> list[Any]:
        return self._all(f"SELECT {what} WHERE c.kind = {kind} AND c.change BETWEEN ? AND ? ORDER BY c.change", span)

    def series(self) -> dict[int, tuple[str, str, str, float]]:
        """Of every series by number: site, probe, quantity, and steps per unit."""
        rows = self._all("SELECT id, site, probe, quantity FROM series")
        return {number: (site, probe, quantity, SCALE[quantity]) for number, site, probe, quantity in rows}


def backlog(reads: Reads, place: Place = Place()) -> Backlog:  # noqa: B008 (a tuple)
    """What waits beyond a place."""
    facts = json.loads(reads.recall(DESTINATION) or "{}")
    settled = reads.recall(SETTLED)
    (changes,) = reads._one("SELECT count(*) FROM changed WHERE change >= ?", (place.change,))
    row = reads._one(
        "SELECT r.measured_ms + r.delay_ms FROM changed c CROSS JOIN reading r ON r.series = c.number"
        " AND r.measured_ms BETWEEN c.at AND c.until WHERE c.kind = 0 AND c.change >= ? ORDER BY c.change LIMIT 1",
        (max(place.change, facts.get("history", 0) + 1),),
    )
    return Backlog(changes, row and instant(row[0]), datetime.fromisoformat(settled) if settled else None)


def parked(reads: Reads, limit: int = 100) -> list[tuple[datetime, str, str]]:
    """The newest points that were refused: when, the point as a line, the server's words."""
    rows = reads._all("SELECT parked_us, line, words FROM parked ORDER BY id DESC LIMIT ?", (limit,))
    return [(from_microseconds(at), line, words) for at, line, words in rows]
