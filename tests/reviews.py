"""Two weeks of the typical year in a store, for the tests of the review; and slow, plain code that recomputes its figures."""

from __future__ import annotations

import atexit
import fcntl
import os
import shutil
import tempfile
from bisect import bisect_right
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path
from zoneinfo import ZoneInfo

from sensord.commands import _house
from sensord.intake.payload import Decoder
from sensord.intake.quality import Assessor
from sensord.language import Catalogue, Measure
from sensord.model import Arrival, Doubt, Quantity
from sensord.ports import Commit
from simulators import scenario
from simulators.enclosures import AFTERNOON, ALL_DAY, MORNING
from simulators.faults import USUAL, Fault, Mishap
from simulators.garden import Garden
from simulators.typical_year import TypicalYear
from tests.between_workers import shared_by_workers
from tests.kept import Kept, opened, read

SITE, FIRST_WEEK, SECOND_WEEK = "typical", "2026-W23", "2026-W24"
START = datetime(2026, 6, 1, 4, tzinfo=UTC)  # a Monday's midnight in New York
END = START + timedelta(days=14)
NOW = END + timedelta(hours=9)
PAUSE = Mishap("birch-1", Fault.SILENCE, datetime(2026, 6, 11, 15, 20, tzinfo=UTC), timedelta(hours=10, minutes=30))
"""A gap over an afternoon and an evening."""
CONFIG = scenario.HERE / "typical.toml"
EXPOSURES = {"alder": MORNING, "birch": AFTERNOON, "cedar": ALL_DAY}

NEW_YORK = ZoneInfo("America/New_York")
METRIC = Measure(Catalogue.load(), "metric", NEW_YORK)
US = Measure(METRIC.catalogue, "us", NEW_YORK)


@cache
def house() -> _house.OneGarden:
    """The typical garden's configuration."""
    return _house.understood(scenario.configuration("typical"), CONFIG)


@cache
def typical() -> Path:
    """A store with the first two weeks of June, with the usual faults of probes and one long gap; no rules were asked."""
    run = os.environ.get("PYTEST_XDIST_TESTRUNUID")
    if run is None:
        directory = Path(tempfile.mkdtemp(prefix="sensord-test-"))
        atexit.register(shutil.rmtree, directory, ignore_errors=True)
        return _filled(directory)
    directory = shared_by_workers(run)
    directory.mkdir(exist_ok=True)
    with (directory / "lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)  # the first worker that needs it makes it, the others wait
        whole = directory / "whole"
        path = directory / "typical.sqlite3" if whole.exists() else _filled(directory)
        whole.touch()
    return path


def _filled(directory: Path) -> Path:
    built = house()
    garden = Garden(7, START, TypicalYear(7), built.settings, USUAL, (PAUSE,), EXPOSURES)
    decoder = Decoder(built.settings.recipes)
    assessor = Assessor(built.garden.probes, built.garden.enclosures, built.garden.site)
    store = opened(built, directory / "typical.sqlite3", durable=False)
    while garden.now < END + timedelta(hours=2):
        readings = []
        for at, topic, payload in garden.step(garden.now + timedelta(hours=6)):
            readings += decoder.decode(Arrival(at, topic, payload)).readings
        store.journal.commit(Commit(START, readings=assessor.assess(readings)))
    store.journal.summarise(garden.now)
    store.close()
    return directory / "typical.sqlite3"


def reader() -> Kept:
    """A reader of that store."""
    return read(typical(), house().garden.site.name)


# --- slow and plain -----------------------------------------------------------------------------------------------


def raw(probe: str, quantity: Quantity, start: datetime, end: datetime) -> list[tuple[float, float]]:
    """Usable readings of a span and an hour around it: (Unix time [s], value)."""
    hour = timedelta(hours=1)
    kept = reader()
    series = kept.readings.series(probe, quantity, start - hour, end + hour)
    kept.close()
    bad = Doubt.IMPOSSIBLE | Doubt.POWER_ON | Doubt.JUMP | Doubt.CLOCK | Doubt.FUTURE
    return [(t, v) for t, v, d in zip(*series, strict=True) if not d & bad]


def second_by_second(points: list[tuple[float, float]], start: datetime, end: datetime) -> Iterator[float | None]:
    """The value in the middle of each second of a span, on the line between two readings; None where they are more than
    an hour apart."""
    times = [t for t, _ in points]
    for second in range(int(start.timestamp()), int(end.timestamp())):
        t = second + 0.5
        after = bisect_right(times, t)
        if not 0 < after < len(points) or times[after] - times[after - 1] > 3600:
            yield None
            continue
        (t0, v0), (t1, v1) = points[after - 1], points[after]
        yield v0 + (v1 - v0) * (t - t0) / (t1 - t0)


def nearest_second_by_second(points: list[tuple[float, bool]], start: datetime, end: datetime) -> Iterator[bool | None]:
    """What the nearest reading says in each second; None where the readings around are more than an hour apart."""
    times = [t for t, _ in points]
    for second in range(int(start.timestamp()), int(end.timestamp())):
        t = second + 0.5
        after = bisect_right(times, t)
        if not 0 < after < len(points) or times[after] - times[after - 1] > 3600:
            yield None
            continue
        before_is_nearer = t - times[after - 1] < times[after] - t
        yield points[after - 1 if before_is_nearer else after][1]
