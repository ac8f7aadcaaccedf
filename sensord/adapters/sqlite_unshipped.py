"""What is still to be shipped, read through a connection of one's own; how it is noted: see sqlite_shipping."""

from __future__ import annotations

import json
from datetime import datetime
from pathlib import Path
from typing import Any

from sensord.adapters.sqlite_codec import SCALE, from_json, from_microseconds, maybe_instant
from sensord.adapters.sqlite_connection import Connection
from sensord.adapters.sqlite_reads import open_to_read
from sensord.adapters.sqlite_said import PARCEL, parcel_of
from sensord.adapters.sqlite_shipping import DESTINATION, SETTLED
from sensord.model import Concern, Entry, Gap, GapKind, What, instant
from sensord.ports import Backlog, ChangeWindow, Position


class SqliteTail:
    """`ports.Tail`, over a read-only connection of its own."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    @classmethod
    def open(cls, path: str | Path, busy_s: float = 5.0) -> SqliteTail:
        """Of the store in this file. ValueError where there is none."""
        return cls(open_to_read(path, busy_s))

    def window(self, position: Position, limit: int) -> ChangeWindow | None:
        """The next changes: at most about `limit` things; None where nothing waits."""
        (last,) = self._connection.one(
            "SELECT max(change) FROM (SELECT change FROM changed WHERE change >= ? ORDER BY change LIMIT ?)",
            (position.change, limit),
        )
        if last is None:
            return None
        rows = self._connection.all(
            "SELECT c.number, r.measured_ms, r.value, r.doubts, r.delay_ms, c.change FROM changed c CROSS JOIN reading r"
            " ON r.series = c.number AND r.measured_ms BETWEEN c.at AND c.until"
            " WHERE c.kind = 0 AND c.change BETWEEN ? AND ? AND (c.change > ? OR r.measured_ms > ?)"
            " ORDER BY c.change, r.measured_ms LIMIT ?",
            (position.change, last, position.change, position.measured_ms, limit),
        )
        after = Position(last + 1)
        if len(rows) == limit:  # perhaps in the middle of an hour that was drawn together
            last = rows[-1][-1]
            after = Position(last, rows[-1][1])
        span = (position.change, last)
        return ChangeWindow(
            after,
            rows,
            self._marked(1, "t.* FROM changed c JOIN hour t ON t.series = c.number AND t.hour = c.at", span),
            self._marked(2, "t.* FROM changed c JOIN day t ON t.series = c.number AND t.day = c.at", span),
            self._marked(
                3,
                "t.*, p.site, p.enclosure, p.definition FROM changed c JOIN tally t ON t.place = c.number AND t.hour = c.at"
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
            [
                (number, parcel_of(*row))
                for number, *row in self._marked(
                    6, f"t.id, {PARCEL} FROM changed c JOIN message t ON t.id = c.number", span
                )
            ],
            [
                (number, Gap(site, GapKind(kind), subject, from_microseconds(began), maybe_instant(ended), detail))
                for number, site, kind, subject, began, ended, detail in self._marked(
                    7, "t.* FROM changed c JOIN gap t ON t.id = c.number", span
                )
            ],
        )

    def newest(self) -> ChangeWindow:
        """The newest reading, whether it was shipped or not."""
        row = self._connection.one(
            "SELECT series, max(measured_ms), value, doubts, delay_ms FROM reading GROUP BY series LIMIT 1"
        )
        return ChangeWindow(Position(), [row] if row else [], [], [], [], [], [], [], [])

    def _marked(self, kind: int, what: str, span: tuple[int, int]) -> list[Any]:
        return self._connection.all(
            f"SELECT {what} WHERE c.kind = {kind} AND c.change BETWEEN ? AND ? ORDER BY c.change", span
        )

    def backlog(self, position: Position) -> Backlog:
        """What waits beyond a position."""
        return backlog(self._connection, position)

    def close(self) -> None:
        """Close the connection."""
        self._connection.close()

    def series(self) -> dict[int, tuple[str, str, str, float]]:
        """Of every series by number: site, probe, quantity, and steps per unit."""
        rows = self._connection.all("SELECT id, site, probe, quantity FROM series")
        return {number: (site, probe, quantity, SCALE[quantity]) for number, site, probe, quantity in rows}


def backlog(connection: Connection, position: Position = Position()) -> Backlog:  # noqa: B008 (a tuple)
    """What waits beyond a position."""
    known = dict(connection.all("SELECT name, value FROM fact WHERE site = ''"))
    facts, settled = json.loads(known.get(DESTINATION, "{}")), known.get(SETTLED)
    (changes,) = connection.one("SELECT count(*) FROM changed WHERE change >= ?", (position.change,))
    row = connection.one(
        "SELECT r.measured_ms + r.delay_ms FROM changed c CROSS JOIN reading r ON r.series = c.number"
        " AND r.measured_ms BETWEEN c.at AND c.until WHERE c.kind = 0 AND c.change >= ? ORDER BY c.change LIMIT 1",
        (max(position.change, facts.get("history", 0) + 1),),
    )
    return Backlog(changes, row and instant(row[0]), datetime.fromisoformat(settled) if settled else None)


def parked(connection: Connection, limit: int = 100) -> list[tuple[datetime, str, str]]:
    """The newest points that were refused: when, the point as a line, the server's words."""
    rows = connection.all("SELECT parked_us, line, words FROM parked ORDER BY id DESC LIMIT ?", (limit,))
    return [(from_microseconds(at), line, words) for at, line, words in rows]
