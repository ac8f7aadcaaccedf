"""What came from outside, as rows: readings, refusals, entries, gaps, and what took its receipt as its time."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from typing import Any

from sensord.adapters.sqlite_codec import SCALE, digest, maybe_microseconds, microseconds
from sensord.adapters.sqlite_measured import SeriesNumbers
from sensord.adapters.sqlite_migrations import HOUR_MS
from sensord.adapters.sqlite_places import SummaryMark
from sensord.adapters.sqlite_writer import insert_many
from sensord.model import LARGEST_STEPS, Arrival, Entry, Gap, Quantity, Reading, Refusal, milliseconds

DAY_MS, DAY_US = 86_400_000, 86_400_000_000

LONGEST_TEXT = 1000
"""Characters kept of a refused message's topic and of the reason."""


def flat_rows(
    db: sqlite3.Connection, site: str, numbers: SeriesNumbers, readings: Sequence[Reading]
) -> list[int | float]:
    """Rows of the table `reading`, end to end. The busiest loop of the store, hence written out."""
    flat: list[int | float] = []
    if not readings:
        return flat
    known = numbers.known
    # differences within a day are small numbers, and much quicker than those since 1970
    base = readings[0].measured_at.replace(microsecond=0)
    measured_ms = base_ms = milliseconds(base)
    last_at = base
    for of, probe, quantity, measured_at, received_at, value, doubts in readings:
        if of != site:
            raise ValueError(f"{site}: a reading of {of} does not belong here")
        series, scale = known.get((probe, quantity)) or _new_number(db, site, numbers, probe, quantity)
        if measured_at is not last_at:  # readings of one message share their time
            since, last_at = measured_at - base, measured_at
            measured_ms = base_ms + since.seconds * 1000 + since.microseconds // 1000 + since.days * DAY_MS
        if measured_at is received_at:
            delay_ms = 0
        else:
            delay = received_at - measured_at
            delay_ms = delay.seconds * 1000 + delay.microseconds // 1000 + delay.days * DAY_MS
        steps = value * scale
        stored = round(steps) if -LARGEST_STEPS < steps < LARGEST_STEPS else float(value)
        flat += (series, measured_ms, stored, int(doubts), delay_ms)
    return flat


def _new_number(
    db: sqlite3.Connection, site: str, numbers: SeriesNumbers, probe: str, quantity: Quantity
) -> tuple[int, float]:
    """Of a series that this process has not written yet; within the transaction, so asked of the writing connection."""
    key = (site, probe, Quantity(quantity))
    db.execute("INSERT OR IGNORE INTO series (site, probe, quantity) VALUES (?, ?, ?)", key)
    (number,) = db.execute("SELECT id FROM series WHERE site = ? AND probe = ? AND quantity = ?", key).fetchone()
    numbers.known[probe, quantity] = (number, SCALE[quantity])
    return numbers.known[probe, quantity]


def put_touched(db: sqlite3.Connection, flat: Sequence[Any], known: set[SummaryMark]) -> set[SummaryMark]:
    """Note the hours of these readings, but for those that are known to be noted; returns what is new."""
    touched = {(ms // HOUR_MS, series) for series, ms in zip(flat[::5], flat[1::5], strict=True)} - known
    insert_many(db, "touched", 2, [number for mark in touched for number in mark])
    return touched


def put_undated(db: sqlite3.Connection, site: str, arrivals: Sequence[Arrival]) -> None:
    """Remember by packet what had no time of its own: the newest of each packet identifier, of which MQTT has 65,535."""
    flat: list[object] = []
    if not arrivals:
        return
    base = arrivals[0].received_at  # as in `flat_rows`
    base_us = microseconds(base)
    for a in arrivals:
        if a.packet is not None:
            since = a.received_at - base
            received_us = base_us + since.microseconds + since.seconds * 1_000_000 + since.days * DAY_US
            flat += (site, a.packet, digest(a), received_us)
    insert_many(db, "undated", 4, flat, or_else="REPLACE")


def put_refusals(
    db: sqlite3.Connection, site: str, refusals: Sequence[Refusal], refusals_kept: int, payload_kept: int
) -> None:
    """Keep the newest of the site, their payloads cut."""
    if not refusals:
        return
    db.executemany(
        "INSERT INTO refusal (site, received_us, topic, payload, reason) VALUES (?, ?, ?, ?, ?)",
        [
            (site, microseconds(r.received_at), _text(r.topic), r.payload[:payload_kept], _text(r.reason))
            for r in refusals[-refusals_kept:]
        ],
    )
    db.execute(
        "DELETE FROM refusal WHERE site = ?1 AND id <="
        " (SELECT id FROM refusal WHERE site = ?1 ORDER BY id DESC LIMIT 1 OFFSET ?2)",
        (site, refusals_kept),
    )


def put_entry(db: sqlite3.Connection, entry: Entry) -> int:
    """Add an entry unless it was said already; returns how many are new."""
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


def put_gap(db: sqlite3.Connection, gap: Gap) -> None:
    """A gap known already is given its end; a second open one of the same kind and subject is the first one still."""
    db.execute(
        "INSERT INTO gap (site, kind, subject, started_us, ended_us, detail) VALUES (?, ?, ?, ?, ?, ?)"
        " ON CONFLICT (site, kind, subject, started_us)"
        " DO UPDATE SET ended_us = coalesce(ended_us, excluded.ended_us), detail = excluded.detail"
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
