"""What is known of the watching itself: the one answer to which probe is silent. And what the watching rules share."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from types import MappingProxyType

from pydantic import Field

from sensord.ledger import Stand
from sensord.model import AMBIENT, Gap, Probe, Quantity
from sensord.rules._bounds import Bounds

NO_PATIENCE_HERE = MappingProxyType({"silent_min": ("silent", 15.0), "silent_intervals": ("silent", 5.0)})
"""What rules that once had a patience of their own have no more."""


class Patience(Bounds):
    """After what silence a probe is called silent, by everybody."""

    silent_min: float = Field(15, ge=2, le=1440, description="a probe silent for longer than this [min]; chosen")
    silent_intervals: float = Field(
        5, ge=2, le=100, description="and for longer than this many of its own intervals [1]; chosen"
    )

    def silence_s(self, probe: Probe) -> float:
        """The silence that a probe is allowed [s]."""
        return max(60.0 * self.silent_min, self.silent_intervals * probe.interval_s)


@dataclass(frozen=True, slots=True)
class Watch:
    """What is known of the watching itself."""

    running_since: datetime
    clock_is_set: bool
    last_heard: Mapping[str, datetime]  # probe → receipt of its newest reading
    connected: bool  # to the broker; True in replay
    disconnected_since: datetime | None = None
    open_gaps: tuple[Gap, ...] = ()
    unshipped_since: datetime | None = None  # receipt of the oldest reading that another database has not got yet
    shipping_trouble: str = ""
    failing: tuple[str, ...] = ()  # rules that can't judge because of a defect in them, by concern's key
    unstored_since: datetime | None = None  # nothing can be stored: the disk is full or broken
    patience: Patience = field(default_factory=lambda: Patience.model_validate({}))

    def heard_at(self, probe: Probe) -> datetime:
        """When a probe was last heard; before that, the watching itself must have begun."""
        return max(self.last_heard.get(probe.name, self.running_since), self.running_since)

    def is_silent(self, probe: Probe, now: datetime) -> bool:
        """Whether nothing has come from a probe for longer than it is allowed."""
        return (now - self.heard_at(probe)).total_seconds() > self.patience.silence_s(probe)

    def all_silent(self, probes: Iterable[Probe], now: datetime) -> bool:
        """Whether nothing is heard any more: then it is not a probe that is at fault."""
        return all(self.is_silent(probe, now) for probe in probes)


def tells_ambient(probe: Probe) -> bool:
    """Whether a probe stands at the shaded post and tells its temperature."""
    return probe.place == AMBIENT and Quantity.TEMPERATURE in probe.quantities


def title_of(stands: Iterable[Stand], place: str) -> str:
    """An enclosure by its title; the post as it is."""
    return next((s.enclosure.title for s in stands if s.enclosure.name == place), place)
