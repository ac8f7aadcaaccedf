"""A store with one garden in it, as most tests want it: the parts of the garden's share, and the file they are in."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from sensord.adapters.sqlite import SqliteReader, SqliteStore
from sensord.adapters.sqlite_connection import Connection, copy_whole
from sensord.adapters.sqlite_unshipped import SqliteTail
from sensord.commands import _build, _house
from sensord.model import Site
from sensord.ports import Place, Places, Share, Shelf


class Kept:
    """What `parts` offers, and what the store (or the reader) behind it does; closing closes the whole file."""

    def __init__(self, store: Any, parts: Share | Shelf, connection: Connection | None = None) -> None:
        self.store, self.parts = store, parts
        if connection is not None:
            self.connection = connection

    def __getattr__(self, name: str) -> Any:
        return getattr(self.parts if hasattr(self.parts, name) else self.store, name)

    def backup(self, path: Path) -> None:
        """A copy of the file."""
        copy_whole(self.connection.db, path)

    def close(self) -> None:
        """Close the file."""
        self.store.close()


def kept(path: Path | str, site: Site, places: Sequence[Place] | Places = (), **options: Any) -> Kept:
    """The site's share of the store in this file."""
    store = SqliteStore(path, **options)
    try:
        return Kept(store, store.of(site, places), store.writer.connection)
    except BaseException:
        store.close()
        raise


def opened(built: _house.House, path: Path, durable: bool = True) -> Kept:
    """The share of a configuration's garden."""
    store = _build.open_store(built, path, durable)
    return Kept(store, _build.share(built, store), store.writer.connection)


def read(path: Path | str, site: str, **options: Any) -> Kept:
    """What is kept of the site, read through a connection of its own."""
    reader = SqliteReader(path, **options)
    return Kept(reader, reader.of(site), reader.connection)


def to_ship(path: Path | str) -> SqliteTail:
    """What is to be shipped."""
    return SqliteTail.open(path)
