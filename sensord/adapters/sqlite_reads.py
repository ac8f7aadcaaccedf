"""What the store answers of one site: the parts of a shelf, each over a connection that only reads."""

from __future__ import annotations

from pathlib import Path

from sensord.adapters import sqlite_migrations
from sensord.adapters.sqlite_codec import (
    transient,
)
from sensord.adapters.sqlite_connection import Connection, connect
from sensord.adapters.sqlite_measured import SeriesNumbers, SqliteReadings, SqliteSummaries
from sensord.adapters.sqlite_said import SqliteAccounts, SqliteConcerns, SqliteEntries, SqliteFacts, SqliteOutbox
from sensord.ports import Shelf


def shelf_of(connection: Connection, site: str, numbers: SeriesNumbers | None = None) -> Shelf:
    """Everything that was kept of a site, over this connection."""
    numbers = numbers or SeriesNumbers(connection, site)
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
