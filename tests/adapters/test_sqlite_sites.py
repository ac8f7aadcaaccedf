"""Several sites in one SQLite store: each its own, and one that floods it delays no other for long."""

from __future__ import annotations

import threading
import time
from contextlib import closing
from datetime import timedelta
from pathlib import Path

import pytest

from sensord.adapters.sqlite import SqliteStore
from sensord.adapters.sqlite_writer import Queue
from sensord.model import Reading
from sensord.ports import Commit, Transient
from tests.site_promises import ELSEWHERE, ONE, OTHER, TEMPERATURE, SitePromises
from tests.store_promises import LOW, NEVER, START, reading


class TestSqliteSites(SitePromises):
    """The whole suite."""

    def open(self, folder: Path) -> SqliteStore:
        return SqliteStore(folder / "garden.sqlite3", durable=False)


def test_a_flooding_site_lets_the_others_write(tmp_path: Path) -> None:
    """While one site commits without a pause, each commit of another waits for two of them at most."""
    with closing(SqliteStore(tmp_path / "garden.sqlite3", durable=False)) as store:
        flooding, quiet = store.of(OTHER), store.of(ONE)
        batches, stop = [0], threading.Event()

        def flood() -> None:
            while not stop.is_set():
                begin = START + timedelta(seconds=batches[0] * 500)
                moments = [begin + timedelta(seconds=n) for n in range(500)]
                flooding.journal.commit(
                    Commit(START, [Reading(ELSEWHERE, LOW, TEMPERATURE, at, at, 20.0) for at in moments])
                )
                batches[0] += 1

        thread = threading.Thread(target=flood)
        thread.start()
        waited = []
        try:
            for number in range(40):
                before = batches[0]
                while batches[0] == before:  # in the middle of the flood
                    time.sleep(0.001)
                before = batches[0]
                quiet.journal.commit(Commit(START, [reading(60.0 * number, 20.0)], facts={"alive": str(number)}))
                waited.append(batches[0] - before)
        finally:
            stop.set()
            thread.join(30)
        assert batches[0] > 10
        assert max(waited) <= 2
        assert len(quiet.readings.series(LOW, TEMPERATURE, START, NEVER).values) == 40


def test_who_asked_first_is_served_first() -> None:
    """The lock is given in the order of asking, whoever had it last."""
    queue, order, ready = Queue(), list[int](), threading.Semaphore(0)

    def wait(number: int) -> None:
        ready.release()
        with queue:
            order.append(number)

    threads = []
    with queue:
        for number in range(6):
            threads.append(threading.Thread(target=wait, args=(number,)))
            threads[-1].start()
            assert ready.acquire(timeout=5)
            while len(queue._waiting) <= number:
                pass
    for thread in threads:
        thread.join(5)
    assert order == list(range(6))


def test_what_one_site_fails_at_is_no_concern_of_another(tmp_path: Path) -> None:
    """After a failed commit of one site the other goes on with what it remembers, and the first starts afresh."""
    with closing(SqliteStore(tmp_path / "garden.sqlite3", durable=False)) as store:
        one, other = store.of(ONE), store.of(OTHER)
        for share, site in ((one, ONE.name), (other, ELSEWHERE)):
            share.journal.commit(Commit(START, [reading(0, 20.0)._replace(site=site)]))
            assert share.readings.series(LOW, TEMPERATURE, START, NEVER).values == [20.0]
        store.writer.connection.db.execute("PRAGMA max_page_count = 1")
        with pytest.raises(Transient, match="full"):
            one.journal.commit(Commit(START, [reading(60.0 * n, 21.0, f"new-{n % 50}") for n in range(1, 5000)]))
        store.writer.connection.db.execute("PRAGMA max_page_count = 1000000")
        for share, site in ((one, ONE.name), (other, ELSEWHERE)):
            assert share.journal.commit(Commit(START, [reading(60, 21.0)._replace(site=site)])).stored == 1
            assert share.readings.series(LOW, TEMPERATURE, START, NEVER).values == [20.0, 21.0]
