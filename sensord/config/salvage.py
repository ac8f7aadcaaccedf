"""What can be read of a document with mistakes, so that all of it is checked in one round."""

from __future__ import annotations

from typing import Annotated, Any, get_args, get_origin

from pydantic import BaseModel, TypeAdapter, ValidationError
from pydantic.fields import FieldInfo

from sensord.config.mistakes import is_table


def salvaged(kind: type[BaseModel], raw: Any) -> Any:
    """What can be read of a table; None in the place of what can't be, and of what is not there and has no default."""
    given = raw if isinstance(raw, dict) else {}
    values = {
        name: _salvaged_value(field.annotation, field, given[name])
        if name in given
        else None
        if field.is_required()
        else field.get_default(call_default_factory=True)
        for name, field in kind.model_fields.items()
    }
    return kind.model_construct(**values)


def _salvaged_value(kind: Any, field: FieldInfo, raw: Any) -> Any:
    tables = [k for k in (kind, *get_args(kind)) if is_table(k)]
    if tables and get_origin(kind) is tuple:
        return tuple(salvaged(tables[0], item) for item in raw) if isinstance(raw, list | tuple) else None
    if tables:
        return salvaged(tables[0], raw) if isinstance(raw, dict) else None
    try:
        return TypeAdapter(Annotated[kind, *field.metadata, None]).validate_python(raw)
    except ValidationError:
        is_tables = get_origin(kind) is dict and isinstance(raw, dict)
        if is_tables:
            return {k: v for k, v in raw.items() if isinstance(v, dict)}
        return "" if field.default is None else None  # so that a wrong one is not taken for one left out
