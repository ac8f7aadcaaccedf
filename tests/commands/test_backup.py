"""A backup is whole or not there, the daemon goes on meanwhile, and a restore never destroys what it replaces."""

from __future__ import annotations

import json
import re
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner, Result

from sensord.adapters import sqlite_migrations
from sensord.commands import backup, restore
from sensord.config import Mistakes
from sensord.model import Quantity, Reading, Site
from sensord.ports import Commit
from tests.kept import kept

CONFIG = Path(__file__).parents[2] / "config" / "minimal.toml"
SITE = Site("garden", 41.5, -83.5, 0, "America/Detroit", "Garden")
START = datetime(2026, 8, 20, tzinfo=UTC)

app = typer.Typer()
app.command("backup")(backup.command)
app.command("restore")(restore.command)

WRITER = """
import sys
from datetime import timedelta
from pathlib import Path
sys.path[:0] = [{here!r}, {root!r}]
from test_backup import SITE, START, readings
from sensord.ports import Commit
from tests.kept import kept
store = kept({path!r}, SITE)
minute = store.accounts.counters()["readings"]
while True:
    store.journal.commit(Commit(START, readings(minute, 1)))
    minute += 1
    print(minute, flush=True)
"""


def readings(first: int, count: int) -> list[Reading]:
    return [
        Reading(SITE.name, "north-1", Quantity.TEMPERATURE, at, at, 20 + m % 7, 0)
        for m in range(first, first + count)
        for at in [START + timedelta(minutes=m)]
    ]


def run(*arguments: object) -> Result:
    return CliRunner().invoke(app, [str(a) for a in arguments])


def refused(*arguments: object) -> str:
    result = run(*arguments)
    assert isinstance(result.exception, Mistakes), result.output
    return str(result.exception)


def count(path: Path) -> int:
    with closing(sqlite3.connect(f"{path.as_uri()}?mode=ro&immutable=1", uri=True)) as db:
        assert db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        return db.execute("SELECT count(*) FROM reading").fetchone()[0]


@pytest.fixture
def config(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A configuration whose store lies beside it."""
    monkeypatch.delenv("STATE_DIRECTORY", raising=False)
    return Path(shutil.copy(CONFIG, tmp_path / "sensord.toml"))


@pytest.fixture
def store(config: Path) -> Path:
    """A store of a thousand readings."""
    path = config.parent / "sensord.sqlite3"
    with closing(kept(path, SITE)) as it:
        it.journal.commit(Commit(START, readings(0, 1000)))
    return path


@pytest.fixture
def writing(store: Path) -> Iterator[subprocess.Popen[str]]:
    """A process that commits one reading after the other, as the daemon does."""
    code = WRITER.format(here=str(Path(__file__).parent), root=str(Path(__file__).parents[2]), path=str(store))
    with subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        assert process.stdout.readline().strip() == "1001"
        yield process
        process.kill()


def test_a_backup_of_a_store_being_written_is_one_instant(
    config: Path, store: Path, writing: subprocess.Popen[str]
) -> None:
    """Ten backups while another process commits: each whole, each without a hole, none older than the one before."""
    seen = 1000
    for number in range(10):
        to = config.parent / f"copy-{number}.sqlite3"
        result = run("backup", "--to", to, "--config", config, "--json")
        assert result.exit_code == 0, result.output
        assert json.loads(result.output) == {
            "store": str(store),
            "to": str(to),
            "bytes": to.stat().st_size,
            "trouble": None,
        }
        with closing(sqlite3.connect(to)) as db:
            rows, newest = db.execute("SELECT count(*), max(measured_ms) FROM reading").fetchone()
        assert newest == (START + timedelta(minutes=rows - 1)).timestamp() * 1000
        assert count(to) == rows >= seen
        seen = rows
        assert to.stat().st_mode & 0o777 == 0o600
    assert writing.poll() is None
    assert not list(config.parent.glob("*.part"))
    assert not list(config.parent.glob("copy-*-wal"))


def test_into_a_directory_it_gets_a_dated_name(config: Path, store: Path, tmp_path: Path) -> None:
    """A directory as target, as a timer would give it: one file with site and time in its name."""
    (tmp_path / "stick").mkdir()
    assert run("backup", "--to", tmp_path / "stick", "--config", config).exit_code == 0
    (made,) = (tmp_path / "stick").iterdir()
    assert made.name.startswith("sensord-garden-20")
    assert count(made) == 1000


def test_wrong_targets_and_sources_are_refused_in_words(config: Path, tmp_path: Path) -> None:
    """Nothing to copy, a file that is there, a directory that isn't: said, and nothing made."""
    target = tmp_path / "copy.sqlite3"
    assert "no such store" in refused("backup", "--to", target, "--config", config)
    assert not target.exists()
    target.write_text("mine")
    assert "never written over" in refused("backup", "--to", target, "--config", config)
    assert target.read_text() == "mine"
    assert "is the disk mounted?" in refused("backup", "--to", tmp_path / "away" / "x", "--config", config)


def test_a_full_disk_leaves_nothing_half(config: Path, store: Path, tmp_path: Path) -> None:
    """Where the copy doesn't fit, the command says so with 1, and neither copy nor part is left.

    A limit on the size of a file stands in for the full disk.
    """
    target = tmp_path / "copy.sqlite3"
    code = (
        "import resource, signal; signal.signal(signal.SIGXFSZ, signal.SIG_IGN);"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (50000, 50000));"
        "from sensord.commands import backup; import typer; app = typer.Typer(); app.command()(backup.command); app()"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, "--to", target, "--config", config], capture_output=True, text=True, check=False
    )
    assert done.returncode == 1, done.stderr
    assert str(target) in done.stderr
    assert not list(tmp_path.glob("copy*"))


