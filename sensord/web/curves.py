"""The curves of a day or a week: equal slots of time, what was measured in them, gaps as gaps, and what was said meanwhile.

A day is read from raw readings, a week from the hourly summaries.
"""

from __future__ import annotations

import math
import time
from collections import OrderedDict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

from sensord.language import Measure
from sensord.model import AMBIENT, ANSWERS, EPOCH, Entry, Probe, Quantity, Severity
from sensord.ports import Shelf
from sensord.rules._readings import seconds
from sensord.rules._tracks import REFUSED
from sensord.species.limits import Tier
from sensord.web.snapshot import PageNeeds, StoreLook

HOUR_S = 3600
SLOT_S = {"day": 300, "week": HOUR_S}
SPAN = {"day": timedelta(days=1), "week": timedelta(days=7)}
KEPT, KEPT_S = 8, 5.0
FARTHEST_BACK = timedelta(days=400)


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is to be drawn."""

    span: str  # day or week
    end: datetime
    place: str  # an enclosure, or "" for all
    measure: Measure  # in whose units


@dataclass(frozen=True, slots=True)
class CurveLine:
    """One curve: a value for each slot, None where nothing was measured."""

    label: str
    is_post: bool
    quantity: Quantity
    values: list[float | None]
    low: list[float | None] | None = None
    high: list[float | None] | None = None


class Curves:
    """Draws nothing; gives what is to be drawn."""

    def __init__(self, house: PageNeeds, look: StoreLook) -> None:
        self._house, self._look = house, look
        self._kept: OrderedDict[Wanted, tuple[float, dict[str, Any]]] = OrderedDict()

    def data(self, wanted: Wanted) -> dict[str, Any]:
        """Everything for the charts and for the table beside them, in the shelf's units; not to be changed.

        A page and the numbers for its drawing are asked for one after the other: both get the same.
        """
        minute = replace(wanted, end=wanted.end.replace(second=0, microsecond=0))
        known = self._kept.get(minute)
        if known is None or time.monotonic() - known[0] > KEPT_S:
            self._kept[minute] = known = (time.monotonic(), self._data(wanted))
            while len(self._kept) > KEPT:
                self._kept.popitem(last=False)
        return known[1]

    def look_again(self) -> None:
        """Something was written."""
        self._kept.clear()

    def _data(self, wanted: Wanted) -> dict[str, Any]:
        garden = self._house.garden
        slot_s = self._slot_s(wanted)
        end_s = math.ceil(seconds(wanted.end) / slot_s) * slot_s
        starts = list(range(end_s - int(SPAN[wanted.span].total_seconds()), end_s, slot_s))
        with self._look.shelf() as shelf:
            entries = shelf.entries.between(EPOCH, wanted.end + timedelta(seconds=1))
            lines = [
                line for place in self._places(wanted) for line in self._lines(shelf, place, wanted, starts, slot_s)
            ]
        begin = wanted.end - SPAN[wanted.span]
        stood = garden.at(wanted.end, entries)
        limits = [stood.limits(e.name) for e in garden.enclosures if wanted.place in ("", e.name)]
        tiers = {tier for known in limits if known for tier in known.tiers}
        return {
            "zone": garden.site.time_zone,
            "us": wanted.measure.us,
            "span": wanted.span,
            "slot_s": slot_s,
            "times": [start + slot_s / 2 for start in starts],
            "charts": [
                self._chart(
                    "temperature",
                    wanted.measure.degree,
                    Quantity.TEMPERATURE,
                    lines,
                    _tier_lines(tiers, wanted.measure),
                ),
                self._chart("humidity", "%", Quantity.HUMIDITY, lines, []),
                self._chart("gusts", wanted.measure.wind_unit, Quantity.WIND_GUST, lines, []),
            ],
            "entries": [e for e in entries if begin <= e.at <= wanted.end and self._is_about(e, wanted.place)],
        }

    def _slot_s(self, wanted: Wanted) -> int:
        """Long enough that every slot of a working probe has a reading."""
        probes = [p for place in self._places(wanted) for p in self._house.garden.probes if p.place == place]
        slowest = max((p.interval_s for p in probes), default=60.0)
        return min(HOUR_S, max(SLOT_S[wanted.span], math.ceil(1.5 * slowest / 300) * 300))

    def _places(self, wanted: Wanted) -> list[str]:
        enclosures = [e.name for e in self._house.garden.enclosures]
        return [*(enclosures if not wanted.place else [wanted.place]), AMBIENT]

    def _lines(self, shelf: Shelf, place: str, wanted: Wanted, starts: Sequence[int], slot_s: int) -> list[CurveLine]:
        found = []
        post = self._house.texts.say("page.curves.post")
        title = next((e.title for e in self._house.garden.enclosures if e.name == place), post)
        for quantity in (Quantity.TEMPERATURE, Quantity.HUMIDITY, Quantity.WIND_GUST):
            slots: dict[int, tuple[float, float, float]] = {}
            for probe in self._house.garden.probes_at(place, quantity):
                if wanted.span == "week":
                    more = self._from_hours(shelf, probe, quantity, starts)
                else:
                    more = self._from_readings(shelf, probe, quantity, starts, slot_s)
                slots = {**more, **slots}  # where the first probe of a place is silent, the next one speaks
            if slots:
                found.append(_line(title, place == AMBIENT, quantity, slots, starts, wanted))
        return found

    def _from_hours(
        self, shelf: Shelf, probe: Probe, quantity: Quantity, starts: Sequence[int]
    ) -> dict[int, tuple[float, float, float]]:
        hours = shelf.summaries.hours(probe.name, quantity, _utc(starts[0]), _utc(starts[-1] + HOUR_S))
        return {int(seconds(h.start)): (h.mean, h.minimum, h.maximum) for h in hours}

    def _from_readings(
        self, shelf: Shelf, probe: Probe, quantity: Quantity, starts: Sequence[int], slot_s: int
    ) -> dict[int, tuple[float, float, float]]:
        span = _utc(starts[0]), _utc(starts[-1] + slot_s)
        slots = shelf.readings.slots(probe.name, quantity, *span, slot_s, int(REFUSED))
        return {slot.start_s: (slot.mean, slot.minimum, slot.maximum) for slot in slots}

    def _chart(
        self, kind: str, unit: str, quantity: Quantity, lines: Sequence[CurveLine], tiers: list[dict[str, Any]]
    ) -> dict[str, Any]:
        return {
            "kind": kind,
            "title": self._house.texts.say(f"page.curves.{kind}"),
            "unit": unit,
            "tiers": tiers,
            "lines": [
                {"label": line.label, "post": line.is_post, "values": line.values, "low": line.low, "high": line.high}
                for line in lines
                if line.quantity is quantity
            ],
        }

    def _is_about(self, entry: Entry, place: str) -> bool:
        if not place or not entry.subject:
            return True
        subject = entry.subject.partition("/")[2] if entry.what in ANSWERS else entry.subject
        cohorts = {c.name for c in self._house.garden.cohorts if c.enclosure == place}
        return subject == place or subject in cohorts


def _utc(unix_s: float) -> datetime:
    return EPOCH + timedelta(seconds=unix_s)


def _line(
    title: str,
    is_post: bool,
    quantity: Quantity,
    slots: Mapping[int, tuple[float, float, float]],
    starts: Sequence[int],
    wanted: Wanted,
) -> CurveLine:
    write = {
        Quantity.TEMPERATURE: wanted.measure.value,
        Quantity.HUMIDITY: lambda v: 100 * v,
        Quantity.WIND_GUST: wanted.measure.wind_value,
    }[quantity]
    which = 2 if quantity is Quantity.WIND_GUST else 0  # of gusts the highest counts

    def column(index: int) -> list[float | None]:
        return [round(write(slots[start][index]), 2) if start in slots else None for start in starts]

    band = wanted.place and not is_post and quantity is not Quantity.WIND_GUST
    return CurveLine(title, is_post, quantity, column(which), column(1) if band else None, column(2) if band else None)


def _tier_lines(tiers: set[Tier], measure: Measure) -> list[dict[str, Any]]:
    """Each tier with its temperature, how bad it is and after how long."""
    found: dict[float, dict[str, Any]] = {}
    for tier in sorted(tiers, key=lambda t: (t.temperature_c, -t.after_h)):
        minutes = measure.amount(measure.number(60 * tier.after_h, 0), "min")
        after = minutes if tier.after_h < 1.0 else measure.amount(measure.plain(tier.after_h), "h")
        level, severity = round(measure.value(tier.temperature_c), 1), Severity(tier.severity)
        word = measure.say(
            "page.curves.tier",
            level=measure.temperature(tier.temperature_c, 0),
            severity=measure.say(f"terms.severity.{severity.name.lower()}"),
            after=after if tier.after_h else None,
        )
        found[level] = {"level": level, "word": word, "severity": int(severity)}
    return list(found.values())
