"""Reads back from InfluxDB what was shipped there, of one site or of many, by InfluxQL at /query (InfluxDB 1, 2 and 3).

`ports.Records`, as far as a remote store can answer. It differs from the store on the Pi in this:

    it is behind by what is still to be shipped
    a value that is not a finite number comes back as not a number, whichever it was
    an hour of degree-days that a change of thresholds or probes has left without figures keeps its old ones
    concerns come back with times, severities, what was advised and whether shade helped, not with all their numbers;
    those that never opened are not there
    entries come back without text and author; of those of one kind about one subject in the same millisecond, one
    messages come back without their words, one for each concern that they speak of
    verdicts, refusals and counters are not there
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from datetime import date, datetime
from typing import NamedTuple

from sensord.config import InfluxSettings
from sensord.edges.influx_lines import DAY_MS, EARLIEST_MS, LATEST_MS, UNIX_EPOCH_ORDINAL
from sensord.edges.influx_query import InfluxQL, Row, equal, select
from sensord.edges.sqlite_codec import ceil_ms
from sensord.edges.sqlite_spans import slots_of
from sensord.model import (
    Certainty,
    Concern,
    Entry,
    Fate,
    Gap,
    GapKind,
    Message,
    Number,
    Parcel,
    Quantity,
    Reading,
    Severity,
    Standing,
    State,
    Telling,
    Urgency,
    Verdict,
    What,
    concern_key,
    instant,
)
from sensord.ports import Day, Hour, Series, Slot, TallyHour

ABOUT = ("rule", "enclosure", "probe", "subject")
"""The tags that say what something is about."""

CONCERN = (
    "severity",
    "peak",
    "tellings",
    "breached_at_s",
    "answered_at_s",
    "over_at_s",
    "shade_helped",
    "offset_before_k",
    "offset_after_k",
)


class InfluxStore:
    """What was shipped to the bucket that [influx] names. Raises Transient when the server can't be asked."""

    def __init__(self, settings: InfluxSettings) -> None:
        self._influx = InfluxQL(settings)

    def close(self) -> None:
        """Close the connections."""
        self._influx.close()

    def of(self, site: str) -> InfluxRecords:
        """What was shipped of a site, by its name."""
        return InfluxRecords(
            InfluxReadings(self._influx, site),
            InfluxSummaries(self._influx, site),
            InfluxEntries(self._influx, site),
            InfluxConcerns(self._influx, site),
            InfluxSent(self._influx, site),
        )

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
        where = f" WHERE {equal(tags)}" if tags else ""
        (result,) = self._influx.ask(f'SHOW TAG VALUES FROM "{measurement}" WITH KEY = "{tag}"{where}')
        return sorted({row[1] for series in result.get("series", ()) for row in series["values"]})


