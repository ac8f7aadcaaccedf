"""The garden: what is configured, in the words of the core. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import timedelta

from pydantic import BaseModel

from sensord.config import Settings
from sensord.model import Cohort, Enclosure, Probe, Quantity, Site
from sensord.rules import Rule, Stand
from sensord.species import Species


@dataclass(frozen=True, slots=True)
class Garden:
    """What does not change while the daemon runs: the configuration in the words of the core, and the rules."""

    site: Site
    enclosures: tuple[Enclosure, ...]
    probes: tuple[Probe, ...]
    cohorts: tuple[Cohort, ...]
    rules: Mapping[str, Rule]
    species: Mapping[str, Species]
    parameters: Mapping[tuple[str, str], BaseModel]  # (rule, enclosure or "") → its parameters

    @property
    def cadences(self) -> dict[str, timedelta]:
        """How often each rule is asked."""
        return {name: rule.every for name, rule in self.rules.items()}

    def probes_at(self, place: str, quantity: Quantity) -> tuple[Probe, ...]:
        """The probes of a place that measure a quantity, the primary one first."""
        return tuple(p for p in self.probes if p.place == place and quantity in p.quantities)


def garden_of(settings: Settings, rules: Mapping[str, Rule], species: Mapping[str, Species]) -> Garden:
    """The garden that a configuration describes."""
    parameters: dict[tuple[str, str], BaseModel] = {}
    for name, rule in rules.items():
        own = {"brick_kg": settings.keeper.brick_kg} if "brick_kg" in rule.Parameters.model_fields else {}
        common = {**own, **settings.rules.get(name, {})}
        parameters[name, ""] = rule.Parameters.model_validate(common)
        for e in settings.enclosure:
            parameters[name, e.name] = rule.Parameters.model_validate({**common, **e.rules.get(name, {})})
    return Garden(
        settings.place_on_earth, settings.enclosures, settings.probes, settings.cohorts, rules, species, parameters
    )


def species_of(garden: Garden, stand: Stand | None) -> Species | None:
    """Of the cohort in the enclosure that minds heat first; else of the garden's first cohort."""
    here = [garden.species[c.species] for c in (stand.cohorts if stand else ()) if c.species in garden.species]
    if here:
        return min(here, key=lambda s: min(t.temperature_c for t in s.heat_tiers))
    return next(iter(garden.species.values()), None)
