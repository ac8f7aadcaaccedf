"""One connection to the file: how it is opened, asked and copied."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

from sensord.adapters.sqlite_codec import transient


class Connection:
    """A connection, and the file that it leads to. What the world does to the file is raised as Transient."""

    def __init__(self, db: sqlite3.Connection, path: str) -> None:
        self.db, self.path = db, path

    def all(self, sql: str, values: Sequence[Any] = ()) -> list[Any]:
        """Every row of an answer."""
        with transient(self.path):
            return self.db.execute(sql, values).fetchall()

    def one(self, sql: str, values: Sequence[Any] = ()) -> Any:
        """The first row of an answer, or None."""
        rows = self.all(sql, values)
        return rows[0] if rows else None

    def close(self) -> None:
        """Close; everything committed stays."""
        self.db.close()


def connect(path: str | Path, mode: str, busy_s: float) -> sqlite3.Connection:
    """A connection that begins and ends transactions only where told; ValueError for a file that is no database."""
    address = f"{Path(path).absolute().as_uri()}?mode={mode}"
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


def copy_whole(db: sqlite3.Connection, path: str | Path) -> None:
    """Copy a database as it is at this moment to another file, while it is in use; whole or not at all.

    Raises Transient when the copy can't be written, ValueError when it isn't sound.
    """
    part = f"{path}.part"
    Path(part).unlink(missing_ok=True)
    try:
        with transient(str(path)):
            copy = sqlite3.connect(part)
            try:
                db.backup(copy)
                copy.execute("PRAGMA journal_mode = DELETE")
                (verdict,) = copy.execute("PRAGMA integrity_check(1)").fetchone()
            finally:
                copy.close()
        if verdict != "ok":
            raise ValueError(f"{part}: the copy is not sound: {verdict}")
        flush(part)
    except BaseException:
        with suppress(OSError):  # half a copy only takes room, of which there may be none
            os.unlink(part)
        raise
    os.replace(part, path)
    flush(Path(path).absolute().parent)


def flush(path: str | Path) -> None:
    """See that a file, or the names in a directory, are on the disk."""
    number = os.open(path, os.O_RDONLY)
    try:
        os.fsync(number)
    finally:
        os.close(number)
