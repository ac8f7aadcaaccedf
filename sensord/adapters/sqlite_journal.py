"""How one site's things become durable: `ports.Journal` over the connection that all sites of the store share."""

from __future__ import annotations

from datetime import datetime, timedelta
from functools import partial
from typing import NamedTuple
from zoneinfo import ZoneInfo

from sensord.adapters.sqlite_codec import digest, from_microseconds
from sensord.adapters.sqlite_concerns import VerdictLog, put_post
from sensord.adapters.sqlite_connection import Connection
from sensord.adapters.sqlite_measured import SeriesNumbers, columns_of
from sensord.adapters.sqlite_migrations import HOUR_MS
from sensord.adapters.sqlite_places import SummaryMark
from sensord.adapters.sqlite_rows import flat_rows, put_entry, put_gap, put_refusals, put_touched, put_undated
from sensord.adapters.sqlite_said import SqliteEntries
from sensord.adapters.sqlite_shipping import ShippingNotes, unshipped_ms
from sensord.adapters.sqlite_summaries import BRIDGE_MS, NEVER_PRUNED, NEXT_TOUCHED, DerivedTables
from sensord.adapters.sqlite_writer import Writer, insert_many
from sensord.model import EPOCH, FAR, Arrival, Site, milliseconds
from sensord.ports import Added, Commit, Places

ROWS_PRUNED_AT_ONCE = 20_000
VERDICTS = Commit._fields.index("verdicts")
NOT_PARKED = "NOT EXISTS (SELECT 1 FROM parked WHERE kind = 0 AND number = reading.series AND at = reading.measured_ms)"
PRUNED = "pruned_before_ms"


class KeptBounds(NamedTuple):
    """How much is kept of what would grow without end."""

    refusals: int = 1000
    payload: int = 4096  # bytes of a refused message
    verdicts: timedelta = timedelta(days=400)


