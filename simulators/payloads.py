"""What a probe puts on the wire: the payload forms that the product reads, written by the same recipes."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

from sensord.intake.units import scale_of
from sensord.model import Form, Quantity, Recipe

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
    names = [(r.name or f"*:{r.quantity}").replace("*", base.rstrip(":")).replace("?", "0") for r in recipes]
    shared = base if all(name.startswith(base) for name in names) else ""
    pack: list[dict[str, Any]] = []
    fields: list[tuple[Quantity, Callable[[float], float]]] = []
    for index, (recipe, name) in enumerate(zip(recipes, names, strict=True)):
        unit, number = _SENML_UNITS[recipe.quantity]
        decimals = 0 if recipe.quantity is Quantity.PRESSURE else DECIMALS[recipe.quantity]
        fields.append((recipe.quantity, _rounded(number, 0.0, decimals)))
        pack.append({"n": name.removeprefix(shared), "u": unit, "v": _blank(index)})
    pack[0] = {**({"bn": shared} if shared else {}), "bt": _blank("t"), **pack[0]}
    return _form(pack, fields, lambda taken: repr(round(taken.timestamp(), 3)))


def _json(recipes: list[Recipe]) -> Writer:
    """A JSON document with the values, and the time, where the pointers (RFC 6901) lead."""
    document: Any = {}
    for index, recipe in enumerate(recipes):
        document = _put(document, recipe.pointer, _blank(index))
    if recipes[0].time_pointer is not None:
        document = _put(document, recipes[0].time_pointer, _blank("t"))
    time_form = recipes[0].time_form
    fields = [(r.quantity, _in_unit(r)) for r in recipes]
    return _form(document, fields, lambda taken: json.dumps(written_time(taken, time_form)))


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
    scale = scale_of(recipe.quantity, recipe.unit)
    return _rounded(scale.denominator / scale.numerator, scale.offset, DECIMALS[recipe.quantity])


def _rounded(factor: float, offset: float, decimals: int) -> Callable[[float], float]:
    return lambda value: round(value * factor - offset, decimals)


def _blank(what: int | str) -> str:
    """Stands in a form for what is filled in later."""
    return f"\x00{what}\x00"


def _form(
    document: Any, fields: list[tuple[Quantity, Callable[[float], float]]], clock: Callable[[datetime], str]
) -> Writer:
    """A writer that fills in the blanks of a document: it is written out once only, which makes whole summers quick."""
    text = json.dumps(document, separators=(",", ":"), ensure_ascii=True).replace("%", "%%")
    for index in range(len(fields)):
        text = text.replace(json.dumps(_blank(index)), f"%(v{index})s")
    text = text.replace(json.dumps(_blank("t")), "%(t)s")
    dated = "%(t)s" in text
    plan = [(f"v{index}", quantity, convert) for index, (quantity, convert) in enumerate(fields)]

    def write(values: Values, taken: datetime) -> bytes:
        blanks = {key: repr(convert(values[quantity])) for key, quantity, convert in plan}
        if dated:
            blanks["t"] = clock(taken)
        return (text % blanks).encode()

    return write


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
