"""SenML JSON (RFC 8428): from a parsed pack to resolved records, by the rules of its section 4.

What makes the whole pack untrustworthy (a newer version, a label that must be understood, a broken base field) raises
`PackError`; what is wrong with one record alone stands in that record's `problem`, and the others remain good.
"""

from __future__ import annotations

import re
from typing import Any, NamedTuple

from sensord.wire import is_number

SUPPORTED_VERSION = 10
ABSOLUTE_FROM = 2**28
"""Times from here on are Unix time; smaller ones are relative to "now" (RFC 8428 section 4.5.3)."""

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*")  # section 4.5.1
_BASE_KINDS = {"bn": str, "bt": float, "bu": str, "bv": float, "bs": float}
_KINDS = {"n": str, "u": str, "v": float, "vs": str, "vb": bool, "vd": str, "s": float, "t": float, "ut": float}
_VALUES = ("v", "vs", "vb", "vd")
_WORDS = {str: "a string", float: "a number", bool: "true or false"}


class PackError(ValueError):
    """Why nothing of a pack can be used."""


class Record(NamedTuple):
    """A resolved record; `number` counts from 1 as the records stand in the pack."""

    number: int
    name: str
    unit: str | None
    time_s: float  # Unix time, or relative to the receipt where below 2**28
    value: float | str | bool | None
    sum: float | None
    problem: str = ""  # what is wrong with this record; then nothing else of it may be used


def resolve(pack: Any) -> list[Record]:
    """The pack's measurements, base values applied, in chronological order (section 4.6)."""
    if type(pack) is not list:
        raise PackError("a SenML pack is an array of records, like [{...}]")
    base: dict[str, Any] = {}
    records: list[Record] = []
    for number, fields in enumerate(pack, 1):
        if type(fields) is not dict:
            raise PackError(f"record {number} is not an object; a SenML pack is an array of objects")
        _check_labels(number, fields)
        for label, kind in _BASE_KINDS.items():
            if label in fields:
                if not _is(fields[label], kind):
                    raise PackError(f"record {number}: {label} must be {_WORDS[kind]}")
                base[label] = fields[label]
        if not fields.keys() <= _BASE_KINDS.keys() | {"bver"}:  # base values alone measure nothing (section 5.1.7)
            records.append(_record(number, fields, base))
    _check_versions(pack)
    records.sort(key=lambda record: record.time_s)
    return records


def _is(value: object, kind: type) -> bool:
    return is_number(value) if kind is float else type(value) is kind


def _check_labels(number: int, fields: dict[str, Any]) -> None:
    for label in fields:
        if label.endswith("_"):  # section 4.4: unknown, and must be understood
            raise PackError(
                f"record {number}: the label {label[:40]!a} must be understood (it ends with _) and is unknown"
            )


def _check_versions(pack: list[dict[str, Any]]) -> None:
    """Section 4.4: one version in a pack, none newer than what is understood."""
    seen: object = None
    for number, fields in enumerate(pack, 1):
        if "bver" in fields:
            version = fields["bver"]
            if not is_number(version) or version < 1 or version != int(version):
                raise PackError(f"record {number}: bver must be a positive whole number")
            if version > SUPPORTED_VERSION:
                raise PackError(f"record {number}: SenML version {version:g} is newer than {SUPPORTED_VERSION}")
            if seen not in (None, version):
                raise PackError(f"record {number}: all records of a pack must have the same bver")
            seen = version


def _record(number: int, fields: dict[str, Any], base: dict[str, Any]) -> Record:
    for label in fields:
        kind = _KINDS.get(label)
        if kind and not _is(fields[label], kind):
            return _problem(number, fields, base, f"{label} must be {_WORDS[kind]}")
    name = base.get("bn", "") + fields.get("n", "")
    time_s = float(base.get("bt", 0)) + float(fields.get("t", 0))
    total = float(base.get("bs", 0)) + float(fields.get("s", 0)) if "s" in fields or "bs" in base else None
    given = [label for label in _VALUES if label in fields]
    value: float | str | bool | None = None
    problem = ""
    if len(given) > 1:
        problem = f"has more than one value: {', '.join(given)}"
    elif given and given != ["v"]:
        value = fields[given[0]]
    elif given or ("bv" in base and "s" not in fields):
        value = float(base.get("bv", 0)) + float(fields.get("v", 0))
        if not is_number(value):
            problem = "bv + v is too large for a number"
    elif total is None:
        problem = "has no value: v is missing"
    if not problem and not _NAME.fullmatch(name):
        problem = (
            f"the name {name[:60]!a} (bn + n) may have letters, digits and - : . / _, beginning with a letter or digit"
            if name
            else "has no name: neither n nor bn"
        )
    if not problem and not (is_number(time_s) and is_number(total or 0.0)):
        problem = "the time or the sum is too large for a number"
    if problem:
        return _problem(number, fields, base, problem)
    return Record(number, name, fields.get("u", base.get("bu")), time_s, value, total)


def _problem(number: int, fields: dict[str, Any], base: dict[str, Any], problem: str) -> Record:
    """A record that can't be used, with its name where that is known: a recipe may not want it anyway."""
    own = fields.get("n", "")
    name = base.get("bn", "") + (own if type(own) is str else "")
    return Record(number, name, None, 0.0, None, None, problem)
