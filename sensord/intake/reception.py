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
        """What came in, as an event. A message that meets a defect of ours is refused; the others of the batch are not."""
        readings: list[Reading] = []
        refusals: list[Refusal] = []
        said: list[Entry] = []
        undated: list[Arrival] = []
        defects: list[tuple[Refusal, Exception]] = []
        for arrival in arrivals:
            if arrival.redelivered:
                first = first_receipt(arrival)
                if first is not None:
                    arrival = arrival._replace(received_at=first)  # it is the same message
            try:
                measured, refused, heard, takes_receipt = self._understood(arrival, clock_is_set)
            except Exception as defect:  # noqa: BLE001  # handed on with the event, and told with its traceback
                refusal = self._decoder.refusal(arrival, [f"a defect of sensord's: {type(defect).__name__}: {defect}"])
                refusals.append(refusal)
                defects.append((refusal, defect))
                continue
            readings += measured
            refusals += refused
            said += heard
            if takes_receipt:
                undated.append(arrival)
        return Arrived(
            at, tuple(arrivals), tuple(readings), tuple(refusals), tuple(said), tuple(undated), tuple(defects)
        )

    def _understood(
        self, arrival: Arrival, clock_is_set: bool
    ) -> tuple[Iterable[Reading], Sequence[Refusal], Sequence[Entry], bool]:
        """What one message holds, and whether anything of it is dated by its receipt."""
        if arrival.topic == self._entry_topic:
            heard = entries.decode(arrival, self._site, self._places, self._cohorts, self._rules)
            return ((), (), (heard,), True) if isinstance(heard, Entry) else ((), (heard,), (), True)
        measured, refused, takes_receipt = self._decoder.decode(arrival)
        if not clock_is_set:
            measured = [r._replace(doubts=r.doubts | Doubt.CLOCK) for r in measured]
        return [as_kept(r) for r in self._assessor.assess(measured)], refused, (), takes_receipt
