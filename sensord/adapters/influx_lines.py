"""What is shipped, as lines of InfluxDB's line protocol. Pure; times in milliseconds.

    measurement  tags                            fields (all floats)                                        time
    reading      site, probe, quantity           value [unit of the quantity], doubts [bits], delay_s        measured
    hour         site, probe, quantity           count, minimum, maximum, mean, doubtful                     its start
    day          site, probe, quantity           count, minimum, minimum_at_s, maximum, maximum_at_s, mean   see below
    tally        site, enclosure, species        degree_days [°C d], measured_s, bridged_s, missing_s        start of the hour
    concern      site, rule, enclosure or probe  severity, peak (0–4, CAP 1.2), tellings, breached_at_s,     when it opened
                                                 answered_at_s, over_at_s, shade_helped (0, 1),
                                                 offset_before_k, offset_after_k
    entry        site, what, rule, enclosure,    said (1), amount [kg or animals]                            when it was said
                 probe or subject
    message      site, rule, enclosure or probe, severity, sent (0, 1), sent_at_s                            when it was made
                 action, telling
    gap          site, kind, probe               open (0, 1), ended_at_s                                     its start

Tags and time are a point's identity, the same as in the store, so a point sent twice overwrites itself and a correction
overwrites what it corrects. That is why a reading does not carry the enclosure where its probe stands: moved to another,
the probe would leave each reading sent again there twice. Names that end in `_at_s` are Unix times [s]. A day stands at
00:00 UTC of its date, although it lasts from midnight to midnight of the site's own time. A value that is not a finite
number cannot be written in this protocol: such a reading has its doubts and delay, and no `value`. What a person wrote
(text and author of an entry), and the words of messages, are not shipped.

Source: InfluxData, InfluxDB v2 documentation, "Line protocol" (syntax, escaping, limits).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from datetime import date, datetime
from typing import Any, NamedTuple

from sensord.adapters.sqlite_codec import value_from_steps
from sensord.adapters.sqlite_migrations import HOUR_MS
from sensord.adapters.sqlite_places import species_of
from sensord.model import Concern, Entry, Fate, Gap, Parcel, milliseconds
from sensord.ports import ChangeKind, ChangeWindow, Mark
from sensord.rules import Per

LONGEST_TAG = 128
EARLIEST_MS, LATEST_MS = -9_223_372_036_854, 9_223_372_036_854
"""Times that fit 64 bits of nanoseconds, as InfluxDB keeps them: from 1677 to 2262."""

UNIX_EPOCH_ORDINAL = date(1970, 1, 1).toordinal()
DAY_MS = 86_400_000


class PointLine(NamedTuple):
    """One point, and what it stands for."""

    text: str
    mark: Mark


class Lines(Sequence[PointLine]):
    """Points in order. Readings come by the ten thousand: they are written at once, and looked at singly only if refused."""

    def __init__(self, readings: list[str], rows: Sequence[tuple[Any, ...]], others: list[PointLine]) -> None:
        self.texts = [*readings, *(x.text for x in others)]
        self._rows, self._others = rows, others

    def __len__(self) -> int:
        return len(self.texts)

    def __getitem__(self, i: Any) -> Any:
        if isinstance(i, slice):
            return [self[k] for k in range(len(self))[i]]
        if i >= len(self._rows):
            return self._others[i - len(self._rows)]
        series, measured_ms, *_ = self._rows[i]
        return PointLine(self.texts[i], Mark(ChangeKind.READING, series, measured_ms))

    def misfits(self) -> list[int]:
        """The places of those of a time that InfluxDB can't keep."""
        found = [i for i, row in enumerate(self._rows) if not EARLIEST_MS <= row[1] <= LATEST_MS]
        return found + [i for i, x in enumerate(self._others, len(self._rows)) if not can_be_kept(x)]


def escaped(name: str) -> str:
    """A tag value as it is written: comma, equals sign and space behind a backslash; no line breaks; at most 128 characters.

    A backslash at the end would hide the delimiter that follows, so it is left out.
    """
    text = " ".join(name.split())[:LONGEST_TAG].rstrip("\\")
    return text.replace(",", "\\,").replace("=", "\\=").replace(" ", "\\ ")


