"""What a place is judged by: the limits of the animals that are in it, the tightest of them first. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import NamedTuple

from sensord.model import Severity, Stage
from sensord.science.bibliography import CITATIONS
from sensord.species.profile import HeatTier, Species


@dataclass(frozen=True, slots=True)
class Tier:
    """A temperature, how long it must last before it matters, and how badly it then matters."""

    temperature_c: float
    after_h: float
    severity: Severity
    name: str = ""
    source: str = ""  # the citation; "" where it is chosen
    note: str = ""
    whose: str = ""  # the species, and the stage where the tier is not of all stages


@dataclass(frozen=True, slots=True)
class Limits:
    """What a place is judged by; temperatures in °C."""

    species: str  # name of the one whose band and thresholds these are: of those present the one that minds heat first
    common_name: str
    tiers: tuple[Tier, ...]  # ascending, of whoever is there
    cool_c: float  # lower edge of the comfortable band
    frost_c: float  # of the one that minds cold first
    lower_c: float  # thresholds of development
    upper_c: float | None

    @property
    def edges_c(self) -> tuple[float, ...]:
        """Edges of the bands of warmth, ascending [°C]; one band more than edges."""
        levels = tuple(tier.temperature_c for tier in self.tiers)
        return (self.cool_c, *levels) if not levels or self.cool_c < levels[0] else levels


class Era(NamedTuple):
    """A time in which the warmth of a place counts for the same species."""

    since: datetime  # `EPOCH`: from the start
    species: str
    lower_c: float  # thresholds of development [°C]
    upper_c: float | None


Animals = tuple[Species, Stage | None]
"""A species, and the stage that it is in; None: any."""

Override = tuple[float | None, float | None]
"""A level [°C] and a duration [h] that the configuration gives a severity; None: as the species has it."""


def limits_of(
    present: Sequence[Animals], overrides: Mapping[Severity, Override] | None = None, least_h: float = 0.0
) -> Limits:
    """The limits of those who are present; at least one. No tier counts before it has lasted `least_h`."""
    own = [(species, _tiers(species, stage)) for species, stage in present]
    first, _ = min(own, key=lambda pair: _level(pair[1]))
    return Limits(
        first.name,
        first.common_name,
        _changed([tier for _, tiers in own for tier in tiers], overrides or {}, least_h),
        first.comfort.low_c,
        max(species.frost_c for species, _ in present),
        first.lower_threshold_c,
        first.upper_threshold_c,
    )


def _tiers(species: Species, stage: Stage | None) -> list[Tier]:
    """The tiers that a species has in a stage."""
    sources = {**CITATIONS, **species.sources}
    return [
        Tier(
            t.temperature_c,
            t.sustained_hours,
            t.severity,
            t.name,
            sources.get(t.source, t.source),
            t.note,
            _whose(species, t, stage),
        )
        for t in species.heat_tiers
        if not t.stages or stage is None or stage in t.stages
    ]


def _whose(species: Species, tier: HeatTier, stage: Stage | None) -> str:
    return f"{species.name}, {stage}" if tier.stages and stage is not None else species.name


def _level(tiers: Iterable[Tier]) -> float:
    return min((tier.temperature_c for tier in tiers), default=float("inf"))


def _changed(tiers: Sequence[Tier], overrides: Mapping[Severity, Override], least_h: float) -> tuple[Tier, ...]:
    """The tiers as the configuration changes them; those left out that add nothing to a tighter one."""
    found = list(tiers)
    for severity, (level_c, after_h) in overrides.items():
        if level_c is None and after_h is None:
            continue
        own = min((t for t in found if t.severity is severity), key=_tightness, default=None)
        if own is None and level_c is not None:
            own = Tier(level_c, 0.0, severity, note="as configured")
        if own is None:
            continue
        if level_c is not None and level_c != own.temperature_c:
            own = replace(own, temperature_c=level_c, source="", note="as configured")
        own = own if after_h is None else replace(own, after_h=after_h)
        found = [*(t for t in found if t.severity is not severity), own]
    kept: list[Tier] = []
    for tier in sorted((replace(t, after_h=max(t.after_h, least_h)) for t in found), key=_tightness):
        if any(t.severity >= tier.severity and t.after_h <= tier.after_h for t in kept):
            continue  # a cooler tier says as much as early
        if kept and kept[-1].temperature_c == tier.temperature_c:  # worse, and sooner: one level is one tier
            tier = replace(kept.pop(), after_h=tier.after_h)
        kept.append(tier)
    return tuple(kept)


def _tightness(tier: Tier) -> tuple[float, int, float]:
    """The cooler, the worse, the sooner comes first."""
    return tier.temperature_c, -tier.severity, tier.after_h
