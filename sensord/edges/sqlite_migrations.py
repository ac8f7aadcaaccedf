"""The tables of the store and how an older file becomes a newer one.

A migration is a named function. Each runs in a transaction of its own together with its record, so a power cut between
two of them leaves a file that the next start carries on with. Never change one that was released; add another.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Sequence

APPLICATION_ID = 0x53454E53
"""Marks the file as ours ("SENS"), see PRAGMA application_id."""

HOUR_MS = 3_600_000


def what_was_accepted(db: sqlite3.Connection) -> None:
    """Readings and everything else that came from outside, concerns and the outbox."""
    _run(
        db,
        """CREATE TABLE series (
            id INTEGER PRIMARY KEY, site TEXT NOT NULL, probe TEXT NOT NULL, quantity TEXT NOT NULL,
            UNIQUE (site, probe, quantity)) STRICT""",
        # value: INTEGER is scaled (see sqlite_codec.SCALE), REAL is as it came, NULL is not a number
        """CREATE TABLE reading (
            series INTEGER NOT NULL, measured_ms INTEGER NOT NULL, value ANY, doubts INTEGER NOT NULL,
            delay_ms INTEGER NOT NULL, PRIMARY KEY (series, measured_ms)) STRICT, WITHOUT ROWID""",
        """CREATE TABLE refusal (
            id INTEGER PRIMARY KEY, received_us INTEGER NOT NULL, topic TEXT NOT NULL, payload BLOB NOT NULL,
            reason TEXT NOT NULL) STRICT""",
        """CREATE TABLE entry (
            id INTEGER PRIMARY KEY, site TEXT NOT NULL, at_us INTEGER NOT NULL, received_us INTEGER NOT NULL,
            subject TEXT NOT NULL, what TEXT NOT NULL, amount REAL, text TEXT NOT NULL, author TEXT NOT NULL,
            source TEXT NOT NULL) STRICT""",
        # NULL amounts would all differ, so the index sees a word in their place
        """CREATE UNIQUE INDEX entry_content
            ON entry (site, at_us, subject, what, coalesce(amount, 'none'), text, author)""",
        """CREATE TABLE gap (
            id INTEGER PRIMARY KEY, site TEXT NOT NULL, kind TEXT NOT NULL, subject TEXT NOT NULL,
            started_us INTEGER NOT NULL, ended_us INTEGER, detail TEXT NOT NULL,
            UNIQUE (site, kind, subject, started_us)) STRICT""",
        "CREATE UNIQUE INDEX gap_open ON gap (site, kind, subject) WHERE ended_us IS NULL",
        """CREATE TABLE undated (
            turn INTEGER PRIMARY KEY, packet INTEGER NOT NULL UNIQUE, digest BLOB NOT NULL,
            received_us INTEGER NOT NULL) STRICT""",
        """CREATE TABLE concern (
            id INTEGER PRIMARY KEY, site TEXT NOT NULL, key TEXT NOT NULL, breached_us INTEGER NOT NULL,
            over_us INTEGER, body TEXT NOT NULL, UNIQUE (site, key, breached_us, over_us)) STRICT""",
        "CREATE UNIQUE INDEX concern_standing ON concern (site, key) WHERE over_us IS NULL",
        "CREATE INDEX concern_past ON concern (site, over_us) WHERE over_us IS NOT NULL",
        """CREATE TABLE message (
            id INTEGER PRIMARY KEY, key TEXT NOT NULL UNIQUE, site TEXT NOT NULL, at_us INTEGER NOT NULL,
            severity INTEGER NOT NULL, state TEXT NOT NULL, attempts INTEGER NOT NULL, due_us INTEGER NOT NULL,
            detail TEXT NOT NULL, changed_us INTEGER NOT NULL, body TEXT NOT NULL) STRICT""",
        "CREATE INDEX message_waiting ON message (severity DESC, at_us, id) WHERE state = 'waiting'",
        "CREATE INDEX message_at ON message (site, at_us)",
        """CREATE TABLE verdict (
            id INTEGER PRIMARY KEY, site TEXT NOT NULL, rule TEXT NOT NULL, subject TEXT NOT NULL,
            at_us INTEGER NOT NULL, body TEXT NOT NULL) STRICT""",
        "CREATE INDEX verdict_at ON verdict (site, at_us)",
        "CREATE TABLE fact (name TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT, WITHOUT ROWID",
        "CREATE TABLE counter (name TEXT PRIMARY KEY, count INTEGER NOT NULL) STRICT, WITHOUT ROWID",
    )


def what_is_derived(db: sqlite3.Connection) -> None:
    """Summaries by hour and day, degree-days by hour, and the hours that are still to be computed."""
    _run(
        db,
        # first_ms and last_ms of the usable readings: when they change, the hours beside must be computed again
        """CREATE TABLE hour (
            series INTEGER NOT NULL, hour INTEGER NOT NULL, count INTEGER NOT NULL, minimum REAL, minimum_ms INTEGER,
            maximum REAL, maximum_ms INTEGER, mean REAL, covered_s REAL NOT NULL, doubtful INTEGER NOT NULL,
            first_ms INTEGER, last_ms INTEGER, PRIMARY KEY (series, hour)) STRICT, WITHOUT ROWID""",
        """CREATE TABLE day (
            series INTEGER NOT NULL, day INTEGER NOT NULL, count INTEGER NOT NULL, minimum REAL NOT NULL,
            minimum_ms INTEGER NOT NULL, maximum REAL NOT NULL, maximum_ms INTEGER NOT NULL, mean REAL NOT NULL,
            PRIMARY KEY (series, day)) STRICT, WITHOUT ROWID""",
        # another threshold or probe makes another place, so that figures of two definitions never mix
        """CREATE TABLE place (
            id INTEGER PRIMARY KEY, site TEXT NOT NULL, enclosure TEXT NOT NULL, definition TEXT NOT NULL,
            active INTEGER NOT NULL, UNIQUE (site, enclosure, definition)) STRICT""",
        """CREATE TABLE tally (
            place INTEGER NOT NULL REFERENCES place, hour INTEGER NOT NULL, degree_days REAL NOT NULL,
            measured_s REAL NOT NULL, bridged_s REAL NOT NULL, missing_s REAL NOT NULL,
            PRIMARY KEY (place, hour)) STRICT, WITHOUT ROWID""",
        """CREATE TABLE touched (
            hour INTEGER NOT NULL, series INTEGER NOT NULL, PRIMARY KEY (hour, series)) STRICT, WITHOUT ROWID""",
    )
    touch_stored(db)


def what_is_to_be_shipped(db: sqlite3.Connection) -> None:
    """What changed and another database has not got yet, and what that database refused; see sqlite_shipping."""
    _run(
        db,
        """CREATE TABLE changed (
            change INTEGER PRIMARY KEY AUTOINCREMENT, kind INTEGER NOT NULL, number INTEGER NOT NULL,
            at INTEGER NOT NULL, until INTEGER) STRICT""",
        "CREATE UNIQUE INDEX changed_once ON changed (kind, number, at) WHERE kind <> 0",
        """CREATE TABLE parked (
            id INTEGER PRIMARY KEY AUTOINCREMENT, parked_us INTEGER NOT NULL, kind INTEGER NOT NULL,
            number INTEGER NOT NULL, at INTEGER NOT NULL, line TEXT NOT NULL, words TEXT NOT NULL) STRICT""",
        "CREATE INDEX parked_mark ON parked (number, at) WHERE kind = 0",
    )


MIGRATIONS: tuple[Callable[[sqlite3.Connection], None], ...] = (
    what_was_accepted,
    what_is_derived,
    what_is_to_be_shipped,
)


def touch_stored(db: sqlite3.Connection, series: int | None = None) -> None:
    """Mark every stored hour (of one series) to be computed again; floor division also before 1970."""
    where = "" if series is None else "WHERE series = ?"
    db.execute(
        f"""INSERT OR IGNORE INTO touched SELECT DISTINCT
            (measured_ms - ((measured_ms % {HOUR_MS}) + {HOUR_MS}) % {HOUR_MS}) / {HOUR_MS}, series
            FROM reading {where}""",  # noqa: S608 (constants only)
        () if series is None else (series,),
    )


def migrate(db: sqlite3.Connection, path: str) -> None:
    """Bring the file to the newest schema. Raises ValueError when it is newer than this code, or not ours."""
    check(db, path)
    db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    for version, step in enumerate(MIGRATIONS, start=1):
        if version <= _version(db):
            continue
        db.execute("BEGIN IMMEDIATE")
        try:
            db.execute("CREATE TABLE IF NOT EXISTS migration (version INTEGER PRIMARY KEY, name TEXT NOT NULL) STRICT")
            step(db)
            db.execute("INSERT INTO migration VALUES (?, ?)", (version, step.__name__))
            db.execute(f"PRAGMA user_version = {version}")
            db.execute("COMMIT")
        except BaseException:
            if db.in_transaction:
                db.execute("ROLLBACK")
            raise


def check(db: sqlite3.Connection, path: str, complete: bool = False) -> None:
    """Raise ValueError for a file that this code must not touch; `complete`: nor for one that it would have to migrate."""
    (application_id,) = db.execute("PRAGMA application_id").fetchone()
    (tables,) = db.execute("SELECT count(*) FROM sqlite_schema").fetchone()
    if tables and application_id != APPLICATION_ID:
        raise ValueError(f"{path}: an SQLite file, but not one of sensord's; name another file in [store] path")
    version = _version(db)
    if version > len(MIGRATIONS):
        raise ValueError(
            f"{path}: written by a newer sensord (schema {version}, this one knows up to {len(MIGRATIONS)}); "
            "install that version again, or restore a backup made before the upgrade"
        )
    if complete and version < len(MIGRATIONS):
        raise ValueError(f"{path}: schema {version}, needs {len(MIGRATIONS)}; start `sensord run` once to upgrade it")


def _version(db: sqlite3.Connection) -> int:
    version: int = db.execute("PRAGMA user_version").fetchone()[0]
    return version


def _run(db: sqlite3.Connection, *statements: str) -> None:
    # one by one: executescript would commit
    for statement in statements:
        db.execute(statement)


def names() -> Sequence[str]:
    """The migrations, in order."""
    return [step.__name__ for step in MIGRATIONS]