def head(measurement: str, **tags: str) -> str:
    """Measurement and tags, in the order of their names, as the server sorts them; empty ones are left out."""
    written = [f"{name}={text}" for name, value in sorted(tags.items()) if (text := escaped(value))]
    return ",".join([measurement, *written])


def line(start: str, time_ms: int, **fields: float | None) -> str:
    """A point; fields that are unknown or not finite are left out, all others are floats."""
    written = [f"{name}={float(x)!r}" for name, x in fields.items() if x is not None and math.isfinite(x)]
    return f"{start} {','.join(written)} {time_ms}"


class LineMaker:
    """Writes the points of one store.

    Args:
        series: of a series' number: site, probe, quantity and steps per unit; asked again for a number not yet known.
        enclosures: each by its site and its name.
        per: of each rule, what it is asked about.
    """

    def __init__(
        self,
        series: Callable[[], Mapping[int, tuple[str, str, str, float]]],
        enclosures: Collection[tuple[str, str]],
        per: Mapping[str, Per],
    ) -> None:
        self._look_up, self._enclosures, self._per = series, enclosures, per
        self._scales: dict[int, float] = {}
        self._tags: dict[int, str] = {}

    def lines(self, window: ChangeWindow) -> Lines:
        """Everything in the window."""
        others = [
            *self._hours(window),
            *self._days(window),
            *self._tallies(window),
            *(self._concern(number, concern) for number, concern in window.concerns if concern.opened_at),
            *(self._entry(number, entry) for number, entry in window.entries),
            *(x for number, parcel in window.messages for x in self._message(number, parcel)),
            *(self._gap(number, gap) for number, gap in window.gaps),
        ]
        return Lines(self._readings(window), window.readings, others)

    def _of(self, series: int) -> str:
        """The tags of a series."""
        if series not in self._tags:
            for number, (site, probe, quantity, scale) in self._look_up().items():
                self._scales[number] = scale
                self._tags[number] = head("", probe=probe, quantity=quantity, site=site)
        return self._tags[series]

    def _readings(self, window: ChangeWindow) -> list[str]:
        """The busiest loop of shipping, hence written out."""
        tags, scales = self._tags, self._scales
        worths: dict[tuple[int, int], str] = {}  # few differ: a probe is good or not, and late or not
        texts = []
        for series, measured_ms, stored, doubts, delay_ms, *_ in window.readings:
            worth = worths.get((doubts, delay_ms)) or worths.setdefault(
                (doubts, delay_ms), f"doubts={doubts}.0,delay_s={delay_ms / 1000!r} "
            )
            start = tags.get(series) or self._of(series)
            value = stored / scales[series] if type(stored) is int else value_from_steps(stored, scales[series])
            if math.isfinite(value):
                texts.append(f"reading{start} value={value!r},{worth}{measured_ms}")
            else:
                texts.append(f"reading{start} {worth}{measured_ms}")
        return texts

    def _hours(self, window: ChangeWindow) -> Iterator[PointLine]:
        for series, hour, count, minimum, _, maximum, _, mean, _, doubtful, *_ in window.hours:
            fields = {"count": count, "minimum": minimum, "maximum": maximum, "mean": mean, "doubtful": doubtful}
            yield PointLine(
                line(f"hour{self._of(series)}", hour * HOUR_MS, **fields), Mark(ChangeKind.HOUR, series, hour)
            )

    def _days(self, window: ChangeWindow) -> Iterator[PointLine]:
        for series, day, count, minimum, minimum_ms, maximum, maximum_ms, mean in window.days:
            fields = {
                "count": count,
                "minimum": minimum,
                "minimum_at_s": minimum_ms / 1000,
                "maximum": maximum,
                "maximum_at_s": maximum_ms / 1000,
                "mean": mean,
            }
            time_ms = (day - UNIX_EPOCH_ORDINAL) * DAY_MS
            yield PointLine(line(f"day{self._of(series)}", time_ms, **fields), Mark(ChangeKind.DAY, series, day))

    def _tallies(self, window: ChangeWindow) -> Iterator[PointLine]:
        for place, hour, degree_days, measured_s, bridged_s, missing_s, site, enclosure, definition in window.tallies:
            start = head("tally", site=site, enclosure=enclosure, species=species_of(definition))
            fields = {
                "degree_days": degree_days,
                "measured_s": measured_s,
                "bridged_s": bridged_s,
                "missing_s": missing_s,
            }
            yield PointLine(line(start, hour * HOUR_MS, **fields), Mark(ChangeKind.TALLY, place, hour))

    def _concern(self, number: int, concern: Concern) -> PointLine:
        assert concern.opened_at is not None
        start = head("concern", site=concern.site, **self._about(concern.rule, concern.subject))
        text = line(
            start,
            milliseconds(concern.opened_at),
            severity=concern.verdict.severity,
            peak=concern.peak,
            tellings=concern.tellings,
            breached_at_s=_seconds(concern.breached_since),
            answered_at_s=_seconds(concern.answered_at),
            over_at_s=_seconds(concern.over_at),
            **_followed(concern),
        )
        return PointLine(text, Mark(ChangeKind.CONCERN, number, 0))

    def _entry(self, number: int, entry: Entry) -> PointLine:
        rule, _, subject = entry.subject.partition("/")
        about = self._about(rule, subject) if rule in self._per else {"subject": entry.subject}
        if (entry.site, entry.subject) in self._enclosures:
            about = {"enclosure": entry.subject}
        start = head("entry", site=entry.site, what=entry.what.value, **about)
        text = line(start, milliseconds(entry.at), said=1.0, amount=entry.amount)
        return PointLine(text, Mark(ChangeKind.ENTRY, number, 0))

    def _message(self, number: int, parcel: Parcel) -> Iterator[PointLine]:
        """A point for each concern that it speaks of; one where it speaks of none."""
        message, sent = parcel.message, parcel.state == Fate.SENT
        for key in message.concerns or (message.rule,):
            rule, _, subject = key.partition("/")
            about = {**self._about(rule, subject), "action": message.action, "telling": message.telling.value}
            start = head("message", site=message.site, **about)
            sent_at_s = _seconds(parcel.sent_at)
            text = line(start, milliseconds(message.at), severity=message.severity, sent=sent, sent_at_s=sent_at_s)
            yield PointLine(text, Mark(ChangeKind.MESSAGE, number, 0))

    def _gap(self, number: int, gap: Gap) -> PointLine:
        start = head("gap", site=gap.site, kind=gap.kind.value, probe=gap.subject)
        text = line(start, milliseconds(gap.started_at), open=gap.ended_at is None, ended_at_s=_seconds(gap.ended_at))
        return PointLine(text, Mark(ChangeKind.GAP, number, 0))

    def _about(self, rule: str, subject: str) -> dict[str, str]:
        """The tags of a concern."""
        per = self._per.get(rule)
        name = {Per.ENCLOSURE: "enclosure", Per.PROBE: "probe"}.get(per, "subject") if per else "subject"
        return {"rule": rule, name: subject}


def can_be_kept(point: PointLine) -> bool:
    """Whether InfluxDB can keep a point of this time."""
    return EARLIEST_MS <= int(point.text.rpartition(" ")[2]) <= LATEST_MS


def _followed(concern: Concern) -> dict[str, float | None]:
    """Whether the shade helped, where that is known; what was known once stays, because fields of a point add up."""
    numbers = concern.verdict.numbers
    helped = {"yes": 1.0, "no": 0.0}.get(str(numbers.get("shade_helped")))
    if helped is None:
        return {}
    offsets = {name: numbers.get(name) for name in ("offset_before_k", "offset_after_k")}
    return {"shade_helped": helped, **{n: float(x) for n, x in offsets.items() if isinstance(x, int | float)}}


def _seconds(at: datetime | None) -> float | None:
    return None if at is None else milliseconds(at) / 1000
