"""What the promises of a store are held against: a garden and its nouns.

The suites are in `promises_measured`, `promises_kept`, `promises_told`, `promises_shipped` and `site_promises`.

The figures that a store derives (summaries, degree-days) are computed here a second time, slowly and on their own.
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterable, Sequence
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from sensord.model import (
    Advice,
    Certainty,
    Concern,
    Doubt,
    Message,
    Parcel,
    Quantity,
    Reading,
    Severity,
    Standing,
    State,
    Urgency,
    Verdict,
)
from sensord.ports import Place

SITE = "larkfield"
ALDER, BIRCH = "alder", "birch"  # alder has two probes with temperature, birch has one
LOW, HIGH, SECOND = "alder-low", "birch-low", "alder-high"
LOWER_C, UPPER_C = 11.5, 33.0
PLACES = (Place(ALDER, (LOW, SECOND), LOWER_C, UPPER_C), Place(BIRCH, (HIGH,), LOWER_C, UPPER_C))
LONGEST_BRIDGE_S, MEASURED_LIMIT_S = 3600.0, 900.0
ZONE = "America/New_York"
START = datetime(2026, 8, 20, 4, tzinfo=UTC)  # midnight in Larkfield Lane
NEVER = datetime(2200, 1, 1, tzinfo=UTC)
HOUR = timedelta(hours=1)


def reading(
    at: datetime | float, value: float, probe: str = LOW, quantity: Quantity = Quantity.TEMPERATURE, doubts: int = 0
) -> Reading:
    """A reading at an instant, or so many seconds after the start, received a quarter of a second later."""
    moment = at if isinstance(at, datetime) else START + timedelta(seconds=at)
    return Reading(SITE, probe, quantity, moment, moment + timedelta(milliseconds=250), value, doubts)


def afternoon(hours: float, every_s: float = 60.0, probe: str = LOW, seed: int = 1) -> list[Reading]:
    """A seeded series that wanders through both thresholds, to hundredths of a degree."""
    dice = random.Random(seed)
    wave = [
        (s, 22 + 14 * math.sin(s / 9000) + dice.gauss(0, 0.4))
        for s in (i * every_s + dice.uniform(0, every_s / 3) for i in range(int(hours * 3600 / every_s)))
    ]
    return [reading(round(s, 3), round(value, 2), probe) for s, value in wave]


# --- the slow way -------------------------------------------------------------------------------------------------


def lines(readings: Iterable[Reading]) -> list[tuple[float, float, float, float]]:
    """Straight lines (from_s, to_s, from_value, to_value) between usable readings that are near enough."""
    points = sorted((r.measured_at.timestamp(), r.value) for r in readings if not r.doubts & Doubt.UNUSABLE)
    return [(a, b, x, y) for (a, x), (b, y) in pairwise(points) if b - a <= LONGEST_BRIDGE_S]


def cut(
    line: tuple[float, float, float, float], start_s: float, end_s: float
) -> tuple[float, float, float, float] | None:
    """The part of a line within a span."""
    a, b, x, y = line
    begin, end = max(a, start_s), min(b, end_s)
    if end <= begin:
        return None
    slope = (y - x) / (b - a)
    return begin, end, x + slope * (begin - a), x + slope * (end - a)


def slow_degree_days(readings: Iterable[Reading], start: datetime, end: datetime) -> tuple[float, float, float]:
    """Degree-days, measured and bridged seconds of a span, each line cut where it crosses a threshold."""
    total = measured = bridged = 0.0
    for line in lines(readings):
        piece = cut(line, start.timestamp(), end.timestamp())
        if piece is None:
            continue
        a, b, x, y = piece
        if line[1] - line[0] <= MEASURED_LIMIT_S:
            measured += b - a
        else:
            bridged += b - a
        crossings = [
            a + (level - x) / (y - x) * (b - a) for level in (LOWER_C, UPPER_C) if (x - level) * (y - level) < 0
        ]
        corners = sorted([a, b, *crossings])
        for p, q in pairwise(corners):
            u, v = (min(max(x + (y - x) * (t - a) / (b - a), LOWER_C), UPPER_C) - LOWER_C for t in (p, q))
            total += (q - p) * (u + v) / 2 / 86400
    return total, measured, bridged


def slow_mean(readings: Sequence[Reading], start: datetime, end: datetime) -> float:
    """Mean over the lines that cover the span; arithmetic where none does."""
    pieces = [piece for line in lines(readings) if (piece := cut(line, start.timestamp(), end.timestamp()))]
    if pieces:
        return sum((b - a) * (x + y) / 2 for a, b, x, y in pieces) / sum(b - a for a, b, _, _ in pieces)
    inside = [r.value for r in usable(readings, start, end)]
    return sum(inside) / len(inside)


def usable(readings: Iterable[Reading], start: datetime, end: datetime) -> list[Reading]:
    """Usable readings of a span, by time."""
    inside = [r for r in readings if start <= r.measured_at < end and not r.doubts & Doubt.UNUSABLE]
    return sorted(inside, key=lambda r: r.measured_at)


def assert_hours(store: Any, readings: Sequence[Reading], probe: str = LOW) -> None:
    """The store's hourly summaries of a probe's temperature are those of the readings."""
    mine = [r for r in readings if r.probe == probe]
    starts = sorted(
        {r.measured_at.replace(minute=0, second=0, microsecond=0) for r in usable(mine, START - 99 * HOUR, NEVER)}
    )
    found = store.summaries.hours(probe, Quantity.TEMPERATURE, START - 99 * HOUR, NEVER)
    assert [hour.start for hour in found] == starts
    for hour in found:
        end = hour.start + HOUR
        values = [r.value for r in usable(mine, hour.start, end)]
        assert (hour.count, hour.minimum, hour.maximum) == (len(values), min(values), max(values))
        assert hour.mean == pytest.approx(slow_mean(mine, hour.start, end), abs=1e-9)
        assert hour.doubtful == sum(1 for r in mine if r.doubts and hour.start <= r.measured_at < end)


def assert_tally(store: Any, readings: Sequence[Reading], enclosure: str = ALDER, probe: str = LOW) -> None:
    """The store's degree-days of an enclosure are those of its one probe, hour by hour and added up."""
    mine = [r for r in readings if r.probe == probe]
    hours = store.summaries.tally(enclosure, START - 99 * HOUR, NEVER)
    for hour in hours:
        total, measured, bridged = slow_degree_days(mine, hour.start, hour.start + HOUR)
        assert hour.degree_days == pytest.approx(total, abs=1e-9)
        assert (hour.measured_s, hour.bridged_s) == pytest.approx((measured, bridged), abs=1e-6)
        assert hour.measured_s + hour.bridged_s + hour.missing_s == pytest.approx(3600, abs=1e-6)
    total, measured, bridged = slow_degree_days(mine, START - 99 * HOUR, NEVER)
    assert sum(hour.degree_days for hour in hours) == pytest.approx(total, abs=1e-9)
    assert sum(hour.measured_s for hour in hours) == pytest.approx(measured, abs=1e-6)
    assert sum(hour.bridged_s for hour in hours) == pytest.approx(bridged, abs=1e-6)


