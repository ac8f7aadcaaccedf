"""What of the store is still to be shipped to another database, in order, and what that database refused.

Triggers note every row that was added or changed in the table `changed`, in the transaction that changes it: nothing is
forgotten over a crash, and no code has to remember to note anything. A row has a change number that only grows. The
shipper, on its own read-only connection, reads what the numbers after its position stand for, as it is now; when it has
been delivered, the writer deletes those numbers (`settle`). What is changed again meanwhile has got a new number. So the
cursor is the smallest number there is; sending something twice is possible, leaving something out is not.

    kind     number             at, until
    reading  series             measured_ms of the first and the last reading meant
    hour     series             hours since 1970
    day      series             proleptic ordinal of the local day
    tally    place              hours since 1970
    concern  id of the concern  0
    entry    id of the entry    0
    message  id of the message  0
    gap      id of the gap      0

All but readings stand in the table once, with their newest number. Readings never change, so each adds a
row; where very many wait (the other database has been away for days), they are drawn together into one row an hour.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Sequence
from datetime import datetime

from sensord.adapters.sqlite_codec import microseconds
from sensord.adapters.sqlite_connection import Connection
from sensord.adapters.sqlite_migrations import HOUR_MS
from sensord.adapters.sqlite_writer import Writer
from sensord.ports import ChangeKind, Parked

DRAW_TOGETHER_AT = 100_000
"""Readings noted one by one that may wait before they are drawn together by the hour."""

PARKED_KEPT = 1000
LONGEST_WORDS = 500

FORM = 1
"""Of the points. Where it is raised, everything is shipped anew, in the new form."""

DESTINATION = "ships to"
SETTLED = "shipped at"


def _note(what: str) -> str:
    return f"INSERT OR REPLACE INTO changed (kind, number, at) {what}"


def _trigger(event: str, kind: ChangeKind, number: str, at: str = "0") -> str:
    """Note a row anew. Not by REPLACE: within a trigger, the conflict rule of the statement that fired it counts instead.

    `kind <> 0` says nothing new, but without it the index, which has the same words, is not used.
    """
    row = f"kind = {kind:d} AND number = NEW.{number} AND at = {at}"
    return (
        f"{event} BEGIN DELETE FROM changed WHERE kind <> 0 AND {row};"  # noqa: S608 (constants only)
        f" INSERT INTO changed (kind, number, at) VALUES ({kind:d}, NEW.{number}, {at}); END"
    )


TRIGGERS = {
    "ship_reading": "INSERT ON reading BEGIN INSERT INTO changed (kind, number, at, until)"
    " VALUES (0, NEW.series, NEW.measured_ms, NEW.measured_ms); END",
    "ship_hour": _trigger("INSERT ON hour", ChangeKind.HOUR, "series", "NEW.hour"),
    "ship_day": _trigger("INSERT ON day", ChangeKind.DAY, "series", "NEW.day"),
    "ship_tally": _trigger("INSERT ON tally", ChangeKind.TALLY, "place", "NEW.hour"),
    "ship_concern": _trigger("INSERT ON concern", ChangeKind.CONCERN, "id"),
    "ship_concern_again": _trigger("UPDATE ON concern", ChangeKind.CONCERN, "id"),
    "ship_entry": _trigger("INSERT ON entry", ChangeKind.ENTRY, "id"),
    "ship_message": _trigger("INSERT ON message", ChangeKind.MESSAGE, "id"),
    "ship_message_again": _trigger("UPDATE OF state ON message", ChangeKind.MESSAGE, "id"),
    "ship_gap": _trigger("INSERT ON gap", ChangeKind.GAP, "id"),
    "ship_gap_again": _trigger("UPDATE ON gap", ChangeKind.GAP, "id"),
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
    _note("SELECT 6, id, 0 FROM message ORDER BY id"),
    _note("SELECT 7, id, 0 FROM gap ORDER BY id"),
)
AGAIN = (
    _note("SELECT kind, number, at FROM parked WHERE kind <> 0 ORDER BY id"),
    "INSERT INTO changed (kind, number, at, until) SELECT 0, number, at, at FROM parked WHERE kind = 0 ORDER BY id",
    "DELETE FROM parked",
)


class ShippingNotes:
    """Notes what is to be shipped and strikes off what has been, for all sites of the store: they ship to one place."""

    def __init__(self, writer: Writer) -> None:
        self._writer, self._drawn_to = writer, 0

    def ship_to(self, destination: str) -> None:
        """Note from now on what changes, for this destination; one that is new is to get everything. "" ends it.

        What was refused is tried again once at each start.
        """
        fact = self._writer.connection.one("SELECT value FROM fact WHERE site = '' AND name = ?", (DESTINATION,))
        facts = json.loads(fact[0]) if fact else {}
        if facts.get("destination", "") == destination and facts.get("form", FORM) == FORM:
            if destination and self._writer.connection.one("SELECT 1 FROM parked LIMIT 1"):
                with self._writer.transaction() as db:  # the keeper may have mended the cause
                    for statement in AGAIN:
                        db.execute(statement)
            return
        with self._writer.transaction() as db:
            for name in TRIGGERS:
                db.execute(f"DROP TRIGGER IF EXISTS {name}")
            db.execute("DELETE FROM changed")
            db.execute("DELETE FROM parked")
            db.execute("DELETE FROM fact WHERE site = '' AND name IN (?, ?)", (DESTINATION, SETTLED))
            if not destination:
                return
            for name, event in TRIGGERS.items():
                db.execute(f"CREATE TRIGGER {name} AFTER {event}")
            for statement in EVERYTHING:
                db.execute(statement)
            (history,) = db.execute("SELECT coalesce(max(change), 0) FROM changed").fetchone()
            _remember(db, DESTINATION, json.dumps({"destination": destination, "form": FORM, "history": history}))

    def settle(self, upto: int, parked: Sequence[Parked], now: datetime) -> None:
        """Strike off what has been delivered, and keep what was refused for inspection: the newest 1000."""
        with self._writer.transaction() as db:
            db.execute("DELETE FROM changed WHERE change <= ?", (upto,))
            db.executemany(
                "INSERT INTO parked (parked_us, kind, number, at, line, words) VALUES (?, ?, ?, ?, ?, ?)",
                [(microseconds(now), *p.mark, p.line, p.words[:LONGEST_WORDS]) for p in parked[-PARKED_KEPT:]],
            )
            db.execute("DELETE FROM parked WHERE id <= (SELECT max(id) FROM parked) - ?", (PARKED_KEPT,))
            _remember(db, SETTLED, now.isoformat())

    def draw_together(self, reader: Connection) -> None:
        """Bound what waits: readings noted one by one become one row an hour and series, under their newest number."""
        first, last = reader.one("SELECT coalesce(min(change), 0), coalesce(max(change), 0) FROM changed")
        first = max(first, self._drawn_to + 1)
        if last - first < DRAW_TOGETHER_AT:
            return
        of_readings = "kind = 0 AND change >= ? AND change <= ?"
        with self._writer.transaction() as db:
            rows = db.execute(
                f"SELECT max(change), 0, number, min(at), max(until) FROM changed WHERE {of_readings}"  # noqa: S608
                f" GROUP BY at / {HOUR_MS}, number",
                (first, last),
            ).fetchall()
            db.execute(f"DELETE FROM changed WHERE {of_readings}", (first, last))  # noqa: S608
            db.executemany("INSERT INTO changed (change, kind, number, at, until) VALUES (?, ?, ?, ?, ?)", rows)
        self._drawn_to = last


def _remember(db: sqlite3.Connection, name: str, value: str) -> None:
    """A fact of no site: shipping is the whole store's."""
    db.execute("INSERT OR REPLACE INTO fact VALUES ('', ?, ?)", (name, value))


def unshipped_ms(reader: Connection, site: str) -> int | None:
    """When the oldest reading of the site that waits was measured [ms]."""
    sql = "SELECT min(at) FROM changed WHERE kind = 0 AND number IN (SELECT id FROM series WHERE site = ?)"
    oldest: int | None = reader.one(sql, (site,))[0]
    return oldest
