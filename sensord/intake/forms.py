"""The three forms of a payload, read by recipes: the bare number, any JSON document, a SenML pack."""

from __future__ import annotations

import math
from datetime import datetime, timedelta
from typing import Any

from sensord.intake import senml
from sensord.intake.recipes import CompiledRecipe, TopicPlan
from sensord.intake.units import Converter
from sensord.intake.wire import Unreadable, number_from, pointed, quoted, time_from_unix, within_reason
from sensord.model import Arrival, Reading

_NEVER_MEASURED = (
    "a retained message without a time of its own: nobody can know when it was measured; "
    "publish it not retained, or with a time"
)


def read_number(
    arrival: Arrival, text: str, recipes: list[CompiledRecipe], readings: list[Reading], reasons: list[str]
) -> bool:
    """The number, for every recipe of the topic; whether its time is that of the receipt: always."""
    if arrival.retained:
        raise Unreadable(_NEVER_MEASURED)
    value = number_from(text)
    for compiled in recipes:
        readings.append(compiled.reading(arrival, None, value, compiled.convert))
    return True


def read_document(
    arrival: Arrival, document: Any, recipes: list[CompiledRecipe], readings: list[Reading], reasons: list[str]
) -> bool:
    """What each recipe points at, oldest first; whether the time of any is that of the receipt."""
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


def read_pack(arrival: Arrival, document: Any, plan: TopicPlan, readings: list[Reading], reasons: list[str]) -> bool:
    """The records that recipes want, oldest first (RFC 8428); whether the time of any depends on the receipt."""
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


def _number_of(record: senml.Record, compiled: CompiledRecipe) -> tuple[float, Converter | None]:
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
