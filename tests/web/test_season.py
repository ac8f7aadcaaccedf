"""The store of a full season, 5 million readings: the page answers at once, and holds the loop up in nothing."""

from __future__ import annotations

import gc
import math
import statistics
import threading
import time
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest

from sensord.adapters.sqlite_codec import SCALE
from sensord.adapters.sqlite_migrations import touch_stored
from sensord.commands import _house
from sensord.model import Entry, Quantity, Reading, What, milliseconds
from sensord.ports import Commit
from sensord.web.app import application
from sensord.web.snapshot import PageNeeds
from simulators import scenario
from tests.kept import opened
from tests.web.homestead import LOCAL, NOW, Homestead, Loop, hot, letter

DAYS, EVERY_S = 132, 24
ANSWER_S, COUNTED_S = 0.1, 0.02
"""An answer takes so long at most on a machine that `count` takes so long on; a slower one has more time, in proportion."""


def count() -> float:
    """How long the interpreter takes for something that never changes [s of the processor]."""
    began, total, last = time.process_time(), 0, dict[int, int]()
    for n in range(200_000):
        total += n * n % 7
        last[n & 255] = total
    return time.process_time() - began


def allowed_s(counted_s: float) -> float:
    """How long an answer may take on a machine that counts so long."""
    return ANSWER_S * max(1.0, counted_s / COUNTED_S)


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Homestead]:
    """Eleven series of 132 days, a reading every 24 seconds, summarised; and what a keeper said meanwhile."""
    chosen = scenario.configuration("larkfield")
    chosen = chosen.model_copy(update={"page": chosen.page.model_copy(update=LOCAL)})
    built = _house.understood(chosen, scenario.HERE / "larkfield.toml")
    path = Path(tmp_path_factory.mktemp("season")) / "season.sqlite3"
    store = opened(built, path, durable=False)
    now_ms = milliseconds(NOW)
    start_ms = now_ms - DAYS * 86_400_000
    for probe in built.garden.probes:
        for quantity in sorted(probe.quantities):
            store.journal.commit(Commit(NOW, readings=[Reading("larkfield", probe.name, quantity, NOW, NOW, 1.0)]))
            series, scale = store.readings._numbers.of(probe.name, quantity)
            mean = {Quantity.TEMPERATURE: 24.0, Quantity.PRESSURE: 99_000.0}.get(quantity, 0.5)
            rows = (
                (series, ms, round((mean + 0.2 * mean * math.sin(ms / 13_750_987)) * scale), 0, 200)
                for ms in range(start_ms, now_ms, EVERY_S * 1000)
            )
            store.connection.db.execute("BEGIN")
            store.connection.db.executemany("INSERT OR IGNORE INTO reading VALUES (?, ?, ?, ?, ?)", rows)
            touch_stored(store.connection.db, series)
            store.connection.db.execute("COMMIT")
    store.journal.summarise(NOW)
    said = [
        Entry("larkfield", NOW - timedelta(hours=7 * n), NOW, "birch", What.NOTE, None, f"note {n}") for n in range(300)
    ]
    store.journal.commit(Commit(NOW, entries=said))
    store.journal.commit(Commit(NOW, concerns=[hot()], messages=[letter()]))
    loop = Loop(store, built.garden)
    house = PageNeeds(
        built.settings, built.garden, built.texts, path, lambda: NOW, lambda: NOW, lambda: (True, None), loop.put
    )
    app, (garden_page,) = application(house)
    found = Homestead(store, loop, house, app, garden_page)
    with found.client():
        yield found
    store.close()


@pytest.mark.slow
@pytest.mark.timeout(290)
def test_a_season_is_answered_within_a_tenth_of_a_second(season: Homestead) -> None:
    """First and later answers: now, a day and a week of curves as page and as numbers, the log book.

    Processor time counts, because other tests run beside this one; of the later answers the best of six.
    """
    (stored,) = season.store.connection.db.execute("SELECT count(*) FROM reading").fetchone()
    assert stored > 5_000_000
    assert set(SCALE) >= {Quantity.TEMPERATURE}
    client = season.client()
    client.get("/login")
    season.garden_page.look_again()
    gc.collect()  # what the tests before have left is not the page's to look through
    counted = [count()]
    began = time.process_time()
    assert client.get("/").status_code == 200
    first_s = time.process_time() - began
    counted.append(count())
    first_answer_s = allowed_s(max(counted))  # it is measured once: the machine as it was just then
    took: dict[str, list[float]] = {}
    paths = ["/", "/curves", "/curves.json", "/curves?span=week", "/curves.json?span=week&place=birch", "/book"]
    for path in [*paths, *5 * paths]:
        season.garden_page.look_again()  # every one of these looks at the store itself
        began = time.process_time()
        assert client.get(path).status_code == 200
        took.setdefault(path, []).append(time.process_time() - began)
        counted.append(count())
    answer_s = allowed_s(min(counted))
    print(f"first {1000 * first_s:.0f} of {1000 * first_answer_s:.0f} ms, later ones of {1000 * answer_s:.0f} ms")
    print({path: [round(1000 * s) for s in times] for path, times in took.items()})
    assert first_s < first_answer_s
    for path, times in took.items():
        assert min(times) < answer_s, path


@pytest.mark.slow
@pytest.mark.timeout(290)
def test_the_loop_is_not_held_up_by_lookers(season: Homestead) -> None:
    """While four readers ask without pause, a commit of the loop waits no longer than a moment."""
    stop = threading.Event()

    def ask() -> None:
        client = season.client()
        while not stop.is_set():
            season.garden_page.look_again()
            client.get("/curves.json")

    readers = [threading.Thread(target=ask, daemon=True) for _ in range(4)]
    for reader in readers:
        reader.start()
    waits = []
    for n in range(60):
        at = NOW + timedelta(seconds=n)
        batch = Commit(NOW, readings=[Reading("larkfield", "post", Quantity.TEMPERATURE, at, at, 30.0)])
        began = time.perf_counter()
        season.store.journal.commit(batch)
        waits.append(time.perf_counter() - began)
        time.sleep(0.02)
    stop.set()
    for reader in readers:
        reader.join(10)
    print(f"commits: median {1000 * statistics.median(waits):.1f} ms, longest {1000 * max(waits):.0f} ms")
    assert statistics.median(waits) < 0.05
    assert max(waits) < 0.5
