"""From a topic and bytes to readings, or to a refusal that says what was wrong, where, and what would be right.

Three forms are read: SenML JSON (RFC 8428), any JSON document by pointers (RFC 6901), and the bare number. `Decoder` is
compiled once from the recipes of the configuration; `decode` never raises, whatever comes in. A number may also be
written as a JSON string ("21.5"), as many probes do: the recipe points at exactly this value, so nothing is guessed.

Measured times are whole milliseconds. Without a time of its own a reading takes its receipt as time, which the inbox
keeps strictly increasing per topic; the same goes for SenML's times relative to "now". `Decoded.undated` tells.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from typing import Any, NamedTuple

from sensord.intake import senml
from sensord.intake.units import SENML_SCALES, Converter, converter, scale_of
from sensord.intake.wire import (
    TIME_FORMS,
    Unreadable,
    is_number,
    json_from,
    number_from,
    pointed,
    pointer_tokens,
    quoted,
    time_from_unix,
    topic_pattern,
    within_reason,
)
from sensord.model import Arrival, Doubt, Form, Reading, Recipe, Refusal

LARGEST_PAYLOAD_BYTES = 64 * 1024
KEPT_PAYLOAD_BYTES = 4096
"""As much of a refused payload is kept for inspection."""
AHEAD = timedelta(minutes=2)
"""Dated later than this after its receipt: the probe's clock is ahead."""
RETAINED, FUTURE, LATE = int(Doubt.RETAINED), int(Doubt.FUTURE), int(Doubt.LATE)
BEHIND = timedelta(minutes=15)
"""Dated earlier than this before its receipt: it comes late, from a probe that has stored it."""
_LONGEST_REASON = 600
_LONGEST_TOPIC = 1000
_REASONS = 8
_KNOWN_TOPICS = 4096
"""Topics whose recipes are remembered; a flood of new topics only makes this forget."""
_KNOWN_NAMES = 64
"""Names of records, for each of them."""
_NEVER_MEASURED = (
    "a retained message without a time of its own: nobody can know when it was measured; "
    "publish it not retained, or with a time"
)


class Decoded(NamedTuple):
    """What became of one arrival: readings, or one refusal, or both; never nothing."""

    readings: list[Reading]
    refusals: list[Refusal]
    undated: bool  # a reading's time depends on the receipt: the arrival must be remembered until acknowledged


class RecipeError(ValueError):
    """What is wrong with the recipes; `problems` has one line each."""

    def __init__(self, problems: Sequence[str]) -> None:
        super().__init__("\n".join(problems))
        self.problems = tuple(problems)


class _Compiled:
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


class _Plan:
    """What to do with the messages of one topic."""

    __slots__ = ("_by_name", "documents", "numbers", "packs")

    def __init__(self, chosen: Iterable[_Compiled]) -> None:
        by_form: dict[Form, list[_Compiled]] = {form: [] for form in Form}
        for compiled in chosen:
            by_form[compiled.recipe.form].append(compiled)
        self.numbers, self.documents, self.packs = by_form[Form.NUMBER], by_form[Form.JSON], by_form[Form.SENML]
        self._by_name: dict[str, list[_Compiled]] | None = {} if all(c.name for c in self.packs) else None

    def wanting(self, record: senml.Record) -> list[_Compiled]:
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


class Decoder:
    """All recipes of a configuration, compiled; RecipeError names every recipe that can't be."""

    def __init__(
        self,
        recipes: Iterable[Recipe],
        largest_payload_bytes: int = LARGEST_PAYLOAD_BYTES,
        kept_payload_bytes: int = KEPT_PAYLOAD_BYTES,
    ) -> None:
        self._largest, self._kept = largest_payload_bytes, kept_payload_bytes
        self._compiled: list[_Compiled] = []
        self._plans: dict[str, _Plan] = {}
        problems = []
        for recipe in recipes:
            try:
                self._compiled.append(_Compiled(recipe))
            except ValueError as error:
                problems.append(f"probe {recipe.probe}, topic {recipe.topic!r}, {recipe.quantity}: {error}")
        if problems:
            raise RecipeError(problems)

    def decode(self, arrival: Arrival) -> Decoded:
        """The arrival's readings, oldest first, and its refusal if anything of it could not be understood."""
        readings: list[Reading] = []
        reasons: list[str] = []
        undated = False
        try:
            plan = self._plan(arrival.topic)
            text = self._text(arrival.payload)
            if plan.numbers:
                undated |= _read_number(arrival, text, plan.numbers, readings, reasons)
            if plan.documents or plan.packs:
                document = json_from(text)
                if plan.documents:
                    undated |= _read_document(arrival, document, plan.documents, readings, reasons)
                if plan.packs:
                    undated |= _read_pack(arrival, document, plan, readings, reasons)
        except Unreadable as error:
            reasons.append(str(error))
        return Decoded(readings, [self._refusal(arrival, reasons)] if reasons else [], undated)

    def _plan(self, topic: str) -> _Plan:
        plan = self._plans.get(topic)
        if plan is None:
            chosen = [compiled for compiled in self._compiled if compiled.pattern.fullmatch(topic)]
            if not chosen:
                raise Unreadable("no probe of the configuration reads this topic")
            plan = _Plan(chosen)
            if len(self._plans) >= _KNOWN_TOPICS:
                self._plans.clear()
            self._plans[topic] = plan
        return plan

    def _text(self, payload: bytes) -> str:
        if len(payload) > self._largest:
            raise Unreadable(f"the payload has {len(payload)} bytes; the limit is {self._largest}")
        if not payload.strip():
            raise Unreadable("the payload is empty")
        try:
            return payload.decode("utf-8")
        except UnicodeDecodeError as error:
            raise Unreadable(f"byte {error.start} is not UTF-8 text: 0x{payload[error.start]:02x}") from None

    def _refusal(self, arrival: Arrival, reasons: list[str]) -> Refusal:
        reasons = list(dict.fromkeys(reasons))
        if len(reasons) > _REASONS:
            reasons = [*reasons[:_REASONS], f"and {len(reasons) - _REASONS} more"]
        reason = _storable("; ".join(reasons), _LONGEST_REASON)
        return Refusal(
            arrival.received_at, _storable(arrival.topic, _LONGEST_TOPIC), arrival.payload[: self._kept], reason
        )


