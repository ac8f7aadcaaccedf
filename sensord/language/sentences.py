"""Finds a sentence by its key and fills it, in a tongue.

The English sentences stand in `en/*.toml`, one file for each part of the house: the key of a sentence is the file's name and
its place in it, like "page.answer.well". A sentence about a number is a table with `one` and `other`; translations may have
more forms.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from functools import cache
from pathlib import Path

from sensord.language.template import fill, parsed
from sensord.language.tongue import PSEUDO, English, Pseudo, Tongue, Translated

HERE = Path(__file__).parent

Sentence = str | Mapping[str, str] | tuple[str, ...]
Filling = str | int | bool | None


def sentence_in(tongue: Tongue, key: str, count: int | None = None) -> str:
    """The template of that key in a tongue, in the form for `count`; KeyError where there is none."""
    found = sentences(key.partition(".")[0])[key]
    if isinstance(found, str):
        return tongue.one(key, found)
    if isinstance(found, tuple) or count is None:
        raise KeyError(f"{key} is no single sentence")
    return tongue.counted(key, found["one"], found["other"], count)


def listed_in(tongue: Tongue, key: str) -> tuple[str, ...]:
    """The words of a list in a tongue."""
    found = sentences(key.partition(".")[0])[key]
    if not isinstance(found, tuple):
        raise KeyError(f"{key} is no list")
    return tuple(tongue.one(f"{key}.{n}", word) for n, word in enumerate(found))


def said_in(tongue: Tongue, key: str, parts: Mapping[str, Filling]) -> str:
    """The sentence of that key in a tongue, filled."""
    text = parsed(sentence_in(tongue, key, _count(parts)))
    return fill(text, lambda name: written(parts.get(name))).text


def _count(parts: Mapping[str, object]) -> int | None:
    count = parts.get("count")
    return count if isinstance(count, int) else None


def written(value: Filling) -> str | None:
    """How a filling stands in a sentence; None where there is none."""
    if value is None or isinstance(value, bool):
        return "" if value else None
    return str(value)


def tongue_of(language: str, folder: Path = HERE) -> Tongue:
    """The tongue of a language's tag, like "de" or "pt-BR"; ValueError where there is none."""
    if language == PSEUDO:
        return Pseudo()
    if language == English.tag:
        return English()
    known = languages(folder)
    if language not in known:
        raise ValueError(f'"{language}" is not there; known are {", ".join(known)}')
    with (folder / f"{language}.mo").open("rb") as compiled:
        return Translated(language, compiled)


def languages(folder: Path = HERE) -> tuple[str, ...]:
    """The tags of the languages that are there."""
    return (English.tag, *sorted(path.stem for path in folder.glob("*.mo")))


@cache
def sentences(part: str) -> Mapping[str, Sentence]:
    """The English sentences of one part of the house, by key; KeyError where there is no such part."""
    path = HERE / "en" / f"{part}.toml"
    if not part.isidentifier() or not path.exists():
        raise KeyError(f"there are no sentences of {part!r}")
    found: dict[str, Sentence] = {}
    _flatten(part, tomllib.loads(path.read_text(encoding="utf-8")), found)
    return found


def parts() -> Sequence[str]:
    """The parts of the house that have sentences."""
    return sorted(path.stem for path in (HERE / "en").glob("*.toml"))


def _flatten(key: str, value: object, found: dict[str, Sentence]) -> None:
    if isinstance(value, dict):
        if value.keys() == {"one", "other"}:
            found[key] = value
        else:
            for name, inner in value.items():
                _flatten(f"{key}.{name}", inner, found)
    elif isinstance(value, list):
        found[key] = tuple(value)
    else:
        found[key] = str(value)
