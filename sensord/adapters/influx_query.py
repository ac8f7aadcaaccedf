"""Asks InfluxDB by InfluxQL, over HTTP at /query: InfluxDB 1, 2 and 3 answer there alike.

Sources: InfluxData, InfluxDB v1 documentation, "InfluxQL reference" and "InfluxDB API reference", /query; InfluxDB v2
documentation, "Query with the InfluxDB 1.x API".
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from datetime import datetime
from typing import Any

from sensord.adapters.influx_lines import EARLIEST_MS, LATEST_MS
from sensord.adapters.sqlite_codec import ceil_ms
from sensord.config import InfluxSettings
from sensord.model import instant
from sensord.ports import Transient

ROWS_AT_ONCE = 10_000
MOST_ROWS = 5_000_000
"""Rows of one answer, page after page: more is a mistake in the question."""
LARGEST_PAGE_BYTES = 64 * 2**20

QueryRow = dict[str, Any]


class InfluxQL:
    """Questions to the bucket that [influx] names. Raises Transient when the server can't be asked."""

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

    def rows(
        self, measurement: str, columns: tuple[str, ...], tags: Mapping[str, str], start_ms: int, end_ms: int
    ) -> Iterator[QueryRow]:
        """Points with start <= time < end, ascending, page after page."""
        begin_ms, end_ms = max(start_ms, EARLIEST_MS), min(end_ms, LATEST_MS)
        edge: list[QueryRow] = []  # of the page before, those at its last instant: the next one begins with them again
        for _ in range(0, MOST_ROWS, ROWS_AT_ONCE):
            more = f" AND time >= {begin_ms}ms AND time < {end_ms}ms ORDER BY time LIMIT {ROWS_AT_ONCE}"
            page = self.answer(select(measurement, columns, tags, more))
            yield from (row for row in page if row not in edge)
            if len(page) < ROWS_AT_ONCE:
                return
            begin_ms = page[-1]["time"]
            edge = [row for row in page if row["time"] == begin_ms]
        raise ValueError(f"more than {MOST_ROWS} rows: ask for a shorter span")

    def answer(self, query: str) -> list[QueryRow]:
        """The rows of a query for one series."""
        (result,) = self.ask(query)
        return [
            dict(zip(series["columns"], values, strict=True))
            for series in result.get("series", ())
            for values in series["values"]
        ]

    def ask(self, query: str) -> list[dict[str, Any]]:
        """The results of a query."""
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


def select(measurement: str, columns: tuple[str, ...], tags: Mapping[str, str], more: str) -> str:
    """A query; names in double quotes."""
    names = ", ".join(f'"{name}"' for name in columns)
    return f'SELECT {names} FROM "{measurement}" WHERE {equal(tags)}{more}'  # noqa: S608 (quoted as InfluxQL has it)


def equal(tags: Mapping[str, str]) -> str:
    """The condition that tags have these values; strings in single quotes, backslash and quote behind a backslash."""
    quoted = {name: value.replace("\\", "\\\\").replace("'", "\\'") for name, value in tags.items()}
    return " AND ".join(f"\"{name}\" = '{value}'" for name, value in quoted.items())


def span_of(start: datetime, end: datetime) -> tuple[int, int]:
    """Unix times [ms], from and until."""
    return ceil_ms(start), ceil_ms(end)


def moment(seconds: float) -> datetime:
    """The instant of a Unix time [s], to the millisecond."""
    return instant(round(seconds * 1000))
