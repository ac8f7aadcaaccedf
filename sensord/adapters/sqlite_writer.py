"""The one connection that writes: how it is opened, guarded, shared by the sites, and made to fail without harm."""

from __future__ import annotations

import fcntl
import os
import sqlite3
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from functools import lru_cache
from pathlib import Path
from threading import Lock

from sensord.adapters import sqlite_migrations
from sensord.adapters.sqlite_codec import transient
from sensord.adapters.sqlite_connection import Connection, connect

ROWS_AT_ONCE = 512
LONGEST_WAL_BYTES = 16 * 2**20


class Queue:
    """A lock that is given in the order of asking, so that who writes most does not write alone."""

    def __init__(self) -> None:
        self._guard, self._waiting, self._is_held = Lock(), deque[Lock](), False

    def __enter__(self) -> None:
        with self._guard:
            if not self._is_held:
                self._is_held = True
                return
            turn = Lock()
            turn.acquire()
            self._waiting.append(turn)
        turn.acquire()

    def __exit__(self, *_: object) -> None:
        with self._guard:
            if self._waiting:
                self._waiting.popleft().release()
            else:
                self._is_held = False


class Writer:
    """Opens the file, alone, and brings it to the newest schema; gives one transaction at a time.

    `together`: so many of them become one of the database's, where nothing must be durable at once.

    Raises:
        ValueError: the file is no store, is of a newer sensord, or another process writes to it.
        Transient: the file can't be opened at the moment, or there is no room to migrate it.
    """

    def __init__(self, path: str | Path, durable: bool, busy_s: float, together: int = 1) -> None:
        self._lock: int | None = hold_alone(path)
        self._queue = Queue()
        self._together, self._parts = together, 0
        try:
            with transient(str(path)):
                if not Path(path).exists():
                    _make(path)
                db = connect(path, "rw", busy_s)
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
        self.connection = Connection(db, str(path))

    @contextmanager
    def transaction(self, forget: Callable[[], None] = lambda: None) -> Iterator[sqlite3.Connection]:
        """All or nothing, durable at the end. After any failure the store is as before and usable.

        `forget` is called then: whoever remembers what it wrote must remember no longer.
        """
        with self._queue:
            try:
                with transient(self.connection.path), self._whole() if self._together == 1 else self._part() as db:
                    yield db
            except BaseException:
                forget()
                raise
            if self._parts >= self._together:
                self._settle()

    @contextmanager
    def _whole(self) -> Iterator[sqlite3.Connection]:
        db = self.connection.db
        try:
            db.execute("BEGIN IMMEDIATE")
            yield db
            db.execute("COMMIT")
        except BaseException:
            if db.in_transaction:
                db.execute("ROLLBACK")
            raise

    @contextmanager
    def _part(self) -> Iterator[sqlite3.Connection]:
        """A part of a larger transaction, which ends when there are enough of them.

        Raises:
            OSError: the database can't write. As after any failure, the earlier parts are gone too: nothing can go on.
        """
        db = self.connection.db
        try:
            if not db.in_transaction:
                db.execute("BEGIN IMMEDIATE")
            yield db
        except BaseException as error:
            if db.in_transaction:
                db.execute("ROLLBACK")
            if isinstance(error, sqlite3.Error):
                raise OSError(f"{self.connection.path}: {error}") from error
            raise
        self._parts += 1

    def _settle(self) -> None:
        self._parts = 0
        if self.connection.db.in_transaction:
            self.connection.db.execute("COMMIT")

    def close(self) -> None:
        """Close; everything committed stays."""
        with self._queue:
            self._settle()
            self.connection.close()
            let_go(self._lock)
            self._lock = None


def _make(path: str | Path) -> None:
    """A new store with all its tables, which appears under its name in one step: nobody meets half of it."""
    making = Path(f"{path}.making")
    making.unlink(missing_ok=True)
    db = sqlite3.connect(making, isolation_level=None)
    try:
        sqlite_migrations.migrate(db, str(path))
    finally:
        db.close()
    os.replace(making, path)


def insert_many(db: sqlite3.Connection, table: str, width: int, flat: Sequence[object], or_else: str = "IGNORE") -> int:
    """Insert rows given as one flat list, leaving alone (or replacing) those whose key is there; how many were put in.

    One statement for up to 512 rows, so that the interpreter's lock is let go once and not once a row. A statement
    exists for each power of two; the last row fills it up: being there already, it is ignored and not counted.
    """
    new = 0
    step = ROWS_AT_ONCE * width
    for begin in range(0, len(flat), step):
        chunk = list(flat[begin : begin + step])
        rows = len(chunk) // width
        size = 1 << (rows - 1).bit_length()
        chunk += chunk[-width:] * (size - rows)
        new += db.execute(_insertion(table, width, size, or_else), chunk).rowcount
    return new


@lru_cache(64)
def _insertion(table: str, width: int, rows: int, or_else: str) -> str:
    row = f"({','.join('?' * width)})"
    return f"INSERT OR {or_else} INTO {table} VALUES {','.join([row] * rows)}"  # noqa: S608


def hold_alone(path: str | Path) -> int:
    """Hold the lock file beside the store; the system lets go of it when the process ends, however it ends."""
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
    """Of a lock file that was held."""
    if lock is not None:
        os.close(lock)
