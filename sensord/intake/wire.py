"""How single things are written on the wire: topics by MQTT filters, places by JSON Pointer, numbers, times, JSON.

Whatever can't be understood raises `Unreadable` with a reason in plain words.
"""

from __future__ import annotations

import json
import re
import sys
from collections.abc import Callable, Iterable, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

from sensord.model import instant
from sensord.model import milliseconds as milliseconds_of

EARLIEST = datetime(2001, 1, 1, tzinfo=UTC)
"""Earlier times come from clocks that were never set and count from 1970 or 2000."""
LATEST = datetime(2100, 1, 1, tzinfo=UTC)
EARLIEST_MS, LATEST_MS = milliseconds_of(EARLIEST), milliseconds_of(LATEST)

_NUMBER = re.compile(
    r"[ \t\r\n]*([+-]?(?:\d{1,40}(?:\.\d{0,40})?|\.\d{1,40})(?:[eE][+-]?\d{1,5})?)[ \t\r\n\0]*", re.ASCII
)
_RFC3339 = re.compile(r"(\d{4}-\d\d-\d\d)[Tt ](\d\d:\d\d:)(\d\d)(\.\d{1,12})?([Zz]|[+-]\d\d:\d\d)", re.ASCII)
LARGEST = sys.float_info.max


class Unreadable(ValueError):
    """Why a payload, or a part of it, could not be understood."""


# --- topics -----------------------------------------------------------------------------------------------------------


def topic_pattern(topic_filter: str) -> re.Pattern[str]:
    """An MQTT topic filter (MQTT 3.1.1 section 4.7) as a pattern to be matched fully; ValueError if it is none."""
    levels = topic_filter.split("/")
    if not topic_filter or "\0" in topic_filter:
        raise ValueError("a topic filter has at least one character, and no NUL")
    if any("#" in level and (level != "#" or i < len(levels) - 1) for i, level in enumerate(levels)):
        raise ValueError(f"{topic_filter!r}: # stands alone in the last level of a topic filter")
    if any("+" in level and level != "+" for level in levels):
        raise ValueError(f"{topic_filter!r}: + stands for one whole level of a topic filter")
    guard = r"(?!\$)" if levels[0] in ("+", "#") else ""  # wildcards in front leave topics with $ alone (section 4.7.2)
    if levels[-1] == "#":  # "a/#" matches "a" too (section 4.7.1.2)
        head = "/".join("[^/]*" if level == "+" else re.escape(level) for level in levels[:-1])
        body = f"{head}(?:/.*)?" if len(levels) > 1 else ".*"
    else:
        body = "/".join("[^/]*" if level == "+" else re.escape(level) for level in levels)
    return re.compile(guard + body, re.DOTALL)


# --- pointers ---------------------------------------------------------------------------------------------------------


def pointer_tokens(pointer: str) -> tuple[str, ...]:
    """The reference tokens of a JSON Pointer (RFC 6901 sections 3 and 4); ValueError if it is none."""
    if pointer and not pointer.startswith("/"):
        raise ValueError(f'{pointer!r} is no JSON Pointer: it is "" or begins with /, like "/sensors/0/temperature"')
    if re.search(r"~(?![01])", pointer):
        raise ValueError(f"{pointer!r} is no JSON Pointer: ~ is written ~0, and / within a key ~1")
    return tuple(token.replace("~1", "/").replace("~0", "~") for token in pointer.split("/")[1:])


def pointed(document: Any, tokens: Sequence[str]) -> Any:
    """The value that the tokens lead to; Unreadable says where the way ends."""
    if len(tokens) == 1 and type(document) is dict and tokens[0] in document:  # nearly always
        return document[tokens[0]]
    value = document
    for depth, token in enumerate(tokens):
        if type(value) is dict and token in value:
            value = value[token]
        elif type(value) is list and re.fullmatch("0|[1-9][0-9]{0,8}", token) and int(token) < len(value):
            value = value[int(token)]
        else:
            raise Unreadable(_dead_end(value, tokens, depth))
    return value


def _dead_end(value: Any, tokens: Sequence[str], depth: int) -> str:
    where = _written(tokens[:depth]) or "the payload"
    wanted = f"{_written(tokens)} is not there"
    if type(value) is dict:
        keys = ", ".join(quoted(key, 24) for key in list(value)[:8]) or "none"
        return f"{wanted}: {where} has no key {quoted(tokens[depth])}, only {keys}"
    if type(value) is list:
        return f"{wanted}: {where} is an array of {len(value)}, and {quoted(tokens[depth])} is no index of it"
    return f"{wanted}: {where} is {kind(value)}"


def _written(tokens: Iterable[str]) -> str:
    return "".join("/" + token.replace("~", "~0").replace("/", "~1") for token in tokens)


def quoted(text: str, longest: int = 60) -> str:
    return ascii(text if len(text) <= longest else text[:longest] + "…")


def kind(value: Any) -> str:
    if value is None:
        return "null: there is no value"
    if type(value) is bool:
        return f"{json.dumps(value)}, not a number"
    if type(value) is str:
        return f"the text {quoted(value, 40)}, not a number like 21.5"
    if type(value) is dict:
        return "an object, not a number"
    if type(value) is list:
        return "an array, not a number"
    return "a number"


# --- numbers and times ------------------------------------------------------------------------------------------------


