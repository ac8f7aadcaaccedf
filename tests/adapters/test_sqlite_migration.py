"""A store that the version before wrote, with messages waiting in its outbox, goes on as if nothing had happened."""

from __future__ import annotations

import shutil
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Sequence
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from sensord.adapters.clock import SteppedClock
from sensord.adapters.push import RecordingChannel
from sensord.adapters.sender import InlineSender
from sensord.adapters.sqlite import SqliteStore
from sensord.adapters.sqlite_migrations import MIGRATIONS
from sensord.commands import _build, _house
from sensord.model import Arrival, Gap, Quantity, Route, Standing, What
from sensord.ports import Commit, Sending, Transient
from simulators import scenario
from tests.adapters.test_sqlite_faults import ROOT, small_disk
from tests.kept import Kept, kept

OLD = ROOT / "tests" / "data" / "store-schema-3.sqlite3"
STOPPED = datetime(2026, 8, 20, 22, 0, 15, tzinfo=UTC)
DESTINATION = "http://127.0.0.1:8086 garden"
BEFORE, AFTER = STOPPED - timedelta(days=9), STOPPED + timedelta(days=9)


def built() -> _house.OneGarden:
    """The demonstration garden."""
    return _house.understood(scenario.configuration("larkfield"), scenario.HERE / "larkfield.toml")


def old_store(folder: Path) -> Path:
    """The store of the version before, in this folder."""
    return Path(shutil.copy(OLD, folder / "garden.sqlite3"))


def migrated(path: Path) -> Kept:
    """The store, opened by this version."""
    house = built()
    return kept(path, house.garden.site, _build.places(house.garden), ships_to=DESTINATION)


def rows(path: Path, table: str, columns: str) -> list[Any]:
    """Everything in a table."""
    with closing(sqlite3.connect(path)) as db:
        return db.execute(f"SELECT {columns} FROM {table} ORDER BY {columns}").fetchall()


UNTOUCHED = {
    "series": "id, site, probe, quantity",
    "reading": "series, measured_ms, value, doubts, delay_ms",
    "hour": "series, hour, count, mean",
    "day": "series, day, count, mean",
    "tally": "place, hour, degree_days",
    "entry": "id, site, at_us, what, text, author",
    "gap": "id, site, kind, started_us, ended_us",
    "concern": "id, site, key, over_us, body",
    "verdict": "id, site, rule, at_us, body",
    "message": "id, key, site, at_us, state, attempts, due_us, detail, body",
    "changed": "change, kind, number, at, until",
    "fact": "name, value",
    "counter": "name, count",
    "refusal": "id, topic, payload, reason",
    "undated": "packet, digest, received_us",
}


def assert_nothing_is_lost(path: Path) -> None:
    """Every row that was there is there."""
    for table, columns in UNTOUCHED.items():
        assert rows(path, table, columns) == rows(OLD, table, columns) != [], table


def test_everything_is_there_after_a_migration(tmp_path: Path) -> None:
    """Readings, what is derived, entries, concerns, outbox, facts and what is to be shipped; the file before is kept whole."""
    path = old_store(tmp_path)
    with closing(migrated(path)) as store:
        assert_nothing_is_lost(path)
        assert store.facts.recall("alive") == "2026-08-20T22:00:00+00:00"
        assert store.facts.recall("morning line") == "2026-08-20"
        assert [c.standing for c in store.concerns.standing()] == [Standing.OPEN] * 3 + [Standing.FORMING]
        assert [p.message.title for p in store.outbox.due()] == ["Give Alder more air", "Shade Birch"]
        assert [e.what for e in store.entries.between(BEFORE, AFTER)] == [What.SHADED, What.ANCHORED, What.HEADCOUNT]
        packet = Arrival(AFTER, "larkfield/cedar/temperature", b"21.5", redelivered=True, packet=7)
        assert store.journal.first_receipt(packet) is not None
        assert store.accounts.counters()["readings"] == 2605
        assert [r.reason for r in store.accounts.refusals()] == ["no number"]
        assert store.readings.latest("birch-1", Quantity.TEMPERATURE) is not None
    assert sorted(p.name for p in tmp_path.iterdir()) == [
        "garden.sqlite3",
        "garden.sqlite3-lock",
        "garden.sqlite3.schema-3",
    ]
    backup = tmp_path / "garden.sqlite3.schema-3"
    for table, columns in UNTOUCHED.items():
        assert rows(backup, table, columns) == rows(OLD, table, columns)
    with closing(sqlite3.connect(backup)) as db:
        assert db.execute("PRAGMA user_version").fetchone() == (3,)


