"""What the store answers of what a site measured: readings, and what is derived of them."""

from __future__ import annotations

from datetime import date, datetime

from sensord.adapters import sqlite_codec as codec
from sensord.adapters.sqlite_codec import (
    ceil_ms,
    columns,
    from_microseconds,
    maybe_instant,
    microseconds,
    value_from_steps,
)
from sensord.adapters.sqlite_connection import Connection
from sensord.adapters.sqlite_migrations import HOUR_MS
from sensord.model import (
    Gap,
    GapKind,
    Quantity,
    Reading,
    instant,
)
from sensord.ports import Day, Hour, Series, Slot, TallyHour


class SeriesNumbers:
    """The numbers under which a site's series stand in the tables."""

    def __init__(self, connection: Connection, site: str) -> None:
        self._connection, self._site = connection, site
        self.known: dict[tuple[str, str], tuple[int, float]] = {}

    def of(self, probe: str, quantity: Quantity) -> tuple[int, float] | None:
        """The series' number and scale, or None where nothing was ever stored of it."""
        key = (probe, quantity)
        if key not in self.known:
            sql = "SELECT id FROM series WHERE site = ? AND probe = ? AND quantity = ?"
            row = self._connection.one(sql, (self._site, probe, quantity))
            if row is None:
                return None
            self.known[key] = (row[0], codec.SCALE[quantity])
        return self.known[key]


def columns_of(connection: Connection, series: int, scale: float, start_ms: int, end_ms: int) -> Series:
    """The readings of a numbered series."""
    rows = connection.all(
        "SELECT measured_ms, value, doubts FROM reading WHERE series = ? AND measured_ms >= ? AND measured_ms < ?"
        " ORDER BY measured_ms",
        (series, start_ms, end_ms),
    )
    return columns(rows, scale)


class SqliteReadings:
    """`ports.Readings`."""

    def __init__(self, connection: Connection, site: str, numbers: SeriesNumbers) -> None:
        self._connection, self._site, self._numbers = connection, site, numbers

    def series(self, probe: str, quantity: Quantity, start: datetime, end: datetime) -> Series:
        """Stored readings with start <= measured_at < end, ascending."""
        number = self._numbers.of(probe, quantity)
        if number is None:
            return Series([], [], [])
        return columns_of(self._connection, *number, ceil_ms(start), ceil_ms(end))

    def latest(self, probe: str, quantity: Quantity, before: datetime | None = None) -> Reading | None:
        """The newest stored reading by measured_at (measured before `before`), its times to the millisecond."""
        number = self._numbers.of(probe, quantity)
        if number is None:
            return None
        row = self._connection.one(
            "SELECT measured_ms, delay_ms, value, doubts FROM reading WHERE series = ? AND measured_ms < ?"
            " ORDER BY measured_ms DESC LIMIT 1",
            (number[0], 2**62 if before is None else ceil_ms(before)),
        )
        if row is None:
            return None
        measured_ms, delay_ms, stored, doubts = row
        value = value_from_steps(stored, number[1])
        measured_at, received_at = instant(measured_ms), instant(measured_ms + delay_ms)
        return Reading(self._site, probe, quantity, measured_at, received_at, value, doubts)

    def slots(
        self, probe: str, quantity: Quantity, start: datetime, end: datetime, slot_s: int, refused: int
    ) -> list[Slot]:
        """Means, lows and highs of equal slots of time, of the readings that carry none of the doubts `refused`."""
        number = self._numbers.of(probe, quantity)
        if number is None:
            return []
        rows = self._connection.all(
            "SELECT measured_ms / ?, avg(value), min(value), max(value) FROM reading"
            " WHERE series = ? AND measured_ms >= ? AND measured_ms < ? AND doubts & ? = 0 AND typeof(value) = 'integer'"
            " GROUP BY 1 ORDER BY 1",
            (slot_s * 1000, number[0], ceil_ms(start), ceil_ms(end), refused),
        )
        scale = number[1]
        return [Slot(slot * slot_s, mean / scale, low / scale, high / scale) for slot, mean, low, high in rows]

    def gaps(self, start: datetime, end: datetime) -> list[Gap]:
        """Gaps that touch the span, by their start."""
        rows = self._connection.all(
            "SELECT kind, subject, started_us, ended_us, detail FROM gap"
            " WHERE site = ? AND started_us < ? AND (ended_us IS NULL OR ended_us >= ?) ORDER BY started_us, id",
            (self._site, microseconds(end), microseconds(start)),
        )
        return [
            Gap(self._site, GapKind(kind), subject, from_microseconds(started), maybe_instant(ended), detail)
            for kind, subject, started, ended, detail in rows
        ]


class SqliteSummaries:
    """`ports.Summaries`."""

    def __init__(self, connection: Connection, site: str, numbers: SeriesNumbers) -> None:
        self._connection, self._site, self._numbers = connection, site, numbers

    def hours(self, probe: str, quantity: Quantity, start: datetime, end: datetime) -> list[Hour]:
        """Hourly summaries with start <= hour < end; an hour without a usable reading is left out."""
        number = self._numbers.of(probe, quantity)
        if number is None:
            return []
        rows = self._connection.all(
            "SELECT hour, count, minimum, maximum, mean, doubtful FROM hour"
            " WHERE series = ? AND hour >= ? AND hour < ? AND count > 0 ORDER BY hour",
            (number[0], *_hours(start, end)),
        )
        return [Hour(instant(hour * HOUR_MS), *rest) for hour, *rest in rows]

    def days(self, probe: str, quantity: Quantity, first: date, last: date) -> list[Day]:
        """Daily summaries by the site's local day, both ends included; a day without a usable reading is left out."""
        number = self._numbers.of(probe, quantity)
        if number is None:
            return []
        rows = self._connection.all(
            "SELECT day, count, minimum, minimum_ms, maximum, maximum_ms, mean FROM day"
            " WHERE series = ? AND day >= ? AND day <= ? ORDER BY day",
            (number[0], first.toordinal(), last.toordinal()),
        )
        return [
            Day(date.fromordinal(day), count, low, instant(low_ms), high, instant(high_ms), mean)
            for day, count, low, low_ms, high, high_ms, mean in rows
        ]

    def tally(self, enclosure: str, start: datetime, end: datetime) -> list[TallyHour]:
        """Degree-days by hour, as the enclosure is defined now; an hour of which nothing is known is left out."""
        rows = self._connection.all(
            "SELECT hour, degree_days, measured_s, bridged_s, missing_s FROM tally WHERE hour >= ? AND hour < ?"
            " AND place IN (SELECT id FROM place WHERE site = ? AND enclosure = ? AND active)"
            " AND measured_s + bridged_s > 0 ORDER BY hour",
            (*_hours(start, end), self._site, enclosure),
        )
        return [TallyHour(instant(hour * HOUR_MS), *rest) for hour, *rest in rows]


def _hours(start: datetime, end: datetime) -> tuple[int, int]:
    return -(-ceil_ms(start) // HOUR_MS), -(-ceil_ms(end) // HOUR_MS)
