"""The SQLite store keeps every promise of a store."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings

from sensord.model import Quantity, Site
from sensord.ports import Commit, Place, Places
from tests.kept import Kept, kept, read
from tests.promises_kept import AccountsPromises, EntriesPromises, FactsPromises, JournalPromises
from tests.promises_measured import ReadingsPromises, SummariesPromises
from tests.promises_told import ConcernsPromises, OutboxPromises
from tests.store_machine import Machine
from tests.store_promises import LOW, NEVER, PLACES, SITE, START, reading


def open_store(
    folder: Path, zone: str = "America/New_York", places: Sequence[Place] | Places = PLACES, **options: Any
) -> Kept:
    """The store of the promises' garden."""
    site = Site(SITE, 41.5, -83.5, 190.0, zone)
    return kept(folder / "garden.sqlite3", site, places, **{"durable": False, **options})


TEMPERATURE = Quantity.TEMPERATURE


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

    def open(self, folder: Path, zone: str = "America/New_York", places: Sequence[Place] | Places = PLACES) -> Kept:
        return open_store(folder, zone, places)


class SqliteMachine(Machine):
    """Readings in any order, summaries at any moment, restarts."""

    def open(self, folder: Path) -> Kept:
        return open_store(folder)


TestSqliteMachine = SqliteMachine.TestCase
TestSqliteMachine.settings = settings(max_examples=40, stateful_step_count=25, deadline=None)


class TestTogether(TestSqlite):
    """The same promises where many commits become one of the database's, as in a replay."""

    def open(self, folder: Path, zone: str = "America/New_York", places: Sequence[Place] | Places = PLACES) -> Kept:
        return open_store(folder, zone, places, together=7)


def test_what_waits_for_company_is_there_after_closing(tmp_path: Path) -> None:
    """The site's own share sees every commit at once, others when there are enough of them, or the store is closed."""
    with closing(open_store(tmp_path, together=3)) as store, closing(read(tmp_path / "garden.sqlite3", SITE)) as other:
        before = len(other.readings.series(LOW, TEMPERATURE, START, NEVER).values)
        assert before == 0
        for n in range(1, 5):
            store.journal.commit(Commit(START, [reading(60.0 * n, 20.0)]))
            assert len(store.readings.series(LOW, TEMPERATURE, START, NEVER).values) == n
    with closing(read(tmp_path / "garden.sqlite3", SITE)) as other:
        assert len(other.readings.series(LOW, TEMPERATURE, START, NEVER).values) == 4


def test_what_cannot_be_written_ends_a_store_of_many_commits_at_once(tmp_path: Path) -> None:
    """The commits that waited are gone too, so it is no passing trouble: nobody may go on as if they were there."""
    with closing(open_store(tmp_path, together=100)) as store:
        store.journal.commit(Commit(START, [reading(0, 20.0)]))
        store.connection.db.execute("PRAGMA max_page_count = 1")  # from now on the disk is full
        with pytest.raises(OSError, match="full"):
            store.journal.commit(Commit(START, [reading(i, 21.0, f"new-{i % 50}") for i in range(1, 5000)]))
