"""What every rule's Parameters are made of."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any, ClassVar

from pydantic import BaseModel, ConfigDict, model_validator


class Bounds(BaseModel):
    """Frozen, without room for unknown keys."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    moved: ClassVar[Mapping[str, tuple[str, float]]] = MappingProxyType({})
    """Keys that another rule's table has for all by now: that table, and what the key was by default here."""

    @model_validator(mode="before")
    @classmethod
    def _without_moved(cls, given: Any) -> Any:
        """A key that has moved may stand where it was with its old default; another value must be given where it counts."""
        if not isinstance(given, dict):
            return given
        for key, (rule, default) in cls.moved.items():
            if key in given and given[key] != default:
                raise ValueError(f"{key} holds for all rules alike: give it under [rules.{rule}]")
        return {key: value for key, value in given.items() if key not in cls.moved}
