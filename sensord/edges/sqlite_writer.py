"""The one connection that writes: how it is opened, guarded and made to fail without harm."""

from __future__ import annotations

import fcntl
import os
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from sensord.edges import sqlite_migrations
from sensord.edges.sqlite_codec import transient
from sensord.edges.sqlite_reads import Reads, connect

ROWS_AT_ONCE = 512
LONGEST_WAL_BYTES = 16 * 2**20

IN_MEMORY = ":memory:"


class Writer(Reads):
    """Opens the file, alone; gives its subclasses a transaction."""

    def __init__(self, path: str | Path, durable: bool, busy_s: float) -> None:
        self._lock = hold_alone(path)
        try:
            with transient(str(path)):
                db = connect(path, "rwc", busy_s)
                try:
                    sqlite_migrations.check(db, str(path))
                    db.execute("PRAGMA journal_mode = WAL")
                    # without durability nothing is flushed: for replays into a file that nobody will miss
                    db.execute(f"PRAGMA synchronous = {'FULL' if durable else 'OFF'}")
                    db.execute(f"PRAGMA journal_size_limit = {LONGEST_WAL_BYTES}")
                    db.execute("PRAGMA foreign_keys = ON")
                    db.execute("PRAGMA cache_size = -4000")  # KiB
                    sqlite_migrations.migrate(db, str(path))
                except BaseException:
                    db.close()
                    raise
        except BaseException:
            let_go(self._lock)
            raise
        super().__init__(db, str(path))

    @contextmanager
    def _transaction(self) -> Iterator[sqlite3.Connection]:
        """All or nothing, durable at the end. After any failure the store is as before and usable."""
        db = self._db
        try:
            with transient(self._path):
                db.execute("BEGIN IMMEDIATE")
                yield db
                db.execute("COMMIT")
        except BaseException:
            if db.in_transaction:
                db.execute("ROLLBACK")
            self._forget()
            raise

    def _forget(self) -> None:
        """Drop what is remembered of the file, after a transaction that may not have happened."""
        self._series.clear()

    def close(self) -> None:
        """Close; everything committed stays."""
        super().close()
        let_go(self._lock)
        self._lock = None


def insert_many(db: sqlite3.Connection, table: str, width: int, flat: Sequence[object]) -> int:
    """Insert rows given as one flat list, leaving alone those whose key is there; returns how many were new.

    One statement for up to 512 rows, so that the interpreter's lock is let go once and not once a row. A statement
    exists for each power of two; the last row fills it up, and being there already, is ignored and not counted.
    """
    new = 0
    step = ROWS_AT_ONCE * width
    for begin in range(0, len(flat), step):
        chunk = list(flat[begin : begin + step])
        rows = len(chunk) // width
        size = 1 << (rows - 1).bit_length()
        chunk += chunk[-width:] * (size - rows)
        row = f"({','.join('?' * width)})"
        new += db.execute(f"INSERT OR IGNORE INTO {table} VALUES {','.join([row] * size)}", chunk).rowcount  # noqa: S608
    return new


def hold_alone(path: str | Path) -> int | None:
    """Hold the lock file beside the store; the system lets go of it when the process ends, however it ends."""
    if str(path) == IN_MEMORY:
        return None
    if not Path(path).absolute().parent.is_dir():
        raise ValueError(f"{path}: the directory does not exist; make it, or name another in [store] path")
    lock = os.open(f"{path}-lock", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        os.close(lock)
        raise ValueError(f"{path}: another sensord is writing to this store; stop it first") from None
    return lock


def let_go(lock: int | None) -> None:
    if lock is not None:
        os.close(lock)
