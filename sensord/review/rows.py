"""The figures of one span of one enclosure: a day of a week, a week of a season, or the whole of either."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby, pairwise
from typing import NamedTuple

from sensord.model import instant
from sensord.review import climate as air
from sensord.review.climate import Climate, Hourly, ReviewColumns
from sensord.rules._heat import MEAN_S, spells
from sensord.rules._tracks import Track
from sensord.science import heat
from sensord.science.degree_days import integrate_between
from sensord.science.moist_air import LIKELY_SPREAD_K, POSSIBLE_SPREAD_K
from sensord.science.thresholds import triangle
from sensord.species.limits import Era, Limits


class Extreme(NamedTuple):
    """A lowest or highest reading, and when."""

    value_c: float
    at: datetime


class LongestSpell(NamedTuple):
    """The longest time at or above a tier."""

    hours: float
    start: datetime
    end: datetime


class Bar(NamedTuple):
    """An hour, or a day of a season, for drawing [°C]; `mean_c` None where nothing was measured."""

    start: datetime
    low_c: float | None
    mean_c: float | None
    high_c: float | None


@dataclass(frozen=True, slots=True)
class Row:
    """What a span amounts to. Tuples go by the enclosure's bands or tiers, ascending."""

    label: str
    start: datetime
    end: datetime  # or now, where the span is not over
    known_h: float  # measured, or bridged by a line of at most an hour
    missing_h: float
    bands_h: tuple[float, ...]
    above_h: tuple[float, ...]
    degree_hours: tuple[float, ...]  # °C·h above each tier
    low: Extreme | None
    high: Extreme | None
    mean_c: float | None
    swing_k: (
        float | None
    )  # of a day of which enough is known; of more days, the mean of those that are known well enough
    degree_days: float | None  # °C·d
    relative_humidity: float | None  # mean, 0–1
    humid_h: float | None  # at 97 % or more
    dew_likely_h: float | None  # dew point within 1 K of the air
    dew_possible_h: float | None  # within 3 K

    @property
    def hours(self) -> float:
        """Length of the span [h]."""
        return (self.end - self.start).total_seconds() / 3600


def from_readings(
    label: str, start: datetime, end: datetime, climate: Climate, limits: Limits, eras: Sequence[Era]
) -> Row:
    """The figures of a local day, or a part of one, exact for values that run straight between readings."""
    start_s, end_s = start.timestamp(), end.timestamp()
    inside = air.cut(climate.temperature, start_s, end_s)
    read = air.within(climate.temperature, start_s, end_s)
    known_h = air.known_h(inside)
    bands_h = heat.hours_in_bands(*inside, limits.edges_c)
    top_c = max(inside.values, default=float("-inf"))
    damp = air.cut(climate.humidity, start_s, end_s) if climate.humidity is not None else air.NOTHING
    dew = air.dew_hours(climate, start_s, end_s) if damp.times_s else (None, None)
    return Row(
        label=label,
        start=start,
        end=end,
        known_h=known_h,
        missing_h=max(0.0, (end_s - start_s) / 3600 - known_h),
        bands_h=tuple(bands_h),
        above_h=tuple(sum(bands_h[n - len(limits.tiers) :]) for n in range(len(limits.tiers))),
        degree_hours=tuple(
            heat.exposure_above(*inside, tier.temperature_c).degree_hours if tier.temperature_c < top_c else 0.0
            for tier in limits.tiers
        ),
        low=_extreme(read, min),
        high=_extreme(read, max),
        mean_c=air.mean(inside),
        swing_k=heat.swing(*inside, start_s, end_s) if known_h >= LEAST_KNOWN_H else None,
        degree_days=sum(_degree_days(inside, eras, start_s, end_s)) if known_h else None,
        relative_humidity=air.mean(damp),
        humid_h=heat.hours_in_bands(*damp, (air.HUMID,))[1] if damp.times_s else None,
        dew_likely_h=dew[0],
        dew_possible_h=dew[1],
    )


def _degree_days(inside: ReviewColumns, eras: Sequence[Era], start_s: float, end_s: float) -> Iterator[float]:
    """By whose thresholds they count, as the tallies are kept."""
    ends = [*(era.since.timestamp() for era in eras[1:]), float("inf")]
    for era, until_s in zip(eras, ends, strict=True):
        begin_s, stop_s = max(start_s, era.since.timestamp()), min(end_s, until_s)
        if begin_s < stop_s:
            yield integrate_between(*inside, begin_s, stop_s, era.lower_c, era.upper_c).degree_days


