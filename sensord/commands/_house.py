"""A configuration as commands take it: what its gardens share, and each garden understood, with all that it names."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer
from pydantic import BaseModel

from sensord.commands._mistakes import Named, addresses
from sensord.config import Found, GardenFound, HouseSettings, Mistakes, Settings, load_house, local
from sensord.garden import Garden, garden_of
from sensord.language import Catalogue
from sensord.language.terminal import say

ConfigOption = Annotated[Path, typer.Option("--config", "-c", help=say("commands.option.config"))]
SecretsOption = Annotated[Path | None, typer.Option("--secrets", help=say("commands.option.secrets"))]
SiteOption = Annotated[str, typer.Option("--site", help=say("commands.option.site"))]
JsonOption = Annotated[bool, typer.Option("--json", help=say("commands.option.json"))]

DEFAULT_CONFIG = Path("/etc/sensord/sensord.toml")


@dataclass(frozen=True, slots=True)
class OneGarden:
    """The configuration of one garden, understood."""

    settings: Settings
    garden: Garden
    texts: Catalogue
    file: Path  # the garden's own, where there are several

    @property
    def name(self) -> str:
        """The name of its site."""
        return self.garden.site.name


@dataclass(frozen=True, slots=True)
class House:
    """A configuration, understood: what its gardens share, the gardens, and what is wrong with others of them."""

    found: Found
    gardens: tuple[OneGarden, ...]
    unsound: tuple[GardenFound, ...] = ()

    @property
    def is_shared(self) -> bool:
        """Whether it can have several gardens."""
        return self.found.push is not None


def house(config: Path, secrets: Path | None = None, tries_push: bool = False) -> House:
    """Read and check everything that the configuration names; Mistakes, with all that is wrong, where no garden is sound.

    Push addresses are checked only with `tries_push`: what knows them takes a second to load.
    """
    reader = _Reader(config, secrets, tries_push)
    sound: list[OneGarden] = []
    unsound: list[GardenFound] = []
    for garden in reader.found.gardens:
        try:
            sound.append(reader.moved_in(garden))
        except Mistakes as mistakes:
            unsound.append(garden._replace(mistakes=tuple(mistakes.lines)))
    if not sound:
        raise Mistakes([line for garden in unsound for line in garden.mistakes])
    return House(reader.found, tuple(sound), tuple(unsound))


def garden_in(config: Path, secrets: Path | None = None, site: str = "") -> OneGarden:
    """The garden of that name, or the only one; Mistakes where there is none, or where its configuration has any."""
    reader = _Reader(config, secrets)
    return reader.moved_in(chosen(reader.found, site))


def chosen(found: Found, site: str) -> GardenFound:
    """The garden of that name, or the only one; Mistakes, with the names that there are, where that is none."""
    names = ", ".join(dict.fromkeys(garden.name for garden in found.gardens))
    if not site and len(found.gardens) > 1:
        raise Mistakes([say("commands.site.several", file=str(found.file), names=names)])
    named = [garden for garden in found.gardens if site in ("", garden.name)]
    if not named:
        raise Mistakes([say("commands.site.unknown", site=site, file=str(found.file), names=names)])
    return min(named, key=lambda garden: bool(garden.mistakes))


def understood(settings: Settings, config: Path) -> OneGarden:
    """What settings mean, with the species and texts that they name; Mistakes where those are wrong."""
    named = Named(config)
    lines = [f"{config}: {line}" for line in named.mistakes(settings)]
    if lines:
        raise Mistakes(lines)
    return _moved_in(settings, named)


class _Reader:
    """A configuration, and what each garden in it names, found while it was read."""

    def __init__(self, config: Path, secrets: Path | None, tries_push: bool = False) -> None:
        self._named: dict[Path, Named] = {}
        self._tries_push = tries_push
        self.found = load_house(
            config, self._parameters, secrets=secrets, further=self._mistakes, of_house=self._of_house
        )

    def _mistakes(self, file: Path, settings: Settings) -> Iterable[str]:
        return self._named_in(file).mistakes(settings)

    def _parameters(self, file: Path, settings: Settings) -> Mapping[str, type[BaseModel]]:
        return self._named_in(file).parameters(settings)

    def _named_in(self, file: Path) -> Named:
        return self._named.setdefault(file, Named(file, self._tries_push))

    def _of_house(self, settings: HouseSettings) -> Iterable[str]:
        return addresses("phone", settings.push.phone) if self._tries_push and settings.push else ()

    def moved_in(self, garden: GardenFound) -> OneGarden:
        """A garden, understood; Mistakes where there are any."""
        if garden.mistakes or garden.settings is None:
            raise Mistakes(list(garden.mistakes))
        return _moved_in(garden.settings, self._named[garden.file])


def _moved_in(settings: Settings, named: Named) -> OneGarden:
    from sensord.intake.payload import Decoder
    from sensord.intake.quality import Assessor

    assert named.texts is not None  # else there was a mistake
    try:
        Decoder(settings.recipes)
        Assessor(settings.probes, settings.enclosures, settings.place_on_earth)
        garden = garden_of(settings, named.rules, named.species)
    except ValueError as error:
        raise Mistakes([f"{named.config}: {line}" for line in str(error).splitlines()]) from None
    return OneGarden(settings, garden, named.texts, named.config)


def local_text(built: OneGarden, instant: datetime) -> str:
    """An instant as a person at the site reads it on a clock, to the minute."""
    return f"{local(built.settings, instant):%Y-%m-%d %H:%M}"