def midnight(day: date, zone: str = ZONE) -> datetime:
    """When a local day begins."""
    return datetime(day.year, day.month, day.day, tzinfo=ZoneInfo(zone)).astimezone(UTC)


def assert_days(store: Any, readings: Sequence[Reading], probe: str = LOW, zone: str = ZONE) -> None:
    """The store's daily summaries of a probe's temperature are those of the readings, by local days."""
    mine = [r for r in readings if r.probe == probe]
    starts = sorted({r.measured_at.astimezone(ZoneInfo(zone)).date() for r in usable(mine, START - 9999 * HOUR, NEVER)})
    found = store.summaries.days(probe, Quantity.TEMPERATURE, date(2020, 1, 1), date(2100, 1, 1))
    assert [day.day for day in found] == starts
    for day in found:
        begin, end = midnight(day.day, zone), midnight(day.day + timedelta(days=1), zone)
        of_day = usable(mine, begin, end)
        low, high = min(of_day, key=lambda r: r.value), max(of_day, key=lambda r: r.value)
        assert (day.count, day.minimum, day.maximum) == (len(of_day), low.value, high.value)
        assert (day.minimum_at, day.maximum_at) == (low.measured_at, high.measured_at)
        assert day.mean == pytest.approx(slow_mean(mine, begin, end), abs=1e-9)


# --- nouns --------------------------------------------------------------------------------------------------------


def a_verdict(at: datetime = START, **changes: Any) -> Verdict:
    """A verdict with a number of every kind."""
    facts: dict[str, Any] = {
        "rule": "overheating",
        "subject": ALDER,
        "state": State.BREACH,
        "at": at,
        "reason": "hot for long",
        "severity": Severity.MODERATE,
        "numbers": {"temperature_c": 34.5, "bricks": 2, "shaded": True, "since": "2026-08-20T04:00:00Z", "wind": None},
        "advice": Advice("shade", by=at + HOUR),
    }
    return Verdict(**{**facts, **changes})


def a_concern(at: datetime = START, **changes: Any) -> Concern:
    """An open concern."""
    facts: dict[str, Any] = {
        "site": SITE,
        "rule": "overheating",
        "subject": ALDER,
        "standing": Standing.OPEN,
        "verdict": a_verdict(at),
        "breached_since": at - timedelta(minutes=20),
        "opened_at": at,
    }
    return Concern(**{**facts, **changes})


def a_message(key: str, at: datetime = START, severity: Severity = Severity.MODERATE, **changes: Any) -> Message:
    """A message."""
    facts: dict[str, Any] = {
        "key": key,
        "site": SITE,
        "at": at,
        "rule": "overheating",
        "subject": ALDER,
        "severity": severity,
        "urgency": Urgency.IMMEDIATE,
        "certainty": Certainty.OBSERVED,
        "title": "Shade Alder before 13:00",
        "text": "34.5 °C for 20 minutes.",
        "action": "shade",
        "concerns": (f"overheating/{ALDER}",),
        "holds_until": at + 2 * HOUR,
    }
    return Message(**{**facts, **changes})


def keys(parcels: Iterable[Parcel]) -> list[str]:
    """Of the messages."""
    return [parcel.message.key for parcel in parcels]
