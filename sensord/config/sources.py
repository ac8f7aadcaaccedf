"""Where values come from: environment variables over secrets files over documents, each with its name for the keeper.

A house of several gardens addresses each garden's own: SENSORD_GARDENS__SCHOOL__PUSH__PHONE, and in the directory of secrets
`gardens/school/push__phone`. systemd loads a whole directory as credentials and joins what lies below it with `_`, so
`gardens_school_push__phone` is the same file. In a variable, `-` of a name is written `_`.
"""

from __future__ import annotations

import json
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from sensord.config.mistakes import Mistakes
from sensord.language.terminal import say

PREFIX = "SENSORD_"
"""What the environment variables of a configuration begin with."""
OF_GARDENS = "gardens"
LARGEST_SECRET = 64_000
"""The longest secrets file that is read [bytes]."""


class Layer(NamedTuple):
    """Values that lie over a document: setting, like "broker__port", → (text, what the keeper calls its place)."""

    values: Mapping[str, tuple[str, str]]
    troubles: tuple[str, ...] = ()


class Sources(NamedTuple):
    """Everything that one part of the configuration is read from, what counts most first."""

    variables: Layer
    secrets: Layer
    documents: Sequence[tuple[Path, Mapping[str, Any]]]

    @property
    def file(self) -> Path:
        """The file that it is about."""
        return self.documents[0][0]

    def origin(self, names: Sequence[str]) -> str:
        """Where the value of a key comes from; what was not given belongs into the first file."""
        for n in (2, 1):
            setting = "__".join(names[:n])
            for layer in (self.variables, self.secrets):
                if setting in layer.values:
                    return layer.values[setting][1]
        for path, document in self.documents:
            inner: Any = document
            for name in names:
                inner = inner.get(name) if isinstance(inner, dict) else None
            if inner is not None:
                return str(path)
        return str(self.file)


NOTHING = Layer({})


def variables(environment: Mapping[str, str], garden: str | None = None) -> Layer:
    """The environment variables of a configuration, or of one of several gardens in it."""
    begin = PREFIX if garden is None else prefix_of(garden)
    return Layer(
        {
            name.removeprefix(begin).lower(): (text, f"environment {name}")
            for name, text in sorted(environment.items())
            if name.startswith(begin)
        }
    )


def prefix_of(garden: str) -> str:
    """What the environment variables of one of several gardens begin with."""
    return f"{PREFIX}{OF_GARDENS.upper()}__{garden.replace('-', '_').upper()}__"


def secrets_in(directory: Path | None, garden: str | None = None) -> Layer:
    """The secrets files of a configuration, or of one of several gardens in it; an empty one is not given yet."""
    values: dict[str, tuple[str, str]] = {}
    troubles: list[str] = []
    for setting, path in _files(directory, garden):
        try:
            if path.stat().st_size > LARGEST_SECRET:
                raise ValueError(say("settings.too_large", count=LARGEST_SECRET))
            text = path.read_text(encoding="utf-8").strip()
        except (OSError, ValueError) as error:
            troubles.append(
                f"{path}: " + say("settings.unreadable", why=str(getattr(error, "strerror", None) or error))
            )
            continue
        if text:
            values[setting] = (_listed(setting, text), str(path))
    return Layer(values, tuple(troubles))


def _files(directory: Path | None, garden: str | None) -> Iterator[tuple[str, Path]]:
    """The files of secrets, with the setting that each is for."""
    if directory is None:
        return
    begin = "" if garden is None else f"{OF_GARDENS}_{garden}_"
    for path in sorted(directory.iterdir()):
        is_for_all = garden is None and not path.name.startswith(f"{OF_GARDENS}_")
        if path.is_file() and (is_for_all or (begin and path.name.startswith(begin))):
            yield path.name.removeprefix(begin), path
    if garden is not None and (own := directory / OF_GARDENS / garden).is_dir():
        yield from ((path.name, path) for path in sorted(own.iterdir()) if path.is_file())


def _listed(setting: str, text: str) -> str:
    """The addresses of a push may stand one a line in their file."""
    is_plain = setting in ("push__phone", "push__stand_in") and not text.startswith("[")
    return json.dumps(text.split()) if is_plain else text


def secrets_directory(given: Path | None, environment: Mapping[str, str]) -> Path | None:
    """The directory of secrets: the one given, else that of the service manager; Mistakes where it is not there."""
    named = environment.get("CREDENTIALS_DIRECTORY")
    found = given or (Path(named) if named else None)
    if found is not None and not found.is_dir():
        raise Mistakes([(f"{found}: " + say("settings.no_secrets"))])
    return found


def document_in(path: Path) -> dict[str, Any]:
    """What a TOML file says; Mistakes where it says nothing that can be read."""
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise Mistakes([(f"{path}: " + say("settings.no_file"))]) from None
    except OSError as error:
        raise Mistakes([(f"{path}: " + say("settings.unreadable", why=str(error.strerror or error)))]) from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise Mistakes([(f"{path}: " + say("settings.no_toml", why=str(error)))]) from None
