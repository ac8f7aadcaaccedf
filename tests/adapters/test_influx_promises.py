"""What was shipped to InfluxDB keeps the promises of a store: readings, the latest, hours, days and degree-days.

Every answer comes from a real InfluxDB 1.6 by InfluxQL, after everything was shipped to it by influxdb-client. It differs
in one promise of the suite: of a value that is no finite number it says that it is none, not which it was. What else a
remote store cannot answer is left to the SQLite store here; `influx_reads` lists it.

Not to be had here, and so not tested: InfluxDB 2 and 3 themselves, their organisations, buckets and tokens. The proxy in
front checks a token as InfluxDB 2 would, and maps its writing interface to the one of InfluxDB 1.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from contextlib import ExitStack
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings

from sensord.config import InfluxSettings
from sensord.model import Doubt, Quantity
from sensord.ports import Commit, Place, Places
from tests.adapters.influx_servers import Front, Influxd
from tests.adapters.shipped import ShippedStore
from tests.adapters.test_sqlite import open_store
from tests.promises_kept import AccountsPromises, EntriesPromises, FactsPromises, JournalPromises
from tests.promises_measured import ReadingsPromises, SummariesPromises
from tests.promises_told import ConcernsPromises, OutboxPromises
from tests.store_machine import Machine
from tests.store_promises import LOW, NEVER, PLACES, START, reading

TEMPERATURE = Quantity.TEMPERATURE


def open_shipped(
    front: Front,
    influxd: Influxd,
    folder: Path,
    zone: str = "America/New_York",
    places: Sequence[Place] | Places = PLACES,
) -> ShippedStore:
    """The store of this folder, and the database of its name."""
    settings = InfluxSettings(url=front.url, bucket=influxd.make(" ".join(folder.parts[1:])))
    local = open_store(folder, zone, places, ships_to=settings.destination)
    return ShippedStore(folder / "garden.sqlite3", local, settings)


class TestShipped(
    ReadingsPromises,
    SummariesPromises,
    JournalPromises,
    AccountsPromises,
    EntriesPromises,
    ConcernsPromises,
    OutboxPromises,
    FactsPromises,
):
    """The whole suite but for one promise."""

    @pytest.fixture(autouse=True)
    def _server(self, front: Front, influxd: Influxd) -> None:
        self.front, self.influxd = front, influxd

    def open(self, folder: Path, zone: str = "America/New_York", places: Sequence[Place] | Places = PLACES) -> Any:
        return open_shipped(self.front, self.influxd, folder, zone, places)

    def test_nothing_is_lost_for_being_impossible(self, store: Any) -> None:
        """What is no measurement is there with its doubt; what is not finite is not a number."""
        values = [math.inf, -math.inf, 1e300, -127.0, 85.0, math.nan]
        store.journal.commit(
            Commit(START, [reading(i, value, doubts=int(Doubt.IMPOSSIBLE)) for i, value in enumerate(values)])
        )
        found = store.readings.series(LOW, TEMPERATURE, START, NEVER)
        assert [math.isnan(value) for value in found.values] == [True, True, False, False, False, True]
        assert found.values[2:5] == values[2:5]
        assert found.doubts == [Doubt.IMPOSSIBLE] * 6
        assert store.journal.summarise(NEVER) == 1
        assert store.summaries.hours(LOW, TEMPERATURE, START, NEVER) == []


class ShippedMachine(Machine):
    """Readings in any order, summaries at any moment, restarts: InfluxDB answers as a dictionary would."""

    servers: tuple[Front, Influxd]

    def open(self, folder: Path) -> Any:
        return open_shipped(*self.servers, folder)


def test_whatever_happens_the_figures_are_those_of_the_readings(influxd: Influxd) -> None:
    """The suite's machine; corrections overwrite what was shipped before."""
    from hypothesis.stateful import run_state_machine_as_test

    with ExitStack() as stack:
        ShippedMachine.servers = (stack.enter_context(Front(influxd.port)), influxd)
        run_state_machine_as_test(
            ShippedMachine, settings=settings(max_examples=12, stateful_step_count=15, deadline=None)
        )


def test_more_than_a_page(front: Front, influxd: Influxd, tmp_path: Path) -> None:
    """A long span comes whole, page after page."""
    store = open_shipped(front, influxd, tmp_path)
    count = 25_000
    store.journal.commit(Commit(START, [reading(START + timedelta(seconds=7 * i), i / 100) for i in range(count)]))
    found = store.readings.series(LOW, TEMPERATURE, START, NEVER)
    assert found == store.local.readings.series(LOW, TEMPERATURE, START, NEVER)
    assert len(found.values) == count
    store.close()