def test_a_damaged_store_gives_no_backup(config: Path, store: Path, tmp_path: Path) -> None:
    """Pages overwritten in the middle: 1, the store named as damaged, no file made."""
    with store.open("r+b") as file:
        file.seek(2 * 4096)
        file.write(b"\x5a" * 4096 * 6)
    result = run("backup", "--to", tmp_path / "copy.sqlite3", "--config", config)
    assert result.exit_code == 1
    assert "damaged" in result.output
    assert not list(tmp_path.glob("copy*"))


def test_restore_is_refused_while_the_daemon_writes(
    config: Path, store: Path, writing: subprocess.Popen[str], tmp_path: Path
) -> None:
    """A running writer keeps its store: refused, told what to stop, nothing moved; when it is gone it goes through."""
    copy = tmp_path / "copy.sqlite3"
    run("backup", "--to", copy, "--config", config)
    held = count(copy)
    inode = store.stat().st_ino
    assert "systemctl stop sensord" in refused("restore", "--from", copy, "--config", config)
    assert store.stat().st_ino == inode
    assert not list(tmp_path.glob("*.restoring"))
    writing.kill()
    writing.wait()
    result = run("restore", "--from", copy, "--config", config, "--json")
    assert result.exit_code == 0, result.output
    answer = json.loads(result.output)
    assert answer["readings"] == held
    assert count(store) == held
    assert count(Path(answer["kept"])) >= held


def test_what_was_replaced_is_kept_with_all_that_was_committed(config: Path, store: Path, tmp_path: Path) -> None:
    """Readings that were only in the write-ahead log of a killed daemon are in the store that is put aside."""
    copy = tmp_path / "copy.sqlite3"
    run("backup", "--to", copy, "--config", config)
    code = WRITER.format(here=str(Path(__file__).parent), root=str(Path(__file__).parents[2]), path=str(store))
    with subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        written = [int(process.stdout.readline()) for _ in range(50)][-1]
        process.kill()
        written = max([written, *map(int, process.stdout.read().split())])
    assert Path(f"{store}-wal").stat().st_size > 0
    result = run("restore", "--from", copy, "--config", config, "--json")
    assert count(store) == 1000
    assert not Path(f"{store}-wal").exists()
    assert count(Path(json.loads(result.output)["kept"])) >= written
    with closing(kept(store, SITE)) as it:
        assert it.accounts.counters()["readings"] == 1000
        assert it.journal.commit(Commit(START, readings(1000, 5))).stored == 5


def test_a_damaged_store_is_replaced_with_its_log(config: Path, store: Path, tmp_path: Path) -> None:
    """The very case for a restore: a store that is no database any more goes aside, log and all, and the backup works."""
    copy = tmp_path / "copy.sqlite3"
    run("backup", "--to", copy, "--config", config)
    store.write_bytes(b"\x5a" * 8192)
    Path(f"{store}-wal").write_bytes(b"stale")
    result = run("restore", "--from", copy, "--config", config, "--json")
    assert result.exit_code == 0, result.output
    kept = Path(json.loads(result.output)["kept"])
    assert kept.read_bytes() == b"\x5a" * 8192
    assert Path(f"{kept}-wal").read_bytes() == b"stale"
    assert count(store) == 1000


def test_a_restore_where_nothing_was(config: Path, store: Path, tmp_path: Path) -> None:
    """On a new machine: no store yet, nothing to keep."""
    copy = tmp_path / "copy.sqlite3"
    run("backup", "--to", copy, "--config", config)
    store.unlink()
    result = run("restore", "--from", copy, "--config", config, "--json")
    assert json.loads(result.output)["kept"] is None
    assert count(store) == 1000


@pytest.mark.parametrize(
    ("spoil", "why"),
    [
        (lambda p: p.write_bytes(p.read_bytes()[: p.stat().st_size // 2]), "damaged"),
        (lambda p: p.write_text("not a database, just text " * 400), "damaged|not an SQLite file"),
        (lambda p: p.write_bytes(b""), "empty"),
        (lambda p: change(p, f"PRAGMA user_version = {len(sqlite_migrations.MIGRATIONS) + 1}"), "newer sensord"),
        (lambda p: change(p, "PRAGMA application_id = 7"), "not one of sensord"),
        (lambda p: p.unlink(), "no such file"),
    ],
    ids=["cut off", "text", "empty", "newer", "foreign", "missing"],
)
def test_a_backup_that_is_none_changes_nothing(spoil, why: str, config: Path, store: Path, tmp_path: Path) -> None:
    """Cut off, foreign, newer or missing: refused with the reason, the store untouched, nothing left lying about."""
    copy = tmp_path / "copy.sqlite3"
    run("backup", "--to", copy, "--config", config)
    spoil(copy)
    inode = store.stat().st_ino
    assert re.search(why, refused("restore", "--from", copy, "--config", config))
    assert store.stat().st_ino == inode
    assert count(store) == 1000
    assert not [*tmp_path.glob("*.restoring"), *tmp_path.glob("*.replaced*")]


def change(path: Path, statement: str) -> None:
    with closing(sqlite3.connect(path)) as db:
        db.execute(statement)
        db.commit()


def test_the_store_is_not_its_own_backup(config: Path, store: Path) -> None:
    """Restoring the store from itself is a slip of the pen."""
    assert "is the store itself" in refused("restore", "--from", store, "--config", config)
