"""The SQLite store keeps every promise of a store."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from hypothesis import settings

from sensord.edges.sqlite import Place, SqliteStore
from sensord.model import Site
from tests.store_promises import ALDER, BIRCH, HIGH, LOW, LOWER_C, SECOND, SITE, UPPER_C, Machine, StorePromises

PLACES = (Place(ALDER, (LOW, SECOND), LOWER_C, UPPER_C), Place(BIRCH, (HIGH,), LOWER_C, UPPER_C))


def open_store(folder: Path, zone: str = "America/New_York", **options: Any) -> SqliteStore:
    """The store of the promises' garden."""
    site = Site(SITE, 41.5, -83.5, 190.0, zone)
    return SqliteStore(folder / "garden.sqlite3", site, PLACES, **{"durable": False, **options})


class TestSqlite(StorePromises):
    """The whole suite."""

    def open(self, folder: Path, zone: str = "America/New_York") -> SqliteStore:
        return open_store(folder, zone)


class SqliteMachine(Machine):
    """With columns in memory so short that they are trimmed and filled again all the time."""

    def open(self, folder: Path) -> SqliteStore:
        store = open_store(folder)
        store._tail.longest = 20
        return store


TestSqliteMachine = SqliteMachine.TestCase
TestSqliteMachine.settings = settings(max_examples=40, stateful_step_count=25, deadline=None)
