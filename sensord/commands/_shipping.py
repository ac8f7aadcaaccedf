"""What `sensord check` finds about sizes and about the InfluxDB of the configuration."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sensord.commands._house import OneGarden

BYTES_PER_READING = 23.0
"""A raw reading in the SQLite file, as tests/bench/bench_store.py measures it."""
BYTES_PER_HOUR = 180.0
"""Summaries of a series for one hour, with its share of days and degree-days; from the same measurement."""
INFLUX_BYTES_PER_READING = 8.0
"""The same reading in InfluxDB once it is compacted; measured with 1.6: 5 to 8."""

Finding = tuple[str, bool | None, str]


def expected(built: OneGarden) -> Finding:
    """How large the store becomes."""
    a_day = sum(86_400 / p.interval_s * len(p.quantities) for p in built.garden.probes)
    hourly_mb = sum(len(p.quantities) for p in built.garden.probes) * 24 * 365 * BYTES_PER_HOUR / 1e6
    influx = built.settings.influx
    raw_mb = a_day * BYTES_PER_READING / 1e6
    text = f"{a_day:,.0f} readings a day are expected, {raw_mb:.1f} MB; summaries {hourly_mb:.0f} MB a year"
    if not influx.url:
        return ("size", True, f"{text}; all are kept: {raw_mb * 365 + hourly_mb:.0f} MB a year")
    kept = influx.raw_days_kept
    there_mb = a_day * INFLUX_BYTES_PER_READING * 365 / 1e6
    return (
        "size",
        True,
        f"{text}; raw ones are kept for {kept} days here: {raw_mb * kept:.0f} MB; InfluxDB grows by about"
        f" {there_mb:.0f} MB a year",
    )


def shipping(built: OneGarden, path: Path) -> list[Finding]:
    """Whether InfluxDB takes what is sent, what waits, and what it refused."""
    influx = built.settings.influx
    if not influx.url:
        return []
    if not path.exists():
        return [("influxdb", True, f"{influx.url}: there is nothing to ship yet")]
    return [_trial(built, path), *_waiting(built, path)]


def _trial(built: OneGarden, path: Path) -> Finding:
    """Send one reading again."""
    from sensord.commands._build import enclosures_of, per_of
    from sensord.edges.influx import try_out
    from sensord.edges.sqlite_unshipped import SqliteTail
    from sensord.ports import Transient

    influx = built.settings.influx
    where = f"{influx.url}, bucket {influx.bucket}"
    try:
        sent = try_out(SqliteTail.open(path), influx, enclosures_of([built]), per_of([built]))
    except ModuleNotFoundError:
        return ("influxdb", False, "the library is not there: pip install 'sensord[influx]' brings it")
    except (Transient, ValueError) as error:
        return ("influxdb", False, f"{where}: {error}")
    if not sent:
        return ("influxdb", True, f"{where}: there is nothing to ship yet")
    open_air = influx.token.get_secret_value() and influx.url.startswith("http:") and "//127." not in influx.url
    return (
        "influxdb",
        True,
        f"{where}: took a reading" + ("; the token went there unencrypted, https would hide it" if open_air else ""),
    )


def _waiting(built: OneGarden, path: Path) -> list[Finding]:
    from sensord.commands._house import counted, local_text
    from sensord.edges.sqlite import SqliteStore
    from sensord.edges.sqlite_unshipped import backlog, parked
    from sensord.rules.shipping import Thresholds

    reader = SqliteStore.reader(path)
    try:
        waiting, refused = backlog(reader.connection), parked(reader.connection, 3)
        trouble = reader.of(built.garden.site.name).facts.recall("shipping trouble")
    finally:
        reader.close()
    found: list[Finding] = []
    text = f"{counted(waiting.changes, 'change')} {'waits' if waiting.changes == 1 else 'wait'} to be shipped"
    behind = timedelta(0)
    if waiting.oldest is not None:
        behind = datetime.now(UTC) - waiting.oldest
        text += f", the oldest reading for {_duration(behind)}"
    if waiting.settled_at is not None:
        text += f"; last delivered {local_text(built, waiting.settled_at)}"
    if trouble:
        text += f"; {trouble}"
    patience = built.garden.parameters["shipping", ""]
    assert isinstance(patience, Thresholds)
    found.append(("shipping", behind <= timedelta(hours=patience.behind_h) and not trouble, text))
    for at, line, words in refused:
        found.append(("refused by InfluxDB", False, f"{line} at {local_text(built, at)}: {words}"))
    return found


def _duration(span: timedelta) -> str:
    hours = span / timedelta(hours=1)
    return f"{hours / 24:.1f} days" if hours >= 48 else f"{hours:.1f} h" if hours >= 1 else f"{hours * 60:.0f} min"
