"""`sensord restore`: a backup becomes the store again; what was there is kept beside it."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path
from typing import Annotated

import typer

from sensord.commands._house import DEFAULT_CONFIG, ConfigOption, JsonOption, SecretsOption
from sensord.language.terminal import say


def command(
    source: Annotated[Path, typer.Option("--from", help=say("commands.restore.option.source"))],
    config: ConfigOption = DEFAULT_CONFIG,
    secrets: SecretsOption = None,
    json: JsonOption = False,
) -> None:
    """Put a backup in the place of the store. Stop the daemon first; what was there is kept under another name."""
    import json as encoder
    import sqlite3
    from datetime import UTC, datetime

    from sensord.adapters.sqlite_writer import hold_alone, let_go
    from sensord.commands import _build, _house
    from sensord.config import Mistakes
    from sensord.ports import Transient

    house = _house.house(config, secrets)
    store = _build.store_path(house.found.store, config)
    if source.is_dir():
        raise Mistakes([say("commands.restore.directory", file=str(source))])
    if not source.is_file():
        raise Mistakes([say("commands.restore.no_file", file=str(source))])
    if store.exists() and source.samefile(store):
        raise Mistakes([say("commands.restore.itself", file=str(source))])
    if not store.absolute().parent.is_dir():
        raise Mistakes([say("commands.restore.no_directory", file=str(store))])
    try:
        lock = hold_alone(store)
    except ValueError as running:
        raise Mistakes([say("commands.restore.stop_it", why=str(running))]) from None
    staged = store.with_name(store.name + ".restoring")
    try:
        readings = _stage(source, staged)
        _give_to_daemon(store, staged, Path(f"{store}-lock"))
        kept = _swap(staged, store, f"{datetime.now(UTC):%Y%m%dT%H%M%SZ}")
    except ValueError as mistake:
        raise Mistakes([str(mistake)]) from None
    except (Transient, OSError, sqlite3.Error) as trouble:
        typer.echo(say("commands.restore.left", file=str(store), why=str(trouble)), err=True)
        raise typer.Exit(1) from None
    finally:
        staged.unlink(missing_ok=True)
        let_go(lock)
    if json:
        answer = {"store": str(store), "from": str(source), "readings": readings, "kept": kept and str(kept)}
        typer.echo(encoder.dumps(answer))
    else:
        typer.echo(
            say(
                "commands.restore.restored",
                store=str(store),
                source=str(source),
                readings=readings,
                kept=str(kept) if kept else None,
            )
        )


def _stage(source: Path, staged: Path) -> int:
    """Copy the backup beside the store and check it; returns how many readings it holds.

    Raises ValueError for a file that is no store of ours, damaged, or of a newer version.
    """
    import sqlite3

    from sensord.adapters import sqlite_migrations
    from sensord.adapters.sqlite_codec import transient
    from sensord.adapters.sqlite_connection import connect, flush

    staged.unlink(missing_ok=True)
    try:
        with (
            transient(str(source)),
            closing(connect(source, "ro", 5.0)) as db,
            closing(sqlite3.connect(staged)) as copy,
        ):
            sqlite_migrations.check(db, str(source))
            db.backup(copy)
            (found,) = copy.execute("PRAGMA integrity_check(1)").fetchone()
            if found != "ok":
                raise ValueError(say("commands.restore.damaged", file=str(source), why=str(found)))
            if copy.execute("PRAGMA application_id").fetchone()[0] != sqlite_migrations.APPLICATION_ID:
                raise ValueError(say("commands.restore.empty", file=str(source)))
            (readings,) = copy.execute("SELECT count(*) FROM reading").fetchone()
    except sqlite3.DatabaseError as error:
        raise ValueError(say("commands.restore.damaged", file=str(source), why=str(error))) from error
    flush(staged)
    return int(readings)


def _give_to_daemon(store: Path, *paths: Path) -> None:
    """What root made here belongs to whom the store's directory belongs to."""
    import os

    owner = store.absolute().parent.stat()
    for path in paths:
        path.chmod(0o640)
        if os.geteuid() == 0:
            os.chown(path, owner.st_uid, owner.st_gid)


def _swap(staged: Path, store: Path, stamp: str) -> Path | None:
    """Let `staged` take the store's name in one step; returns where the former store is kept, if there was one.

    Its write-ahead log is folded in first. Where that can't be done (it is damaged, which is why it is replaced) the log goes
    along with it: left behind, it would be played into the new store.
    """
    import os
    import sqlite3
    from contextlib import suppress

    from sensord.adapters.sqlite_connection import flush

    kept = None
    if store.exists():
        kept = store.with_name(f"{store.name}.replaced-{stamp}")
        with store.open("rb") as file:
            is_database = file.read(16) == b"SQLite format 3\0"
        if is_database:  # of anything else SQLite would throw the log away
            with suppress(sqlite3.DatabaseError), closing(sqlite3.connect(store, timeout=1)) as db:
                db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        os.link(store, kept)
    for suffix in ("-wal", "-shm"):
        leftover = Path(f"{store}{suffix}")
        if leftover.exists():
            leftover.rename(f"{kept or store.with_name(f'{store.name}.replaced-{stamp}')}{suffix}")
    os.replace(staged, store)
    flush(store.absolute().parent)
    return kept
