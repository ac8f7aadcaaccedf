"""What is wrong with a configuration beyond its tables: what it names, what would be read twice, what can't be true.

Each check is handed settings of which parts may be missing (None), and yields lines that begin with the key.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from itertools import combinations, pairwise
from pathlib import Path
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from pydantic import BaseModel, SecretStr, ValidationError

from sensord import species
from sensord.config import Settings
from sensord.model import Form, Severity
from sensord.rules import all_rules
from sensord.species import Species
from sensord.texts import Texts

SUN_OFF_H = 4.0
"""Nowhere does the legal time differ from the sun's by as much; the far west of China comes to 3 h. Chosen."""
TIERS = {"moderate_c": Severity.MODERATE, "severe_c": Severity.SEVERE, "extreme_c": Severity.EXTREME}


@dataclass(slots=True)
class Named:
    """What the configuration names, found on the way.

    Args:
        config: the configuration's file, from whose directory other files are named.
        tries_push: whether the push addresses are tried too, for which the library that carries them is loaded.
    """

    config: Path
    tries_push: bool = False
    species: dict[str, Species] = field(default_factory=dict)
    texts: Texts | None = None

    def mistakes(self, chosen: Settings) -> Iterator[str]:
        """Every mistake, and `species` and `texts` filled."""
        yield from _sun(chosen)
        yield from self._push(chosen)
        yield from self._texts(chosen)
        yield from _readings(chosen)
        yield from _overlaps(chosen)
        yield from self._species(chosen)
        yield from _tiers(chosen, self.species)

    def _push(self, chosen: Settings) -> Iterator[str]:
        if not self.tries_push or chosen.push is None:
            return
        for route in ("phone", "stand_in"):
            urls: tuple[SecretStr, ...] = getattr(chosen.push, route) or ()
            if urls:
                from sensord.edges.push import unknown_addresses

                yield from unknown_addresses(urls, route)

    def _texts(self, chosen: Settings) -> Iterator[str]:
        name = chosen.keeper.texts if chosen.keeper else ""
        path = self.config.parent / name if name else None
        try:
            self.texts = Texts.load(path)
        except FileNotFoundError:
            yield f'keeper.texts: there is no file {path}; name one that is there, or "" for none'
        except OSError as error:
            yield f"keeper.texts: {path}: can't be read: {error.strerror or error}"
        except ValueError as error:
            yield from (f"keeper.texts: {line}" for line in str(error).splitlines())

    def _species(self, chosen: Settings) -> Iterator[str]:
        own = self.config.parent / chosen.species_directory if chosen.species_directory else None
        if own is not None and not own.is_dir():
            yield f'species_directory: there is no directory {own}; name one that is there, or "" for none'
        directories = () if own is None else (own,)
        known = species.names(directories)
        for i, name in enumerate([c.species for c in chosen.cohort or ()] or ["monarch"], 1):
            if name is None or name in self.species:
                continue
            if name not in known:
                yield f'cohort[{i}].species: there is no species "{name}"; allowed are {", ".join(known)}'
                continue
            try:
                self.species[name] = species.load(name, directories)
            except OSError as error:
                yield f'cohort[{i}].species: "{name}" can\'t be read: {error.strerror or error}'
            except ValueError as error:
                yield from (f"cohort[{i}].species: {line}" for line in str(error).splitlines())


def _sun(chosen: Settings) -> Iterator[str]:
    """A longitude that has lost its sign stands on the other side of the earth, at another time of day."""
    site = chosen.site
    if site is None or site.longitude_deg is None or site.time_zone is None:
        return
    if site.time_zone.startswith(("Etc/", "UTC", "GMT", "Universal", "Zulu")):
        return
    zone = ZoneInfo(site.time_zone)
    year = datetime.now(UTC).year
    offsets = [datetime(year, month, 1, tzinfo=zone).utcoffset() for month in (1, 7)]
    standard_h = min(o.total_seconds() for o in offsets if o is not None) / 3600
    off_h = (site.longitude_deg / 15 - standard_h + 12) % 24 - 12
    if abs(off_h) > SUN_OFF_H:
        yield (
            f"site.longitude_deg: {site.longitude_deg:g}° is {abs(off_h):.0f} h of sun away from {site.time_zone}; "
            f"east is positive, west negative: is it {-site.longitude_deg:g}, or another time_zone?"
        )


def _readings(chosen: Settings) -> Iterator[str]:
    """Sensor types, units and pointers, which only the decoder and the assessor know."""
    from sensord.sensors import SENSORS
    from sensord.units import scale_of
    from sensord.wire import pointer_tokens

    for i, probe in enumerate(chosen.probe or (), 1):
        if probe.sensor is not None and probe.sensor not in SENSORS:
            yield f'probe[{i}].sensor: "{probe.sensor}" is not known; allowed are {", ".join(SENSORS)}'
        pointers = [(f"probe[{i}].time.pointer", probe.time.pointer)] if probe.time else []
        for j, read in enumerate(probe.reads or (), 1):
            pointers.append((f"probe[{i}].reads[{j}].pointer", read.pointer))
            if read.quantity is not None and read.unit is not None:
                try:
                    scale_of(read.quantity, read.unit)
                except ValueError as error:
                    yield f"probe[{i}].reads[{j}].unit: {error}"
        for key, pointer in pointers:
            try:
                pointer_tokens(pointer or "")
            except ValueError as error:
                yield f"{key}: {error}"


