"""What the configuration makes of the tiers of heat, and how long the inside has been above them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from pydantic import Field

from sensord.model import Severity
from sensord.rules._bounds import Bounds
from sensord.rules._tracks import Track
from sensord.science import heat
from sensord.species.limits import Animals, Limits, limits_of

MEAN_S = 300.0
"""Heat is judged by means over this long: no single reading makes a spell. Chosen."""
DIP_S = 2 * MEAN_S
"""A dip this short below a tier does not end a spell: a breath of wind. One mean below lies between two lines, so it is
up to two means wide: with less, a single mean would end a spell. Chosen."""
BRIDGE_S = 1200.0
"""Readings further apart than this (or than three intervals) leave a gap of which nothing is known. Chosen."""


class HeatLimits(Bounds):
    """What the configuration may change of a species' tiers."""

    moderate_c: float | None = Field(
        None, ge=20, le=50, description="Moderate from here on [°C]; default: species file"
    )
    moderate_after_min: float | None = Field(None, ge=0, le=720, description="for so long [min]; default: species file")
    severe_c: float | None = Field(None, ge=20, le=50, description="Severe from here on [°C]; default: species file")
    severe_after_min: float | None = Field(None, ge=0, le=720, description="for so long [min]; default: species file")
    extreme_c: float | None = Field(None, ge=20, le=60, description="Extreme from here on [°C]; default: species file")
    extreme_after_min: float | None = Field(None, ge=0, le=720, description="for so long [min]; default: species file")
    least_min: float = Field(6, ge=1, le=60, description="no tier counts before it has lasted so long [min]; chosen")

    def limits_of(self, present: Sequence[Animals]) -> Limits:
        """The limits of those who are present, as the configuration changes them."""
        given = {
            Severity.MODERATE: (self.moderate_c, self.moderate_after_min),
            Severity.SEVERE: (self.severe_c, self.severe_after_min),
            Severity.EXTREME: (self.extreme_c, self.extreme_after_min),
        }
        overrides = {
            s: (level_c, None if minutes is None else minutes / 60.0) for s, (level_c, minutes) in given.items()
        }
        return limits_of(present, overrides, self.least_min / 60.0)


@dataclass(frozen=True, slots=True)
class HeatAbove:
    """Time and dose at or above a tier, of what the track spans."""

    hours: float
    degree_hours: float
    spell_h: float  # of the spell that reaches the newest reading


NEVER = HeatAbove(0.0, 0.0, 0.0)


def above(inside: Track, tier_c: float) -> HeatAbove:
    """How long, how much, and for how long now; of a track of means."""
    if not inside.values or max(inside.values) < tier_c:
        return NEVER
    exposure = heat.exposure_above(inside.times_s, inside.values, tier_c, _bridge_s(inside), DIP_S)
    return HeatAbove(exposure.hours, exposure.degree_hours, exposure.current_spell_hours)


def spells(inside: Track, tier_c: float) -> list[heat.Spell]:
    """The times at or above a tier, counted as `above` counts them; of a track of means."""
    return heat.spells_above(inside.times_s, inside.values, tier_c, _bridge_s(inside), DIP_S)


def _bridge_s(inside: Track) -> float:
    return max(BRIDGE_S, 3 * inside.interval_s)
