"""The garden: what is configured, and the one answer to how it stands at any instant. Pure.

Who is where and in which stage, which limits hold for a place, how it is held, shaded, covered, sheltered, whether a probe
is silent: rules, review, page, degree-days and shipping ask here, and nothing else works it out.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from functools import cached_property

from pydantic import BaseModel

from sensord import ledger
from sensord.config import Settings
from sensord.ledger import Stand
from sensord.model import EPOCH, FAR, Cohort, Enclosure, Entry, Probe, Quantity, Site
from sensord.rules import Manner, Rule
from sensord.rules._anchoring import Held, Holding
from sensord.rules._heat import HeatLimits
from sensord.rules._watching import Patience
from sensord.species import Species
from sensord.species.limits import Animals, Era, Limits

HOUR = timedelta(hours=1)


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
    _latest: list[tuple[object, Told]] = field(init=False, compare=False, repr=False, default_factory=list)

    @property
    def cadences(self) -> dict[str, timedelta]:
        """How often each rule is asked."""
        return {name: rule.every for name, rule in self.rules.items()}

    @property
    def patience(self) -> Patience:
        """After what silence a probe is called silent."""
        found = self.parameters.get(("silent", ""))
        return found if isinstance(found, Patience) else Patience.model_validate({})

    @property
    def manners(self) -> dict[str, Manner]:
        """How each rule's concerns are spoken of."""
        return {name: rule.manner for name, rule in self.rules.items()}

    def probes_at(self, place: str, quantity: Quantity) -> tuple[Probe, ...]:
        """The probes of a place that measure a quantity, the primary one first."""
        return tuple(p for p in self.probes if p.place == place and quantity in p.quantities)

    def told(self, entries: Iterable[Entry]) -> Told:
        """The garden with what the keeper said; who asks again with the very same tuple is given the same."""
        if not isinstance(entries, tuple):
            return Told(self, entries)
        for known, told in self._latest:
            if known is entries:
                return told
        told = Told(self, entries)
        self._latest[:] = [(entries, told)]
        return told

    def at(self, now: datetime, entries: Iterable[Entry] = ()) -> At:
        """How everything stands at an instant, for those who ask once."""
        return self.told(entries).at(now)

    def limits(self, enclosure: str, cohorts: Iterable[Cohort]) -> Limits | None:
        """What an enclosure is judged by with these animals in it; an empty one, by the garden's first species.

        None where no species is known at all.
        """
        here: list[Animals] = [(self.species[c.species], c.stage) for c in cohorts if c.species in self.species]
        present = here or [(species, None) for species in list(self.species.values())[:1]]
        found = self.parameters.get(("overheating", enclosure))
        heat = found if isinstance(found, HeatLimits) else HeatLimits.model_validate({})
        return heat.limits_of(present) if present else None

    def held(self, stand: Stand) -> Held:
        """How an enclosure is held against the wind as it stands."""
        found = self.parameters.get(("storm", stand.enclosure.name))
        return Held(stand, found if isinstance(found, Holding) else Holding.model_validate({}))


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


class Told:
    """A garden and everything that the keeper said of it, in the order in which it happened."""

    def __init__(self, garden: Garden, entries: Iterable[Entry]) -> None:
        self.garden = garden
        own = (e for e in entries if e.site == garden.site.name)
        self.entries: Sequence[Entry] = sorted(own, key=lambda e: (e.at, e.received_at))
        self._times = [e.at for e in self.entries]
        self._known: tuple[int, At] | None = None

    @cached_property
    def addressed(self) -> tuple[Entry, ...]:
        """The entries, those about animals addressed to the enclosure that they were in when it was said."""
        places = {e.name for e in self.garden.enclosures}
        return tuple(e if e.subject in places else self._addressed(n, e) for n, e in enumerate(self.entries))

    def _addressed(self, index: int, entry: Entry) -> Entry:
        if entry.subject not in {c.name for c in self.garden.cohorts}:
            return entry
        before = At(self.garden, self.entries[:index], entry.at)
        found = (s.enclosure.name for s in before.stands.values() for c in s.cohorts if c.name == entry.subject)
        return entry._replace(subject=next(found, entry.subject))

    def at(self, now: datetime) -> At:
        """How everything stands at an instant: worked out anew only where something was said since."""
        said = bisect_right(self._times, now)
        if self._known is None or self._known[0] != said:
            self._known = (said, At(self.garden, self.entries[:said], now))
        return self._known[1]

    def during(self, enclosure: str, start: datetime, end: datetime) -> Limits | None:
        """What an enclosure is judged by over a span: by everybody who was in it."""
        times = self._changes(start, end)
        inside = {(c.species, c.stage): c for at in times for c in self.at(at).stands[enclosure].cohorts}
        return self.garden.limits(enclosure, inside.values())

    def eras(self, enclosure: str) -> tuple[Era, ...]:
        """For which species the warmth of an enclosure counts, from which full hour on: tallies are kept by hour."""
        found: dict[datetime, Era] = {}
        for at in self._changes(EPOCH, FAR):
            limits = self.at(at).limits(enclosure)
            since = EPOCH + HOUR * -(-(at - EPOCH) // HOUR)
            if limits is not None:
                found[since] = Era(since, limits.species, limits.lower_c, limits.upper_c)
        eras = list(found.values())
        return tuple(era for n, era in enumerate(eras) if n == 0 or eras[n - 1][1:] != era[1:])

    def _changes(self, start: datetime, end: datetime) -> list[datetime]:
        """The start, and the instants until the end at which something was said of animals."""
        since = self.entries[bisect_right(self._times, start) : bisect_left(self._times, end)]
        return [start, *(e.at for e in since if e.what in ledger.OF_COHORTS)]


class At:
    """How everything stands after the last thing that was said before an instant."""

    def __init__(self, garden: Garden, entries: Sequence[Entry], now: datetime) -> None:
        self.stands: Mapping[str, Stand] = {
            e.name: ledger.stand(e, garden.cohorts, entries, now) for e in garden.enclosures
        }
        self._garden = garden
        self._of: dict[str, tuple[Stand, Limits | None, Held]] = {}

    def of(self, enclosure: str) -> tuple[Stand, Limits | None, Held]:
        """How an enclosure stands, what it is judged by, and how it is held: what every rule about it asks, each turn."""
        found = self._of.get(enclosure)
        if found is None:
            stand, garden = self.stands[enclosure], self._garden
            found = self._of[enclosure] = (stand, garden.limits(enclosure, stand.cohorts), garden.held(stand))
        return found

    def limits(self, enclosure: str) -> Limits | None:
        """What an enclosure is judged by."""
        return self.of(enclosure)[1]

    def held(self, enclosure: str) -> Held:
        """How an enclosure is held against the wind."""
        return self.of(enclosure)[2]
