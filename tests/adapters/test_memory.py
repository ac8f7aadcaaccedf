"""The store in memory keeps every promise of a store."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from hypothesis import settings

from sensord.adapters.memory import MemoryStore
from sensord.model import Site
from sensord.ports import Tail
from tests.kept import Kept
from tests.promises_kept import AccountsPromises, EntriesPromises, FactsPromises, JournalPromises
from tests.promises_measured import ReadingsPromises, SummariesPromises
from tests.promises_shipped import TailPromises
from tests.promises_told import ConcernsPromises, OutboxPromises
from tests.site_promises import SitePromises
from tests.store_machine import Machine
from tests.store_promises import PLACES, SITE, ZONE

DISKS: dict[Path, MemoryStore] = {}


def open_store(folder: Path, zone: str = ZONE) -> Any:
    """The store of the promises' garden; what was in this folder is still there."""
    store = DISKS.setdefault(folder, MemoryStore())
    return Kept(store, store.of(Site(SITE, 41.5, -83.5, 190.0, zone), PLACES))


class TestMemory(
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

    def open(self, folder: Path, zone: str = ZONE) -> Any:
        return open_store(folder, zone)


class MemoryMachine(Machine):
    """Readings in any order, summaries at any moment, restarts."""

    def open(self, folder: Path) -> Any:
        return open_store(folder)


TestMemoryMachine = MemoryMachine.TestCase
TestMemoryMachine.settings = settings(max_examples=40, stateful_step_count=25, deadline=None)


class TestMemorySites(SitePromises):
    """Several sites, each its own."""

    def open(self, folder: Path) -> MemoryStore:
        return DISKS.setdefault(folder, MemoryStore())


class TestMemoryTail(TailPromises):
    """What is to be shipped."""

    def open_to_ship(self, folder: Path, destination: str) -> Any:
        store = open_store(folder)
        store.store.ship_to(destination)
        return store

    def tail_of(self, folder: Path, store: Any) -> Tail:
        tail: Tail = store.store.tail
        return tail
