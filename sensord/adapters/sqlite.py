"""The store: SQLite, where a reading becomes durable.

One connection writes, for all sites; every commit is one transaction, on the disk before it returns (WAL,
synchronous=FULL). Sites on threads of their own take turns in the order of asking. Each site asks through a connection of
its own, other threads and processes through `SqliteStore.reader`; they hold nothing up.

A reading is one row: its series as a small number, its time in milliseconds, its value in whole steps
(`sqlite_codec.SCALE`), its doubts, and how long after the measurement it was received. Its identity is series and time:
the first value wins, repeats are counted. It takes 26 bytes, with all that is derived
(measured: twelve series, one reading a minute). A receipt comes back to the millisecond, or to one less.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

from sensord.adapters.sqlite_connection import Connection, copy_whole
from sensord.adapters.sqlite_journal import KeptBounds, SqliteJournal
from sensord.adapters.sqlite_measured import SeriesNumbers
from sensord.adapters.sqlite_reads import open_to_read, shelf_of
from sensord.adapters.sqlite_shipping import ShippingNotes
from sensord.adapters.sqlite_writer import Writer
from sensord.model import Site
from sensord.ports import Parked, Place, Places, Share, Shelf, places_by

READER_CACHE_KIB = 1000
"""Pages that a site's own connection keeps: it asks for little that is not new."""


class SqliteStore:
    """`ports.Store` in one SQLite file.

    Args:
        path: the file, made where it is missing; its directory must exist.
        durable: False flushes nothing to the disk: for a replay into a file that nobody will miss.
        together: so many commits become durable at once, and others see them only then: for the same replay.
        busy_s: how long to wait for another process that holds the file.
        bounds: how much is kept of each site.
        ships_to: the other database that is to get everything, by a name of its own; "" where there is none.

    Raises:
        ValueError: the file is no store, is of a newer sensord, or another process writes to it.
        Transient: the file can't be opened at the moment, or there is no room to migrate it.
    """

    def __init__(
        self,
        path: str | Path,
        *,
        durable: bool = True,
        together: int = 1,
        busy_s: float = 5.0,
        bounds: KeptBounds = KeptBounds(),  # noqa: B008 (a tuple)
        ships_to: str = "",
    ) -> None:
        self._path, self._busy_s, self._bounds = path, busy_s, bounds
        self.writer = Writer(path, durable, busy_s, together)
        self._reads_apart = together == 1
        self._notes = ShippingNotes(self.writer)
        self._readers: list[Connection] = []
        try:
            self._notes.ship_to(ships_to)
        except BaseException:
            self.close()
            raise

    def of(self, site: Site, places: Sequence[Place] | Places = ()) -> Share:
        """This site's share; `places` says whose degree-days are counted. Each share may be used by a thread of its own."""
        reader = self._reader_of_share()
        numbers = SeriesNumbers(reader, site.name)
        journal = SqliteJournal(self.writer, reader, site, places_by(places), numbers, self._notes, self._bounds)
        shelf = shelf_of(reader, site.name, numbers)
        return Share(
            journal,
            shelf.readings,
            shelf.summaries,
            shelf.entries,
            shelf.concerns,
            shelf.outbox,
            shelf.facts,
            shelf.accounts,
        )

    def _reader_of_share(self) -> Connection:
        """A connection of its own; where commits wait for company, the one that sees them already."""
        if not self._reads_apart:
            return self.writer.connection
        reader = open_to_read(self._path, self._busy_s)
        self._readers.append(reader)
        reader.db.execute(f"PRAGMA cache_size = -{READER_CACHE_KIB}")
        return reader

    @staticmethod
    def reader(path: str | Path, busy_s: float = 5.0) -> SqliteReader:
        """A read-only connection for another thread or process."""
        return SqliteReader(path, busy_s)

    def settle(self, upto: int, parked: Sequence[Parked], now: datetime) -> None:
        """Strike off what has been shipped, and keep what was refused for inspection."""
        self._notes.settle(upto, parked, now)

    def close(self) -> None:
        """Close for all sites; everything committed stays."""
        for reader in self._readers:
            reader.close()
        self.writer.close()


class SqliteReader:
    """A read-only connection of its own. It sees what is committed, and never holds up the writer."""

    def __init__(self, path: str | Path, busy_s: float = 5.0) -> None:
        self.connection = open_to_read(path, busy_s)
        self._shelves: dict[str, Shelf] = {}

    def of(self, site: str) -> Shelf:
        """Everything that was kept of a site, by its name."""
        if site not in self._shelves:
            self._shelves[site] = shelf_of(self.connection, site)
        return self._shelves[site]

    def version(self) -> int:
        """Another number than at the last call where something was committed since."""
        return int(self.connection.one("PRAGMA data_version")[0])

    def backup(self, path: str | Path) -> None:
        """Copy the store as it is at this moment to another file, while it is in use; whole or not at all.

        Raises Transient when the copy can't be written, ValueError when it isn't sound.
        """
        copy_whole(self.connection.db, path)

    def close(self) -> None:
        """Close the connection."""
        self.connection.close()
