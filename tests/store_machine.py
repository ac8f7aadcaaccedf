"""Anything may happen to readings, in any order: the store answers as a dictionary would."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, rule

from sensord.model import (
    Doubt,
    Quantity,
    Reading,
)
from sensord.ports import Commit
from tests.store_promises import (
    ALDER,
    BIRCH,
    HIGH,
    HOUR,
    LOW,
    NEVER,
    START,
    assert_days,
    assert_hours,
    assert_tally,
    reading,
)


class Machine(RuleBasedStateMachine):
    """Anything may happen to readings in any order; the store answers as a dictionary would.

    A subclass says how the store opens. Times fall on few instants and hours, so that repeats, late readings and
    neighbours across an hour are common.
    """

    moments = st.integers(0, 12).map(lambda hour: hour * 3600) | st.integers(0, 12 * 12).map(lambda step: step * 300.0)
    probes = st.sampled_from([LOW, HIGH])
    values = st.integers(-50, 450).map(lambda tenth: tenth / 10)
    doubts = st.sampled_from([0, 0, 0, 0, int(Doubt.WET), int(Doubt.JUMP)])
    batches = st.lists(st.builds(reading, moments, values, probes, doubts=doubts), max_size=25)

    def __init__(self) -> None:
        super().__init__()
        self.folder = TemporaryDirectory()
        self.store = self.open(Path(self.folder.name))
        self.model: dict[tuple[str, datetime], Reading] = {}
        self.duplicates = 0

    def open(self, folder: Path) -> Any:
        """The store kept in this folder."""
        raise NotImplementedError

    def teardown(self) -> None:
        """Leave nothing behind."""
        self.store.close()
        self.folder.cleanup()

    @rule(readings=batches)
    def add(self, readings: list[Reading]) -> None:
        """The first value of an identity stays."""
        new = {}
        for r in readings:
            if (r.probe, r.measured_at) not in self.model:
                new.setdefault((r.probe, r.measured_at), r)
        assert self.store.journal.commit(Commit(START, readings)) == (len(new), len(readings) - len(new), 0)
        self.model |= new
        self.duplicates += len(readings) - len(new)

    @rule(probe=probes, start=moments, hours=st.integers(0, 13))
    def read(self, probe: str, start: float, hours: int) -> None:
        """A window of readings."""
        begin = START + timedelta(seconds=start)
        end = begin + hours * HOUR
        known = sorted((r.measured_at, r) for (p, at), r in self.model.items() if p == probe and begin <= at < end)
        found = self.store.readings.series(probe, Quantity.TEMPERATURE, begin, end)
        assert found.times_s == [at.timestamp() for at, _ in known]
        assert found.values == [r.value for _, r in known]
        assert found.doubts == [r.doubts for _, r in known]

    @rule(probe=probes, before=moments)
    def read_latest(self, probe: str, before: float) -> None:
        """The newest reading, and the newest before a moment."""
        until = START + timedelta(seconds=before)
        mine = [r for (p, _), r in self.model.items() if p == probe]
        earlier = [r for r in mine if r.measured_at < until]
        by_time = {"key": lambda r: r.measured_at, "default": None}
        assert self.store.readings.latest(probe, Quantity.TEMPERATURE) == max(mine, **by_time)
        assert self.store.readings.latest(probe, Quantity.TEMPERATURE, until) == max(earlier, **by_time)

    @rule(so_far=st.integers(0, 12))
    def summarise_early(self, so_far: int) -> None:
        """Summarising in between does not change what comes out at the end."""
        self.store.journal.summarise(START + so_far * HOUR)

    @rule()
    def summarise(self) -> None:
        """All that is derived is that of the readings."""
        self.store.journal.summarise(NEVER)
        readings = list(self.model.values())
        for probe in (LOW, HIGH):
            assert_hours(self.store, readings, probe)
            assert_days(self.store, readings, probe)
        assert_tally(self.store, readings, ALDER, LOW)
        assert_tally(self.store, readings, BIRCH, HIGH)

    @rule()
    def reopen(self) -> None:
        """Nothing is lost over a restart."""
        self.store.close()
        self.store = self.open(Path(self.folder.name))
        counts = self.store.accounts.counters()
        assert (counts["readings"], counts["duplicates"]) == (len(self.model), self.duplicates)
