"""What is wrong with a configuration beyond its tables: what it names, what would be read twice, what can't be true.

Each check is handed settings of which parts may be missing (None), and yields lines that begin with the key.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from pydantic import BaseModel, ConfigDict, SecretStr, ValidationError

from sensord import species
from sensord.adapters.rule_files import RuleFiles, rule_files, with_sentences
from sensord.config import Settings
from sensord.config.topics import overlaps
from sensord.language import Catalogue, languages
from sensord.language.terminal import say
from sensord.language.tongue import PSEUDO
from sensord.model import Severity
from sensord.rules import Rule, all_rules
from sensord.species import Species

SUN_OFF_H = 4.0
"""Nowhere does the legal time differ from the sun's by as much; the far west of China comes to 3 h. Chosen."""
TIERS = {"moderate_c": Severity.MODERATE, "severe_c": Severity.SEVERE, "extreme_c": Severity.EXTREME}


class Whatever(BaseModel):
    """The parameters of a rule whose file can't be used: that is said once, and not of its parameters too."""

    model_config = ConfigDict(extra="allow")


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
    texts: Catalogue | None = None
    rules: dict[str, Rule] = field(default_factory=dict)
    _files: RuleFiles = field(default_factory=RuleFiles)
    _said: list[Path] = field(default_factory=list)

    def parameters(self, chosen: Settings) -> dict[str, type[BaseModel]]:
        """The parameters of every rule, those from elsewhere among them; `rules` filled."""
        if not self.rules:
            self.rules = all_rules()
            if chosen.rules_directory:
                self._files = rule_files(self.config.parent / chosen.rules_directory, self.rules)
                self.rules |= {file.rule.name: file.rule for file in self._files.fit}
        return {
            **dict.fromkeys(self._files.unfit, Whatever),
            **{name: rule.Parameters for name, rule in self.rules.items()},
        }

    def mistakes(self, chosen: Settings) -> Iterator[str]:
        """Every mistake, and `rules`, `species` and `texts` filled."""
        self.parameters(chosen)
        yield from (f"rules_directory: {line}" for line in self._files.mistakes)
        yield from _sun(chosen)
        yield from self._push(chosen)
        yield from self._texts(chosen)
        yield from _readings(chosen)
        yield from overlaps(chosen)
        yield from self._species(chosen)
        yield from _tiers(chosen, self.species)

    def _push(self, chosen: Settings) -> Iterator[str]:
        if self.tries_push and chosen.push is not None:
            for route in ("phone", "stand_in"):
                yield from addresses(route, getattr(chosen.push, route))

    def _texts(self, chosen: Settings) -> Iterator[str]:
        name = chosen.keeper.texts if chosen.keeper else ""
        path = self.config.parent / name if name else None
        language = (chosen.keeper.language if chosen.keeper else None) or "en"
        if language not in (*languages(), PSEUDO):
            yield ("keeper.language: " + say("settings.no_language", language=language, known=", ".join(languages())))
            language = "en"
        yield from self._sentences(language)
        try:
            self.texts = Catalogue.load(language, path, more=self._said)
        except FileNotFoundError:
            yield ("keeper.texts: " + say("settings.texts.no_file", file=str(path)))
        except OSError as error:
            yield (
                "keeper.texts: " + say("settings.texts.unreadable", file=str(path), why=str(error.strerror or error))
            )
        except ValueError as error:
            yield from (f"keeper.texts: {line}" for line in str(error).splitlines())

    def _sentences(self, language: str) -> Iterator[str]:
        """What is wrong with the sentences of rules from elsewhere."""
        texts = Catalogue.load(language)
        for file in self._files.fit:
            texts, wrong = with_sentences(texts, file)
            yield from (f"rules_directory: {line}" for line in wrong)
            if not wrong:
                self._said.append(file.sentences)

    def _species(self, chosen: Settings) -> Iterator[str]:
        own = self.config.parent / chosen.species_directory if chosen.species_directory else None
        if own is not None and not own.is_dir():
            yield ("species_directory: " + say("settings.no_species_directory", directory=str(own)))
        directories = () if own is None else (own,)
        known = species.names(directories)
        for i, name in enumerate([c.species for c in chosen.cohort or ()] or ["monarch"], 1):
            if name is None or name in self.species:
                continue
            if name not in known:
                yield (f"cohort[{i}].species: " + say("settings.no_species", name=name, known=", ".join(known)))
                continue
            try:
                self.species[name] = species.load(name, directories)
            except OSError as error:
                yield (
                    f"cohort[{i}].species: "
                    + say("settings.species_unreadable", name=name, why=str(error.strerror or error))
                )
            except ValueError as error:
                yield from (f"cohort[{i}].species: {line}" for line in str(error).splitlines())


def addresses(route: str, urls: Sequence[SecretStr] | None) -> Iterator[str]:
    """Push addresses that nothing is known of; loads the library that carries them where there are any."""
    if urls:
        from sensord.adapters.push import unknown_addresses

        yield from unknown_addresses(urls, route)


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
            "site.longitude_deg: "
            + say(
                "settings.sun",
                longitude=f"{site.longitude_deg:g}",
                hours=f"{abs(off_h):.0f}",
                zone=str(site.time_zone),
                other=f"{-site.longitude_deg:g}",
            )
        )


def _readings(chosen: Settings) -> Iterator[str]:
    """Sensor types, units and pointers, which only the decoder and the assessor know."""
    from sensord.intake.sensors import SENSORS
    from sensord.intake.units import scale_of
    from sensord.intake.wire import pointer_tokens

    for i, probe in enumerate(chosen.probe or (), 1):
        if probe.sensor is not None and probe.sensor not in SENSORS:
            yield (
                f"probe[{i}].sensor: " + say("settings.no_sensor", sensor=str(probe.sensor), known=", ".join(SENSORS))
            )
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
    levels: dict[str, tuple[float, str | None]] = {key: (level, None) for key, level in given.items()}
    for tier in animals.heat_tiers if animals is not None and given else ():
        key = next((k for k, severity in TIERS.items() if severity is tier.severity), None)
        if key is not None and animals is not None:
            levels.setdefault(key, (tier.temperature_c, animals.name))
    ordered = [(key, *levels[key]) for key in TIERS if key in levels]
    for (mild, low, of_mild), (bad, high, of_bad) in pairwise(ordered):
        if high > low or not (mild in given or bad in given):
            continue
        key = bad if bad in given else mild
        levels_of = {
            "bad": bad,
            "high": f"{high:g}",
            "of_bad": of_bad,
            "mild": mild,
            "low": f"{low:g}",
            "of_mild": of_mild,
        }
        line = f"{where}.{key}: {say('settings.tiers', **levels_of)}"
        if f"{bad}{high}{mild}{low}" not in told:
            told.add(f"{bad}{high}{mild}{low}")
            yield line
