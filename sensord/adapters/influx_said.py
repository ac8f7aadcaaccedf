"""What InfluxDB answers of what was said: by the keeper, about concerns, to the phone; without the words."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime

from sensord.adapters.influx_lines import EARLIEST_MS, LATEST_MS
from sensord.adapters.influx_query import InfluxQL, QueryRow, moment, span_of
from sensord.adapters.sqlite_codec import ceil_ms
from sensord.model import (
    Certainty,
    Concern,
    Entry,
    Fate,
    Message,
    Number,
    Parcel,
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
            over_at, answered_at = (None if r[f] is None else moment(r[f]) for f in ("over_at_s", "answered_at_s"))
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
                breached_since=moment(r["breached_at_s"]),
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
        columns = ("severity", "sent", "sent_at_s", "action", "telling", *ABOUT)
        for r in self._influx.rows("message", columns, {"site": self._site}, *span_of(start, end)):
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
            sent_at = None if r["sent_at_s"] is None else moment(r["sent_at_s"])
            found.append(Parcel(message, 0, at, Fate.SENT if r["sent"] else Fate.UNSENT, sent_at=sent_at))
        return found


class InfluxEntries:
    """`ports.Entries`."""

    def __init__(self, influx: InfluxQL, site: str) -> None:
        self._influx, self._site = influx, site

    def between(self, start: datetime, end: datetime) -> list[Entry]:
        """What the keeper said, by `at` (start <= at < end), ascending; without text and author."""
        found = []
        for r in self._influx.rows(
            "entry", ("said", "amount", "what", *ABOUT), {"site": self._site}, *span_of(start, end)
        ):
            subject = _subject(r)
            if r["rule"]:
                subject = concern_key(r["rule"], subject)
            amount = None if r["amount"] is None else float(r["amount"])
            found.append(Entry(self._site, instant(r["time"]), instant(r["time"]), subject, What(r["what"]), amount))
        return found


def _subject(row: QueryRow) -> str:
    return row["enclosure"] or row["probe"] or row["subject"] or ""
