"""The tables of the store and how an older file becomes a newer one.

A migration is a named function. Each runs in a transaction of its own together with its record, so a power cut between
two of them leaves a file that the next start carries on with. Never change one that was released; add another.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Sequence

from sensord.adapters.sqlite_connection import copy_whole

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


def what_belongs_to_a_site(db: sqlite3.Connection) -> None:
    """Facts, counters, refusals, what was undated and the keys of messages are each site's own; before, a file had one."""
    site = _only_site(db)
    # what hangs on a table goes with it
    triggers = db.execute("SELECT sql FROM sqlite_schema WHERE type = 'trigger' AND tbl_name = 'message'").fetchall()
    _run(
        db,
        """CREATE TABLE fact_of_site (
            site TEXT NOT NULL, name TEXT NOT NULL, value TEXT NOT NULL,
            PRIMARY KEY (site, name)) STRICT, WITHOUT ROWID""",
        """CREATE TABLE counter_of_site (
            site TEXT NOT NULL, name TEXT NOT NULL, count INTEGER NOT NULL,
            PRIMARY KEY (site, name)) STRICT, WITHOUT ROWID""",
        # bounded by itself: MQTT numbers packets from 1 to 65,535, again and again
        """CREATE TABLE undated_of_site (
            site TEXT NOT NULL, packet INTEGER NOT NULL, digest BLOB NOT NULL, received_us INTEGER NOT NULL,
            PRIMARY KEY (site, packet)) STRICT, WITHOUT ROWID""",
        """CREATE TABLE refusal_of_site (
            id INTEGER PRIMARY KEY, site TEXT NOT NULL, received_us INTEGER NOT NULL, topic TEXT NOT NULL,
            payload BLOB NOT NULL, reason TEXT NOT NULL) STRICT""",
        """CREATE TABLE message_of_site (
            id INTEGER PRIMARY KEY, key TEXT NOT NULL, site TEXT NOT NULL, at_us INTEGER NOT NULL,
            severity INTEGER NOT NULL, state TEXT NOT NULL, attempts INTEGER NOT NULL, due_us INTEGER NOT NULL,
            detail TEXT NOT NULL, changed_us INTEGER NOT NULL, body TEXT NOT NULL, UNIQUE (site, key)) STRICT""",
        "INSERT INTO message_of_site SELECT * FROM message",
    )
    # what is shipped is the whole store's, hence of no site
    db.execute(
        "INSERT INTO fact_of_site SELECT CASE WHEN name IN ('ships to', 'shipped at') THEN '' ELSE ? END, name, value"
        " FROM fact",
        (site,),
    )
    db.execute("INSERT INTO counter_of_site SELECT ?, name, count FROM counter", (site,))
    db.execute("INSERT INTO undated_of_site SELECT ?, packet, digest, received_us FROM undated", (site,))
    db.execute("INSERT INTO refusal_of_site SELECT id, ?, received_us, topic, payload, reason FROM refusal", (site,))
    for table in ("fact", "counter", "undated", "refusal", "message"):
        _run(db, f"DROP TABLE {table}", f"ALTER TABLE {table}_of_site RENAME TO {table}")
    _run(
        db,
        "CREATE INDEX refusal_at ON refusal (site, id)",
        "CREATE INDEX message_waiting ON message (site, severity DESC, at_us, id) WHERE state = 'waiting'",
        "CREATE INDEX message_at ON message (site, at_us)",
        "CREATE INDEX verdict_last ON verdict (site, rule, subject, id)",
        *(sql for (sql,) in triggers),
    )


def _only_site(db: sqlite3.Connection) -> str:
    """The site that a file belongs to which was made for one; of several, what was heard of last."""
    row = db.execute(
        "SELECT site FROM (SELECT site, max(at_us) AS at FROM message GROUP BY site"
        " UNION ALL SELECT site, max(at_us) FROM entry GROUP BY site"
        " UNION ALL SELECT site, max(started_us) FROM gap GROUP BY site"
        " UNION ALL SELECT site, max(at_us) FROM verdict GROUP BY site"
        " UNION ALL SELECT site, -1 FROM series) ORDER BY at DESC LIMIT 1"
    ).fetchone()
    return str(row[0]) if row else ""


MIGRATIONS: tuple[Callable[[sqlite3.Connection], None], ...] = (
    what_was_accepted,
    what_is_derived,
    what_is_to_be_shipped,
    what_belongs_to_a_site,
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
    """Bring the file to the newest schema; what it was before is kept whole beside it first, named by its schema.

    Raises ValueError when the file is newer than this code, or not ours, and what SQLite raises where there is no room:
    then the file is as it was.
    """
    check(db, path)
    before = _version(db)
    if 0 < before < len(MIGRATIONS):
        copy_whole(db, backup_path(path, before))
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


def backup_path(path: str, version: int) -> str:
    """Where the file is kept as it was before a migration."""
    return f"{path}.schema-{version}"


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
