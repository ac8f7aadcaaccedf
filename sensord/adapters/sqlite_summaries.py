"""Summaries by hour and day, and degree-days by hour, computed again wherever readings were added.

The table `touched` names the hours whose readings changed; it is written in the transaction that adds the readings, so
nothing is forgotten over a crash. An hour also depends on the usable reading just before it and the one just after,
because a line is drawn across its edges: when the first or last reading of an hour has changed, the hours beside it are
computed again. A day is put together from its hours, and from readings where it begins within an hour.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import NamedTuple
from zoneinfo import ZoneInfo

from sensord.adapters.sqlite_codec import SCALE
from sensord.adapters.sqlite_migrations import HOUR_MS
from sensord.adapters.sqlite_places import CountedPlaces, SummaryMark
from sensord.adapters.sqlite_spans import NOTHING, SpanFigures, SpanPart, bounds_of_day, days_of_hour, look_at, together
from sensord.model import Quantity
from sensord.ports import Place, Series
from sensord.science.degree_days import Tally, integrate_between
from sensord.science.steps import LONGEST_BRIDGE_S

BRIDGE_MS = int(LONGEST_BRIDGE_S * 1000)

SpanEdges = tuple[int | None, int | None]
"""First and last usable reading of an hour [ms]."""

MOST_REMEMBERED = 2000

NEVER_PRUNED = -(2**62)


class Morning(NamedTuple):
    """The hours of a day that were put together already: those before `until`."""

    day: int
    until: int
    part: SpanPart


NEXT_TOUCHED = (
    "SELECT hour, series FROM touched WHERE (hour, series) > (?, ?) AND hour <= ?"
    " AND series IN (SELECT id FROM series WHERE site = ?) ORDER BY hour, series LIMIT 1000"
)
"""The site's next hours to compute, of those that have begun."""


