"""What `sensord check` finds about sizes and about the InfluxDB of the configuration."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from sensord.commands._finding import Finding
from sensord.language.terminal import say

if TYPE_CHECKING:
    from sensord.commands._house import OneGarden

BYTES_PER_READING = 23.0
"""A raw reading in the SQLite file, as tests/bench/bench_store.py measures it."""
BYTES_PER_HOUR = 180.0
"""Summaries of a series for one hour, with its share of days and degree-days; from the same measurement."""
INFLUX_BYTES_PER_READING = 8.0
"""The same reading in InfluxDB once it is compacted; measured with 1.6: 5 to 8."""


def expected(built: OneGarden) -> Finding:
    """How large the store becomes."""
    a_day = sum(86_400 / p.interval_s * len(p.quantities) for p in built.garden.probes)
    hourly_mb = sum(len(p.quantities) for p in built.garden.probes) * 24 * 365 * BYTES_PER_HOUR / 1e6
    influx = built.settings.influx
    raw_mb = a_day * BYTES_PER_READING / 1e6
    sizes = {"readings": f"{a_day:,.0f}", "raw": f"{raw_mb:.1f}", "summaries": f"{hourly_mb:.0f}"}
    if not influx.url:
        return Finding("size", True, say("check.size_all", **sizes, all=f"{raw_mb * 365 + hourly_mb:.0f}"))
    kept = influx.raw_days_kept
    there_mb = a_day * INFLUX_BYTES_PER_READING * 365 / 1e6
    here, there = f"{raw_mb * kept:.0f}", f"{there_mb:.0f}"
    return Finding("size", True, say("check.size_shipped", **sizes, days=kept, here=here, there=there))


def shipping(built: OneGarden, path: Path) -> list[Finding]:
    """Whether InfluxDB takes what is sent, what waits, and what it refused."""
    influx = built.settings.influx
    if not influx.url:
        return []
    if not path.exists():
        return [Finding("influxdb", True, say("check.nothing_to_ship", where=influx.url))]
    return [_trial(built, path), *_waiting(built, path)]


def _trial(built: OneGarden, path: Path) -> Finding:
    """Send one reading again."""
    from sensord.adapters.influx import try_out
    from sensord.adapters.sqlite_unshipped import SqliteTail
    from sensord.commands._build import enclosures_of, per_of
    from sensord.ports import Transient

    influx = built.settings.influx
    where = say("check.bucket", url=influx.url, bucket=influx.bucket)
    try:
        sent = try_out(SqliteTail.open(path), influx, enclosures_of([built]), per_of([built]))
    except ModuleNotFoundError:
        return Finding("influxdb", False, say("commands.review.no_library"))
    except (Transient, ValueError) as error:
        return Finding("influxdb", False, say("check.failed", where=where, why=str(error)))
    if not sent:
        return Finding("influxdb", True, say("check.nothing_to_ship", where=where))
    open_air = bool(influx.token.get_secret_value() and influx.url.startswith("http:") and "//127." not in influx.url)
    return Finding("influxdb", True, say("check.took", where=where, open=open_air))


def _waiting(built: OneGarden, path: Path) -> list[Finding]:
    from sensord.adapters.sqlite import SqliteStore
    from sensord.adapters.sqlite_unshipped import backlog, parked
    from sensord.commands._house import local_text
    from sensord.rules.shipping import Thresholds

    reader = SqliteStore.reader(path)
    try:
        waiting, refused = backlog(reader.connection), parked(reader.connection, 3)
        trouble = reader.of(built.garden.site.name).facts.recall("shipping trouble")
    finally:
        reader.close()
    found: list[Finding] = []
    behind = datetime.now(UTC) - waiting.oldest if waiting.oldest is not None else timedelta(0)
    text = say(
        "check.waiting",
        count=waiting.changes,
        behind=None if waiting.oldest is None else _duration(behind),
        delivered=None if waiting.settled_at is None else local_text(built, waiting.settled_at),
        trouble=trouble or None,
    )
    patience = built.garden.parameters["shipping", ""]
    assert isinstance(patience, Thresholds)
    found.append(Finding("shipping", behind <= timedelta(hours=patience.behind_h) and not trouble, text))
    for at, line, words in refused:
        text = say("check.refused_line", line=line, at=local_text(built, at), why=words)
        found.append(Finding("refused_there", False, text))
    return found


def _duration(span: timedelta) -> str:
    hours = span / timedelta(hours=1)
    if hours >= 48:
        return say("check.days", days=f"{hours / 24:.1f}")
    return say("check.hours", hours=f"{hours:.1f}") if hours >= 1 else say("check.minutes", minutes=f"{hours * 60:.0f}")
