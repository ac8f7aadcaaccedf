"""A house: one garden in one file, or what several gardens share and the files of each.

    gardens = ["larkfield.toml", "school.toml"]

A file for each garden, so that a slip of the pen in one leaves the others readable, and so that each can be its own keeper's
to write. A list, and not whatever lies in a directory: a garden whose file is gone is a mistake, a forgotten copy no garden.
What is shared stands in the house's file alone; the rest in the garden's alone, so that nobody gets another's messages. Only
[broker] may stand in both: what a garden says there goes before.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

from pydantic import Field, SecretStr
from pydantic_settings import BaseSettings, SettingsConfigDict

from sensord.config.between import between
from sensord.config.broker import SharedBroker
from sensord.config.disagreements import Parameters, disagreements
from sensord.config.mistakes import Mistakes
from sensord.config.page import PageSettings, open_doors
from sensord.config.reading import understand, unknown_variables
from sensord.config.settings import Settings
from sensord.config.sources import OF_GARDENS, PREFIX, Sources, document_in, prefix_of, secrets_directory, secrets_in
from sensord.config.sources import variables as variables_in
from sensord.config.store import InfluxSettings, StoreSettings
from sensord.config.values import Table
from sensord.language.terminal import say

ParametersOf = Callable[[Path, Settings], Parameters]
"""The parameters of the rules that are in force by a garden's file and what could be read of it."""
Further = Callable[[Path, Settings], Iterable[str]]
"""More that may be wrong with a garden: its file and settings → lines that begin with the key. Of a document with mistakes it
is handed what could be read: a value is then None where it could not be, or was not given and has no default."""
SHARED = ("page", "store", "influx")
"""Tables that belong to the house where it has several gardens."""
MOST_GARDENS = 32


class HousePush(Table):
    """[push] of a house: who keeps the machine, and is told of a garden that can't be watched."""

    phone: tuple[SecretStr, ...] = ()
    timeout_s: float = Field(default=10, ge=1, le=60)


class HouseSettings(BaseSettings):
    """What several gardens share."""

    model_config = SettingsConfigDict(extra="forbid", frozen=True, env_prefix=PREFIX, env_nested_delimiter="__")

    gardens: tuple[str, ...] = Field(min_length=1, max_length=MOST_GARDENS)
    push: HousePush = HousePush()
    broker: SharedBroker = SharedBroker()
    page: PageSettings = PageSettings()
    store: StoreSettings = StoreSettings()
    influx: InfluxSettings = InfluxSettings()
    species_directory: str = ""
    rules_directory: str = ""


class GardenFound(NamedTuple):
    """A garden of the configuration, as far as it could be read."""

    file: Path
    name: str  # of its site; of its file where that could not be read
    settings: Settings | None  # with None for what could not be read, where there are mistakes
    mistakes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Found:
    """A configuration that at least one garden can be watched by."""

    file: Path
    page: PageSettings
    store: StoreSettings
    influx: InfluxSettings
    push: HousePush | None  # None where the house has one garden, in the same file
    gardens: tuple[GardenFound, ...]


def load(
    path: Path,
    parameters: Parameters,
    environment: Mapping[str, str] = os.environ,
    secrets: Path | None = None,
    further: Further = lambda _, __: (),
) -> Settings:
    """The configuration of a single garden, or Mistakes with every mistake in it; `further` finds more of them."""
    found = load_house(path, lambda *_: parameters, environment, secrets, further)
    if found.push is not None:
        raise Mistakes([f"{path}: gardens: {say('settings.house.one_expected')}"])
    (garden,) = found.gardens
    assert garden.settings is not None
    return garden.settings


def load_house(
    path: Path,
    parameters: ParametersOf,
    environment: Mapping[str, str] = os.environ,
    secrets: Path | None = None,
    further: Further = lambda _, __: (),
    of_house: Callable[[HouseSettings], Iterable[str]] = lambda _: (),
) -> Found:
    """Read the configuration; Mistakes, with all that is wrong, where no garden can be watched by it.

    That is so where what the gardens share has a mistake, or every garden has. `further` finds more mistakes of a garden,
    `of_house` of what gardens share.
    """
    document = document_in(path)
    directory = secrets_directory(secrets, environment)
    sources = Sources(variables_in(environment), secrets_in(directory), ((path, document),))
    if OF_GARDENS not in document:
        one = _garden(sources, parameters, further, list(unknown_variables(Settings, sources.variables, PREFIX)))
        if one.mistakes or one.settings is None:
            raise Mistakes(list(one.mistakes))
        s = one.settings
        return Found(path, s.page, s.store, s.influx, None, (one,))
    shared, lines, merged = _shared(sources, of_house)
    under = {} if lines else merged  # so that a mistake there is said once, and not of each garden too
    gardens = [
        _one_of_several(path.parent / file, environment, directory, (path, under), parameters, further)
        for file in shared.gardens or ()
        if isinstance(file, str) and not _is_house(path, file)
    ]
    gardens = _compared(gardens)
    lines += _for_no_garden(sources, gardens)
    if lines or all(garden.mistakes for garden in gardens):
        raise Mistakes([*lines, *(line for garden in gardens for line in garden.mistakes)])
    return Found(path, shared.page, shared.store, shared.influx, shared.push, tuple(gardens))


