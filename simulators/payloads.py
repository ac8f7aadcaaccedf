"""What a probe puts on the wire: the payload forms that the product reads, written by the same recipes."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

from sensord.model import Form, Quantity, Recipe
from sensord.units import scale_of

Values = Mapping[Quantity, float]
Writer = Callable[[Values, datetime], bytes]
"""(values in the product's own units, the probe's time) → payload."""

DECIMALS = {
    Quantity.TEMPERATURE: 3,
    Quantity.HUMIDITY: 1,
    Quantity.PRESSURE: 2,
    Quantity.WIND_SPEED: 1,
    Quantity.WIND_GUST: 1,
    Quantity.IRRADIANCE: 0,
    Quantity.BATTERY: 0,
    Quantity.VOLTAGE: 2,
}
"""As many as such probes send, in the units that they usually send in."""

_SENML_UNITS: dict[Quantity, tuple[str, float]] = {
    Quantity.TEMPERATURE: ("Cel", 1.0),
    Quantity.HUMIDITY: ("%RH", 100.0),
    Quantity.PRESSURE: ("Pa", 1.0),
    Quantity.WIND_SPEED: ("m/s", 1.0),
    Quantity.WIND_GUST: ("m/s", 1.0),
    Quantity.IRRADIANCE: ("W/m2", 1.0),
    Quantity.BATTERY: ("%EL", 100.0),
    Quantity.VOLTAGE: ("V", 1.0),
}
"""Units registered for SenML (RFC 8428 section 12.1), and their number in one of ours."""


def writers(recipes: Sequence[Recipe]) -> list[tuple[str, Writer]]:
    """For one probe: its topics, each with what writes the payload."""
    topics: dict[str, list[Recipe]] = {}
    for recipe in recipes:
        topics.setdefault(concrete(recipe.topic), []).append(recipe)
    make = {Form.SENML: _senml, Form.JSON: _json, Form.NUMBER: _number}
    return [(topic, make[group[0].form](group)) for topic, group in topics.items()]


def concrete(topic_filter: str) -> str:
    """A topic that a topic filter matches."""
    return "/".join({"+": "garden", "#": "probe"}.get(level, level) for level in topic_filter.split("/"))


def _senml(recipes: list[Recipe]) -> Writer:
    """A pack of RFC 8428: base name and base time in its first record."""
    base = f"{recipes[0].site}:{recipes[0].probe}:"
    fields = []
    for recipe in recipes:
        name = (recipe.name or f"*:{recipe.quantity}").replace("*", base.rstrip(":")).replace("?", "0")
        unit, number = _SENML_UNITS[recipe.quantity]
        decimals = 0 if recipe.quantity is Quantity.PRESSURE else DECIMALS[recipe.quantity]
        fields.append((recipe.quantity, name, unit, number, decimals))
    shared = base if all(name.startswith(base) for _, name, *_ in fields) else ""

    def write(values: Values, taken: datetime) -> bytes:
        pack: list[dict[str, Any]] = []
        for quantity, name, unit, number, decimals in fields:
            if quantity in values:
                value = round(values[quantity] * number, decimals)
                pack.append({"n": name.removeprefix(shared), "u": unit, "v": value})
        if pack:
            pack[0] = {**({"bn": shared} if shared else {}), "bt": round(taken.timestamp(), 3), **pack[0]}
        return _compact(pack)

    return write


def _json(recipes: list[Recipe]) -> Writer:
    """A JSON document with the values, and the time, where the pointers (RFC 6901) lead."""
    time_pointer, time_form = recipes[0].time_pointer, recipes[0].time_form
    fields = [(r.quantity, r.pointer, _in_unit(r)) for r in recipes]

    def write(values: Values, taken: datetime) -> bytes:
        document: Any = {}
        for quantity, pointer, convert in fields:
            if quantity in values:
                document = _put(document, pointer, convert(values[quantity]))
        if time_pointer:
            document = _put(document, time_pointer, written_time(taken, time_form))
        return _compact(document)

    return write


def _number(recipes: list[Recipe]) -> Writer:
    """The value alone."""
    recipe = recipes[0]
    decimals, convert = DECIMALS[recipe.quantity], _in_unit(recipe)

    def write(values: Values, taken: datetime) -> bytes:
        return f"{convert(values[recipe.quantity]):.{decimals}f}".encode()

    return write


def written_time(instant: datetime, form: str) -> str | int:
    """A time as a probe writes it."""
    if form == "rfc3339":
        return instant.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    return int(instant.timestamp() * (1000 if form == "unix-ms" else 1))


def _in_unit(recipe: Recipe) -> Callable[[float], float]:
    """From the product's own unit to the recipe's, rounded as probes do."""
    scale, decimals = scale_of(recipe.quantity, recipe.unit), DECIMALS[recipe.quantity]
    factor = scale.denominator / scale.numerator
    return lambda value: round(value * factor - scale.offset, decimals)


def _put(document: Any, pointer: str, value: Any) -> Any:
    """The document with `value` at a pointer; arrays are filled up with null."""
    if not pointer:
        return value
    tokens = [t.replace("~1", "/").replace("~0", "~") for t in pointer.split("/")[1:]]
    place = document
    for token, following in zip(tokens, [*tokens[1:], None], strict=True):
        fresh: Any = value if following is None else [] if following.isdigit() else {}
        if isinstance(place, list):
            index = int(token)
            place.extend([None] * (index + 1 - len(place)))
            if following is None or place[index] is None:
                place[index] = fresh
            place = place[index]
        else:
            if following is None or token not in place:
                place[token] = fresh
            place = place[token]
    return document


_ENCODER = json.JSONEncoder(separators=(",", ":"), ensure_ascii=False)


def _compact(document: Any) -> bytes:
    return _ENCODER.encode(document).encode()
