"""SenML JSON (RFC 8428): from a parsed pack to resolved records, by the rules of its section 4.

What makes the whole pack untrustworthy (a newer version, a label that must be understood, a broken base field) raises
`PackError`; what is wrong with one record alone stands in that record's `problem`, and the others remain good.
"""

from __future__ import annotations

import re
from functools import lru_cache
from typing import Any, NamedTuple

from sensord.intake.wire import LARGEST, is_number

SUPPORTED_VERSION = 10
ABSOLUTE_FROM = 2**28
"""Times from here on are Unix time; smaller ones are relative to "now" (RFC 8428 section 4.5.3)."""

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*")  # section 4.5.1
_BASE: dict[str, type] = {"bn": str, "bt": float, "bu": str, "bv": float, "bs": float, "bver": float}
_OWN: dict[str, type] = {
    "n": str, "u": str, "v": float, "vs": str, "vb": bool, "vd": str, "s": float, "t": float, "ut": float,
}  # fmt: skip
"""Section 4.3, table 1: what may stand in the base fields, and in the regular ones."""
_VALUES = ("v", "vs", "vb", "vd")
_NOT_NUMBERS = frozenset(_VALUES[1:])
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
        problem, measures = _take_fields(number, fields, base)
        if measures:  # base values alone measure nothing (section 5.1.7)
            records.append(_problem(number, fields, base, problem) if problem else _record(number, fields, base))
    if len(records) > 1:
        records.sort(key=lambda record: record.time_s)
    return records


def _take_fields(number: int, fields: dict[str, Any], base: dict[str, Any]) -> tuple[str, bool]:
    """Take over the base fields; what is wrong with the regular ones, and whether there are any."""
    problem, measures = "", False
    for label, value in fields.items():
        kind = _OWN.get(label)
        if kind is not None:
            measures = True
            if (type(value) is not kind or kind is float) and not _is(value, kind):
                problem = f"{label} must be {_WORDS[kind]}"
            continue
        kind = _BASE.get(label)
        if kind is not None:
            if not _is(value, kind):
                raise PackError(f"record {number}: {label} must be {_WORDS[kind]}")
            if label == "bver":
                _check_version(number, value, base.get("bver"))
            base[label] = value
        elif label.endswith("_"):  # section 4.4
            raise PackError(
                f"record {number}: the label {label[:40]!a} must be understood (it ends with _) and is unknown"
            )
    return problem, measures


def _is(value: object, kind: type) -> bool:
    if type(value) is float:
        return kind is float and -LARGEST <= value <= LARGEST
    return is_number(value) if kind is float else type(value) is kind


def _check_version(number: int, version: float, before: float | None) -> None:
    """Section 4.4: none newer than what is understood, and one version in a pack."""
    if version < 1 or version != int(version):
        raise PackError(f"record {number}: bver must be a positive whole number")
    if version > SUPPORTED_VERSION:
        raise PackError(f"record {number}: SenML version {version:g} is newer than {SUPPORTED_VERSION}")
    if before not in (None, version):
        raise PackError(f"record {number}: all records of a pack must have the same bver")


def _record(number: int, fields: dict[str, Any], base: dict[str, Any]) -> Record:
    name = base.get("bn", "") + fields.get("n", "")
    time_s = base.get("bt", 0.0) + float(fields.get("t", 0.0))
    total = float(base.get("bs", 0.0)) + float(fields.get("s", 0.0)) if "s" in fields or "bs" in base else None
    value, problem = _value(fields, base, total is not None)
    if problem:
        pass
    elif not name:
        problem = "has no name: neither n nor bn"
    elif not _is_name(name):
        problem = (
            f"the name {name[:60]!a} (bn + n) may have letters, digits and - : . / _, beginning with a letter or digit"
        )
    elif not is_number(time_s) or (total is not None and not is_number(total)):
        problem = "the time or the sum is too large for a number"
    if problem:
        return _problem(number, fields, base, problem)
    return Record(number, name, fields.get("u", base.get("bu")), time_s, value, total)


@lru_cache(1024)
def _is_name(name: str) -> bool:
    return _NAME.fullmatch(name) is not None


def _value(fields: dict[str, Any], base: dict[str, Any], has_sum: bool) -> tuple[float | str | bool | None, str]:
    """The one value of a record (sections 4.2 and 4.5.4), or what is wrong with it."""
    if "v" in fields and "bv" not in base and _NOT_NUMBERS.isdisjoint(fields):  # nearly always
        return float(fields["v"]), ""
    given = [label for label in _VALUES if label in fields]
    if len(given) > 1:
        return None, f"has more than one value: {', '.join(given)}"
    if given and given[0] != "v":
        return fields[given[0]], ""
    if given or ("bv" in base and "s" not in fields):
        value = float(base.get("bv", 0.0)) + float(fields.get("v", 0.0))
        return value, "" if is_number(value) else "bv + v is too large for a number"
    return None, "" if has_sum else "has no value: v is missing"


def _problem(number: int, fields: dict[str, Any], base: dict[str, Any], problem: str) -> Record:
    """A record that can't be used, with its name where that is known: a recipe may not want it anyway."""
    own = fields.get("n", "")
    name = base.get("bn", "") + (own if type(own) is str else "")
    return Record(number, name, None, 0.0, None, None, problem)
