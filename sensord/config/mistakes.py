"""One mistake in the keeper's words: where it stands, what is wrong and what is allowed; never a value that may be secret."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, get_args

from pydantic import BaseModel
from pydantic.fields import FieldInfo


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
        return f"no such key{_neighbours(kind, loc)}"
    if item["type"] == "too_short":
        lists = f"[[{key}]]" if len(loc) == 1 else f"{loc[-1]} = [{{ … }}]"
        return f"at least one must be given, as {lists}"
    if item["type"] in ("tuple_type", "list_type") and field is not None:
        table = next((a for a in get_args(field.annotation) if is_table(a)), None)
        if table is not None and len(loc) == 1:
            return f"must be a list of tables, each headed [[{key}]] in two pairs of brackets"
        kinds = '["one", "two"]' if table is None else f"[{{ {next(iter(table.model_fields))} = … }}]"
        return f"must be a list in brackets, like {kinds}"
    if item["type"] == "string_pattern_mismatch" and loc[-1] in ("name", "place", "enclosure"):
        return "must be lower-case letters, digits, - and _, at most 40, starting with a letter or digit"
    return plain_words(item, field)


_KINDS = {
    "missing": "must be given",
    "amount": "must be a number, true or false, or a text",
    "string_type": "must be a text in quotes",
    "bool": "must be true or false",
    "int": "must be a whole number",
    "float": "must be a number, without quotes and unit",
    "finite": "must be an ordinary number",
    "timezone": "must be a time with its offset from UTC, like 2026-08-19T07:30:00-04:00, or Z for UTC itself",
    "datetime": "must be a time with its offset from UTC, like 2026-08-19T07:30:00-04:00, or Z for UTC itself",
    "date": "must be a date, like 2026-06-01",
    "tuple": "must be a list in brackets",
    "list": "must be a list in brackets",
    "model": "must be a table",
    "dict": "must be a table",
}
"""What is said of a mistake whose type, as pydantic names it, begins like this."""


def plain_words(item: Any, field: FieldInfo | None) -> str:
    """What is wrong with one value and what is allowed, of an error as pydantic describes it."""
    kind = str(item["type"])
    if kind == "value_error":
        return f"must be {item['ctx']['error']}"
    if kind.startswith(("greater_than", "less_than")):
        return f"must be {_bounds(field) or item['msg'].removeprefix('Input should be ')}"
    if kind in ("enum", "literal_error"):
        return f"must be {item['ctx']['expected']}"
    if kind == "string_too_long":
        return f"must have at most {item['ctx']['max_length']} characters"
    if kind == "string_too_short":
        return "must not be empty"
    for begin, words in _KINDS.items():
        if kind.startswith(begin):
            bounds = _bounds(field) if begin in ("int", "float", "finite") else ""
            return f"{words}{', ' if bounds else ''}{bounds}"
    message: str = item["msg"]
    return message.replace("Input should be", "must be").replace("Value", "must", 1)


def _bounds(field: FieldInfo | None) -> str:
    """What a number may be."""
    inner = () if field is None else (m for a in get_args(field.annotation) for m in getattr(a, "__metadata__", ()))
    limits: dict[str, str] = {}
    for each in (*(field.metadata if field is not None else ()), *inner):
        for name, words in (("ge", "at least"), ("gt", "above"), ("le", "at most"), ("lt", "below")):
            if getattr(each, name, None) is not None:
                limits[name] = f"{words} {getattr(each, name):g}"
    return " and ".join(limits[name] for name in ("ge", "gt", "le", "lt") if name in limits)


def is_table(kind: Any) -> bool:
    """Whether an annotation stands for a table of the configuration."""
    return isinstance(kind, type) and issubclass(kind, BaseModel)


def field_at(kind: type[BaseModel], loc: tuple[Any, ...]) -> FieldInfo | None:
    """The field that a place in the document belongs to."""
    table: Any = kind
    field: FieldInfo | None = None
    for part in loc:
        if isinstance(part, int):
            continue
        field = table.model_fields.get(part) if table is not None else None
        if field is None:
            return None
        table = next((k for k in (field.annotation, *get_args(field.annotation)) if is_table(k)), None)
    return field


def _neighbours(kind: type[BaseModel], loc: tuple[Any, ...]) -> str:
    """The keys that are allowed where an unknown one was found."""
    table: Any = kind
    for part in loc[:-1]:
        if isinstance(part, int):
            continue
        info = table.model_fields.get(part) if hasattr(table, "model_fields") else None
        if info is None:
            return ""
        arguments = [info.annotation, *getattr(info.annotation, "__args__", ())]
        table = next((a for a in arguments if isinstance(a, type) and issubclass(a, BaseModel)), None)
    return f"; allowed are {', '.join(table.model_fields)}" if table is not None else ""
