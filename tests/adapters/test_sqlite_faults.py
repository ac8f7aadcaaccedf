"""Full disks, locks, kill -9, foreign and newer files: nothing that was committed is lost, and everything is said plainly."""

from __future__ import annotations

import os
import random
import resource
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest

from sensord.adapters.sqlite_migrations import APPLICATION_ID, MIGRATIONS
from sensord.model import Arrival, Entry, Quantity, What
from sensord.ports import Commit, Transient
from tests.adapters.numbered import FILE, PER_BATCH, batch
from tests.adapters.test_sqlite import open_store
from tests.kept import Kept, read
from tests.store_promises import ALDER, LOW, NEVER, SITE, START, a_message

TEMPERATURE = Quantity.TEMPERATURE
ROOT = Path(__file__).parents[2]


def assert_whole(store: Kept, committed: int) -> int:
    """Every batch up to `committed` is there and at most one more, none of them in part; returns how many."""
    assert store.connection.all("PRAGMA integrity_check") == [("ok",)]
    rows = store.connection.all(
        f"SELECT (measured_ms / 1000 - ?) / {PER_BATCH}, count(*) FROM reading GROUP BY 1", (int(START.timestamp()),)
    )
    found = len(rows)
    assert found in (committed, committed + 1)
    assert sorted(rows) == [(number, PER_BATCH) for number in range(found)]
    assert [entry.text for entry in store.entries.between(START, NEVER)] == [str(number) for number in range(found)]
    counts = {"readings": found * PER_BATCH, "duplicates": 0, "refused": found, "entries": found}
    assert counts.items() <= store.accounts.counters().items()
    if found:
        last = Arrival(START, "x", str(found - 1).encode(), redelivered=True, packet=(found - 1) % 65_535 + 1)
        assert store.journal.first_receipt(last) == START
    return found


@pytest.mark.slow
def test_kill_9_loses_nothing_that_was_committed(tmp_path: Path) -> None:
    """A writing process killed 24 times at random: what it reported is there, nothing is there by half, the file is sound."""
    dice = random.Random(9)
    committed = 0
    for _ in range(24):
        command = [sys.executable, "-m", "tests.adapters.numbered", str(tmp_path), str(committed)]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, cwd=ROOT) as process:
            assert process.stdout is not None
            assert process.stdout.readline() == "open\n"
            time.sleep(dice.uniform(0.0, 0.15))
            process.send_signal(signal.SIGKILL)
            reported = process.stdout.read().split()
        assert process.returncode == -signal.SIGKILL
        with closing(open_store(tmp_path)) as store:
            committed = assert_whole(store, int(reported[-1]) if reported else committed)
    assert committed > 24


@contextmanager
def small_disk(folder: Path) -> Iterator[Callable[[], None]]:
    """A file system of a megabyte, or where we may not mount one, a limit on the size of files; gives a way to free space."""
    folder.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", folder], capture_output=True, check=False
    )
    if mounted.returncode == 0:
        ballast = folder / "ballast"
        ballast.write_bytes(bytes(500_000))
        try:
            yield ballast.unlink
        finally:
            subprocess.run(["umount", "-l", folder], check=True)
        return
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (400_000, hard))
    try:
        yield lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


def trouble(store: Kept, number: int) -> str | None:
    """What is said where the batch can't be stored."""
    try:
        store.journal.commit(batch(number))
    except Transient as transient:
        return str(transient)
    return None


def test_a_full_disk_is_transient_and_harms_nothing(tmp_path: Path) -> None:
    """When the disk is full, what was committed stays, what was not is refused whole, and it goes on when there is room."""
    with small_disk(tmp_path / "small") as free, closing(open_store(tmp_path / "small", durable=True)) as store:
        number = 0
        while number < 2000 and trouble(store, number) is None:
            number += 1
        assert 0 < number < 2000
        for _ in range(3):
            assert "disk" in str(trouble(store, number))
        assert assert_whole(store, number) == number
        free()
        for more in range(5):
            assert store.journal.commit(batch(number + more)).stored == PER_BATCH
        assert assert_whole(store, number + 5) == number + 5
        store.journal.summarise(NEVER)


