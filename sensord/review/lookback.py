"""Reads from a store what a review needs, and puts the review together. Reads only; the same for loop, page and command."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from sensord.garden import Garden
from sensord.model import AMBIENT, EPOCH, Enclosure, Gap, GapKind, Probe, Quantity
from sensord.ports import Day, Records
from sensord.review import CageReview, Extreme, Limits, Review, Span, weeks
from sensord.review import climate as air
from sensord.review.climate import Climate, ReviewColumns
from sensord.review.matters import matters, missing
from sensord.review.rows import Bar, Daily, Kept, Row, bars, daily_bars, from_hours
from sensord.review.whole import Who, cage_from_hours, cage_from_readings, post_of
from sensord.science.steps import LONGEST_BRIDGE_S

BEYOND = timedelta(seconds=LONGEST_BRIDGE_S)
"""A line across the edge of the span rests on a reading so far beyond it."""
OPEN_END = timedelta(days=400)
RAW_LEAST = 0.5
"""Raw readings that cover less than this share of what the hourly summaries know are taken to have been deleted. Chosen."""

Progress = Callable[[str, float], None]
"""What is being done, and how much of the whole is done [0–1]."""


def look_back(
    records: Records,
    garden: Garden,
    span: Span,
    since: date,
    now: datetime,
    progress: Progress = lambda what, share: None,
) -> Review:
    """The review of a week or a season, as known at `now`. `since`: the day on which the season began.

    Raises:
        ValueError: where the span has not begun yet.
    """
    if now <= span.start:
        raise ValueError(f"{span.label} begins on {span.first}: it lies in the future")
    look = _Look(records, garden, span, since, now)
    steps = len(garden.enclosures) + 2
    progress("the shaded post", 0.0)
    look.see_the_post()
    cages = []
    for done, enclosure in enumerate(garden.enclosures, 1):
        progress(enclosure.title, done / steps)
        cages.append(look.cage(enclosure))
    progress("what stood", (steps - 1) / steps)
    review = look.review(tuple(cages))
    progress("done", 1.0)
    return review


def season_start(garden: Garden, chosen: date | None, span_first: date) -> date:
    """When the season began: as configured, else with the first cohort, else with the year."""
    if chosen is not None:
        return chosen
    zone = ZoneInfo(garden.site.time_zone)
    known = [c.stage_since.astimezone(zone).date() for c in garden.cohorts]
    return min((d for d in known if d <= span_first), default=date(span_first.year, 1, 1))


class _Look:
    """One review in the making."""

    def __init__(self, records: Records, garden: Garden, span: Span, since: date, now: datetime) -> None:
        self._records, self._garden, self._span, self._now = records, garden, span, now
        self._through = min(span.end, now)
        self._told = garden.told(records.entries.between(EPOCH, self._through))
        self._site = garden.site.name
        self._since = since
        self._began = min(weeks.midnight(since, span.zone), span.start)
        self._before = None if span.is_season else weeks.week_before(span)
        self._ambient = ReviewColumns((), ())
        self._ambient_hours: list[air.Hourly] = []
        self._post_bars: tuple[Bar, ...] = ()

    # --- what is read

    def _read(self, probe: Probe, quantity: Quantity, span: Span) -> ReviewColumns:
        end = min(span.end + BEYOND, self._now)
        return air.usable(*self._records.readings.series(probe.name, quantity, span.start - BEYOND, end))

    def _climate(self, enclosure: Enclosure, span: Span) -> Climate:
        """Raw readings of the span and a line's length around it."""
        thermometers = self._garden.probes_at(enclosure.name, Quantity.TEMPERATURE)
        warmth = air.trusted([self._read(p, Quantity.TEMPERATURE, span) for p in thermometers])
        interval_s = max((p.interval_s for p in thermometers), default=60.0)
        for probe in self._garden.probes_at(enclosure.name, Quantity.HUMIDITY):
            damp = self._read(probe, Quantity.HUMIDITY, span)
            if damp.times_s:
                own = self._read(probe, Quantity.TEMPERATURE, span)
                return Climate(warmth, damp, own if own.times_s else warmth, interval_s)
        return Climate(warmth, interval_s=interval_s)

    def _hours(self, place: str, quantity: Quantity, start: datetime, end: datetime) -> list[air.Hourly]:
        probes = self._garden.probes_at(place, quantity)
        return air.hours_by_trust([self._records.summaries.hours(p.name, quantity, start, end) for p in probes])

    def _kept(self, enclosure: Enclosure, start: datetime) -> Kept:
        """Summaries and tallies from `start` on."""
        end = self._through
        hours = self._hours(enclosure.name, Quantity.TEMPERATURE, start, end)
        damp = self._hours(enclosure.name, Quantity.HUMIDITY, start, end)
        tally = [(t.start, t.degree_days) for t in self._records.summaries.tally(enclosure.name, start, end)]
        return Kept(hours, self._days(enclosure.name, start, hours), tally, damp or None)

    def _days(self, place: str, start: datetime, hours: Sequence[air.Hourly]) -> list[Daily]:
        zone, known = self._span.zone, dict[date, int]()
        for h in hours:
            day = h.start.astimezone(zone).date()
            known[day] = known.get(day, 0) + 1
        first, last = start.astimezone(zone).date(), (self._through - timedelta(microseconds=1)).astimezone(zone).date()
        found: dict[date, Day] = {}
        for probe in self._garden.probes_at(place, Quantity.TEMPERATURE):
            found = {
                **{d.day: d for d in self._records.summaries.days(probe.name, Quantity.TEMPERATURE, first, last)},
                **found,
            }
        return [
            Daily(
                weeks.midnight(day, zone),
                Extreme(d.minimum, d.minimum_at),
                Extreme(d.maximum, d.maximum_at),
                d.mean,
                known.get(day, 0),
            )
            for day, d in sorted(found.items())
        ]

    # --- what it comes to

    def see_the_post(self) -> None:
        """The shaded post, which everything is compared with."""
        probes, span = self._garden.probes_at(AMBIENT, Quantity.TEMPERATURE), self._span
        if span.is_season:
            self._ambient_hours = self._hours(AMBIENT, Quantity.TEMPERATURE, span.start, self._through)
            days = self._days(AMBIENT, span.start, self._ambient_hours)
            self._post_bars = daily_bars(Kept((), days, ()), self._day_starts())
            return
        self._ambient = air.trusted([self._read(p, Quantity.TEMPERATURE, span) for p in probes])
        self._post_bars = bars(self._ambient, span.start, span.end)

    def cage(self, enclosure: Enclosure) -> CageReview:
        """One enclosure, with what it is compared with, and what its highest reading is worth."""
        cage = self._cage(enclosure)
        high = cage.total.high
        return cage if high is None else replace(cage, high_doubts=self._doubts(enclosure, high))

    def _doubts(self, enclosure: Enclosure, high: Extreme) -> int:
        for probe in self._garden.probes_at(enclosure.name, Quantity.TEMPERATURE):
            end = high.at + timedelta(milliseconds=1)
            found = self._records.readings.series(probe.name, Quantity.TEMPERATURE, high.at, end)
            for value, doubts in zip(found.values, found.doubts, strict=True):
                if value == high.value_c:
                    return int(doubts)
        return 0

    def _cage(self, enclosure: Enclosure) -> CageReview:
        span = self._span
        limits = self._told.during(enclosure.name, span.start, self._through)
        if limits is None:
            raise ValueError(f"{enclosure.name}: no species is known to judge it by")
        who = self._who(enclosure, limits)
        kept = self._kept(enclosure, self._began)
        if span.is_season:
            return replace(
                cage_from_hours(
                    who, kept, self._ambient_hours, span, self._through, daily_bars(kept, self._day_starts())
                ),
                degree_days_since=_tallied(kept, self._began),
            )
        climate = self._climate(enclosure, span)
        if self._is_raw(climate.temperature, kept, span):
            cage = cage_from_readings(who, climate, self._ambient, span, self._through)
        else:
            ambient = self._hours(AMBIENT, Quantity.TEMPERATURE, span.start, self._through)
            cage = cage_from_hours(who, kept, ambient, span, self._through, _hour_bars(kept, span))
        return replace(
            cage,
            before=self._week_before(enclosure, limits),
            season=from_hours("season", self._began, self._through, kept, limits),
            degree_days_since=_tallied(kept, self._began),
        )

    def _who(self, enclosure: Enclosure, limits: Limits) -> Who:
        return Who(enclosure.name, enclosure.title, enclosure.kind.value, limits, self._told.eras(enclosure.name))

    def _week_before(self, enclosure: Enclosure, limits: Limits) -> Row | None:
        """The week before, read as this one; None where nothing of it is known."""
        before = self._before
        assert before is not None
        look = _Look(self._records, self._garden, before, self._since, self._now)
        climate = look._climate(enclosure, before)
        kept = look._kept(enclosure, before.start)
        who = self._who(enclosure, limits)
        if self._is_raw(climate.temperature, kept, before):
            row = cage_from_readings(who, climate, air.NOTHING, before, before.end).total
        else:
            row = from_hours(before.label, before.start, before.end, kept, limits)
        return row if row.known_h else None

    def _is_raw(self, read: ReviewColumns, kept: Kept, span: Span) -> bool:
        """Whether the raw readings of the span are still there."""
        summarised_h = sum(span.start <= h.start < span.end for h in kept.hours)
        inside = air.cut(read, span.start.timestamp(), min(span.end, self._through).timestamp())
        return air.known_h(inside) >= RAW_LEAST * summarised_h

    def _day_starts(self) -> list[datetime]:
        zone, day, starts = self._span.zone, self._span.first, []
        while day <= self._span.last:
            starts.append(weeks.midnight(day, zone))
            day += timedelta(days=1)
        return starts

    def review(self, cages: tuple[CageReview, ...]) -> Review:
        """Everything together."""
        records, site, span, through = self._records, self._site, self._span, self._through
        earliest = self._before.start if self._before else span.start
        concerns = [*records.concerns.past(earliest, through + OPEN_END), *records.concerns.standing()]
        entries = self._told.addressed
        verdicts = records.concerns.verdicts(earliest, through)
        parcels = records.outbox.between(earliest, through)
        told = matters(concerns, entries, verdicts, parcels, span.start, through)
        before = None
        if self._before is not None and any(c.before for c in cages):
            before = len(matters(concerns, entries, verdicts, parcels, self._before.start, self._before.end))
        return Review(
            site=site,
            title=self._garden.site.title or site,
            span=span,
            through=through,
            since=self._since,
            cages=cages,
            post=post_of(self._post_bars),
            matters=told,
            missing=missing(self._gaps(), span.start, through),
            matters_before=before,
        )

    def _gaps(self) -> list[Gap]:
        """The gaps of the span, without the silence of probes from before they were first heard: nothing was lost in it."""
        found = self._records.readings.gaps(self._span.start, self._through)
        return [g for g in found if g.kind is not GapKind.SILENCE or g.ended_at is None or self._was_heard(g)]

    def _was_heard(self, gap: Gap) -> bool:
        """Whether anything of the gap's probe was measured before it; of a probe that is no more, it is taken so."""
        probe = next((p for p in self._garden.probes if p.name == gap.subject), None)
        if probe is None:
            return True
        day, zone = timedelta(days=1), self._span.zone
        today = gap.started_at.astimezone(zone).date()
        hour = gap.started_at.replace(minute=0, second=0, microsecond=0)
        for quantity in sorted(probe.quantities):
            about = (probe.name, quantity)
            if (
                self._records.summaries.hours(*about, weeks.midnight(today, zone), hour)
                or self._records.summaries.days(*about, today - OPEN_END, today - day)
                or self._records.readings.series(*about, hour, gap.started_at + timedelta(seconds=1)).times_s
            ):
                return True
        return False


def _hour_bars(kept: Kept, span: Span) -> tuple[Bar, ...]:
    """Hourly summaries as bars; the hours of the week, whatever the zone's minutes."""
    known = {air.hour_of(h): h for h in kept.hours}
    count, first = int(span.hours), int(span.start.timestamp() // 3600)
    found = []
    for n in range(count):
        h, start = known.get(first + n), span.start + timedelta(hours=n)
        found.append(Bar(start, h.minimum, h.mean, h.maximum) if h else Bar(start, None, None, None))
    return tuple(found)


def _tallied(kept: Kept, start: datetime) -> float | None:
    found = [dd for at, dd in kept.tally if at >= start]
    return sum(found) if found else None


__all__ = ["Progress", "Records", "look_back", "season_start"]