def together(label: str, start: datetime, end: datetime, climate: Climate, days: Sequence[Row]) -> Row:
    """A span from its days: hours and sums add up, the swing is the mean of the days, means are over the whole."""
    start_s, end_s = start.timestamp(), end.timestamp()
    damp = air.cut(climate.humidity, start_s, end_s) if climate.humidity is not None else air.NOTHING
    return Row(
        label=label,
        start=start,
        end=end,
        known_h=sum(day.known_h for day in days),
        missing_h=sum(day.missing_h for day in days),
        bands_h=_added([day.bands_h for day in days]),
        above_h=_added([day.above_h for day in days]),
        degree_hours=_added([day.degree_hours for day in days]),
        low=min((day.low for day in days if day.low), key=lambda e: e.value_c, default=None),
        high=max((day.high for day in days if day.high), key=lambda e: e.value_c, default=None),
        mean_c=air.mean(air.cut(climate.temperature, start_s, end_s)),
        swing_k=_mean([day.swing_k for day in days if day.swing_k is not None]),
        degree_days=_sum(day.degree_days for day in days),
        relative_humidity=air.mean(damp),
        humid_h=_sum(day.humid_h for day in days),
        dew_likely_h=_sum(day.dew_likely_h for day in days),
        dew_possible_h=_sum(day.dew_possible_h for day in days),
    )


def longest_spells(climate: Climate, limits: Limits, start: datetime, end: datetime) -> tuple[LongestSpell | None, ...]:
    """The longest spell at or above each tier within a span, counted as the phone was told."""
    inside = air.cut(climate.temperature, start.timestamp(), end.timestamp())
    track = Track.of(*inside, bytes(len(inside.times_s)), climate.interval_s).means(MEAN_S)
    found: list[LongestSpell | None] = []
    top_c = max(track.values, default=float("-inf"))
    for tier in limits.tiers:
        if tier.temperature_c > top_c:
            found.append(None)
            continue
        longest = max(spells(track, tier.temperature_c), key=lambda s: s.end_s - s.start_s, default=None)
        found.append(longest and _spell(longest.start_s, longest.end_s))
    return tuple(found)


