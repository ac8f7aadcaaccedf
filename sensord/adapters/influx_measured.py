"""What InfluxDB answers of what a site measured; how it differs from the store: see influx_reads."""

from __future__ import annotations

import math
from datetime import date, datetime

from sensord.adapters.influx_lines import DAY_MS, EARLIEST_MS, UNIX_EPOCH_ORDINAL
from sensord.adapters.influx_query import InfluxQL, moment, select, span_of
from sensord.adapters.sqlite_codec import ceil_ms
from sensord.adapters.sqlite_spans import slots_of
from sensord.model import (
    Gap,
    GapKind,
    Quantity,
    Reading,
    instant,
)
from sensord.ports import Day, Hour, Series, Slot, TallyHour


class InfluxReadings:
    """`ports.Readings`."""

    def __init__(self, influx: InfluxQL, site: str) -> None:
        self._influx, self._site = influx, site

    def series(self, probe: str, quantity: Quantity, start: datetime, end: datetime) -> Series:
        """Readings with start <= measured_at < end, ascending."""
        times, values, doubts = [], [], []
        for row in self._influx.rows(
            "reading", ("value", "doubts"), _series(self._site, probe, quantity), *span_of(start, end)
        ):
            times.append(row["time"] / 1000)
            values.append(_number(row["value"]))
            doubts.append(int(row["doubts"]))
        return Series(times, values, doubts)

    def latest(self, probe: str, quantity: Quantity, before: datetime | None = None) -> Reading | None:
        """The newest reading by measured_at (measured before `before`)."""
        until = "" if before is None else f" AND time < {ceil_ms(before)}ms"
        fields = ("value", "doubts", "delay_s")
        query = select("reading", fields, _series(self._site, probe, quantity), f"{until} ORDER BY time DESC LIMIT 1")
        for row in self._influx.answer(query):
            delay_ms = round(row["delay_s"] * 1000)
            return Reading(
                self._site,
                probe,
                quantity,
                instant(row["time"]),
                instant(row["time"] + delay_ms),
                _number(row["value"]),
                int(row["doubts"]),
            )
        return None

    def slots(
        self, probe: str, quantity: Quantity, start: datetime, end: datetime, slot_s: int, refused: int
    ) -> list[Slot]:
        """Means, lows and highs of equal slots of time, of the readings that carry none of the doubts `refused`."""
        return slots_of(self.series(probe, quantity, start, end), slot_s, refused)

    def gaps(self, start: datetime, end: datetime) -> list[Gap]:
        """Gaps that touch the span, by their start."""
        found = []
        for r in self._influx.rows(
            "gap", ("open", "ended_at_s", "kind", "probe"), {"site": self._site}, EARLIEST_MS, ceil_ms(end)
        ):
            ended_at = None if r["open"] or r["ended_at_s"] is None else moment(r["ended_at_s"])
            if ended_at is None or ended_at >= start:
                found.append(Gap(self._site, GapKind(r["kind"]), r["probe"] or "", instant(r["time"]), ended_at))
        return found


class InfluxSummaries:
    """`ports.Summaries`."""

    def __init__(self, influx: InfluxQL, site: str) -> None:
        self._influx, self._site = influx, site

    def hours(self, probe: str, quantity: Quantity, start: datetime, end: datetime) -> list[Hour]:
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
            for r in self._influx.rows("hour", fields, _series(self._site, probe, quantity), *span_of(start, end))
            if r["count"]
        ]

    def days(self, probe: str, quantity: Quantity, first: date, last: date) -> list[Day]:
        """Daily summaries by the site's local day, both ends included; a day without a usable reading is left out."""
        fields = ("count", "minimum", "minimum_at_s", "maximum", "maximum_at_s", "mean")
        span = ((d.toordinal() - UNIX_EPOCH_ORDINAL) * DAY_MS for d in (first, last))
        return [
            Day(
                date.fromordinal(r["time"] // DAY_MS + UNIX_EPOCH_ORDINAL),
                int(r["count"]),
                float(r["minimum"]),
                moment(r["minimum_at_s"]),
                float(r["maximum"]),
                moment(r["maximum_at_s"]),
                float(r["mean"]),
            )
            for r in self._influx.rows("day", fields, _series(self._site, probe, quantity), next(span), next(span) + 1)
        ]

    def tally(self, enclosure: str, start: datetime, end: datetime) -> list[TallyHour]:
        """Degree-days by hour, for whichever species they were counted; of two, for the newest."""
        tags = {"site": self._site, "enclosure": enclosure}
        newest = select("tally", ("degree_days", "species"), tags, " ORDER BY time DESC LIMIT 1")
        last = next((row["species"] or "" for row in self._influx.answer(newest)), "")
        fields = ("degree_days", "measured_s", "bridged_s", "missing_s")
        found: dict[datetime, tuple[str, TallyHour]] = {}
        for r in self._influx.rows("tally", (*fields, "species"), tags, *span_of(start, end)):
            hour = TallyHour(instant(r["time"]), *(float(r[name]) for name in fields))
            known = found.get(hour.start)
            if hour.measured_s + hour.bridged_s > 0 and (known is None or known[0] != last):
                found[hour.start] = (r["species"] or "", hour)
        return [found[start][1] for start in sorted(found)]


def _series(site: str, probe: str, quantity: Quantity) -> dict[str, str]:
    return {"site": site, "probe": probe, "quantity": quantity.value}


def _number(value: float | None) -> float:
    return math.nan if value is None else float(value)
