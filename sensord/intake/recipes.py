"""Recipes made ready: which values of a message are whose, in which unit, dated by what."""

from __future__ import annotations

import re
from collections.abc import Iterable
from datetime import datetime, timedelta

from sensord.intake import senml
from sensord.intake.units import SENML_SCALES, Converter, converter, scale_of
from sensord.intake.wire import TIME_FORMS, Unreadable, is_number, pointer_tokens, topic_pattern
from sensord.model import Arrival, Doubt, Form, Reading, Recipe

AHEAD = timedelta(minutes=2)
"""Dated later than this after its receipt: the probe's clock is ahead."""
RETAINED, FUTURE, LATE = int(Doubt.RETAINED), int(Doubt.FUTURE), int(Doubt.LATE)
BEHIND = timedelta(minutes=15)
"""Dated earlier than this before its receipt: it comes late, from a probe that has stored it."""
_KNOWN_NAMES = 64
"""Names of records, for each of them."""


class CompiledRecipe:
    """A recipe made ready: filter, pointers and conversion."""

    __slots__ = (
        "convert",
        "identity",
        "name",
        "pattern",
        "quantity",
        "recipe",
        "senml",
        "time_from",
        "time_of",
        "time_tokens",
        "tokens",
    )

    def __init__(self, recipe: Recipe) -> None:
        self.recipe = recipe
        self.quantity = recipe.quantity
        self.identity = (recipe.site, recipe.probe, recipe.quantity)
        self.pattern = topic_pattern(recipe.topic)
        self.tokens = pointer_tokens(recipe.pointer)
        self.time_tokens = None if recipe.time_pointer is None else pointer_tokens(recipe.time_pointer)
        if recipe.time_form not in TIME_FORMS:
            raise ValueError(f"time_form {recipe.time_form!r} is not known; allowed are {', '.join(TIME_FORMS)}")
        self.time_from = TIME_FORMS[recipe.time_form]
        self.time_of = (self.time_tokens, self.time_from)
        self.convert = converter(scale_of(recipe.quantity, recipe.unit))
        self.senml = {unit: converter(scale) for unit, scale in SENML_SCALES[recipe.quantity].items()}
        wild = re.escape(recipe.name).replace(r"\*", ".*").replace(r"\?", ".")
        self.name = re.compile(wild, re.DOTALL) if recipe.name else None

    def wants(self, record: senml.Record) -> bool:
        """By name where the recipe has one; else every number whose unit, if it has one, is of this quantity."""
        if self.name is not None:
            return self.name.fullmatch(record.name) is not None
        return bool(record.problem) or (
            type(record.value) is float and (record.unit is None or record.unit in self.senml)
        )

    def reading(
        self, arrival: Arrival, measured_at: datetime | None, value: float, convert: Converter | None
    ) -> Reading:
        """The reading in the quantity's own unit; without a time it takes the receipt."""
        if convert is not None:
            value = convert(value)
            if not is_number(value):
                raise Unreadable("too large for a number once converted")
        received_at = arrival.received_at
        if measured_at is None:
            return Reading(*self.identity, received_at, received_at, value)
        doubts = doubts_of_time(measured_at, received_at, arrival.retained)
        return Reading(*self.identity, measured_at, received_at, value, doubts)


class TopicPlan:
    """What to do with the messages of one topic."""

    __slots__ = ("_by_name", "documents", "numbers", "packs")

    def __init__(self, chosen: Iterable[CompiledRecipe]) -> None:
        by_form: dict[Form, list[CompiledRecipe]] = {form: [] for form in Form}
        for compiled in chosen:
            by_form[compiled.recipe.form].append(compiled)
        self.numbers, self.documents, self.packs = by_form[Form.NUMBER], by_form[Form.JSON], by_form[Form.SENML]
        self._by_name: dict[str, list[CompiledRecipe]] | None = {} if all(c.name for c in self.packs) else None

    def wanting(self, record: senml.Record) -> list[CompiledRecipe]:
        """The recipes that want a record; remembered where all of them go by its name."""
        if self._by_name is None:
            return [compiled for compiled in self.packs if compiled.wants(record)]
        found = self._by_name.get(record.name)
        if found is None:
            found = [compiled for compiled in self.packs if compiled.wants(record)]
            if len(self._by_name) >= _KNOWN_NAMES:
                self._by_name.clear()
            self._by_name[record.name] = found
        return found


def doubts_of_time(measured_at: datetime, received_at: datetime, retained: bool) -> int:
    """FUTURE, LATE and RETAINED, by how the time of measurement stands to the receipt."""
    doubts = RETAINED if retained else 0
    age = received_at - measured_at
    if age < -AHEAD:
        doubts |= FUTURE
    elif age > BEHIND:
        doubts |= LATE
    return doubts
