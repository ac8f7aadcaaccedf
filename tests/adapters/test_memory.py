"""The store in memory keeps every promise of a store."""

from __future__ import annotations

import random
import re
from collections.abc import Sequence
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings

from sensord.adapters.influx_lines import LineMaker
from sensord.adapters.memory import MemoryStore
from sensord.adapters.sqlite import SqliteStore
from sensord.model import Doubt, Entry, Gap, GapKind, Site, Standing, What
from sensord.ports import Backlog, Commit, Place, Places, Position, Sending, Tail
from sensord.rules import Per
from tests.kept import Kept, to_ship
from tests.promises_kept import AccountsPromises, EntriesPromises, FactsPromises, JournalPromises
from tests.promises_measured import ReadingsPromises, SummariesPromises
from tests.promises_shipped import TailPromises
from tests.promises_told import ConcernsPromises, OutboxPromises
from tests.site_promises import SitePromises
from tests.store_machine import Machine
from tests.store_promises import (
    ALDER,
    BIRCH,
    HIGH,
    HOUR,
    LOW,
    NEVER,
    PLACES,
    SITE,
    START,
    ZONE,
    a_concern,
    a_message,
    reading,
)

DISKS: dict[Path, MemoryStore] = {}


def open_store(folder: Path, zone: str = ZONE, places: Sequence[Place] | Places = PLACES) -> Any:
    """The store of the promises' garden; what was in this folder is still there."""
    store = DISKS.setdefault(folder, MemoryStore())
    return Kept(store, store.of(Site(SITE, 41.5, -83.5, 190.0, zone), places))


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

    def open(self, folder: Path, zone: str = ZONE, places: Sequence[Place] | Places = PLACES) -> Any:
        return open_store(folder, zone, places)


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


# --- what it ships is what SQLite ships ---------------------------------------------------------------------------


class Elsewhere:
    """Another database: of each point what was shipped last."""

    def __init__(self) -> None:
        self.points: dict[tuple[str, str], str] = {}
        self.upto = Position()

    def take(self, tail: Tail) -> Backlog:
        """Everything that waits; returns what waits then."""
        maker = LineMaker(tail.series, {(SITE, ALDER), (SITE, BIRCH)}, {"overheating": Per.ENCLOSURE})
        while (window := tail.window(self.upto, 100_000)) is not None:
            for text in maker.lines(window).texts:
                name, fields, time_ms = text.rsplit(" ", 2)
                # means are added up in another order, which shows in the sixteenth digit
                self.points[name, time_ms] = re.sub(r"\d+\.\d{9,}", lambda found: f"{float(found[0]):.8f}", fields)
            self.upto = window.after
        return tail.backlog(self.upto)


def something(dice: random.Random, step: int) -> Commit:
    """A commit of anything; times fall on few instants, so that repeats and changes are common."""
    at = START + dice.randrange(12) * HOUR
    subject = dice.choice([ALDER, BIRCH])
    values = [(60.0 * dice.randrange(720), dice.randrange(400) / 10, dice.choice([LOW, HIGH])) for _ in range(9)]
    over = {"standing": Standing.OVER, "over_at": at + 13 * HOUR}
    concern = a_concern(START, subject=subject, tellings=step, **dice.choice([{}, {}, over]))
    key = f"message-{dice.randrange(9)}"
    return Commit(
        at,
        readings=[reading(*of, doubts=dice.choice([0, 0, 0, int(Doubt.WET), int(Doubt.JUMP)])) for of in values],
        entries=[Entry(SITE, at, at, subject, dice.choice([What.SHADED, What.CLEANED]))],
        gaps=[Gap(SITE, GapKind.SILENCE, LOW, at, dice.choice([None, at + HOUR]))],
        concerns=[concern],
        messages=[a_message(key, at)],
        withdrawn=dice.choice([(), [(key, "too late")]]),
        sendings=dice.choice([(), [Sending(key, at)], [Sending(key, at, "gone")], [Sending(key, at, "no", at + HOUR)]]),
    )


def as_said(entries: Sequence[Entry]) -> list[Place]:
    """Whoever lives in an enclosure changes with what is said: others from its latest cleaning on."""
    found = [replace(place, species="monarch") for place in PLACES]
    for place in PLACES:
        cleaned = [e.at for e in entries if e.subject == place.enclosure and e.what is What.CLEANED]
        if cleaned:
            found.append(replace(place, lower_c=9.0, species="comma", since=max(cleaned)))
    return found


@pytest.mark.parametrize("seed", range(8))
def test_the_same_is_shipped_from_memory_as_from_the_file(tmp_path: Path, seed: int) -> None:
    """Point for point, whatever is committed, summed up, struck off, moved to others, or shipped elsewhere."""
    dice, site = random.Random(seed), Site(SITE, 41.5, -83.5, 190.0, ZONE)
    memory, file = MemoryStore(ships_to="here"), SqliteStore(tmp_path / "x", durable=False, ships_to="here")
    mine, theirs = memory.of(site, as_said), file.of(site, as_said)
    reader = to_ship(tmp_path / "x")
    here, there = Elsewhere(), Elsewhere()
    for step in range(40):
        commit = something(dice, step)
        assert mine.journal.commit(commit) == theirs.journal.commit(commit)
        if dice.random() < 0.5:
            mine.journal.summarise(NEVER)
            theirs.journal.summarise(NEVER)
        if dice.random() < 0.4:
            assert here.take(memory.tail)[:2] == there.take(reader)[:2] == (0, None)
            assert here.points == there.points
        if dice.random() < 0.2:
            memory.settle(here.upto.change - 1, (), START)
            file.settle(there.upto.change - 1, (), START)
        if dice.random() < 0.1:
            assert mine.journal.prune(START + 5 * HOUR) == theirs.journal.prune(START + 5 * HOUR)
    reader.close()
    file.close()
    memory.ship_to("elsewhere")
    file = SqliteStore(tmp_path / "x", durable=False, ships_to="elsewhere")
    with closing(file), closing(to_ship(tmp_path / "x")) as reader:
        again, as_well = Elsewhere(), Elsewhere()
        again.take(memory.tail)
        as_well.take(reader)
        assert again.points == as_well.points
        assert len(again.points) > 100
