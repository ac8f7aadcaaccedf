"""How nouns become columns and back: values, instants, JSON of the frozen dataclasses, errors."""

from __future__ import annotations

import hashlib
import math
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime, timedelta
from functools import cache, lru_cache
from typing import TYPE_CHECKING, Any

from sensord.model import EPOCH, LARGEST_STEPS, STEPS_PER_UNIT, Arrival, milliseconds
from sensord.ports import Series, Transient

if TYPE_CHECKING:
    from pydantic import TypeAdapter

SCALE = STEPS_PER_UNIT

MICROSECOND = timedelta(microseconds=1)
MILLISECOND = timedelta(milliseconds=1)


def steps_from_value(value: float, scale: float) -> int | float:
    """What is stored for a value: whole steps, or the value itself where it is too large or not a number."""
    steps = value * scale
    return round(steps) if -LARGEST_STEPS < steps < LARGEST_STEPS else float(value)


def value_from_steps(stored: int | float | None, scale: float) -> float:
    """The value that was stored; NULL is how SQLite keeps what is not a number."""
    if isinstance(stored, int):
        return stored / scale
    return math.nan if stored is None else stored


def microseconds(instant: datetime) -> int:
    """Unix time of an aware instant [µs]."""
    return (instant - EPOCH) // MICROSECOND


def maybe_microseconds(instant: datetime | None) -> int | None:
    """Unix time [µs], or None."""
    return None if instant is None else microseconds(instant)


def from_microseconds(unix_us: int) -> datetime:
    """The UTC instant of a Unix time [µs]."""
    return EPOCH + timedelta(microseconds=unix_us)


def maybe_instant(unix_us: int | None) -> datetime | None:
    """The UTC instant of a Unix time [µs], or None."""
    return None if unix_us is None else from_microseconds(unix_us)


def ceil_ms(moment: datetime) -> int:
    """Unix time rounded up [ms]: stored times are whole, so "at or after" and "before" both round up."""
    ms = milliseconds(moment)
    return ms if moment.microsecond % 1000 == 0 else ms + 1


def columns(rows: Sequence[tuple[int, Any, int]], scale: float) -> Series:
    """Rows of (measured_ms, value, doubts) as three columns."""
    if not rows:
        return Series([], [], [])
    times, stored, doubts = zip(*rows, strict=True)
    try:
        values = [steps / scale for steps in stored] if float not in map(type, stored) else None
    except TypeError:  # a NULL: not a number
        values = None
    if values is None:
        values = [value_from_steps(steps, scale) for steps in stored]
    return Series([ms / 1000 for ms in times], values, list(doubts))


def digest(arrival: Arrival) -> bytes:
    """What tells one message's content from another's."""
    begun = _begun_with(arrival.topic).copy()
    begun.update(arrival.payload)
    return begun.digest()


@lru_cache(1024)
def _begun_with(topic: str) -> hashlib.blake2b:
    """A digest of the topic and its length: copying it takes two thirds of the time that beginning anew does."""
    name = topic.encode("utf-8", "surrogatepass")
    return hashlib.blake2b(len(name).to_bytes(4, "big") + name, digest_size=16)


def to_json(noun: Any) -> str:
    """A frozen dataclass of `model` as JSON; a number that is not finite becomes null."""
    adapter = _adapter(type(noun))  # type: ignore[arg-type]  # every class is hashable
    return adapter.dump_json(noun).decode()


def from_json(kind: type, text: str) -> Any:
    """The dataclass back from its JSON."""
    return _adapter(kind).validate_json(text)


@cache
def _adapter(kind: type) -> TypeAdapter[Any]:
    from pydantic import TypeAdapter

    return TypeAdapter(kind)


PASSING = {
    sqlite3.SQLITE_BUSY: "another process holds it",
    sqlite3.SQLITE_LOCKED: "another connection holds it",
    sqlite3.SQLITE_FULL: "the disk is full",
    sqlite3.SQLITE_IOERR: "the disk reports an error",
    sqlite3.SQLITE_READONLY: "it is not writable",
    sqlite3.SQLITE_CANTOPEN: "it cannot be opened",
    sqlite3.SQLITE_NOMEM: "memory is short",
}


@contextmanager
def transient(path: str) -> Iterator[None]:
    """Turn what the world did to the file into `Transient`; let defects through."""
    try:
        yield
    except sqlite3.Error as error:
        code = getattr(error, "sqlite_errorcode", 0) & 0xFF
        if code in PASSING:
            raise Transient(f"{path}: {PASSING[code]} ({error})") from error
        raise
