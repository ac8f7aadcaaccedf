"""Heat tiers of a species for one enclosure, and how long the inside has been above them."""

from __future__ import annotations

from dataclasses import dataclass

from sensord.model import Severity
from sensord.rules._tracks import Track
from sensord.science import heat
from sensord.species import Species

DIP_S = 600.0
"""A dip this short below a tier, as seen in the means, does not end a spell: a breath of wind. Chosen."""
BRIDGE_S = 1200.0
"""Readings further apart than this (or than three intervals) leave a gap of which nothing is known. Chosen."""
MEAN_S = 300.0
"""Heat is judged by means over this long: no single reading makes a spell. Chosen."""


@dataclass(frozen=True, slots=True)
class Tier:
    """A temperature, how long it must last before it matters, and how badly it then matters."""

    temperature_c: float
    after_h: float
    severity: Severity


Override = tuple[float | None, float | None]


def tiers(species: Species, overrides: dict[Severity, Override], least_h: float) -> tuple[Tier, ...]:
    """The species' tiers, ascending, as the configuration changes them. No tier acts on less than `least_h`."""
    found: dict[Severity, Tier] = {}
    for tier in species.heat_tiers:
        found.setdefault(tier.severity, Tier(tier.temperature_c, tier.sustained_hours, tier.severity))
    for severity, (level_c, after_min) in overrides.items():
        if level_c is None and after_min is None:
            continue
        own = found.get(severity)
        if own is None and level_c is None:
            continue
        at_c = level_c if level_c is not None else own.temperature_c if own else 0.0
        after_h = after_min / 60.0 if after_min is not None else own.after_h if own else 0.0
        found[severity] = Tier(at_c, after_h, severity)
    return tuple(
        Tier(t.temperature_c, max(t.after_h, least_h), t.severity)
        for t in sorted(found.values(), key=lambda t: (t.temperature_c, t.severity))
    )


@dataclass(frozen=True, slots=True)
class Above:
    """Time and dose at or above a tier, of what the track spans."""

    hours: float
    degree_hours: float
    spell_h: float  # of the spell that reaches the newest reading


NEVER = Above(0.0, 0.0, 0.0)


def above(inside: Track, tier_c: float) -> Above:
    """How long, how much, and for how long now; of a track of means."""
    if not inside.values or max(inside.values) < tier_c:
        return NEVER
    exposure = heat.exposure_above(inside.times_s, inside.values, tier_c, max(BRIDGE_S, 3 * inside.interval_s), DIP_S)
    return Above(exposure.hours, exposure.degree_hours, exposure.current_spell_hours)