def is_number(value: object) -> bool:
    """Whether a parsed JSON value is a finite number that fits a double; true and false are not."""
    return (type(value) is float or type(value) is int) and -LARGEST <= value <= LARGEST


def number_from(value: Any) -> float:
    """A finite number from a JSON number, or from text that is one; Unreadable else."""
    if type(value) is float and -LARGEST <= value <= LARGEST:
        return value
    if type(value) is str:
        match = _NUMBER.fullmatch(value) if len(value) <= 200 else None
        if match is None:
            raise Unreadable(kind(value))
        value = float(match[1])
    elif type(value) not in (float, int):
        raise Unreadable(kind(value))
    if not is_number(value):
        raise Unreadable("too large for a number" if type(value) is int or value == value else "not a number")
    return float(value)


def time_from_milliseconds(milliseconds: int, hint: str = "") -> datetime:
    """The instant of a Unix time [ms], if something can have been measured then."""
    if EARLIEST_MS <= milliseconds < LATEST_MS:
        return datetime.fromtimestamp(milliseconds / 1000, UTC)  # to the millisecond exact for centuries, and quick
    try:
        return within_reason(instant(milliseconds), hint)
    except OverflowError:
        raise Unreadable("the time lies before or after all calendars") from None


def within_reason(when: datetime, hint: str = "") -> datetime:
    """The instant itself, if something can have been measured then."""
    if not EARLIEST <= when < LATEST:
        problem = "the probe's clock was not set" if when < EARLIEST else "that is no time of a measurement"
        raise Unreadable(f"the time says {when:%Y-%m-%dT%H:%M:%SZ}: {problem}{hint}")
    return when


def time_from_rfc3339(value: Any) -> datetime:
    """An RFC 3339 date-time with its offset, to the millisecond; a leap second counts as the second after it."""
    match = _RFC3339.fullmatch(value) if type(value) is str else None
    if match is None:
        shown = quoted(value, 40) if type(value) is str else kind(value)
        raise Unreadable(f'the time is {shown}; it must be written like "2026-08-20T14:03:05Z", with Z or an offset')
    try:
        when = _of_rfc3339(value, *match.groups())
    except (ValueError, OverflowError) as error:
        raise Unreadable(f"the time {quoted(value, 40)} does not exist: {error}") from None
    return within_reason(when)


def _of_rfc3339(text: str, day: str, minutes: str, seconds: str, fraction: str | None, offset: str) -> datetime:
    if offset == "Z" and fraction is None and seconds != "60" and text[10] == "T":
        return datetime.fromisoformat(text)  # as most write it
    leap = seconds == "60"
    text = f"{day}T{minutes}{'59' if leap else seconds}{(fraction or '')[:4]}{offset.upper()}"
    when = datetime.fromisoformat(text)
    if when.tzinfo is UTC and not leap:
        return when
    return when.astimezone(UTC) + timedelta(seconds=leap)


def time_from_unix(value: Any) -> datetime:
    """Unix time [s]."""
    seconds = number_from(value)
    if abs(seconds) >= 1e11:
        raise Unreadable(f"the time is {seconds:g}, too large for Unix seconds; is it unix-ms?")
    return time_from_milliseconds(round(seconds * 1000))


def time_from_unix_ms(value: Any) -> datetime:
    """Unix time [ms]."""
    milliseconds = number_from(value)
    if abs(milliseconds) >= 1e14:
        raise Unreadable(f"the time is {milliseconds:g}, too large for Unix milliseconds")
    hint = "; is it unix, in seconds?" if 1e9 <= milliseconds < 1e10 else ""
    return time_from_milliseconds(round(milliseconds), hint)


TIME_FORMS: dict[str, Callable[[Any], datetime]] = {
    "rfc3339": time_from_rfc3339,
    "unix": time_from_unix,
    "unix-ms": time_from_unix_ms,
}


# --- JSON -------------------------------------------------------------------------------------------------------------


def _unique(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    members = dict(pairs)
    if len(members) < len(pairs):
        keys = [key for key, _ in pairs]
        twice = next(key for i, key in enumerate(keys) if key in keys[:i])
        raise Unreadable(f"the key {quoted(twice)} stands twice in one object")
    return members


def _no_constant(name: str) -> None:
    raise Unreadable(f"{name} is not JSON; a missing value is left out or null")


_JSON = json.JSONDecoder(object_pairs_hook=_unique, parse_constant=_no_constant)


def json_from(text: str) -> Any:
    """The document that a JSON text holds (RFC 8259, unique keys, no NaN); Unreadable if it is none."""
    try:
        try:  # `decode` looks for white space around it first, which hardly anybody sends: a third of its time
            document, end = _JSON.raw_decode(text)
        except json.JSONDecodeError:
            return _JSON.decode(text)
        return document if end == len(text) else _JSON.decode(text)
    except json.JSONDecodeError as error:
        near = quoted(text[error.pos : error.pos + 20]) if error.pos < len(text) else "the end"
        raise Unreadable(f"no JSON: {error.msg} at line {error.lineno}, column {error.colno}, near {near}") from None
    except RecursionError:
        raise Unreadable("the JSON is nested too deeply") from None
    except Unreadable:
        raise
    except ValueError:  # Python refuses to read whole numbers of thousands of digits
        raise Unreadable("a number in the JSON has too many digits") from None