def test_every_write_is_transient_on_a_full_disk(tmp_path: Path) -> None:
    """Recording, remembering and summarising fail in the same harmless way."""
    with closing(open_store(tmp_path)) as store:
        store.journal.commit(batch(0))
        (pages,) = store.connection.one("PRAGMA page_count")
        store.connection.db.execute(f"PRAGMA max_page_count = {pages}")
        big = "x" * 300_000
        with pytest.raises(Transient, match="full"):
            store.journal.commit(Commit(START, messages=[a_message("one", text=big)]))
        with pytest.raises(Transient, match="full"):
            store.journal.commit(Commit(START, facts={"fact": big}))
        with pytest.raises(Transient, match="full"):
            store.journal.commit(Commit(START, entries=[Entry(SITE, START, START, ALDER, What.NOTE, text=big)]))
        assert store.outbox.due() == []
        store.connection.db.execute("PRAGMA max_page_count = 1000000")
        store.journal.commit(Commit(START, messages=[a_message("one")]))
        assert [p.message.key for p in store.outbox.due()] == ["one"]
        assert_whole(store, 1)


def test_a_locked_file_is_transient(tmp_path: Path) -> None:
    """While another process holds the file, writing fails after the wait, and works again afterwards."""
    with closing(open_store(tmp_path, busy_s=0.1)) as store:
        store.journal.commit(batch(0))
        hold = "db.execute('BEGIN IMMEDIATE'); print('held', flush=True); input()"
        other = subprocess.Popen(
            [sys.executable, "-c", f"import sqlite3; db = sqlite3.connect({str(tmp_path / FILE)!r}); {hold}"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert other.stdout is not None
        assert other.stdout.readline() == "held\n"
        with pytest.raises(Transient, match="another process holds it"):
            store.journal.commit(batch(1))
        with pytest.raises(Transient, match="another process holds it"):
            store.journal.summarise(NEVER)
        assert store.readings.series("probe-1", TEMPERATURE, START, NEVER).values == [0.0] * 8
        other.communicate("\n")
        store.journal.commit(batch(1))
        assert_whole(store, 2)


def test_one_writer(tmp_path: Path) -> None:
    """A second writer is refused while the first is open, and let in after it has closed."""
    with closing(open_store(tmp_path)), pytest.raises(ValueError, match="another sensord is writing"):
        open_store(tmp_path)
    open_store(tmp_path).close()


def test_readers_and_the_writer_do_not_wait_for_each_other(tmp_path: Path) -> None:
    """A reader in the middle of a read does not hold up a commit, nor an open transaction a reader; each sees whole commits."""
    path = tmp_path / FILE
    with closing(open_store(tmp_path, busy_s=0.0)) as store:
        store.journal.commit(batch(0))
        with closing(read(path, SITE, busy_s=0.0)) as reader:
            reader.connection.db.execute("BEGIN")
            assert len(reader.entries.between(START, NEVER)) == 1
            store.journal.commit(batch(1))
            store.journal.summarise(NEVER)
            assert len(reader.entries.between(START, NEVER)) == 1
            reader.connection.db.execute("COMMIT")
            assert len(reader.entries.between(START, NEVER)) == 2
            store.connection.db.execute("BEGIN IMMEDIATE")
            store.connection.db.execute("DELETE FROM entry")
            assert len(reader.entries.between(START, NEVER)) == 2
            store.connection.db.execute("ROLLBACK")
            with pytest.raises(sqlite3.OperationalError, match="readonly"):
                reader.connection.db.execute("DELETE FROM entry")


def test_a_reader_needs_no_running_writer(tmp_path: Path) -> None:
    """After the writer has closed, or was killed, the file is still readable."""
    store = open_store(tmp_path)
    store.journal.commit(batch(0))
    store.journal.summarise(NEVER)
    with closing(read(tmp_path / FILE, SITE)) as during:
        expected = [
            during.readings.series("probe-0", TEMPERATURE, START, NEVER),
            during.summaries.hours("probe-0", TEMPERATURE, START, NEVER),
            during.accounts.counters(),
        ]
    store.close()
    with closing(read(tmp_path / FILE, SITE)) as after:
        assert expected == [
            after.readings.series("probe-0", TEMPERATURE, START, NEVER),
            after.summaries.hours("probe-0", TEMPERATURE, START, NEVER),
            after.accounts.counters(),
        ]


# --- files that are not ours to open


def refused(path: Path) -> str:
    """What is said when a writer is to open this file."""
    before = path.read_bytes()
    with pytest.raises(ValueError, match=str(path)) as error:
        open_store(path.parent)
    assert path.read_bytes() == before
    return str(error.value)


def test_a_newer_store_is_left_alone(tmp_path: Path) -> None:
    """A file of a newer schema is refused with what to do about it, by writer and reader."""
    open_store(tmp_path).close()
    path = tmp_path / FILE
    with closing(sqlite3.connect(path)) as db:
        db.execute("PRAGMA user_version = 99")
    assert "written by a newer sensord (schema 99" in refused(path)
    with pytest.raises(ValueError, match="newer sensord"):
        read(path, SITE)


def test_a_foreign_database_is_left_alone(tmp_path: Path) -> None:
    """Another program's SQLite file is refused and not changed."""
    path = tmp_path / FILE
    with closing(sqlite3.connect(path)) as db:
        db.execute("CREATE TABLE theirs (x)")
    assert "not one of sensord's" in refused(path)


def test_a_file_that_is_no_database_is_left_alone(tmp_path: Path) -> None:
    """Any other file is refused and not changed."""
    path = tmp_path / FILE
    path.write_text("temperature, humidity\n" * 1000)
    assert "not an SQLite file" in refused(path)


def test_a_missing_directory_or_store_is_named(tmp_path: Path) -> None:
    """The writer wants the directory, a reader the store."""
    with pytest.raises(ValueError, match="the directory does not exist"):
        open_store(tmp_path / "nowhere")
    with pytest.raises(ValueError, match="no such store"):
        read(tmp_path / FILE, SITE)


# --- migrations


def first_version(path: Path) -> None:
    """A store as the first schema left it, with two hours of readings and a message."""
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        db.execute("CREATE TABLE migration (version INTEGER PRIMARY KEY, name TEXT NOT NULL) STRICT")
        MIGRATIONS[0](db)
        db.execute("INSERT INTO migration VALUES (1, 'what_was_accepted')")
        db.execute("PRAGMA user_version = 1")
        db.execute("INSERT INTO series VALUES (1, ?, ?, 'temperature')", (SITE, LOW))
        for minute in range(120):
            measured_ms = int(START.timestamp() * 1000) + minute * 60_000
            db.execute("INSERT INTO reading VALUES (1, ?, ?, 0, 250)", (measured_ms, 200_000 + 1000 * minute))


def test_the_first_version_is_upgraded(tmp_path: Path) -> None:
    """Readings stored by the first schema are all there, and are summarised after the upgrade."""
    first_version(tmp_path / FILE)
    with pytest.raises(ValueError, match="start `sensord run` once"):
        read(tmp_path / FILE, SITE)
    with closing(open_store(tmp_path)) as store:
        assert store.readings.series(LOW, TEMPERATURE, START, NEVER).values == [20 + m / 10 for m in range(120)]
        assert store.connection.all("SELECT name FROM migration") == [(step.__name__,) for step in MIGRATIONS]
        assert store.journal.summarise(NEVER) == 2
        hours = store.summaries.hours(LOW, TEMPERATURE, START, NEVER)
        assert [(hour.count, hour.minimum, hour.maximum) for hour in hours] == [(60, 20, 25.9), (60, 26, 31.9)]
        assert len(store.summaries.tally(ALDER, START, NEVER)) == 2


def test_a_migration_that_fails_leaves_the_version_before(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each migration is whole or not at all; the next start takes up where the last one stopped."""
    first_version(tmp_path / FILE)

    def breaks(db: sqlite3.Connection) -> None:
        db.execute("DROP TABLE reading")
        raise sqlite3.OperationalError("power cut")

    with monkeypatch.context() as patch:
        patch.setattr("sensord.adapters.sqlite_migrations.MIGRATIONS", (*MIGRATIONS, breaks))
        with pytest.raises(sqlite3.OperationalError, match="power cut"):
            open_store(tmp_path)
    with closing(open_store(tmp_path)) as store:
        assert store.connection.one("PRAGMA user_version") == (len(MIGRATIONS),)
        assert len(store.readings.series(LOW, TEMPERATURE, START, NEVER).values) == 120


def test_root_is_not_needed(tmp_path: Path) -> None:
    """The files are made with the modes of the umask and nothing else lies about after closing."""
    open_store(tmp_path).close()
    assert sorted(os.listdir(tmp_path)) == [FILE, f"{FILE}-lock"]
