"""What a store remembers of a garden, read when the watch begins."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta

from sensord.engine.asking import SeriesName, Windows
from sensord.engine.state import ALIVE, BEGAN, LATELY, MORNING, SHIPPING_TROUBLE, TURNED, Given, Memory, is_of_now
from sensord.engine.windows import Window, window_of
from sensord.model import EPOCH, Probe, Reading, instant
from sensord.ports import Readings, Share

AHEAD = timedelta(minutes=1)
"""A reading that is dated ahead by less is one of now."""
GAPS_SINCE = timedelta(days=30)
FACTS = (ALIVE, TURNED, BEGAN, MORNING, SHIPPING_TROUBLE)


def memory_of(store: Share, given: Given, now: datetime) -> Memory:
    """Everything that the engine goes on with."""
    later = now + timedelta(days=1)
    probes = given.garden.probes
    concerns = store.concerns.standing()
    since, standing = now - LATELY, {c.key: c for c in concerns}
    earliest = min([since, *(c.opened_at for c in concerns if c.opened_at is not None)])
    found = store.outbox.between(earliest, later)
    parcels = {p.message.key: p for p in found if is_of_now(p, standing, since)}
    parcels |= {p.message.key: p for p in store.outbox.due() if p.message.key not in parcels}
    every = [(p.name, q) for p in probes for q in sorted(p.quantities)]
    heard = {p.name: at for p in probes if (at := last_heard(store.readings, p, now)) is not None}
    return Memory(
        entries=tuple(store.entries.between(EPOCH, later)),
        concerns=(*store.concerns.past(since, later), *concerns),
        parcels=tuple(sorted(parcels.values(), key=lambda p: p.message.at)),
        readings=windows_of(store.readings, every, given.remembered, now),
        last_heard=heard,
        open_gaps=tuple(g for g in store.readings.gaps(now - GAPS_SINCE, now) if g.ended_at is None),
        facts={name: fact for name in FACTS if (fact := store.facts.recall(name)) is not None},
    )


def windows_of(readings: Readings, series: Iterable[SeriesName], back: timedelta, now: datetime) -> Windows:
    """The recent readings of these series; what is dated ahead is among them."""
    found: dict[SeriesName, Window] = {}
    for probe, quantity in series:
        columns = readings.series(probe, quantity, now - back, now + back)
        if columns.times_s:
            found[probe, quantity] = window_of(back.total_seconds(), *columns)
    return found


def last_heard(readings: Readings, probe: Probe, now: datetime) -> datetime | None:
    """The latest receipt from a probe; None if there is none.

    Of the readings up to now, and of those that a wrong clock has dated ahead, which would stay the newest for long.
    """
    newest = (
        readings.latest(probe.name, quantity, before)
        for quantity in sorted(probe.quantities)
        for before in (now + AHEAD, None)
    )
    return max((r.received_at for r in newest if r is not None), default=None)


def lately(readings: Readings, given: Given, now: datetime) -> list[Reading]:
    """The last hour of every series, by which the reception knows what is usual for it."""
    found: list[Reading] = []
    for probe in given.garden.probes:
        for quantity in sorted(probe.quantities):
            # what is dated ahead says nothing of what is usual now
            newest = readings.latest(probe.name, quantity, now) or readings.latest(probe.name, quantity)
            if newest is not None:
                found += _last_hour(readings, newest)
    return found


def _last_hour(readings: Readings, newest: Reading) -> list[Reading]:
    site, probe, quantity, at = newest[:4]
    series = readings.series(probe, quantity, at - timedelta(hours=1), at + timedelta(milliseconds=1))
    return [
        Reading(site, probe, quantity, when, when, value, doubts)
        for seconds, value, doubts in zip(*series, strict=True)
        for when in (instant(round(seconds * 1000)),)
    ]
