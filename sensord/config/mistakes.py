"""One mistake in the keeper's words: where it stands, what is wrong and what is allowed; never a value that may be secret."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, NamedTuple, get_args

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from sensord.language.terminal import say


class Mistakes(Exception):
    """Everything that is wrong with a configuration, one line each."""

    def __init__(self, lines: list[str]) -> None:
        super().__init__("\n".join(lines))
        self.lines = lines


def key_of(loc: Iterable[Any]) -> str:
    """A place in the document as a reader of it would write it, lists counted from 1."""
    return "".join(f"[{part + 1}]" if isinstance(part, int) else f".{part}" for part in loc).lstrip(".")


def described(kind: type[BaseModel], loc: tuple[Any, ...], item: Any) -> str:
    """What is wrong at that place of a document of that kind."""
    key, field = key_of(loc), field_at(kind, loc)
    if item["type"] == "extra_forbidden":
        return say("settings.no_key", known=", ".join(_at(kind, loc[:-1]).table.model_fields))
    if item["type"] == "too_short":
        if not any(map(is_table, get_args(field.annotation) if field is not None else ())):
            lists = f'{loc[-1]} = ["one", "two"]'
        else:
            lists = f"[[{key}]]" if len(loc) == 1 else f"{loc[-1]} = [{{ … }}]"
        return say("settings.must.be_one", example=lists)
    if item["type"] in ("tuple_type", "list_type") and field is not None:
        table = next((a for a in get_args(field.annotation) if is_table(a)), None)
        if table is not None and len(loc) == 1:
            return say("settings.must.be_tables", head=f"[[{key}]]")
        kinds = '["one", "two"]' if table is None else f"[{{ {next(iter(table.model_fields))} = … }}]"
        return say("settings.must.be_list", example=kinds)
    if item["type"] == "string_pattern_mismatch":
        return say("settings.must.be_name")
    return plain_words(item, field)


_KINDS = {
    "missing": "missing",
    "amount": "amount",
    "string_type": "string_type",
    "bool": "bool",
    "int": "int",
    "float": "float",
    "finite": "finite",
    "timezone": "timezone",
    "datetime": "timezone",
    "date": "date",
    "tuple": "tuple",
    "list": "tuple",
    "model": "model",
    "dict": "model",
}
"""The key of what is said of a mistake whose type, as pydantic names it, begins like this."""


def plain_words(item: Any, field: FieldInfo | None) -> str:
    """What is wrong with one value and what is allowed, of an error as pydantic describes it."""
    kind = str(item["type"])
    if kind == "value_error":
        return say("settings.must.be", what=str(item["ctx"]["error"]))
    if kind.startswith(("greater_than", "less_than")):
        return say("settings.must.be", what=_bounds(field) or str(item["msg"]).removeprefix("Input should be "))
    if kind in ("enum", "literal_error"):
        return say("settings.must.be", what=_choice(str(item["ctx"]["expected"])))
    if kind == "string_too_long":
        return say("settings.must.be_shorter", count=int(item["ctx"]["max_length"]))
    if kind == "string_too_short":
        return say("settings.must.not_empty")
    if kind == "too_long":
        return say("settings.must.be_fewer", count=int(item["ctx"]["max_length"]))
    for begin, words in _KINDS.items():
        if kind.startswith(begin):
            bounds = _bounds(field) if begin in ("int", "float", "finite") else ""
            told = say(f"settings.must.{words}")
            return say("settings.must.within", told=told, bounds=bounds) if bounds else told
    return str(item["msg"]).replace("Input should be", "must be")


def _choice(expected: str) -> str:
    """What a word may be: pydantic joins the last two in English."""
    *others, last = expected.split(" or ")
    return say("settings.bound.choice", others=" or ".join(others), last=last) if others else last


def _bounds(field: FieldInfo | None) -> str:
    """What a number may be."""
    inner = () if field is None else (m for a in get_args(field.annotation) for m in getattr(a, "__metadata__", ()))
    limits: dict[str, str] = {}
    for each in (*(field.metadata if field is not None else ()), *inner):
        for name, words in (("ge", "at_least"), ("gt", "above"), ("le", "at_most"), ("lt", "below")):
            if getattr(each, name, None) is not None:
                limits[name] = say(f"settings.bound.{words}", number=f"{getattr(each, name):g}")
    found = [limits[name] for name in ("ge", "gt", "le", "lt") if name in limits]
    return say("settings.bound.both", low=found[0], high=found[1]) if len(found) == 2 else "".join(found)


def is_table(kind: Any) -> bool:
    """Whether an annotation stands for a table of the configuration."""
    return isinstance(kind, type) and issubclass(kind, BaseModel)


def field_at(kind: type[BaseModel], loc: tuple[Any, ...]) -> FieldInfo | None:
    """The field that a place in the document belongs to."""
    return _at(kind, loc).field


class _At(NamedTuple):
    """The field that a place in the document belongs to, and the table that stands there."""

    field: FieldInfo | None
    table: Any


def _at(kind: type[BaseModel], loc: tuple[Any, ...]) -> _At:
    """What is at a place of a document of that kind; None where it is within a value."""
    field: FieldInfo | None = None
    table: Any = kind
    for part in loc:
        if isinstance(part, str):
            field = getattr(table, "model_fields", {}).get(part)
            inner = () if field is None else (field.annotation, *get_args(field.annotation))
            table = next((k for k in inner if is_table(k)), None)
    return _At(field, table)
