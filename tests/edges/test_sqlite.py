"""The SQLite store keeps every promise of a store."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from hypothesis import settings

from sensord.model import Site
from tests.kept import Kept, kept
from tests.promises_kept import AccountsPromises, EntriesPromises, FactsPromises, JournalPromises
from tests.promises_measured import ReadingsPromises, SummariesPromises
from tests.promises_told import ConcernsPromises, OutboxPromises
from tests.store_machine import Machine
from tests.store_promises import PLACES, SITE


def open_store(folder: Path, zone: str = "America/New_York", **options: Any) -> Kept:
    """The store of the promises' garden."""
    site = Site(SITE, 41.5, -83.5, 190.0, zone)
    return kept(folder / "garden.sqlite3", site, PLACES, **{"durable": False, **options})


class TestSqlite(
    ReadingsPromises,
    SummariesPromises,
    JournalPromises,
    AccountsPromises,
    EntriesPromises,
    ConcernsPromises,
    OutboxPromises,
    FactsPromises,
):
    """The whole suite."""

    def open(self, folder: Path, zone: str = "America/New_York") -> Kept:
        return open_store(folder, zone)


class SqliteMachine(Machine):
    """Readings in any order, summaries at any moment, restarts."""

    def open(self, folder: Path) -> Kept:
        return open_store(folder)


TestSqliteMachine = SqliteMachine.TestCase
TestSqliteMachine.settings = settings(max_examples=40, stateful_step_count=25, deadline=None)