def doubts_of_time(measured_at: datetime, received_at: datetime, retained: bool) -> int:
    """FUTURE, LATE and RETAINED, by how the time of measurement stands to the receipt."""
    doubts = RETAINED if retained else 0
    age = received_at - measured_at
    if age < -AHEAD:
        doubts |= FUTURE
    elif age > BEHIND:
        doubts |= LATE
    return doubts


def _storable(text: str, longest: int) -> str:
    """Text that any database takes: no lone surrogates, no NUL, not endless."""
    text = text.encode("utf-8", "backslashreplace").decode("utf-8").replace("\0", r"\x00")
    return text if len(text) <= longest else text[:longest] + "…"


def _read_number(
    arrival: Arrival, text: str, recipes: list[_Compiled], readings: list[Reading], reasons: list[str]
) -> bool:
    if arrival.retained:
        raise Unreadable(_NEVER_MEASURED)
    value = number_from(text)
    for compiled in recipes:
        readings.append(compiled.reading(arrival, None, value, compiled.convert))
    return True


def _read_document(
    arrival: Arrival, document: Any, recipes: list[_Compiled], readings: list[Reading], reasons: list[str]
) -> bool:
    undated = False
    of: tuple[object, ...] | None = None  # from where `taken_at` was read: quantities of a probe share their time
    taken_at: datetime | None = None
    for compiled in recipes:
        pointer = compiled.recipe.pointer
        try:
            measured_at = None
            if compiled.time_tokens is not None:
                if compiled.time_of != of:
                    pointer = compiled.recipe.time_pointer or ""
                    taken_at, of = compiled.time_from(pointed(document, compiled.time_tokens)), compiled.time_of
                    pointer = compiled.recipe.pointer
                measured_at = taken_at
            elif arrival.retained:
                reasons.append(_NEVER_MEASURED)
                continue
            value = number_from(pointed(document, compiled.tokens))
            readings.append(compiled.reading(arrival, measured_at, value, compiled.convert))
            undated |= measured_at is None
        except Unreadable as error:
            reasons.append(f"{compiled.quantity} at {quoted(pointer)}: {error}")
    if of is not None and len(readings) > 1:  # else all have the time of the receipt
        readings.sort(key=_by_time)
    return undated


def _by_time(reading: Reading) -> datetime:
    return reading.measured_at


def _read_pack(arrival: Arrival, document: Any, plan: _Plan, readings: list[Reading], reasons: list[str]) -> bool:
    try:
        records = senml.resolve(document)
    except senml.PackError as error:
        raise Unreadable(str(error)) from None
    undated = wanted = False
    time_s, taken_at = math.nan, None
    for record in records:
        for compiled in plan.wanting(record):
            wanted = True
            try:
                value, convert = _number_of(record, compiled)
                if record.time_s != time_s:
                    time_s, taken_at = record.time_s, _time_of(arrival, record.time_s)
                readings.append(compiled.reading(arrival, taken_at, value, convert))
                undated |= time_s < senml.ABSOLUTE_FROM
            except Unreadable as error:
                time_s = math.nan
                reasons.append(f"record {record.number}, {quoted(record.name)}: {error}")
    if not wanted:
        names = sorted({f"{quoted(record.name)} in {quoted(record.unit or '', 20)}" for record in records})
        has = ", ".join(names[:8]) or "no measurement at all"
        reasons.append(f"no probe of the configuration wants a record of this pack; it has {has}")
    if len(readings) > 1:
        readings.sort(key=_by_time)
    return undated


def _number_of(record: senml.Record, compiled: _Compiled) -> tuple[float, Converter | None]:
    """What a record measured, and how it becomes the quantity's own unit."""
    if record.problem:
        raise Unreadable(record.problem)
    if type(record.value) is not float:
        what = {str: "text", bool: "true or false"}.get(type(record.value), "only a sum")
        raise Unreadable(f"it holds {what}, not a number in v")
    if record.unit is None:
        convert = compiled.convert
    elif record.unit in compiled.senml:
        convert = compiled.senml[record.unit]
        if record.unit == "%" and abs(record.value) > 1:
            raise Unreadable(
                'in SenML the unit "%" is a ratio 0–1 (RFC 8428 section 12.1); for per cent write "%RH" or "%EL"'
            )
    else:
        right = " or ".join(compiled.senml)
        raise Unreadable(f"unit {quoted(record.unit, 20)} is not one of {compiled.quantity} in SenML; right is {right}")
    return record.value, convert


def _time_of(arrival: Arrival, time_s: float) -> datetime | None:
    """Section 4.5.3: absolute from 2**28 on, else relative to now; None is exactly now."""
    if time_s >= senml.ABSOLUTE_FROM:
        return time_from_unix(time_s)
    if arrival.retained:
        raise Unreadable(_NEVER_MEASURED)
    if time_s == 0:
        return None
    if time_s < -senml.ABSOLUTE_FROM:
        raise Unreadable(f"the time is {time_s:g} s from now; that is too long ago")
    return within_reason(arrival.received_at + timedelta(milliseconds=round(time_s * 1000)))