class _Source(NamedTuple):
    """Where a quantity comes from."""

    key: str
    topic: str
    form: Form
    what: str  # of the payload
    quantity: str


def _overlaps(chosen: Settings) -> Iterator[str]:
    """One message must not be taken for two things, and what the keeper says not for a reading."""
    sources = [
        _Source(f"probe[{i}].reads[{j}]", topic, form, read.pointer or read.name or "", str(read.quantity))
        for i, probe in enumerate(chosen.probe or (), 1)
        for j, read in enumerate(probe.reads or (), 1)
        if (topic := read.topic or probe.topic) and (form := read.form or probe.form) and read.quantity
    ]
    entry = chosen.broker.entry_topic if chosen.broker else None
    for source in sources:
        if entry and _overlap(source.topic.split("/"), entry.split("/")):
            yield (
                f'{_topic_key(source, chosen)}: "{source.topic}" {"is" if source.topic == entry else "takes in"} '
                f"broker.entry_topic \"{entry}\", where the keeper's entries arrive; give a topic of the probe's own"
            )
    for one, other in combinations(sources, 2):
        if one.topic != other.topic:
            named = one.form is other.form is Form.SENML and one.what and other.what and one.what != other.what
            if not named and _overlap(one.topic.split("/"), other.topic.split("/")):
                wide, narrow = (one, other) if set("+#") & set(one.topic) else (other, one)
                yield (
                    f'{_topic_key(wide, chosen)}: "{wide.topic}" takes in "{narrow.topic}" of '
                    f"{_topic_key(narrow, chosen)} too; give each probe a topic of its own"
                )
        elif _same_value(one, other):
            what = f' and "{one.what}"' if one.what else ""
            yield f'{other.key}: reads the same as {one.key}: topic "{one.topic}"{what}; each value belongs to one probe'


def _same_value(one: _Source, other: _Source) -> bool:
    if one.form is not other.form or one.what != other.what:
        return False
    return one.form is not Form.SENML or bool(one.what) or one.quantity == other.quantity


def _topic_key(source: _Source, chosen: Settings) -> str:
    """The key that the topic stands at: the probe's or the reading's."""
    i, j = (int(part.split("]")[0]) - 1 for part in source.key.split("[")[1:])
    own = chosen.probe[i].reads[j].topic
    return f"{source.key}.topic" if own else f"{source.key.split('.')[0]}.topic"


def _overlap(one: list[str], other: list[str]) -> bool:
    """Whether one topic can match both filters (MQTT 3.1.1 section 4.7)."""
    if one[:1] == ["#"] or other[:1] == ["#"]:
        return True
    if not one or not other:
        return one == other
    same = one[0] == other[0] or "+" in (one[0], other[0])
    return same and _overlap(one[1:], other[1:])


def _tiers(chosen: Settings, found: dict[str, Species]) -> Iterator[str]:
    """A worse tier of heat begins at a higher temperature, whoever gave it."""
    thresholds = all_rules()["overheating"].Parameters
    common = (chosen.rules or {}).get("overheating", {})
    told: set[str] = set()
    first = next(iter(found.values()), None)
    yield from _disordered("rules.overheating", _valid(thresholds, common), first, told)
    for i, enclosure in enumerate(chosen.enclosure or (), 1):
        own = (enclosure.rules or {}).get("overheating", {})
        kept = [found[c.species] for c in chosen.cohort or () if c.enclosure == enclosure.name and c.species in found]
        where = f"enclosure[{i}].rules.overheating" if own else "rules.overheating"
        for animals in kept or (first,):
            yield from _disordered(where, {**_valid(thresholds, common), **_valid(thresholds, own)}, animals, told)


def _valid(thresholds: type[BaseModel], given: dict[str, Any]) -> dict[str, Any]:
    """What of the given thresholds can be read; the rest is told elsewhere."""
    fine = {}
    for key in TIERS:
        if key in given:
            try:
                fine[key] = getattr(thresholds.model_validate({key: given[key]}), key)
            except ValidationError:
                continue
    return fine


def _disordered(where: str, given: dict[str, float], animals: Species | None, told: set[str]) -> Iterator[str]:
    """Tiers that don't ascend, given ones named first; nothing where none is given."""
    levels = {key: (level, "") for key, level in given.items()}
    for tier in animals.heat_tiers if animals is not None and given else ():
        key = next((k for k, severity in TIERS.items() if severity is tier.severity), None)
        if key is not None and animals is not None:
            levels.setdefault(key, (tier.temperature_c, f" (of the species {animals.name})"))
    ordered = [(key, *levels[key]) for key in TIERS if key in levels]
    for (mild, low, of_mild), (bad, high, of_bad) in pairwise(ordered):
        if high > low or not (mild in given or bad in given):
            continue
        key = bad if bad in given else mild
        line = f"{where}.{key}: {bad} = {high:g} °C{of_bad} must be above {mild} = {low:g} °C{of_mild}"
        if f"{bad}{high}{mild}{low}" not in told:
            told.add(f"{bad}{high}{mild}{low}")
            yield line