class DerivedTables:
    """Keeps the derived tables of one site; every method runs within the caller's transaction."""

    def __init__(
        self,
        db: sqlite3.Connection,
        columns: Callable[[int, float, int, int], Series],
        number: Callable[[str, Quantity], tuple[int, float] | None],
        site: str,
        zone: ZoneInfo,
    ) -> None:
        self._db = db
        self._columns = columns
        self._zone = zone
        self.places = CountedPlaces(db, number, site)
        self._scales: dict[int, float] = {}
        self._edges: dict[SummaryMark, SpanEdges] = {}
        self._mornings: dict[int, Morning] = {}

    def forget(self) -> None:
        """Drop what is remembered of the tables, after a transaction that did not happen."""
        self._scales.clear()
        self._edges.clear()
        self._mornings.clear()

    def _scale(self, series: int) -> float:
        if series not in self._scales:
            (quantity,) = self._db.execute("SELECT quantity FROM series WHERE id = ?", (series,)).fetchone()
            self._scales[series] = SCALE[quantity]
        return self._scales[series]

    # --- what is to be done

    def compute(
        self, touched: Sequence[SummaryMark], now_ms: int, pruned_before_ms: int
    ) -> tuple[int, list[SummaryMark]]:
        """Bring these hours, those beside them where it matters, their days and tallies up to date.

        Returns how many were computed, and which marks are settled: an hour that is not over yet stays marked where
        degree-days are counted, because what is missing of it grows. Hours whose readings were pruned, or those just
        before, stay as they are.
        """
        this_hour = now_ms // HOUR_MS
        oldest = -(-(pruned_before_ms + BRIDGE_MS) // HOUR_MS)
        spans: dict[SummaryMark, SpanFigures] = {}
        beside: set[SummaryMark] = set()
        for hour, series in touched:
            if hour >= oldest:
                span = spans[hour, series] = self._hour(hour, series)
                beside.update((other, series) for other in self._beside(hour, series, span))
        for hour, series in beside - spans.keys():
            if hour >= this_hour:  # its turn comes; only a clock that went back gets here
                self._db.execute("INSERT OR IGNORE INTO touched VALUES (?, ?)", (hour, series))
            elif hour >= oldest:
                spans[hour, series] = self._hour(hour, series)
        self._put_hours(spans)
        self._put_days(spans)
        counted = self._put_tallies(spans, now_ms)
        return len(spans), [mark for mark in touched if mark[0] < this_hour or mark[1] not in counted]

    # --- hours

    def _hour(self, hour: int, series: int) -> SpanFigures:
        return self._span(series, hour * HOUR_MS, (hour + 1) * HOUR_MS)

    def _span(self, series: int, start_ms: int, end_ms: int) -> SpanFigures:
        return look_at(
            self._columns(series, self._scale(series), start_ms - BRIDGE_MS, end_ms + BRIDGE_MS), start_ms, end_ms
        )

    def _beside(self, hour: int, series: int, span: SpanFigures) -> Iterator[int]:
        """Hours with a line to a reading of this one that was not there when they were computed."""
        was_first, was_last = self._edges_of(hour, series)
        if span.first_ms is None:
            return
        before, after = (int(span.times_s[end] // (HOUR_MS / 1000)) for end in (0, -1))
        if span.first_ms != was_first:
            yield from range(before, hour)
        if span.last_ms != was_last:
            yield from range(hour + 1, after + 1)

    def _edges_of(self, hour: int, series: int) -> SpanEdges:
        """As they were when the hour was computed last."""
        if (hour, series) not in self._edges:
            row = self._db.execute("SELECT first_ms, last_ms FROM hour WHERE series = ? AND hour = ?", (series, hour))
            return row.fetchone() or (None, None)
        return self._edges[hour, series]

    def _put_hours(self, spans: dict[SummaryMark, SpanFigures]) -> None:
        self._db.executemany(
            "INSERT OR REPLACE INTO hour VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            [
                (series, hour, *span.part, span.doubtful, span.first_ms, span.last_ms)
                for (hour, series), span in spans.items()
            ],
        )
        if len(self._edges) > MOST_REMEMBERED:
            self._edges.clear()
        for (hour, series), span in spans.items():
            self._edges[hour, series] = (span.first_ms, span.last_ms)
            morning = self._mornings.get(series)
            if morning is not None and hour < morning.until:
                del self._mornings[series]

    # --- days

    def _put_days(self, marks: Iterable[SummaryMark]) -> None:
        wanted: dict[tuple[int, int], int] = {}
        for hour, series in marks:
            for day in days_of_hour(self._zone, hour):
                wanted[series, day] = max(hour, wanted.get((series, day), hour))
        rows = []
        for (series, day), hour in wanted.items():
            part = self._day(series, day, hour)
            if part.count:
                rows.append((series, day, *part[:6]))
        self._db.executemany("INSERT OR REPLACE INTO day VALUES (?, ?, ?, ?, ?, ?, ?, ?)", rows)

    def _day(self, series: int, day: int, newest: int) -> SpanPart:
        """A day from its hours; those before the newest are put together once, and remembered."""
        start_ms, end_ms = bounds_of_day(self._zone, day)
        first, last = -(-start_ms // HOUR_MS), end_ms // HOUR_MS
        morning = self._mornings.get(series)
        if morning is None or morning.day != day or morning.until > newest:
            part = self._span(series, start_ms, first * HOUR_MS).part if start_ms < first * HOUR_MS else NOTHING
            morning = Morning(day, first, part)
        if morning.until < newest:
            part = together([morning.part, *self._hours(series, morning.until, min(newest, last))])
            morning = Morning(day, newest, part)
        self._mornings[series] = morning
        parts = [morning.part, *self._hours(series, morning.until, last)]
        if last * HOUR_MS < end_ms:
            parts.append(self._span(series, last * HOUR_MS, end_ms).part)
        return together(parts)

    def _hours(self, series: int, first: int, last: int) -> Iterator[SpanPart]:
        rows = self._db.execute(
            "SELECT count, minimum, minimum_ms, maximum, maximum_ms, mean, covered_s FROM hour"
            " WHERE series = ? AND hour >= ? AND hour < ? ORDER BY hour",
            (series, first, last),
        )
        return map(SpanPart._make, rows.fetchall())

    # --- degree-days

    def _put_tallies(self, spans: dict[SummaryMark, SpanFigures], now_ms: int) -> set[int]:
        """Count for the places whose probes were looked at; returns the series that places count by."""
        counted: set[int] = set()
        rows = []
        for enclosure in self.places.enclosures:
            probes = self.places.series_of(enclosure)
            counted.update(probes)
            for hour in sorted({hour for hour, series in spans if series in probes}):
                number, place = self.places.at(enclosure, hour)
                tally = count(place, self._trusted(probes, hour, spans), hour, now_ms)
                if tally.measured_s + tally.bridged_s > 0:
                    rows.append((number, hour, *tally))
                rows += self.places.taken_back(enclosure, number, hour)
        self._db.executemany("INSERT OR REPLACE INTO tally VALUES (?, ?, ?, ?, ?, ?)", rows)
        return counted

    def _trusted(self, probes: Sequence[int], hour: int, spans: dict[SummaryMark, SpanFigures]) -> SpanFigures:
        """The hour by the first probe that has a usable reading in it; by the first of all where none has."""
        for series in probes:
            span = spans.get((hour, series)) or self._hour(hour, series)
            if span.part.count:
                return span
        return spans.get((hour, probes[0])) or self._hour(hour, probes[0])


def count(place: Place, span: SpanFigures, hour: int, now_ms: int) -> Tally:
    """Degree-days of one hour, or of what has passed of it."""
    start_ms = hour * HOUR_MS
    end_ms = max(start_ms, min(start_ms + HOUR_MS, now_ms))
    return integrate_between(span.times_s, span.values, start_ms / 1000, end_ms / 1000, place.lower_c, place.upper_c)
