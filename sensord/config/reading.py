"""Reading a configuration: the file, secrets over it, environment variables over those; all mistakes in one round."""

from __future__ import annotations

import json
import os
import re
import tomllib
from collections.abc import Callable, Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any

from pydantic import ValidationError, model_validator
from pydantic_settings import (
    BaseSettings,
    EnvSettingsSource,
    InitSettingsSource,
    NestedSecretsSettingsSource,
    PydanticBaseSettingsSource,
    SettingsError,
)

from sensord.config.disagreements import Parameters, disagreements
from sensord.config.mistakes import Mistakes, described, is_table, key_of
from sensord.config.salvage import salvaged
from sensord.config.settings import PREFIX, Settings

Further = Callable[["Settings"], Iterable[str]]
"""More that may be wrong: lines that begin with the key. Of a document with mistakes it is handed what could be read:
a value is then None where it could not be, or was not given and has no default."""


def load(
    path: Path,
    parameters: Parameters,
    environment: Mapping[str, str] = os.environ,
    secrets: Path | None = None,
    further: Further = lambda _: (),
) -> Settings:
    """Read the configuration, or raise Mistakes with every mistake in it; `further` finds more of them."""
    try:
        document = tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise Mistakes([f"{path}: there is no such file; config/minimal.toml is one to start from"]) from None
    except OSError as error:
        raise Mistakes([f"{path}: can't be read: {error.strerror or error}"]) from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise Mistakes([f"{path}: not a TOML file that can be read: {error}"]) from None
    if secrets is None and environment.get("CREDENTIALS_DIRECTORY"):
        secrets = Path(environment["CREDENTIALS_DIRECTORY"])
    if secrets is not None and not secrets.is_dir():
        raise Mistakes([f"{secrets}: the directory of secrets is not there"])
    lines = list(_unknown_variables(environment))
    merged: dict[str, Any] = {}
    try:
        found = _build(document, environment, secrets, merged)
    except ValidationError as error:
        lines += [_line(path, environment, secrets, item) for item in _worth_saying(error, environment)]
        found = salvaged(Settings, merged)
    except SettingsError as error:  # names the table and the source, never the value
        lines.append(f'environment or secrets: {error}; a list is written as JSON, like ["one", "two"]')
        lines += [_line(path, {}, None, item) for item in _wrong_in(document) if item["type"] != "missing"]
        found = salvaged(Settings, document)
    more = [
        f"{_source(path, environment, secrets, re.split(r'[.:[]', line)[:2])}: {line}"
        for line in dict.fromkeys((*disagreements(found, parameters), *further(found)))
    ]
    better = {line.split(": ")[1] for line in more}  # a value of a rule that is no value at all is said by its rule
    lines = [line for line in lines if not ("rules." in line and line.split(": ")[1] in better)] + more
    if lines:
        raise Mistakes(lines)
    return found


def _wrong_in(document: dict[str, Any]) -> list[Any]:
    try:
        _build(document, {}, None)
    except ValidationError as error:
        return _worth_saying(error, {})
    return []


def _build(
    document: dict[str, Any],
    environment: Mapping[str, str],
    secrets: Path | None,
    merged: dict[str, Any] | None = None,
) -> Settings:
    """The settings, or ValidationError; then `merged` is what all sources together say."""

    class Sourced(Settings):
        @model_validator(mode="before")
        @classmethod
        def _note(cls, values: Any) -> Any:
            if merged is not None and isinstance(values, dict):
                merged.update(values)
            return values

        @classmethod
        def settings_customise_sources(
            cls,
            settings_cls: type[BaseSettings],
            init_settings: PydanticBaseSettingsSource,
            env_settings: PydanticBaseSettingsSource,
            dotenv_settings: PydanticBaseSettingsSource,
            file_secret_settings: PydanticBaseSettingsSource,
        ) -> tuple[PydanticBaseSettingsSource, ...]:
            variables = EnvSettingsSource(settings_cls)
            variables.env_vars = {k.lower(): v for k, v in environment.items() if k.startswith(PREFIX)}
            sources: list[PydanticBaseSettingsSource] = [variables]
            if secrets is not None:
                files = NestedSecretsSettingsSource(
                    file_secret_settings, secrets_dir=secrets, secrets_prefix="", secrets_nested_delimiter="__"
                )
                files.env_vars = {k: _listed(k, v) for k, v in files.env_vars.items() if v}  # empty: not given yet
                sources.append(files)
            return (*sources, InitSettingsSource(settings_cls, init_kwargs=document))

    return Sourced()  # type: ignore[call-arg]  # every value comes from the sources


def _listed(name: str, text: str) -> str:
    """The addresses of a push may stand one a line in their file."""
    is_plain = name in ("push__phone", "push__stand_in") and not text.startswith("[")
    return json.dumps(text.split()) if is_plain else text


def _unknown_variables(environment: Mapping[str, str]) -> Iterator[str]:
    known = set(Settings.model_fields)
    nested = {name for name, field in Settings.model_fields.items() if is_table(field.annotation)}
    for variable in sorted(environment):
        if not variable.startswith(PREFIX):
            continue
        head, *rest = variable.removeprefix(PREFIX).lower().split("__")
        table = Settings.model_fields[head].annotation if head in known else None
        if head in nested and len(rest) == 1 and rest[0] in getattr(table, "model_fields", ()):
            continue
        if head in known and not rest:
            continue
        allowed = ", ".join(f"{PREFIX}{t.upper()}__…" for t in sorted(nested))
        yield f"environment: {variable}: no such setting; allowed are {allowed} with a key of that table"


def _worth_saying(error: ValidationError, environment: Mapping[str, str]) -> list[Any]:
    """Without what only follows from another mistake, and without unknown variables, which were named already."""
    items = [_as_one(item) for item in error.errors(include_url=False)]
    return [
        item
        for i, item in enumerate(items)
        if not (
            item["type"] == "too_short" and any(o["loc"][: len(item["loc"])] == item["loc"] != o["loc"] for o in items)
        )
        and not (item["type"] == "extra_forbidden" and PREFIX + "__".join(map(str, item["loc"])).upper() in environment)
        and not (item["type"] == "amount" and item["loc"] in [o["loc"] for o in items[:i]])
    ]


def _as_one(item: Any) -> Any:
    """A rule's value may be of four kinds; what is none of them is one mistake, not four."""
    if "rules" in item["loc"][:3] and item["loc"][-1] in ("float", "int", "bool", "str"):
        return {**item, "type": "amount", "loc": item["loc"][:-1]}
    return item


def _source(path: Path, environment: Mapping[str, str], secrets: Path | None, names: list[str]) -> str:
    """Where the value of a key comes from."""
    for n in (2, 1):
        variable = PREFIX + "__".join(names[:n]).upper()
        if variable in environment:
            return f"environment {variable}"
        file = None if secrets is None else secrets / "__".join(names[:n])
        if file is not None and "/" not in file.name and file.is_file():
            return str(file)
    return str(path)


def _line(path: Path, environment: Mapping[str, str], secrets: Path | None, item: Any) -> str:
    """One mistake in the keeper's words; never the value itself, which may be a secret."""
    loc = item["loc"]
    source = _source(path, environment, secrets, [str(part) for part in loc if isinstance(part, str)])
    return f"{source}: {key_of(loc)}: {described(Settings, loc, item)}"
