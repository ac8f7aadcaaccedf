"""What is derived of readings in memory: hours, days and degree-days, computed again wherever readings were added."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from sensord.adapters.memory_readings import KeptRow, MemoryReadings, SeriesKey
from sensord.adapters.memory_tail import Known, MemoryTail
from sensord.adapters.sqlite_codec import ceil_ms
from sensord.adapters.sqlite_migrations import HOUR_MS
from sensord.adapters.sqlite_places import species_of
from sensord.adapters.sqlite_spans import SpanFigures, SpanPart, bounds_of_day, days_of_hour, look_at, together
from sensord.adapters.sqlite_summaries import BRIDGE_MS, NEVER_PRUNED, count
from sensord.model import Quantity, instant
from sensord.ports import ChangeKind, Day, Hour, Mark, Place, TallyHour
from sensord.science.degree_days import Tally

Touched = tuple[int, SeriesKey]
"""Hours since 1970, and the series."""

Counted = tuple[str, str]
"""An enclosure, and by which definition."""


class MemorySummaries:
    """`ports.Summaries` of one site, and how they are kept up."""

    def __init__(self, site: str, readings: MemoryReadings, zone: ZoneInfo, tail: MemoryTail) -> None:
        self._site, self._readings, self._zone, self._tail = site, readings, zone, tail
        self._touched: set[Touched] = set()
        self._hours: dict[SeriesKey, dict[int, SpanFigures]] = {}
        self._days: dict[SeriesKey, dict[int, SpanPart]] = {}
        self._tallies: dict[Counted, dict[int, Tally]] = {}
        self._keys: dict[int, SeriesKey] = {}
        self._numbers: dict[Counted, int] = {}
        self._places: tuple[Place, ...] = ()
        self._active: set[Counted] = set()  # what is shown and shipped
        self.pruned_before_ms = NEVER_PRUNED

    def count_for(self, places: Sequence[Place]) -> None:
        """Count degree-days for these: all hours of what is new, and those that another than theirs has counted."""
        ordered = tuple(sorted(places, key=lambda p: p.since))
        if ordered == self._places:
            return
        self._places = ordered
        counted = {(p.enclosure, p.definition): p for p in ordered}
        for of in counted.keys() - self._active:
            keys = self._probes(counted[of])
            self._touched |= {(ms // HOUR_MS, key) for key in keys for ms in self._readings.columns[key].times_ms}
        self._active = counted.keys() | {of for of in self._active if not self._is_superseded(of)}
        for enclosure, definition in self._active:
            tallies = self._tallies.get((enclosure, definition), {})
            keys = [key for place in ordered if place.enclosure == enclosure for key in self._probes(place)]
            for hour in [h for h, tally in tallies.items() if is_known(tally)]:
                if self._at(enclosure, hour) not in ("", definition):
                    self._touched |= {(hour, key) for key in keys}

    def _is_superseded(self, of: Counted) -> bool:
        """By another definition of the same species."""
        return species_of(of[1]) in {p.species for p in self._places if p.enclosure == of[0]}

    def _at(self, enclosure: str, hour: int) -> str:
        """By which definition an hour counts; "" of an enclosure that nothing is counted for."""
        own = [p for p in self._places if p.enclosure == enclosure]
        begun = [p for p in own if p.since <= instant(hour * HOUR_MS)]
        return (begun[-1:] or own)[0].definition if own else ""

    def touch(self, rows: Sequence[KeptRow]) -> None:
        """The hours of these are to be computed."""
        self._touched |= {(row.measured_ms // HOUR_MS, row.key) for row in rows}

    def _probes(self, place: Place) -> list[SeriesKey]:
        keys: list[SeriesKey] = [(probe, Quantity.TEMPERATURE) for probe in place.probes]
        return [key for key in keys if key in self._readings.columns]

    def _span(self, key: SeriesKey, start_ms: int, end_ms: int) -> SpanFigures:
        near = self._readings.columns[key].between(start_ms - BRIDGE_MS, end_ms + BRIDGE_MS)
        return look_at(near, start_ms, end_ms)

    def _hour(self, mark: Touched) -> SpanFigures:
        return self._span(mark[1], mark[0] * HOUR_MS, (mark[0] + 1) * HOUR_MS)

    # --- keeping up

    def compute(self, now_ms: int) -> int:
        """Bring everything up to date as of `now_ms`; returns how many hours were computed."""
        this_hour = now_ms // HOUR_MS
        oldest = -(-(self.pruned_before_ms + BRIDGE_MS) // HOUR_MS)
        touched = {mark for mark in self._touched if mark[0] <= this_hour}
        wanted = {mark for mark in touched if mark[0] >= oldest}
        spans = {mark: self._hour(mark) for mark in wanted}
        for other in {beside for mark in wanted for beside in self._beside(mark, spans[mark])} - wanted:
            if other[0] >= this_hour:
                self._touched.add(other)
            elif other[0] >= oldest:
                spans[other] = self._hour(other)
        for (hour, key), span in spans.items():
            self._hours.setdefault(key, {})[hour] = span
            self._tail.note(Mark(ChangeKind.HOUR, self._number_of(key), hour), self._shipped_hour)
        for key, day in {(key, day) for hour, key in spans for day in days_of_hour(self._zone, hour)}:
            self._put_day(key, day)
        counted = self._put_tallies(spans, now_ms)
        # an hour that is not over stays marked where degree-days are counted: what is missing of it grows
        self._touched -= {mark for mark in touched if mark[0] < this_hour or mark[1] not in counted}
        return len(spans)

    def _beside(self, mark: Touched, span: SpanFigures) -> set[Touched]:
        """Hours with a line to a reading of this one that was not there when they were computed."""
        hour, key = mark
        if span.first_ms is None:
            return set()
        before, after = (int(span.times_s[end] // (HOUR_MS / 1000)) for end in (0, -1))
        known = self._hours.get(key, {}).get(hour)
        first = hour if known and known.first_ms == span.first_ms else before
        last = hour if known and known.last_ms == span.last_ms else after
        return {(other, key) for other in range(first, last + 1) if other != hour}

    def _put_day(self, key: SeriesKey, day: int) -> None:
        start_ms, end_ms = bounds_of_day(self._zone, day)
        first, last = -(-start_ms // HOUR_MS), end_ms // HOUR_MS
        known = self._hours.get(key, {})
        parts = [known[hour].part for hour in range(first, last) if hour in known]
        if start_ms < first * HOUR_MS:
            parts.insert(0, self._span(key, start_ms, first * HOUR_MS).part)
        if last * HOUR_MS < end_ms:
            parts.append(self._span(key, last * HOUR_MS, end_ms).part)
        part = together(parts)
        if part.count:
            self._days.setdefault(key, {})[day] = part
            self._tail.note(Mark(ChangeKind.DAY, self._number_of(key), day), self._shipped_day)

    def _put_tallies(self, spans: dict[Touched, SpanFigures], now_ms: int) -> set[SeriesKey]:
        counted: set[SeriesKey] = set()
        for place in self._places:
            probes = self._probes(place)
            counted.update(probes)
            for hour in sorted({hour for hour, key in spans if key in probes}):
                if self._at(place.enclosure, hour) == place.definition:
                    looked = [spans.get((hour, key)) or self._hour((hour, key)) for key in probes]
                    span = next((s for s in looked if s.part.count), looked[0])
                    self._put_tally(place, hour, count(place, span, hour, now_ms))
        return counted

    def _put_tally(self, place: Place, hour: int, tally: Tally) -> None:
        """What was counted of the hour for others is nothing by now; it stays, so that it is shipped as nothing."""
        mine = (place.enclosure, place.definition)
        self._tallies.setdefault(mine, {})
        for of, tallies in self._tallies.items():
            if of != mine and of[0] == place.enclosure and is_known(tallies.get(hour)):
                tallies[hour] = Tally(0.0, 0.0, 0.0, 0.0)
                self._tail.note(Mark(ChangeKind.TALLY, self._number_of_place(of), hour), self._shipped_tally)
        if is_known(tally):
            self._tallies[mine][hour] = tally
            self._tail.note(Mark(ChangeKind.TALLY, self._number_of_place(mine), hour), self._shipped_tally)

    # --- to be shipped

    def everything(self) -> Iterator[Known]:
        """All that there is to ship."""
        for key, hours in self._hours.items():
            yield from ((Mark(ChangeKind.HOUR, self._number_of(key), hour), self._shipped_hour) for hour in hours)
        for key, days in self._days.items():
            yield from ((Mark(ChangeKind.DAY, self._number_of(key), day), self._shipped_day) for day in days)
        for of, tallies in self._tallies.items():
            yield from ((Mark(ChangeKind.TALLY, self._number_of_place(of), h), self._shipped_tally) for h in tallies)

    def _number_of(self, key: SeriesKey) -> int:
        number = self._readings.number_of(key)
        self._keys[number] = key
        return number

    def _number_of_place(self, of: Counted) -> int:
        if of not in self._numbers:
            self._numbers[of] = self._tail.new_number()
        return self._numbers[of]

    def _shipped_hour(self, mark: Mark) -> tuple[Any, ...]:
        span = self._hours[self._keys[mark.number]][mark.at]
        return mark.number, mark.at, *span.part, span.doubtful, span.first_ms, span.last_ms

    def _shipped_day(self, mark: Mark) -> tuple[Any, ...]:
        return mark.number, mark.at, *self._days[self._keys[mark.number]][mark.at][:6]

    def _shipped_tally(self, mark: Mark) -> tuple[Any, ...] | None:
        """None of a definition that another of the same species has superseded."""
        enclosure, definition = next(of for of, number in self._numbers.items() if number == mark.number)
        if (enclosure, definition) not in self._active:
            return None
        tally = self._tallies[enclosure, definition][mark.at]
        return mark.number, mark.at, *tally, self._site, enclosure, definition

    # --- answers

    def hours(self, probe: str, quantity: Quantity, start: datetime, end: datetime) -> list[Hour]:
        """Hourly summaries with start <= hour < end; an hour without a usable reading is left out."""
        found = []
        for hour, span in sorted(self._hours.get((probe, quantity), {}).items()):
            p = span.part
            if p.minimum is None or p.maximum is None or p.mean is None or not start <= instant(hour * HOUR_MS) < end:
                continue
            found.append(Hour(instant(hour * HOUR_MS), p.count, p.minimum, p.maximum, p.mean, span.doubtful))
        return found

    def days(self, probe: str, quantity: Quantity, first: date, last: date) -> list[Day]:
        """Daily summaries by the site's local day, both ends included; a day without a usable reading is left out."""
        found = []
        for day, (number, low, low_ms, high, high_ms, mean, _) in sorted(self._days.get((probe, quantity), {}).items()):
            if first.toordinal() <= day <= last.toordinal():
                assert low is not None and low_ms is not None and high is not None and high_ms is not None  # noqa: PT018
                assert mean is not None
                found.append(Day(date.fromordinal(day), number, low, instant(low_ms), high, instant(high_ms), mean))
        return found

    def tally(self, enclosure: str, start: datetime, end: datetime) -> list[TallyHour]:
        """Degree-days by hour, as the enclosure is defined now; an hour of which nothing is known is left out."""
        first, last = (-(-ceil_ms(moment) // HOUR_MS) for moment in (start, end))
        hours = sorted({h for key, of in self._tallies.items() if key[0] == enclosure for h in of if first <= h < last})
        found = ((h, self._tallies.get((enclosure, self._at(enclosure, h)), {}).get(h)) for h in hours)
        return [TallyHour(instant(h * HOUR_MS), *tally) for h, tally in found if tally is not None and is_known(tally)]


def is_known(tally: Tally | None) -> bool:
    """Whether anything is known of the hour."""
    return tally is not None and tally.measured_s + tally.bridged_s > 0
