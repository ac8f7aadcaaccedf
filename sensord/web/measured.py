"""An enclosure, or the shaded post, as measured: the newest usable readings, the trend, who was heard, a day's course."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import combinations, pairwise
from statistics import median, quantiles
from typing import NamedTuple

from sensord.garden import Garden
from sensord.model import Doubt, Probe, Quantity, instant
from sensord.ports import Shelf
from sensord.rules import Seen, Watch
from sensord.rules._readings import pairs, seconds
from sensord.rules._tracks import REFUSED, Track

FRESH = timedelta(minutes=5)
FRESH_INTERVALS = 5
"""A reading speaks of now for so long, or for so many of its probe's intervals."""
DAY = timedelta(days=1)
TREND_SPAN_S = 300.0
LEAST_TREND_S = 1200.0
PAIRED = timedelta(minutes=15)
LATELY = timedelta(minutes=70)
SLOT_S = 900
Points = tuple[tuple[float, float], ...]
"""A day of temperatures: (hours before now, mean of a quarter of an hour [°C])."""


@dataclass(frozen=True, slots=True)
class Measured:
    """The newest usable reading of a quantity at a place."""

    value: float
    at: datetime
    is_fresh: bool
    doubts: int


class Trend(NamedTuple):
    """Where a temperature is going."""

    k_h: float  # [K/h]
    is_clear: bool  # it is more than a wavering
    step_k: float  # how much it usually changes from five minutes to the next [K]


@dataclass(frozen=True, slots=True)
class MeasuredPlace:
    """An enclosure, or the shaded post, as measured."""

    name: str
    newest: Mapping[Quantity, Measured]
    trend: Trend | None
    heard_at: datetime | None
    is_silent: bool  # one of its probes is
    course: Points


class MeasuredPlaces:
    """Looks at places, through whichever connection it is given."""

    def __init__(self, garden: Garden) -> None:
        self._garden = garden
        self._courses: dict[str, tuple[float, Points]] = {}

    def look(self, shelf: Shelf, name: str, watch: Watch, now: datetime) -> tuple[MeasuredPlace, Track | None]:
        """A place, and the temperatures of its best probe."""
        garden = self._garden
        newest: dict[Quantity, Measured] = {}
        temperatures: Track | None = None
        thermometer: Probe | None = None
        for quantity in Quantity:
            for probe in garden.probes_at(name, quantity):
                series = shelf.readings.series(probe.name, quantity, now - LATELY, now + timedelta(minutes=1))
                track = Seen.of(probe, *series).usable(seconds(now) + 60.0)
                found = _newest(track, probe, now) or self._old(shelf, probe, quantity)
                if found is None or (quantity in newest and not found.is_fresh):
                    continue
                newest[quantity] = found
                if quantity is Quantity.TEMPERATURE:
                    temperatures, thermometer = track, probe
                if found.is_fresh:
                    break
        probes = [p for p in garden.probes if p.place == name]
        recent = temperatures.last_hour(seconds(now)) if temperatures else None
        return (
            MeasuredPlace(
                name,
                newest,
                trend_of(recent) if recent else None,
                max((watch.last_heard[p.name] for p in probes if p.name in watch.last_heard), default=None),
                any(watch.is_silent(p, now) for p in probes),
                self._course(shelf, thermometer, now) if thermometer else (),
            ),
            temperatures,
        )

    def _old(self, shelf: Shelf, probe: Probe, quantity: Quantity) -> Measured | None:
        """The last reading of a probe that has not been heard lately."""
        last = shelf.readings.latest(probe.name, quantity)
        if last is None or last.doubts & REFUSED:
            return None
        return Measured(last.value, last.measured_at, False, last.doubts)

    def _course(self, shelf: Shelf, probe: Probe, now: datetime) -> Points:
        """Slots by the clock, so that the drawing stays the same from one look to the next; read once a minute."""
        minute, newest_s = seconds(now) // 60, seconds(now) // SLOT_S * SLOT_S
        known = self._courses.get(probe.name)
        if known is None or known[0] != minute:
            slots = shelf.readings.slots(probe.name, Quantity.TEMPERATURE, now - DAY, now, SLOT_S, int(REFUSED))
            course = tuple((max(0.0, newest_s - slot.start_s + SLOT_S / 2) / 3600.0, slot.mean) for slot in slots)
            self._courses[probe.name] = known = (minute, course)
        return known[1]


def _fresh_for(probe: Probe) -> timedelta:
    return max(FRESH, FRESH_INTERVALS * timedelta(seconds=probe.interval_s))


def _newest(track: Track, probe: Probe, now: datetime) -> Measured | None:
    if not track.times_s:
        return None
    at = instant(round(track.times_s[-1] * 1000))
    return Measured(track.values[-1], at, now - at <= _fresh_for(probe), track.doubts[-1] & ~Doubt.LATE)


def is_fresh(place: MeasuredPlace) -> bool:
    found = place.newest.get(Quantity.TEMPERATURE)
    return found is not None and found.is_fresh


def offset_k(inside: Track | None, post: Track | None, now: datetime) -> float | None:
    """Inside less outside, the median of the last pairs [K]."""
    if inside is None or post is None:
        return None
    paired = pairs(inside, post, seconds(now - PAIRED), seconds(now))
    return paired.median() if paired.differences else None


def trend_of(recent: Track) -> Trend | None:
    """The median slope of all pairs of five-minute means; None of less than twenty minutes.

    It is clear where three quarters of the pairs agree on the way.

    Source: Theil (1950) and Sen (1968), doi:10.1080/01621459.1968.10480934, for the median of slopes; the quarters are chosen
    """
    part = recent.means(TREND_SPAN_S)
    points = list(zip(part.times_s, part.values, strict=True))
    if len(points) < 3 or points[-1][0] - points[0][0] < LEAST_TREND_S:
        return None
    slopes = [3600.0 * (v2 - v1) / (t2 - t1) for (t1, v1), (t2, v2) in combinations(points, 2) if t2 > t1]
    low, middle, high = quantiles(slopes, n=4, method="inclusive")
    steps = [abs(v2 - v1) for (_, v1), (_, v2) in pairwise(points)]
    return Trend(middle, low * high > 0.0, median(steps))
