"""What the watching rules share: which probes are silent, and what to call a probe's place."""

from __future__ import annotations

from datetime import datetime, timedelta

from pydantic import Field

from sensord.model import AMBIENT, Probe, Quantity
from sensord.rules import Evidence, Watch
from sensord.rules._readings import Bounds


class Patience(Bounds):
    """After what silence a probe is called silent."""

    silent_min: float = Field(15, ge=2, le=1440, description="a probe silent for longer than this [min]; chosen")
    silent_intervals: float = Field(
        5, ge=2, le=100, description="and for longer than this many of its own intervals [1]; chosen"
    )

    def silence(self, probe: Probe) -> timedelta:
        """The silence that a probe is allowed."""
        return max(timedelta(minutes=self.silent_min), timedelta(seconds=self.silent_intervals * probe.interval_s))


def heard_at(watch: Watch, probe: Probe) -> datetime:
    """When a probe was last heard; before that, the watching itself must have begun."""
    return max(watch.last_heard.get(probe.name, watch.running_since), watch.running_since)


def is_silent(watch: Watch, probe: Probe, patience: Patience, now: datetime) -> bool:
    """Whether nothing has come from a probe for longer than it is allowed."""
    return now - heard_at(watch, probe) > patience.silence(probe)


def all_silent(evidence: Evidence, watch: Watch, patience: Patience, now: datetime) -> bool:
    """Whether nothing is heard any more: then it is not a probe that is at fault."""
    return all(is_silent(watch, p, patience, now) for p in evidence.probes)


def tells_ambient(probe: Probe) -> bool:
    """Whether a probe stands at the shaded post and tells its temperature."""
    return probe.place == AMBIENT and Quantity.TEMPERATURE in probe.quantities


def title_of(evidence: Evidence, place: str) -> str:
    """An enclosure by its title; the post as it is."""
    return next((s.enclosure.title for s in evidence.stands if s.enclosure.name == place), place)
