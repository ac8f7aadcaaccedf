"""Arrivals in, one event out: decoded, assessed, understood. It remembers a little of each series and decides nothing."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from datetime import datetime

from sensord.engine.events import Arrived
from sensord.garden import Garden
from sensord.intake import entries
from sensord.intake.payload import Decoder
from sensord.intake.quality import Assessor
from sensord.model import Arrival, Doubt, Entry, Reading, Recipe, Refusal, as_kept

FirstReceipt = Callable[[Arrival], datetime | None]
"""When a redelivered message was first made durable; None if it never was."""


class Reception:
    """What understands the messages of one garden."""

    def __init__(self, garden: Garden, recipes: Sequence[Recipe], entry_topic: str) -> None:
        self._decoder = Decoder(recipes)
        self._assessor = Assessor(garden.probes, garden.enclosures, garden.site)
        self._entry_topic = entry_topic
        self._site = garden.site.name
        self._places = [e.name for e in garden.enclosures]
        self._cohorts = [c.name for c in garden.cohorts]
        self._rules = tuple(garden.rules)

    def prime(self, readings: Iterable[Reading]) -> None:
        """Learn what is usual from what was stored before."""
        self._assessor.prime(readings)

    def take(
        self, arrivals: Sequence[Arrival], at: datetime, first_receipt: FirstReceipt, clock_is_set: bool = True
    ) -> Arrived:
        """What came in, as an event."""
        readings: list[Reading] = []
        refusals: list[Refusal] = []
        said: list[Entry] = []
        undated: list[Arrival] = []
        for arrival in arrivals:
            if arrival.redelivered:
                first = first_receipt(arrival)
                if first is not None:
                    arrival = arrival._replace(received_at=first)  # it is the same message
            if arrival.topic == self._entry_topic:
                undated.append(arrival)
                heard = entries.decode(arrival, self._site, self._places, self._cohorts, self._rules)
                if isinstance(heard, Entry):
                    said.append(heard)
                else:
                    refusals.append(heard)
                continue
            measured, refused, takes_receipt = self._decoder.decode(arrival)
            readings += measured
            refusals += refused
            if takes_receipt:
                undated.append(arrival)
        if not clock_is_set:
            readings = [r._replace(doubts=r.doubts | Doubt.CLOCK) for r in readings]
        kept = tuple(map(as_kept, self._assessor.assess(readings)))
        return Arrived(at, tuple(arrivals), kept, tuple(refusals), tuple(said), tuple(undated))