class SqliteJournal:
    """One site's, for one thread; `reader` is the site's own connection, so that asking waits for no other site."""

    def __init__(
        self,
        writer: Writer,
        reader: Connection,
        site: Site,
        places: Places,
        numbers: SeriesNumbers,
        notes: ShippingNotes,
        bounds: KeptBounds,
    ) -> None:
        self._writer, self._reader, self._site, self._bounds = writer, reader, site.name, bounds
        self._numbers, self._notes = numbers, notes
        self._verdicts = VerdictLog(reader, site.name, bounds.verdicts)
        self._touched: set[SummaryMark] = set()
        self._summaries = DerivedTables(
            writer.connection.db, partial(columns_of, reader), numbers.of, site.name, ZoneInfo(site.time_zone)
        )
        self._places, self._said = places, -1
        self._follow()

    def _follow(self) -> None:
        """Count for those who are where by what was said; nothing where nothing was said since."""
        (said,) = self._reader.one("SELECT coalesce(max(id), 0) FROM entry WHERE site = ?", (self._site,)) or (0,)
        if said != self._said:
            entries = SqliteEntries(self._reader, self._site).between(EPOCH, FAR)
            with self._writer.transaction(self._forget):
                self._summaries.places.register(self._places(entries))
            self._said = said

    def _forget(self) -> None:
        """After a transaction that may not have happened."""
        self._numbers.known.clear()
        self._verdicts.forget()
        self._touched.clear()
        self._summaries.forget()

    def commit(self, commit: Commit) -> Added:
        """Make everything in it durable, all or nothing. Raises Transient when the disk is full or the file is locked."""
        commit.check_site(self._site)
        verdicts = self._verdicts.news(commit.verdicts)
        if not (verdicts or any(commit[1:VERDICTS]) or any(commit[VERDICTS + 1 :])):
            return Added(0, 0, 0)
        site, bounds = self._site, self._bounds
        with self._writer.transaction(self._forget) as db:
            flat = flat_rows(db, site, self._numbers, commit.readings)
            stored = insert_many(db, "reading", 5, flat)
            touched = put_touched(db, flat, self._touched)
            entries = sum(put_entry(db, entry) for entry in commit.entries)
            for gap in commit.gaps:
                put_gap(db, gap)
            put_undated(db, site, commit.undated)
            put_refusals(db, site, commit.refusals, bounds.refusals, bounds.payload)
            put_post(db, site, commit)
            self._verdicts.put(db, commit.at, verdicts)
            if commit.facts:
                facts = [(site, name, value) for name, value in commit.facts.items()]
                db.executemany("INSERT OR REPLACE INTO fact VALUES (?, ?, ?)", facts)
            added = Added(stored, len(commit.readings) - stored, len(commit.refusals))
            counts = dict(zip(("readings", "duplicates", "refused", "entries"), (*added, entries), strict=True))
            db.executemany(
                "INSERT INTO counter VALUES (?, ?, ?) ON CONFLICT DO UPDATE SET count = count + excluded.count",
                [(site, name, count) for name, count in counts.items() if count],
            )
        self._touched |= touched
        return added

    def first_receipt(self, arrival: Arrival) -> datetime | None:
        """When a redelivered message without a time of its own was first committed; None if it never was."""
        if not arrival.redelivered or arrival.packet is None:
            return None
        sql = "SELECT received_us FROM undated WHERE site = ? AND packet = ? AND digest = ?"
        row = self._reader.one(sql, (self._site, arrival.packet, digest(arrival)))
        return None if row is None else from_microseconds(row[0])

    def summarise(self, now: datetime) -> int:
        """Bring summaries and tallies up to date with what was committed; returns how many hours were computed."""
        self._follow()
        now_ms = milliseconds(now)
        pruned_before_ms = self._pruned_before_ms()
        computed, after = 0, (NEVER_PRUNED, 0)
        while touched := self._reader.all(NEXT_TOUCHED, (*after, now_ms // HOUR_MS, self._site)):
            with self._writer.transaction(self._forget) as db:
                hours, settled = self._summaries.compute(touched, now_ms, pruned_before_ms)
                db.executemany("DELETE FROM touched WHERE hour = ? AND series = ?", settled)
            self._touched.difference_update(settled)
            computed, after = computed + hours, touched[-1]
        self._notes.draw_together(self._reader)
        return computed

    def prune(self, before: datetime, most: int = 2**62) -> int:
        """Delete raw readings from before the hour that precedes `before`; what is derived stays. Returns how many.

        What was refused where it was shipped to stays as well. About `most` are deleted; where there are as many, call
        it again.
        """
        horizon_ms = (milliseconds(before) - BRIDGE_MS) // HOUR_MS * HOUR_MS
        self.summarise(before)
        waiting_ms = unshipped_ms(self._reader, self._site)
        if waiting_ms is not None:
            horizon_ms = min(horizon_ms, waiting_ms // HOUR_MS * HOUR_MS)
        pruned = str(max(self._pruned_before_ms(), horizon_ms))
        with self._writer.transaction(self._forget) as db:
            db.execute("INSERT OR REPLACE INTO fact VALUES (?, ?, ?)", (self._site, PRUNED, pruned))
        deleted = 0
        for (series,) in self._reader.all("SELECT id FROM series WHERE site = ?", (self._site,)):
            deleted += self._prune_series(series, horizon_ms, most - deleted)
            if deleted >= most:
                break
        return deleted

    def _pruned_before_ms(self) -> int:
        row = self._reader.one("SELECT value FROM fact WHERE site = ? AND name = ?", (self._site, PRUNED))
        return int(row[0]) if row else NEVER_PRUNED

    def _prune_series(self, series: int, horizon_ms: int, most: int) -> int:
        deleted = 0
        while deleted < most:
            with self._writer.transaction(self._forget) as db:
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

    def close(self) -> None:
        """Close the site's own connection; the store goes on for the others."""
        if self._reader is not self._writer.connection:
            self._reader.close()
