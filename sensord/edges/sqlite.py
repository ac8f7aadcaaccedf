"""The store: SQLite, where a reading becomes durable.

One connection in one thread writes; every method that writes is one transaction, on the disk before it returns (WAL,
synchronous=FULL). Other threads and processes read through `SqliteStore.reader`, and hold nothing up.

A reading is one row: its series as a small number, its time in milliseconds, its value in whole steps
(`sqlite_codec.SCALE`), its doubts, and how long after the measurement it was received. Its identity is series and time:
the first value wins, repeats are counted. It takes 26 bytes, with all that is derived
(measured: twelve series, one reading a minute). Columns of the newest readings are kept in memory (`sqlite_tail`), because
rules look at them on every turn. A receipt comes back to the millisecond, or to one less.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from sensord.edges.sqlite_codec import (
    digest,
    maybe_microseconds,
    microseconds,
)
from sensord.edges.sqlite_migrations import HOUR_MS
from sensord.edges.sqlite_reads import SqliteReader, ceil_ms
from sensord.edges.sqlite_shipping import ShippingWriter
from sensord.edges.sqlite_summaries import BRIDGE_MS, NEVER_PRUNED, Mark, Place, Summaries
from sensord.edges.sqlite_tail import Tail
from sensord.edges.sqlite_writer import insert_many
from sensord.model import EPOCH, LARGEST_STEPS, Arrival, Entry, Gap, Quantity, Reading, Refusal, Site, milliseconds
from sensord.ports import Added, Batch, Commit, Series

__all__ = ["Place", "SqliteReader", "SqliteStore"]

DAY_MS = 86_400_000

LONGEST_TEXT = 1000
"""Characters kept of a refused message's topic and of the reason."""

ROWS_PRUNED_AT_ONCE = 20_000
NOT_PARKED = "NOT EXISTS (SELECT 1 FROM parked WHERE kind = 0 AND number = reading.series AND at = reading.measured_ms)"


