"""Species profiles: what a species needs and bears, one TOML file each, every figure with source and confidence.

A keeper adds a species with one more file in a directory of their own. `parse` is pure and names every mistake at once;
`load` finds the file.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable
from importlib import resources
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from sensord.config import field_at, plain_words
from sensord.language.terminal import say
from sensord.science.bibliography import CITATIONS
from sensord.species.profile import Species as Species

LARGEST_FILE = 64_000
"""The longest species file that is read [characters]."""


class SpeciesError(ValueError):
    """A species file that cannot be used; `mistakes` names each: file, key, what is wrong, what is allowed."""

    def __init__(self, mistakes: Iterable[str]) -> None:
        self.mistakes = tuple(mistakes)
        super().__init__("\n".join(self.mistakes))


def parse(text: str, where: str) -> Species:
    """The species that a TOML document describes. Pure: `where` is only named in errors.

    Raises:
        SpeciesError: naming every mistake found, each with file, key, what is wrong and what is allowed.
    """
    if len(text) > LARGEST_FILE:
        raise SpeciesError([f"{where}: {say('settings.too_long', long=len(text), most=LARGEST_FILE)}"])
    try:
        document = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise SpeciesError([f"{where}: {say('settings.no_toml', why=str(error))}"]) from None
    own = document.get("sources")
    sources = {**CITATIONS, **(own if isinstance(own, dict) else {})}
    try:
        return Species.model_validate(document, context={"sources": sources})
    except ValidationError as error:
        details = error.errors()
        broken = {detail["loc"][0] for detail in details if len(detail["loc"]) > 1}
        # A list whose items are all wrong is also called too short: that only hides the mistakes.
        told = [detail for detail in details if detail["type"] != "too_short" or detail["loc"][0] not in broken]
        raise SpeciesError(f"{where}: {_mistake(detail)}" for detail in told) from None


def load(name: str, extra_directories: Iterable[Path] = ()) -> Species:
    """The profile of that name: the keeper's own directories first, then the package's.

    Raises:
        SpeciesError: when there is none, or it has mistakes.
        OSError: when a file is there but can't be read.
    """
    files = _files(extra_directories)
    if name not in files:
        raise SpeciesError([say("species.no_file", name=name, known=", ".join(sorted(files)))])
    path = files[name]
    try:
        text = path.read_text(encoding="utf-8")
    except UnicodeDecodeError as error:
        raise SpeciesError([f"{path}: {say('settings.no_utf8', byte=error.start)}"]) from None
    species = parse(text, str(path))
    if species.name != name:
        raise SpeciesError([f"{path}: name: {say('species.other_name', name=species.name, file=name)}"])
    return species


def names(extra_directories: Iterable[Path] = ()) -> tuple[str, ...]:
    """The names that `load` knows, sorted."""
    return tuple(sorted(_files(extra_directories)))


def _files(extra_directories: Iterable[Path]) -> dict[str, Any]:
    """Name → file; a keeper's file stands before the package's of the same name, an earlier directory before a later."""
    found: dict[str, Any] = {}
    for directory in (*extra_directories, resources.files(__name__)):
        for entry in directory.iterdir() if directory.is_dir() else ():
            if entry.name.endswith(".toml"):
                found.setdefault(entry.name.removesuffix(".toml"), entry)
    return found


def _mistake(detail: Any) -> str:
    """`key: what is wrong`, with list positions counted from 1 as a reader of the file does."""
    key = ""
    for part in detail["loc"]:
        key += f"[{part + 1}]" if isinstance(part, int) else f".{part}" if key else str(part)
    found = f"{detail['input']!r:.60}"
    match detail["type"]:
        case "missing":
            return f"{key}: {say('species.missing')}"
        case "extra_forbidden":
            return f"{key}: {say('species.no_key')}"
        case "value_error":
            return f"{key}: {detail['ctx']['error']}"
        case "string_pattern_mismatch":
            return f"{key}: {say('species.pattern', found=found)}"
        case _:
            right = plain_words(detail, field_at(Species, detail["loc"]))
            return f"{key}: {say('species.not', right=right, found=found)}"