def bars(inside: ReviewColumns, start: datetime, end: datetime) -> tuple[Bar, ...]:
    """Lowest, mean and highest reading of each hour, counted from the beginning of the span."""
    start_s, count = start.timestamp(), -int(-(end - start).total_seconds() // 3600)
    read = air.within(inside, start_s, end.timestamp())
    hours: dict[int, list[float]] = {}
    for t, v in zip(*read, strict=True):
        hours.setdefault(int((t - start_s) // 3600), []).append(v)
    return tuple(_bar(start_s + 3600 * n, hours.get(n, ())) for n in range(count))


# --- from hourly summaries ----------------------------------------------------------------------------------------


class Daily(NamedTuple):
    """A local day as the store keeps it, and of how many hours of it something is known."""

    start: datetime
    low: Extreme
    high: Extreme
    mean_c: float
    known_h: int


@dataclass(frozen=True, slots=True)
class Kept:
    """What is kept of a place for good: summaries by hour and day, degree-days by hour."""

    hours: Sequence[Hourly]
    days: Sequence[Daily]
    tally: Sequence[tuple[datetime, float]]  # start of the hour, °C·d
    humidity: Sequence[Hourly] | None = None  # 0–1; None: nothing there measures it


LEAST_KNOWN_H = 18
"""Hours of a day of which something must be known for its swing to count; as `heat.swing`. Chosen."""


def from_hours(label: str, start: datetime, end: datetime, kept: Kept, limits: Limits) -> Row:
    """The figures of a span from hourly summaries, each hour run straight from its lowest to its highest."""
    hours = [h for h in kept.hours if start <= h.start < end]
    days = [d for d in kept.days if start <= d.start < end]
    damp = None if kept.humidity is None else [h for h in kept.humidity if start <= h.start < end]
    length_h = (end - start).total_seconds() / 3600
    above = [
        [triangle(h.minimum, h.maximum, tier.temperature_c) for h in hours] for tier in limits.tiers
    ]  # fmt: skip
    over = [[triangle(h.minimum, h.maximum, edge).share for h in hours] for edge in limits.edges_c]
    sums = [float(len(hours)), *(sum(shares) for shares in over), 0.0]
    tallied = [dd for at, dd in kept.tally if start <= at < end]
    likely, possible = _hourly_dew(hours, damp)
    return Row(
        label=label,
        start=start,
        end=end,
        known_h=min(length_h, float(len(hours))),
        missing_h=max(0.0, length_h - len(hours)),
        bands_h=tuple(a - b for a, b in pairwise(sums)),
        above_h=tuple(sum(a.share for a in tier) for tier in above),
        degree_hours=tuple(sum(a.excess for a in tier) for tier in above),
        low=min((d.low for d in days), key=lambda e: e.value_c, default=None),
        high=max((d.high for d in days), key=lambda e: e.value_c, default=None),
        mean_c=_mean([h.mean for h in hours]),
        swing_k=_mean([d.high.value_c - d.low.value_c for d in days if d.known_h >= LEAST_KNOWN_H]),
        degree_days=sum(tallied) if tallied else None,
        relative_humidity=_mean([h.mean for h in damp]) if damp else None,
        humid_h=float(sum(h.mean >= air.HUMID for h in damp)) if damp else None,
        dew_likely_h=likely,
        dew_possible_h=possible,
    )


def hourly_spells(kept: Kept, limits: Limits, start: datetime, end: datetime) -> tuple[LongestSpell | None, ...]:
    """The longest run of hours whose mean is at or above each tier."""
    found: list[LongestSpell | None] = []
    hours = [h for h in kept.hours if start <= h.start < end]
    for tier in limits.tiers:
        hot = [air.hour_of(h) for h in hours if h.mean >= tier.temperature_c]
        runs = [[n for _, n in group] for _, group in groupby(enumerate(hot), lambda pair: pair[1] - pair[0])]
        longest = max(runs, key=len, default=None)
        found.append(_spell(longest[0] * 3600.0, (longest[-1] + 1) * 3600.0) if longest else None)
    return tuple(found)


def daily_bars(kept: Kept, starts: Sequence[datetime]) -> tuple[Bar, ...]:
    """Lowest, mean and highest of each day of a season."""
    days = {d.start: d for d in kept.days}
    return tuple(
        Bar(start, d.low.value_c, d.mean_c, d.high.value_c) if (d := days.get(start)) else Bar(start, None, None, None)
        for start in starts
    )


def _hourly_dew(hours: Sequence[Hourly], damp: Sequence[Hourly] | None) -> tuple[float | None, float | None]:
    """Hours whose mean temperature and humidity leave the dew point within 1 K and 3 K."""
    if not damp:
        return None, None
    means = {air.hour_of(h): h.mean for h in hours}
    pairs = [(means[air.hour_of(h)], h.mean) for h in damp if air.hour_of(h) in means]
    pairs = [(c, ratio) for c, ratio in pairs if air.DEW_RANGE_C[0] <= c <= air.DEW_RANGE_C[1]]
    return (
        float(sum(air.dew_near(c, ratio, LIKELY_SPREAD_K) for c, ratio in pairs)),
        float(sum(air.dew_near(c, ratio, POSSIBLE_SPREAD_K) for c, ratio in pairs)),
    )


def _extreme(read: ReviewColumns, which: Callable[[Sequence[float]], float]) -> Extreme | None:
    if not read.values:
        return None
    value = which(read.values)
    return Extreme(value, _instant(read.times_s[list(read.values).index(value)]))


def _spell(start_s: float, end_s: float) -> LongestSpell:
    return LongestSpell((end_s - start_s) / 3600, _instant(start_s), _instant(end_s))


def _bar(start_s: float, values: Sequence[float]) -> Bar:
    if not values:
        return Bar(_instant(start_s), None, None, None)
    return Bar(_instant(start_s), min(values), sum(values) / len(values), max(values))


def _instant(unix_s: float) -> datetime:
    return instant(round(unix_s * 1000))


def _added(tuples: Sequence[tuple[float, ...]]) -> tuple[float, ...]:
    return tuple(map(sum, zip(*tuples, strict=True)))


def _sum(values: Iterable[float | None]) -> float | None:
    known = [v for v in values if v is not None]
    return sum(known) if known else None


def _mean(values: Sequence[float]) -> float | None:
    return sum(values) / len(values) if values else None