class SqliteStore(ShippingWriter):
    """`ports.Store` in one SQLite file, for one site.

    Args:
        path: the file, made where it is missing; its directory must exist. ":memory:" for a store that nobody keeps.
        site: whose local days the daily summaries follow; of another site's series they follow UTC.
        places: whose degree-days are counted.
        durable: False flushes nothing to the disk: for a replay into a file that nobody will miss.
        busy_s: how long to wait for another process that holds the file.
        refusals_kept, payload_kept: how many refused messages, and bytes of each, are kept for inspection.
        undated_kept: how many messages without a time of their own are remembered; never fewer than the broker may
            leave unacknowledged.
        verdicts_kept: how long changes of verdict are kept.
        ships_to: the other database that is to get everything, by a name of its own; "" where there is none.

    Raises:
        ValueError: the file is no store, is of a newer sensord, or another process writes to it.
        Transient: the file can't be opened at the moment.
    """

    def __init__(
        self,
        path: str | Path,
        site: Site,
        places: Sequence[Place] = (),
        *,
        durable: bool = True,
        busy_s: float = 5.0,
        refusals_kept: int = 1000,
        payload_kept: int = 4096,
        undated_kept: int = 65_535,
        verdicts_kept: timedelta = timedelta(days=400),
        ships_to: str = "",
    ) -> None:
        super().__init__(path, site.name, durable, busy_s, verdicts_kept)
        self._refusals_kept = refusals_kept
        self._payload_kept = payload_kept
        self._undated_kept = undated_kept
        self._tail = Tail()
        self._touched: set[Mark] = set()
        self._summaries = Summaries(self._db, self._columns, self._number, site.name, ZoneInfo(site.time_zone))
        try:
            self._ship_to(ships_to)
            with self._transaction():
                self._summaries.register(places)
        except BaseException:
            self.close()
            raise

    @staticmethod
    def reader(path: str | Path, busy_s: float = 5.0) -> SqliteReader:
        """A read-only connection for another thread or process."""
        return SqliteReader(path, busy_s)

    def _forget(self) -> None:
        super()._forget()
        self._tail.clear()
        self._touched.clear()
        self._summaries.forget()

    # --- taking in

    def add(self, batch: Batch) -> Added:
        """Make the batch durable, all or nothing. Raises Transient when the disk is full or the file is locked."""
        return self.commit(Commit(EPOCH, *batch))

    def commit(self, commit: Commit) -> Added:
        """Make everything in it durable, all or nothing. Raises Transient when the disk is full or the file is locked."""
        changed = self._changed(commit.verdicts)
        if not (changed or any(commit._replace(verdicts=())[1:])):
            return Added(0, 0, 0)
        with self._transaction() as db:
            flat = self._flat(commit.readings)
            stored = insert_many(db, "reading", 5, flat)
            touched = self._touch(db, flat)
            entries = sum(_put_entry(db, entry) for entry in commit.entries)
            for gap in commit.gaps:
                _put_gap(db, gap)
            self._put_undated(db, commit.undated)
            self._put_refusals(db, commit.refusals)
            self._put_post(db, commit, changed)
            db.executemany("INSERT OR REPLACE INTO fact VALUES (?, ?)", commit.facts.items())
            added = Added(stored, len(commit.readings) - stored, len(commit.refusals))
            if any(added) or entries:
                db.execute(
                    "INSERT INTO counter VALUES ('readings', ?), ('duplicates', ?), ('refused', ?), ('entries', ?)"
                    " ON CONFLICT DO UPDATE SET count = count + excluded.count",
                    (*added, entries),
                )
        self._touched |= touched
        self._tail.put(zip(*[iter(flat)] * 5, strict=True), dict(self._series.values()))
        return added

    def _flat(self, readings: Sequence[Reading]) -> list[int | float]:
        """Rows of the table `reading`, end to end. The busiest loop of the store, hence written out."""
        flat: list[int | float] = []
        if not readings:
            return flat
        known = self._series
        # differences within a day are small numbers, and much quicker than those since 1970
        base = readings[0].measured_at.replace(microsecond=0)
        base_ms = milliseconds(base)
        for site, probe, quantity, measured_at, received_at, value, doubts in readings:
            series, scale = known.get((site, probe, quantity)) or self._new_number(site, probe, quantity)
            since, delay = measured_at - base, received_at - measured_at
            measured_ms = base_ms + since.seconds * 1000 + since.microseconds // 1000 + since.days * DAY_MS
            delay_ms = delay.seconds * 1000 + delay.microseconds // 1000 + delay.days * DAY_MS
            steps = value * scale
            stored = round(steps) if -LARGEST_STEPS < steps < LARGEST_STEPS else float(value)
            flat += (series, measured_ms, stored, int(doubts), delay_ms)
        return flat

    def _new_number(self, site: str, probe: str, quantity: Quantity) -> tuple[int, float]:
        if self._number(site, probe, quantity) is None:
            self._db.execute(
                "INSERT INTO series (site, probe, quantity) VALUES (?, ?, ?)", (site, probe, Quantity(quantity))
            )
        number = self._number(site, probe, quantity)
        assert number is not None
        return number

    def _touch(self, db: sqlite3.Connection, flat: Sequence[Any]) -> set[Mark]:
        touched = {(ms // HOUR_MS, series) for series, ms in zip(flat[::5], flat[1::5], strict=True)} - self._touched
        insert_many(db, "touched", 2, [number for mark in touched for number in mark])
        return touched

    def _put_undated(self, db: sqlite3.Connection, arrivals: Sequence[Arrival]) -> None:
        rows = [(a.packet, digest(a), microseconds(a.received_at)) for a in arrivals if a.packet is not None]
        if not rows:
            return
        db.executemany("INSERT OR REPLACE INTO undated (packet, digest, received_us) VALUES (?, ?, ?)", rows)
        db.execute("DELETE FROM undated WHERE turn <= (SELECT max(turn) FROM undated) - ?", (self._undated_kept,))

    def _put_refusals(self, db: sqlite3.Connection, refusals: Sequence[Refusal]) -> None:
        if not refusals:
            return
        db.executemany(
            "INSERT INTO refusal (received_us, topic, payload, reason) VALUES (?, ?, ?, ?)",
            [
                (
                    microseconds(r.received_at),
                    _text(r.topic),
                    r.payload[: self._payload_kept],
                    _text(r.reason),
                )
                for r in refusals[-self._refusals_kept :]
            ],
        )
        db.execute("DELETE FROM refusal WHERE id <= (SELECT max(id) FROM refusal) - ?", (self._refusals_kept,))

    def close_gap(self, gap: Gap) -> None:
        """Give the open gap of this kind and subject its end; nothing happens where none is open."""
        if gap.ended_at is None:
            raise ValueError(f"the gap of {gap.subject or gap.site} has no end to give")
        with self._transaction() as db:
            db.execute(
                "UPDATE gap SET ended_us = ? WHERE site = ? AND kind = ? AND subject = ? AND ended_us IS NULL",
                (microseconds(gap.ended_at), gap.site, gap.kind.value, gap.subject),
            )

    # --- the newest readings, from memory

    def readings(self, site: str, probe: str, quantity: Quantity, start: datetime, end: datetime) -> Series:
        """Stored readings with start <= measured_at < end, ascending."""
        number = self._number(site, probe, quantity)
        if number is None:
            return Series([], [], [])
        return self._columns(*number, ceil_ms(start), ceil_ms(end), adopt=True)

    def _columns(self, series: int, scale: float, start_ms: int, end_ms: int, adopt: bool = False) -> Series:
        found = self._tail.between(series, start_ms / 1000, end_ms / 1000)
        if found is not None:
            return found
        if adopt and self._tail.has_room(series) and self._few_since(series, start_ms):
            self._tail.adopt(series, start_ms / 1000, super()._columns(series, scale, start_ms, 2**62))
            return self._columns(series, scale, start_ms, end_ms)
        return super()._columns(series, scale, start_ms, end_ms)

    def _few_since(self, series: int, start_ms: int) -> bool:
        (rows,) = self._one(
            "SELECT count(*) FROM (SELECT 1 FROM reading WHERE series = ? AND measured_ms >= ? LIMIT ?)",
            (series, start_ms, self._tail.longest + 1),
        )
        return bool(rows <= self._tail.longest)

    # --- what is derived

    def summarise(self, now: datetime) -> int:
        """Bring summaries and tallies up to date with what was added; returns how many hours were computed."""
        now_ms = milliseconds(now)
        pruned_before_ms = int(self.recall("pruned_before_ms") or NEVER_PRUNED)
        computed, after = 0, (NEVER_PRUNED, 0)
        while touched := self._summaries.next_touched(after, now_ms):
            with self._transaction() as db:
                hours, settled = self._summaries.compute(touched, now_ms, pruned_before_ms)
                db.executemany("DELETE FROM touched WHERE hour = ? AND series = ?", settled)
            self._touched.difference_update(settled)
            computed, after = computed + hours, touched[-1]
        self._draw_together()
        return computed

    def prune(self, before: datetime, most: int = 2**62) -> int:
        """Delete raw readings from before the hour that precedes `before`; what is derived stays. Returns how many.

        The hour is kept because the next still rests on it. What comes later for hours that were over at `before` is
        stored, and no longer counts towards summaries. What is still to be shipped, or was refused where it was shipped
        to, stays as well. About `most` are deleted; where there are as many, call it again.
        """
        horizon_ms = (milliseconds(before) - BRIDGE_MS) // HOUR_MS * HOUR_MS
        self.summarise(before)
        unshipped_ms = self._unshipped_ms()
        if unshipped_ms is not None:
            horizon_ms = min(horizon_ms, unshipped_ms // HOUR_MS * HOUR_MS)
        with self._transaction() as db:
            old = int(self.recall("pruned_before_ms") or NEVER_PRUNED)
            db.execute("INSERT OR REPLACE INTO fact VALUES ('pruned_before_ms', ?)", (str(max(old, horizon_ms)),))
        deleted = 0
        for (series,) in self._all("SELECT id FROM series"):
            deleted += self._prune_series(series, horizon_ms, most - deleted)
            if deleted >= most:
                break
        self._tail.clear()
        return deleted

    def _prune_series(self, series: int, horizon_ms: int, most: int) -> int:
        deleted = 0
        while deleted < most:
            with self._transaction() as db:
                rows = db.execute(
                    "DELETE FROM reading WHERE series = ? AND measured_ms < ? AND measured_ms <= (SELECT max(measured_ms)"  # noqa: S608
                    f" FROM (SELECT measured_ms FROM reading WHERE series = ? AND {NOT_PARKED} ORDER BY measured_ms LIMIT ?))"
                    f" AND {NOT_PARKED}",
                    (series, horizon_ms, series, min(ROWS_PRUNED_AT_ONCE, most - deleted)),
                ).rowcount
            if not rows:
                break
            deleted += rows
        return deleted


def _put_entry(db: sqlite3.Connection, entry: Entry) -> int:
    return db.execute(
        "INSERT OR IGNORE INTO entry (site, at_us, received_us, subject, what, amount, text, author, source)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (
            entry.site,
            microseconds(entry.at),
            microseconds(entry.received_at),
            entry.subject,
            entry.what.value,
            entry.amount,
            entry.text,
            entry.author,
            entry.source,
        ),
    ).rowcount


def _put_gap(db: sqlite3.Connection, gap: Gap) -> None:
    """A gap known already is given its end; a second open one of the same kind and subject is the first one still."""
    db.execute(
        "INSERT INTO gap (site, kind, subject, started_us, ended_us, detail) VALUES (?, ?, ?, ?, ?, ?)"
        " ON CONFLICT (site, kind, subject, started_us)"
        " DO UPDATE SET ended_us = coalesce(excluded.ended_us, ended_us), detail = excluded.detail"
        " ON CONFLICT DO NOTHING",
        (
            gap.site,
            gap.kind.value,
            gap.subject,
            microseconds(gap.started_at),
            maybe_microseconds(gap.ended_at),
            gap.detail,
        ),
    )


def _text(text: str) -> str:
    return text[:LONGEST_TEXT].encode("utf-8", "backslashreplace").decode()
