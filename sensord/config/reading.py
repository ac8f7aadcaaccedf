"""Reading one part of a configuration from its sources; all mistakes in one round.

What can be read of a document with mistakes is checked all the same: each line has its source, the key, what is wrong and
what is allowed.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError, model_validator
from pydantic_settings import (
    BaseSettings,
    EnvSettingsSource,
    InitSettingsSource,
    PydanticBaseSettingsSource,
    SettingsError,
)

from sensord.config.mistakes import described, is_table, key_of
from sensord.config.salvage import salvaged
from sensord.config.sources import NOTHING, Layer, Sources
from sensord.language.terminal import say

Whole = TypeVar("Whole", bound=BaseSettings)


def understand(
    kind: type[Whole],
    sources: Sources,
    further: Callable[[Whole], Iterable[str]],
    merged: dict[str, Any] | None = None,
) -> tuple[Whole, list[str]]:
    """What the sources say, as far as it can be read, and every mistake in it, a line each.

    `further` finds more mistakes, as lines that begin with the key. Of sources with mistakes it is handed what could be
    read: a value is then None where it could not be, or was not given and has no default. `merged` becomes what all
    sources together say, as it was written.
    """
    lines: list[str] = []
    merged = {} if merged is None else merged
    try:
        found = settled(kind, sources, merged)
    except ValidationError as error:
        lines += [line_of(kind, sources, item) for item in _worth_saying(error, sources.variables)]
        found = salvaged(kind, merged)
    except SettingsError as error:  # names the table and the source, never the value
        lines.append(say("settings.environment", why=str(error)))
        documents = sources._replace(variables=NOTHING, secrets=NOTHING)
        try:
            found = settled(kind, documents, merged)
        except ValidationError as wrong:
            items = _worth_saying(wrong, NOTHING)
            lines += [line_of(kind, documents, item) for item in items if item["type"] != "missing"]
            found = salvaged(kind, merged)
    more = [f"{sources.origin(re.split(r'[.:[]', line)[:2])}: {line}" for line in dict.fromkeys(further(found))]
    better = {line.split(": ")[1] for line in more}  # a value of a rule that is no value at all is said by its rule
    return found, [line for line in lines if not ("rules." in line and line.split(": ")[1] in better)] + more


def settled(kind: type[Whole], sources: Sources, merged: dict[str, Any] | None = None) -> Whole:
    """What the sources say, or ValidationError; then `merged` is what all of them together say."""

    class Sourced(kind):  # type: ignore[misc, valid-type]  # whichever kind it is
        @model_validator(mode="before")
        @classmethod
        def _note(cls, values: Any) -> Any:
            if merged is not None and isinstance(values, dict):
                merged.update(values)
            return values

        @classmethod
        def settings_customise_sources(
            cls, settings_cls: type[BaseSettings], *_: Any, **__: Any
        ) -> tuple[PydanticBaseSettingsSource, ...]:
            return (
                *(_over(settings_cls, layer) for layer in (sources.variables, sources.secrets)),
                *(InitSettingsSource(settings_cls, init_kwargs=dict(document)) for _, document in sources.documents),
            )

    found: Whole = Sourced()
    return found


def _over(kind: type[BaseSettings], layer: Layer) -> PydanticBaseSettingsSource:
    source = EnvSettingsSource(kind, env_prefix="")
    source.env_vars = {setting: text for setting, (text, _) in layer.values.items()}
    return source


def unknown_variables(kind: type[BaseModel], layer: Layer, prefix: str, without: Sequence[str] = ()) -> Iterator[str]:
    """Variables that set nothing: a slip of the pen there must not pass for a setting."""
    known = {name: field for name, field in kind.model_fields.items() if name not in without}
    nested = {name for name, field in known.items() if is_table(field.annotation)}
    for setting, (_, place) in layer.values.items():
        head, *rest = setting.split("__")
        table = known[head].annotation if head in known else None
        if head in nested and len(rest) == 1 and rest[0] in getattr(table, "model_fields", ()):
            continue
        if head in known and not rest:
            continue
        allowed = ", ".join(f"{prefix}{t.upper()}__…" for t in sorted(nested))
        yield f"{place.replace(' ', ': ', 1)}: {say('settings.no_setting', known=allowed)}"


def _worth_saying(error: ValidationError, variables: Layer) -> list[Any]:
    """Without what only follows from another mistake, and without unknown variables, which are named by themselves."""
    items = [_as_one(item) for item in error.errors()]
    return [
        item
        for i, item in enumerate(items)
        if not (
            item["type"] == "too_short" and any(o["loc"][: len(item["loc"])] == item["loc"] != o["loc"] for o in items)
        )
        and not (item["type"] == "extra_forbidden" and "__".join(map(str, item["loc"])) in variables.values)
        and not (item["type"] == "amount" and item["loc"] in [o["loc"] for o in items[:i]])
    ]


def _as_one(item: Any) -> Any:
    """A rule's value may be of four kinds; what is none of them is one mistake, not four."""
    if "rules" in item["loc"] and item["loc"][-1] in ("float", "int", "bool", "str"):
        return {**item, "type": "amount", "loc": item["loc"][:-1]}
    return item


def line_of(kind: type[BaseModel], sources: Sources, item: Mapping[str, Any]) -> str:
    """One mistake in the keeper's words; never the value itself, which may be a secret."""
    loc = item["loc"]
    source = sources.origin([str(part) for part in loc if isinstance(part, str)])
    return f"{source}: {key_of(loc)}: {described(kind, loc, item)}"