def _shared(
    sources: Sources, further: Callable[[HouseSettings], Iterable[str]]
) -> tuple[HouseSettings, list[str], dict[str, Any]]:
    """What the house's own file says, what is wrong with it, and what all its sources say together."""
    path, document = sources.documents[0]
    misplaced = [key for key in document if key in Settings.model_fields and key not in HouseSettings.model_fields]
    lines = [f"{path}: {key}: {say('settings.house.belongs_in_garden')}" for key in misplaced]
    own = {key: value for key, value in document.items() if key not in misplaced}
    ours = sources._replace(
        variables=sources.variables._replace(
            values={k: v for k, v in sources.variables.values.items() if not k.startswith(f"{OF_GARDENS}__")}
        ),
        documents=((path, own),),
    )
    lines += [*ours.secrets.troubles, *unknown_variables(HouseSettings, ours.variables, PREFIX, (OF_GARDENS,))]
    merged: dict[str, Any] = {}
    found, wrong = understand(
        HouseSettings, ours, lambda found: (*_house_mistakes(path, found), *further(found)), merged
    )
    return found, lines + wrong, merged


def _is_house(path: Path, file: str) -> bool:
    """Whether a name among the gardens is that of the house's own file."""
    return os.path.realpath(path.parent / file) == os.path.realpath(path)


def _house_mistakes(path: Path, found: HouseSettings) -> Iterator[str]:
    if any(isinstance(file, str) and _is_house(path, file) for file in found.gardens or ()):
        yield f"{OF_GARDENS}: {say('settings.house.itself')}"
    if found.page and None not in dict(found.page).values():
        yield from open_doors(found.page)


def _garden(sources: Sources, parameters: ParametersOf, further: Further, lines: list[str]) -> GardenFound:
    """One garden; `lines` is wrong with it already."""
    found, wrong = understand(
        Settings,
        sources,
        lambda chosen: (*disagreements(chosen, parameters(sources.file, chosen)), *further(sources.file, chosen)),
    )
    name = found.site.name if found.site and found.site.name else sources.file.stem
    return GardenFound(sources.file, name, found, (*sources.secrets.troubles, *lines, *wrong))


def _one_of_several(
    file: Path,
    environment: Mapping[str, str],
    secrets: Path | None,
    house: tuple[Path, Mapping[str, Any]],
    parameters: ParametersOf,
    further: Further,
) -> GardenFound:
    """One garden of several, with what the house says under it."""
    try:
        document = document_in(file)
    except Mistakes as mistakes:
        return GardenFound(file, file.stem, None, tuple(mistakes.lines))
    home, shared = house
    misplaced = [key for key in (*SHARED, OF_GARDENS) if key in document]
    lines = [f"{file}: {key}: {say('settings.house.shared', file=str(home))}" for key in misplaced]
    own = {key: value for key, value in document.items() if key not in misplaced}
    name = _name_in(own)
    under: dict[str, Any] = {key: shared[key] for key in (*SHARED, "broker") if key in shared}
    for key in ("species_directory", "rules_directory"):
        if shared.get(key):
            under[key] = str(home.parent / shared[key])
    usual = {"broker": {"entry_topic": f"sensord/{name}/entry"}}  # so that each garden has its own
    documents = ((file, own), (home, under), (file, usual))
    if name is None:
        return _garden(Sources(*NOBODYS, documents), parameters, further, lines)
    sources = Sources(variables_in(environment, name), secrets_in(secrets, name), documents)
    lines += unknown_variables(Settings, sources.variables, prefix_of(name), SHARED)
    return _garden(sources, parameters, further, lines)


NOBODYS = (variables_in({}), secrets_in(None))


def _name_in(document: Mapping[str, Any]) -> str | None:
    """The name of a garden as its file has it: by it, variables and secrets are found."""
    site = document.get("site")
    name = site.get("name") if isinstance(site, dict) else None
    return name if isinstance(name, str) and re.fullmatch(r"[a-z0-9][a-z0-9_-]{0,39}", name) else None


def _compared(gardens: list[GardenFound]) -> list[GardenFound]:
    """The same with what disagrees between them; a garden that can't be watched anyway stops no other."""
    sound = [not garden.mistakes for garden in gardens]
    readable = [i for i, garden in enumerate(gardens) if garden.settings is not None]
    found = list(gardens)
    settings = [(gardens[i].file.name, chosen) for i in readable if (chosen := gardens[i].settings) is not None]
    for wrong, other, line in between(settings):
        at, by = readable[wrong], readable[other]
        if sound[at] and not sound[by]:
            continue
        line = f"{found[at].file}: {line}"
        found[at] = found[at]._replace(mistakes=(*found[at].mistakes, line))
    return found


def _for_no_garden(sources: Sources, gardens: list[GardenFound]) -> Iterator[str]:
    """Variables for a garden that there is not; nothing is said while a garden's own name is not known."""
    if any(garden.settings is None or not garden.settings.site or not garden.settings.site.name for garden in gardens):
        return
    known = {garden.name.replace("-", "_") for garden in gardens}
    for setting, (_, place) in sources.variables.values.items():
        whole, *rest = setting.split("__")
        if whole == OF_GARDENS and (not rest or rest[0] not in known):
            allowed = ", ".join(f"{prefix_of(garden.name)}…" for garden in gardens)
            yield f"{place.replace(' ', ': ', 1)}: {say('settings.house.no_garden', known=allowed)}"
