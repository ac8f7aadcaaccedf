"""Reads back from InfluxDB what was shipped there, of one site or of many, by InfluxQL at /query (InfluxDB 1, 2 and 3).

The reading half of `ports.Store`, as far as a remote store can answer. It differs from the store on the Pi in this:

    it is behind by what is still to be shipped
    a value that is not a finite number comes back as not a number, whichever it was
    an hour of degree-days that a change of thresholds or probes has left without figures keeps its old ones
    concerns come back with their times and severities, entries without text and author; of entries of one kind about
    one subject at the same millisecond there is one; what never opened is not there
    verdicts, refusals, gaps, messages and counters are not there

Source: InfluxData, InfluxDB v1 documentation, "InfluxQL reference" and "/query HTTP endpoint".
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping
from datetime import date, datetime
from typing import Any

from sensord.edges.influx_lines import DAY_MS, EARLIEST_MS, LATEST_MS, UNIX_EPOCH_ORDINAL
from sensord.edges.sqlite_reads import ceil_ms
from sensord.model import (
    Concern,
    Entry,
    Quantity,
    Reading,
    Severity,
    Standing,
    State,
    Verdict,
    What,
    instant,
)
from sensord.ports import Day, Hour, Series, TallyHour, Transient
from sensord.settings import InfluxSettings

ROWS_AT_ONCE = 10_000
MOST_ROWS = 5_000_000
"""Rows of one answer, page after page: more is a mistake in the question."""
LARGEST_PAGE_BYTES = 64 * 2**20

Row = dict[str, Any]


class InfluxStore:
    """What was shipped to the bucket that [influx] names. Raises Transient when the server can't be asked."""

    def __init__(self, settings: InfluxSettings) -> None:
        import urllib3

        self._address = f"{settings.url}/query"
        self._database = settings.database or settings.bucket
        token = settings.token.get_secret_value()
        self._headers = {"Accept": "application/json"} | ({"Authorization": f"Token {token}"} if token else {})
        self._pool = urllib3.PoolManager(
            num_pools=1,
            timeout=urllib3.Timeout(total=settings.timeout_s),
            retries=False,
            cert_reqs="CERT_REQUIRED",
            ca_certs=settings.ca_file or None,
        )

    def close(self) -> None:
        """Close the connections."""
        self._pool.clear()

    # --- which there are

    def sites(self) -> list[str]:
        """Every site that has shipped here."""
        return self._values("site", {})

    def probes(self, site: str) -> list[str]:
        """Every probe of a site that has shipped."""
        return self._values("probe", {"site": site})

    def enclosures(self, site: str) -> list[str]:
        """Every enclosure of a site whose degree-days were shipped."""
        return self._values("enclosure", {"site": site}, "tally")

    def _values(self, tag: str, tags: Mapping[str, str], measurement: str = "hour") -> list[str]:
        where = f" WHERE {_equal(tags)}" if tags else ""
        (result,) = self._ask(f'SHOW TAG VALUES FROM "{measurement}" WITH KEY = "{tag}"{where}')
        return sorted({row[1] for series in result.get("series", ()) for row in series["values"]})

    # --- readings and what is derived from them

    def readings(self, site: str, probe: str, quantity: Quantity, start: datetime, end: datetime) -> Series:
        """Readings with start <= measured_at < end, ascending."""
        times, values, doubts = [], [], []
        for row in self._rows("reading", ("value", "doubts"), _series(site, probe, quantity), *_span(start, end)):
            times.append(row["time"] / 1000)
            values.append(_number(row["value"]))
            doubts.append(int(row["doubts"]))
        return Series(times, values, doubts)

    def latest(self, site: str, probe: str, quantity: Quantity, before: datetime | None = None) -> Reading | None:
        """The newest reading by measured_at (measured before `before`)."""
        until = "" if before is None else f" AND time < {ceil_ms(before)}ms"
        fields = ("value", "doubts", "delay_s")
        query = _select("reading", fields, _series(site, probe, quantity), f"{until} ORDER BY time DESC LIMIT 1")
        for row in self._answer(query):
            delay_ms = round(row["delay_s"] * 1000)
            return Reading(
                site,
                probe,
                quantity,
                instant(row["time"]),
                instant(row["time"] + delay_ms),
                _number(row["value"]),
                int(row["doubts"]),
            )
        return None

    def hours(self, site: str, probe: str, quantity: Quantity, start: datetime, end: datetime) -> list[Hour]:
        """Hourly summaries with start <= hour < end; an hour without a usable reading is left out."""
        fields = ("count", "minimum", "maximum", "mean", "doubtful")
        return [
            Hour(
                instant(r["time"]),
                int(r["count"]),
                float(r["minimum"]),
                float(r["maximum"]),
                float(r["mean"]),
                int(r["doubtful"]),
            )
            for r in self._rows("hour", fields, _series(site, probe, quantity), *_span(start, end))
            if r["count"]
        ]

    def days(self, site: str, probe: str, quantity: Quantity, first: date, last: date) -> list[Day]:
        """Daily summaries by the site's local day, both ends included; a day without a usable reading is left out."""
        fields = ("count", "minimum", "minimum_at_s", "maximum", "maximum_at_s", "mean")
        span = ((d.toordinal() - UNIX_EPOCH_ORDINAL) * DAY_MS for d in (first, last))
        return [
            Day(
                date.fromordinal(r["time"] // DAY_MS + UNIX_EPOCH_ORDINAL),
                int(r["count"]),
                float(r["minimum"]),
                _moment(r["minimum_at_s"]),
                float(r["maximum"]),
                _moment(r["maximum_at_s"]),
                float(r["mean"]),
            )
            for r in self._rows("day", fields, _series(site, probe, quantity), next(span), next(span) + 1)
        ]

    def tally(self, site: str, enclosure: str, start: datetime, end: datetime) -> list[TallyHour]:
        """Degree-days by hour, by the species that they were counted for last."""
        tags = {"site": site, "enclosure": enclosure}
        newest = _select("tally", ("degree_days", "species"), tags, " ORDER BY time DESC LIMIT 1")
        for row in self._answer(newest):
            tags["species"] = row["species"] or ""
        fields = ("degree_days", "measured_s", "bridged_s", "missing_s")
        return [
            TallyHour(instant(r["time"]), *(float(r[name]) for name in fields))
            for r in self._rows("tally", fields, tags, *_span(start, end))
        ]

    # --- what was the matter, and what was said

    def concerns(self, site: str) -> list[Concern]:
        """Concerns that are not over, oldest first."""
        return [c for c in self._concerns(site, EARLIEST_MS, LATEST_MS) if c.over_at is None]

    def past_concerns(self, site: str, start: datetime, end: datetime) -> list[Concern]:
        """Concerns that ended in the span (start <= over_at < end), by their end."""
        ended = [
            (c.over_at, c)
            for c in self._concerns(site, EARLIEST_MS, ceil_ms(end))
            if c.over_at is not None and start <= c.over_at < end
        ]
        return [c for _, c in sorted(ended, key=lambda pair: pair[0])]

    def _concerns(self, site: str, start_ms: int, end_ms: int) -> Iterator[Concern]:
        fields = ("severity", "peak", "tellings", "breached_at_s", "answered_at_s", "over_at_s")
        tags = ("rule", "enclosure", "probe", "subject")
        for r in self._rows("concern", (*fields, *tags), {"site": site}, start_ms, end_ms):
            opened_at = instant(r["time"])
            over_at, answered_at = (None if r[f] is None else _moment(r[f]) for f in ("over_at_s", "answered_at_s"))
            standing = Standing.OVER if over_at else Standing.ANSWERED if answered_at else Standing.OPEN
            subject = r["enclosure"] or r["probe"] or r["subject"] or ""
            severity = Severity(int(r["severity"]))
            state = State.FINE if over_at else State.BREACH
            yield Concern(
                site,
                r["rule"],
                subject,
                standing,
                Verdict(r["rule"], subject, state, over_at or opened_at, "", severity),
                breached_since=_moment(r["breached_at_s"]),
                opened_at=opened_at,
                peak=Severity(int(r["peak"])),
                tellings=int(r["tellings"]),
                answered_at=answered_at,
                over_at=over_at,
            )

    def entries(self, site: str, start: datetime, end: datetime) -> list[Entry]:
        """What the keeper said, by `at` (start <= at < end), ascending; without text and author."""
        found = []
        tags = ("what", "rule", "enclosure", "probe", "subject")
        for r in self._rows("entry", ("said", "amount", *tags), {"site": site}, *_span(start, end)):
            subject = r["enclosure"] or r["probe"] or r["subject"] or ""
            if r["rule"]:
                subject = f"{r['rule']}/{subject}" if subject else r["rule"]
            amount = None if r["amount"] is None else float(r["amount"])
            found.append(Entry(site, instant(r["time"]), instant(r["time"]), subject, What(r["what"]), amount))
        return found

    # --- asking

    def _rows(
        self, measurement: str, columns: tuple[str, ...], tags: Mapping[str, str], start_ms: int, end_ms: int
    ) -> Iterator[Row]:
        """Points with start <= time < end, ascending, page after page."""
        begin_ms, end_ms = max(start_ms, EARLIEST_MS), min(end_ms, LATEST_MS)
        edge: list[Row] = []  # of the page before, those at its last instant: the next one begins with them again
        for _ in range(0, MOST_ROWS, ROWS_AT_ONCE):
            more = f" AND time >= {begin_ms}ms AND time < {end_ms}ms ORDER BY time LIMIT {ROWS_AT_ONCE}"
            page = self._answer(_select(measurement, columns, tags, more))
            yield from (row for row in page if row not in edge)
            if len(page) < ROWS_AT_ONCE:
                return
            begin_ms = page[-1]["time"]
            edge = [row for row in page if row["time"] == begin_ms]
        raise ValueError(f"more than {MOST_ROWS} rows: ask for a shorter span")

    def _answer(self, query: str) -> list[Row]:
        """The rows of a query for one series."""
        (result,) = self._ask(query)
        return [
            dict(zip(series["columns"], values, strict=True))
            for series in result.get("series", ())
            for values in series["values"]
        ]

    def _ask(self, query: str) -> list[dict[str, Any]]:
        from urllib3.exceptions import HTTPError

        fields = {"db": self._database, "q": query, "epoch": "ms"}
        try:
            answer = self._pool.request(
                "GET", self._address, fields=fields, headers=self._headers, preload_content=False
            )
            body = answer.read(LARGEST_PAGE_BYTES + 1)
            answer.release_conn()
        except (HTTPError, OSError) as error:
            raise Transient(f"{self._address}: {type(error).__name__}: {error}") from error
        if len(body) > LARGEST_PAGE_BYTES:
            raise ValueError(f"{self._address}: an answer of more than {LARGEST_PAGE_BYTES} bytes")
        try:
            said = json.loads(body)
        except ValueError:
            said = None
        if answer.status != 200 or not isinstance(said, dict):
            words = (said.get("error") or said.get("message")) if isinstance(said, dict) else ""
            raise Transient(f"{self._address}: {answer.status} {words or 'without a readable answer'}")
        results: list[dict[str, Any]] = said.get("results", [])
        for result in results:
            if "error" in result:
                raise Transient(f"{self._address}: {result['error']}")
        return results or [{}]


def _select(measurement: str, columns: tuple[str, ...], tags: Mapping[str, str], more: str) -> str:
    names = ", ".join(f'"{name}"' for name in columns)
    return f'SELECT {names} FROM "{measurement}" WHERE {_equal(tags)}{more}'  # noqa: S608 (quoted as InfluxQL has it)


def _equal(tags: Mapping[str, str]) -> str:
    """The condition that tags have these values; strings in single quotes, backslash and quote behind a backslash."""
    quoted = {name: value.replace("\\", "\\\\").replace("'", "\\'") for name, value in tags.items()}
    return " AND ".join(f"\"{name}\" = '{value}'" for name, value in quoted.items())


def _series(site: str, probe: str, quantity: Quantity) -> dict[str, str]:
    return {"site": site, "probe": probe, "quantity": quantity.value}


def _span(start: datetime, end: datetime) -> tuple[int, int]:
    return ceil_ms(start), ceil_ms(end)


def _number(value: Any) -> float:
    return math.nan if value is None else float(value)


def _moment(seconds: float) -> datetime:
    return instant(round(seconds * 1000))