class InfluxReadings:
    """`ports.Readings`."""

    def __init__(self, influx: InfluxQL, site: str) -> None:
        self._influx, self._site = influx, site

    def series(self, probe: str, quantity: Quantity, start: datetime, end: datetime) -> Series:
        """Readings with start <= measured_at < end, ascending."""
        times, values, doubts = [], [], []
        for row in self._influx.rows(
            "reading", ("value", "doubts"), _series(self._site, probe, quantity), *_span(start, end)
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
            ended_at = None if r["open"] or r["ended_at_s"] is None else _moment(r["ended_at_s"])
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
            for r in self._influx.rows("hour", fields, _series(self._site, probe, quantity), *_span(start, end))
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
                _moment(r["minimum_at_s"]),
                float(r["maximum"]),
                _moment(r["maximum_at_s"]),
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
        for r in self._influx.rows("tally", (*fields, "species"), tags, *_span(start, end)):
            hour = TallyHour(instant(r["time"]), *(float(r[name]) for name in fields))
            known = found.get(hour.start)
            if hour.measured_s + hour.bridged_s > 0 and (known is None or known[0] != last):
                found[hour.start] = (r["species"] or "", hour)
        return [found[start][1] for start in sorted(found)]


class InfluxConcerns:
    """`ports.Concerns`."""

    def __init__(self, influx: InfluxQL, site: str) -> None:
        self._influx, self._site = influx, site

    def standing(self) -> list[Concern]:
        """Concerns that are not over, oldest first."""
        return [c for c in self._concerns(EARLIEST_MS, LATEST_MS) if c.over_at is None]

    def past(self, start: datetime, end: datetime) -> list[Concern]:
        """Concerns that ended in the span (start <= over_at < end), by their end."""
        ended = [
            (c.over_at, c)
            for c in self._concerns(EARLIEST_MS, ceil_ms(end))
            if c.over_at is not None and start <= c.over_at < end
        ]
        return [c for _, c in sorted(ended, key=lambda pair: pair[0])]

    def _concerns(self, start_ms: int, end_ms: int) -> Iterator[Concern]:
        told = self._told()
        for r in self._influx.rows("concern", (*CONCERN, *ABOUT), {"site": self._site}, start_ms, end_ms):
            opened_at, rule, subject = instant(r["time"]), r["rule"], _subject(r)
            over_at, answered_at = (None if r[f] is None else _moment(r[f]) for f in ("over_at_s", "answered_at_s"))
            standing = Standing.OVER if over_at else Standing.ANSWERED if answered_at else Standing.OPEN
            state = State.FINE if over_at else State.BREACH
            numbers: dict[str, Number] = {n: r[n] for n in ("offset_before_k", "offset_after_k") if r[n] is not None}
            if r["shade_helped"] is not None:
                numbers["shade_helped"] = "yes" if r["shade_helped"] else "no"
            messages = [m for m in told.get((rule, subject), ()) if opened_at <= m[0] <= (over_at or m[0])]
            yield Concern(
                self._site,
                rule,
                subject,
                standing,
                Verdict(rule, subject, state, over_at or opened_at, "", Severity(int(r["severity"])), numbers=numbers),
                breached_since=_moment(r["breached_at_s"]),
                opened_at=opened_at,
                peak=Severity(int(r["peak"])),
                told_action=next((action for _, action in reversed(messages) if action), ""),
                told_at=messages[-1][0] if messages else None,
                tellings=int(r["tellings"]),
                answered_at=answered_at,
                over_at=over_at,
            )

    def _told(self) -> dict[tuple[str, str], list[tuple[datetime, str]]]:
        """When what was advised about a rule and subject, in order of time."""
        found: dict[tuple[str, str], list[tuple[datetime, str]]] = {}
        for r in self._influx.rows(
            "message", ("severity", "action", *ABOUT), {"site": self._site}, EARLIEST_MS, LATEST_MS
        ):
            found.setdefault((r["rule"], _subject(r)), []).append((instant(r["time"]), r["action"] or ""))
        return found

    def verdicts(self, start: datetime, end: datetime) -> list[Verdict]:
        """None: they are not shipped. What matters of them stands in the concerns."""
        return []


class InfluxSent:
    """`ports.Sent`."""

    def __init__(self, influx: InfluxQL, site: str) -> None:
        self._influx, self._site = influx, site

    def between(self, start: datetime, end: datetime) -> list[Parcel]:
        """What was said (start <= at < end), by time; without the words."""
        found = []
        columns = ("severity", "sent", "action", "telling", *ABOUT)
        for r in self._influx.rows("message", columns, {"site": self._site}, *_span(start, end)):
            at, rule, subject = instant(r["time"]), r["rule"], _subject(r)
            key = concern_key(rule, subject)
            message = Message(
                key=f"{key}/{r['time']}",
                site=self._site,
                at=at,
                rule=rule,
                subject=subject,
                severity=Severity(int(r["severity"])),
                urgency=Urgency.EXPECTED,
                certainty=Certainty.OBSERVED,
                title="",
                text="",
                action=r["action"] or "",
                concerns=(key,),
                holds_until=None,
                telling=Telling(r["telling"]),
            )
            found.append(Parcel(message, 0, at, Fate.SENT if r["sent"] else Fate.UNSENT))
        return found


class InfluxEntries:
    """`ports.Entries`."""

    def __init__(self, influx: InfluxQL, site: str) -> None:
        self._influx, self._site = influx, site

    def between(self, start: datetime, end: datetime) -> list[Entry]:
        """What the keeper said, by `at` (start <= at < end), ascending; without text and author."""
        found = []
        for r in self._influx.rows(
            "entry", ("said", "amount", "what", *ABOUT), {"site": self._site}, *_span(start, end)
        ):
            subject = _subject(r)
            if r["rule"]:
                subject = concern_key(r["rule"], subject)
            amount = None if r["amount"] is None else float(r["amount"])
            found.append(Entry(self._site, instant(r["time"]), instant(r["time"]), subject, What(r["what"]), amount))
        return found


class InfluxRecords(NamedTuple):
    """`ports.Records`."""

    readings: InfluxReadings
    summaries: InfluxSummaries
    entries: InfluxEntries
    concerns: InfluxConcerns
    outbox: InfluxSent


def _series(site: str, probe: str, quantity: Quantity) -> dict[str, str]:
    return {"site": site, "probe": probe, "quantity": quantity.value}


def _span(start: datetime, end: datetime) -> tuple[int, int]:
    return ceil_ms(start), ceil_ms(end)


def _subject(row: Row) -> str:
    return row["enclosure"] or row["probe"] or row["subject"] or ""


def _number(value: float | None) -> float:
    return math.nan if value is None else float(value)


def _moment(seconds: float) -> datetime:
    return instant(round(seconds * 1000))
