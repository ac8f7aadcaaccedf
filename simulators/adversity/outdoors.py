"""What happens outdoors, by a seed and the true time: weather, what the probes send, and when the world fails."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from random import Random
from typing import NamedTuple

MINUTE = timedelta(minutes=1)
MORNING = datetime(2026, 8, 20, 10, 0, tzinfo=UTC)
"""Six o'clock in the garden."""
MALFORMED = (
    ("alder", b"not a number"),
    ("alder", b"\xff\x00"),
    ("alder", b"1e999"),
    ("wind", b'{"at": "9999-12-31T23:59:59-14:00", "gust": 3}'),
    ("air", b"[" * 2000),
    ("entry", b'{"what": "shaded", "subject": "alder", "at": "9999-12-31T23:59:59-14:00"}'),
    ("entry", b'{"what": "shaded", "subject": "alder", "at": "0001-01-01T00:00:00+14:00"}'),
    ("entry", b'{"what": "anchored", "subject": "alder"}'),
)
"""What comes now and then and can't be understood: its topic at the site, and what it holds."""


class Published(NamedTuple):
    """What a probe sends, and what must be stored of it: (probe, quantity, value in its stored unit)."""

    at: datetime
    topic: str
    payload: bytes
    readings: tuple[tuple[str, str, float], ...]


class Span(NamedTuple):
    """From when to when something fails."""

    start: datetime
    end: datetime

    def holds(self, at: datetime) -> bool:
        """Whether it fails at that moment."""
        return self.start <= at < self.end


@dataclass(frozen=True, slots=True)
class Course:
    """All that a seed decides beforehand of one garden's days."""

    seed: str
    start: datetime
    hours: int
    hottest_c: float
    front_at: datetime | None
    no_link: tuple[Span, ...]
    no_disk: tuple[Span, ...]
    no_phone: tuple[Span, ...]
    dead_probe: Span | None
    steps: tuple[tuple[datetime, timedelta], ...]  # when the clock is put wrong or right, and how far it is off then

    @property
    def end(self) -> datetime:
        """When it is over."""
        return self.start + timedelta(hours=self.hours)


def course_of(seed: int, site: str, hours: int, steps: bool) -> Course:
    """The days of a garden."""
    chance = Random(f"{seed} {site}")
    start = MORNING + timedelta(hours=chance.randrange(0, 18))

    def spans(most: int, longest_min: int) -> tuple[Span, ...]:
        found = []
        for _ in range(chance.randint(0, most)):
            at = start + timedelta(seconds=chance.uniform(0, 3600 * (hours - 1)))
            found.append(Span(at, at + timedelta(seconds=chance.uniform(5, 60 * longest_min))))
        return tuple(sorted(found))

    def wrong() -> tuple[tuple[datetime, timedelta], ...]:
        at = start + timedelta(minutes=chance.uniform(20, 60 * hours / 2))
        off = chance.choice([timedelta(hours=1), timedelta(days=1), timedelta(days=-1), timedelta(hours=-1)])
        return (at, off), (at + timedelta(minutes=chance.uniform(10, 90)), timedelta())

    dead = start + timedelta(minutes=chance.uniform(30, 60 * hours))
    return Course(
        seed=f"{seed} {site}",
        start=start,
        hours=hours,
        hottest_c=chance.choice([24.0, 31.0, 35.5, 39.0, 43.0]),
        front_at=start + timedelta(minutes=chance.uniform(60, 60 * hours)) if chance.random() < 0.4 else None,
        no_link=spans(3, 40),
        no_disk=spans(2, 6),
        no_phone=spans(3, 60),
        dead_probe=Span(dead, dead + timedelta(hours=2)) if chance.random() < 0.3 else None,
        steps=wrong() if steps else (),
    )


def published(course: Course, site: str) -> Iterator[Published]:
    """Everything that the probes send, in order of time."""
    chance, slips = Random(f"{course.seed} probes"), Random(f"{course.seed} slips")
    full, minute = course.start, 0
    pressure_pa = 98_700.0
    while full < course.end:
        at = full + timedelta(milliseconds=chance.randrange(40_000))  # no two minutes are alike
        hour = (at - MORNING) / timedelta(hours=1) % 24
        warm = max(0.0, math.sin(math.pi * (hour - 1) / 14)) if 1 <= hour <= 15 else 0.0
        ambient_c = 17.0 + (min(course.hottest_c, 33.0) - 17.0) * warm + chance.gauss(0, 0.1)
        inside_c = 17.0 + (course.hottest_c - 17.0) * warm + chance.gauss(0, 0.15)
        before_front_h = (course.front_at - at) / timedelta(hours=1) if course.front_at else 99.0
        gust = 2.0 + chance.random() + (11.0 * math.exp(-(((before_front_h) * 3) ** 2)) if course.front_at else 0.0)
        pressure_pa += chance.gauss(0, 2) - (4.0 if 0 < before_front_h < 1.5 else 0.0)
        dead = course.dead_probe is not None and course.dead_probe.holds(at)
        if not dead:
            yield _number(at, f"{site}/alder", "alder-1", "temperature", inside_c)
        stamp = at.isoformat(timespec="milliseconds")
        if minute % 2 == 0:
            t, rh = round(ambient_c, 3), round(55 + 10 * chance.random(), 2)
            body = json.dumps({"at": stamp, "t": t, "rh": rh}).encode()
            readings = (("post", "temperature", t), ("post", "relative_humidity", rh / 100))
            yield Published(at, f"{site}/post", body, readings)
        if minute % 5 == 0:
            pa = round(pressure_pa, 1)
            body = json.dumps([{"n": "x:pressure", "t": round(at.timestamp(), 3), "u": "Pa", "v": pa}]).encode()
            yield Published(at, f"{site}/air", body, (("barometer", "pressure", pa),))
        gust = round(gust, 2)
        yield Published(
            at, f"{site}/wind", json.dumps({"at": stamp, "gust": gust}).encode(), (("gauge", "wind_gust", gust),)
        )
        if chance.random() < 0.01:
            topic, payload = slips.choice(MALFORMED)
            yield Published(at, f"{site}/{topic}", payload, ())
        full, minute = full + MINUTE, minute + 1


def _number(at: datetime, topic: str, probe: str, quantity: str, value: float) -> Published:
    value = round(value, 4)
    return Published(at, topic, str(value).encode(), ((probe, quantity, value),))