def test_changes_are_noted_for_shipping_as_before(tmp_path: Path) -> None:
    """The table of messages was made anew, and what becomes of a message is still noted."""
    with closing(migrated(old_store(tmp_path))) as store:
        newest = "SELECT max(change) FROM changed WHERE kind = 6 AND number = (SELECT id FROM message WHERE key = ?)"
        key = store.outbox.due()[0].message.key
        (before,) = store.connection.one(newest, (key,))
        store.journal.commit(Commit(AFTER, sendings=[Sending(key, AFTER)]))
        assert store.connection.one(newest, (key,))[0] > before


class Nothing:
    """An inbox that nothing comes to."""

    def __init__(self, clock: SteppedClock) -> None:
        self._clock = clock

    def next_batch(self, until: datetime, limit: int) -> list[Arrival]:
        """Step the clock."""
        self._clock.advance_to(until)
        return []

    def acknowledge(self, batch: Sequence[Arrival]) -> None:
        """Nothing came."""

    def gaps(self) -> list[Gap]:
        """None."""
        return []

    def close(self) -> None:
        """Nothing."""


def test_the_waiting_messages_go_out_once(tmp_path: Path) -> None:
    """After a migration the phone gets what waited in the outbox, and does not get it again after another start."""
    path, phone, house = old_store(tmp_path), RecordingChannel(), built()
    for minutes in (0, 10):
        with closing(migrated(path)) as store:
            clock = SteppedClock(STOPPED + timedelta(minutes=minutes, seconds=10))
            sender = InlineSender(dict.fromkeys(Route, phone))
            loop = _build.loop(house, clock, Nothing(clock), store, sender)
            loop.run(until=STOPPED + timedelta(minutes=minutes + 8))
            assert store.outbox.due() == []
    titles = [m.title for m in phone.messages]
    assert titles.count("Give Alder more air") == titles.count("Shade Birch") == 1
    keys = [m.key for m in phone.messages]
    assert len(keys) == len(set(keys))


DIES = """
import os, signal, sys
from sensord.adapters import sqlite_connection, sqlite_migrations, sqlite_writer
left = [int(sys.argv[2])]
def count(statement):
    left[0] -= 1
    if left[0] < 0:
        os.kill(os.getpid(), signal.SIGKILL)
whole = sqlite_migrations.migrate
def migrate(db, path):
    db.set_trace_callback(count)
    whole(db, path)
    db.set_trace_callback(None)
sqlite_migrations.migrate = migrate
sqlite_writer.Writer(sys.argv[1], True, 5.0).close()
"""


@pytest.mark.slow
def test_a_migration_that_is_killed_starts_over(tmp_path: Path) -> None:
    """Killed before any of its statements, it leaves the store as it was, and the next start migrates all of it."""
    statements, was_killed = 0, True
    while was_killed:
        folder = tmp_path / str(statements)
        folder.mkdir()
        path = old_store(folder)
        command = [sys.executable, "-c", DIES, str(path), str(statements)]
        was_killed = subprocess.run(command, cwd=ROOT, check=False).returncode == -signal.SIGKILL
        with closing(migrated(path)) as store:
            assert store.connection.one("PRAGMA user_version") == (len(MIGRATIONS),)
            assert_nothing_is_lost(path)
        statements += 3
    assert statements > 30


@pytest.mark.parametrize("room_kib", [200, 400])
def test_a_full_disk_leaves_the_old_store_untouched(tmp_path: Path, room_kib: int) -> None:
    """Where there is no room for the backup, or for the migration, it says so; with more room it goes through."""
    with small_disk(tmp_path / "small") as free:
        path = old_store(tmp_path / "small")
        ballast = tmp_path / "small" / "more"
        ballast.write_bytes(bytes(max(0, shutil.disk_usage(path.parent).free - room_kib * 1024)))
        with pytest.raises(Transient, match="full"):
            SqliteStore(path)
        assert_nothing_is_lost(path)
        with closing(sqlite3.connect(path)) as db:
            assert db.execute("PRAGMA user_version").fetchone() == (3,)
        ballast.unlink()
        free()
        with closing(migrated(path)):
            assert_nothing_is_lost(path)
