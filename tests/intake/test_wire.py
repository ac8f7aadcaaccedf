"""How single things are written on the wire: up to where a number, a time or a place is one."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import pytest

from sensord.intake.wire import (
    Unreadable,
    json_from,
    number_from,
    pointed,
    pointer_tokens,
    quoted,
    time_from_rfc3339,
    time_from_unix,
    time_from_unix_ms,
)

FIRST, LAST = datetime(2001, 1, 1, tzinfo=UTC), datetime(2099, 12, 31, 23, 59, 59, 999000, tzinfo=UTC)
MILLISECOND = timedelta(milliseconds=1)
WRITTEN: list[Callable[[datetime], datetime]] = [
    lambda when: time_from_rfc3339(when.isoformat(timespec="milliseconds")),
    lambda when: time_from_rfc3339(when.isoformat(timespec="milliseconds").replace("+00:00", "Z")),
    lambda when: time_from_unix(when.timestamp()),
    lambda when: time_from_unix_ms(round(when.timestamp() * 1000)),
]


@pytest.mark.parametrize("read", WRITTEN, ids=["offset", "Z", "unix", "unix-ms"])
def test_something_can_have_been_measured_from_2001_to_2099(read: Callable[[datetime], datetime]) -> None:
    """The first and the last millisecond of it; before it the clock was not set, after it no time is one."""
    assert read(FIRST) == FIRST
    assert read(LAST) == LAST
    with pytest.raises(Unreadable, match="2000-12-31T23:59:59Z: the probe's clock was not set"):
        read(FIRST - MILLISECOND)
    with pytest.raises(Unreadable, match="2100-01-01T00:00:00Z: that is no time of a measurement"):
        read(LAST + MILLISECOND)


@pytest.mark.parametrize(
    ("read", "value", "words"),
    [
        (time_from_unix, 99_999_999_999, "5138-11-16T09:46:39Z: that is no time of a measurement"),
        (time_from_unix, 1e11, "the time is 1e+11, too large for Unix seconds; is it unix-ms?"),
        (time_from_unix, -1e11, "the time is -1e+11, too large for Unix seconds; is it unix-ms?"),
        (time_from_unix_ms, 99_999_999_999_999, "5138-11-16T09:46:39Z: that is no time of a measurement"),
        (time_from_unix_ms, 1e14, "the time is 1e+14, too large for Unix milliseconds"),
        (time_from_unix_ms, -1e14, "the time is -1e+14, too large for Unix milliseconds"),
        (time_from_unix_ms, 999_999_999, "1970-01-12T13:46:39Z: the probe's clock was not set"),
        (time_from_unix_ms, 1_000_000_000, "the probe's clock was not set; is it unix, in seconds?"),
        (time_from_unix_ms, 9_999_999_999, "the probe's clock was not set; is it unix, in seconds?"),
        (time_from_unix_ms, 10_000_000_000, "1970-04-26T17:46:40Z: the probe's clock was not set"),
    ],
)
def test_a_time_in_the_wrong_unit_is_told_by_its_size(
    read: Callable[[object], datetime], value: float, words: str
) -> None:
    """Ten digits are seconds, thirteen milliseconds; the hint stands only where it would be right."""
    with pytest.raises(Unreadable) as caught:
        read(value)
    assert str(caught.value).endswith(words)


@pytest.mark.outside
@pytest.mark.parametrize(
    ("text", "when"),
    [
        ("2016-12-31T23:59:60Z", datetime(2017, 1, 1, tzinfo=UTC)),
        ("2016-12-31T23:59:60.5Z", datetime(2017, 1, 1, 0, 0, 0, 500000, tzinfo=UTC)),
        ("2026-08-20T14:03:05.123456789Z", datetime(2026, 8, 20, 14, 3, 5, 123000, tzinfo=UTC)),
        ("2026-08-20T14:03:05.1Z", datetime(2026, 8, 20, 14, 3, 5, 100000, tzinfo=UTC)),
        ("2026-08-20T14:03:05-00:00", datetime(2026, 8, 20, 14, 3, 5, tzinfo=UTC)),
        ("2026-08-20t14:03:05z", datetime(2026, 8, 20, 14, 3, 5, tzinfo=UTC)),
    ],
)
def test_times_of_rfc_3339(text: str, when: datetime) -> None:
    """Source: RFC 3339 section 5.6; a leap second (5.7) counts as the second after it, fractions to the millisecond."""
    assert time_from_rfc3339(text) == when
    assert time_from_rfc3339(text).tzinfo is UTC


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("9" * 40, float("9" * 40)), ("9" * 41, None), ("." + "9" * 40, 1.0), ("." + "9" * 41, None),
        ("1." + "0" * 40, 1.0), ("1." + "0" * 41, None), ("1e00003", 1000.0), ("1e000003", None),
        ("1" + " " * 199, 1.0), ("1" + " " * 200, None), ("1.7976931348623157e308", 1.7976931348623157e308),
        ("-1.7976931348623157e308", -1.7976931348623157e308), ("1.8e308", None), ("-1.8e308", None),
    ],
)  # fmt: skip
def test_a_number_written_as_text_is_not_endless(text: str, value: float | None) -> None:
    """Forty digits on either side of the point, five of an exponent, 200 characters, and what a double can hold."""
    if value is None:
        with pytest.raises(Unreadable):
            number_from(text)
    else:
        assert number_from(text) == value


@pytest.mark.parametrize(
    ("value", "words"),
    [
        (float("nan"), "not a number"),
        (float("inf"), "too large for a number"),
        (10**400, "too large for a number"),
        (False, "false, not a number"),
        (None, "null: there is no value"),
        ("x" * 40, f"the text '{'x' * 40}', not a number like 21.5"),
        ("x" * 41, f"the text {'x' * 40 + '…'!a}, not a number like 21.5"),
    ],
)
def test_what_is_no_number_says_what_it_is(value: object, words: str) -> None:
    """In the words of whoever looks at the payload."""
    with pytest.raises(Unreadable) as caught:
        number_from(value)
    assert str(caught.value) == words


@pytest.mark.parametrize(
    ("document", "pointer", "words"),
    [
        ([1, 2], "/2", "/2 is not there: the payload is an array of 2, and '2' is no index of it"),
        ([1, 2], "/01", "/01 is not there: the payload is an array of 2, and '01' is no index of it"),
        ({"a": [1]}, "/a/1", "/a/1 is not there: /a is an array of 1, and '1' is no index of it"),
        ({"a": {}}, "/a/b", "/a/b is not there: /a has no key 'b', only none"),
        ({"a/b": {"~": 1}}, "/a~1b/c", "/a~1b/c is not there: /a~1b has no key 'c', only '~'"),
        (
            dict.fromkeys("abcdefghi", 1),
            "/z",
            "/z is not there: the payload has no key 'z', only 'a', 'b', 'c', 'd', 'e', 'f', 'g', 'h'",
        ),
        ({"k" * 25: 1}, "/z", f"/z is not there: the payload has no key 'z', only {'k' * 24 + '…'!a}"),
    ],
)
def test_a_pointer_to_nothing_says_where_its_way_ends(document: object, pointer: str, words: str) -> None:
    """What is there instead, the first eight keys of it, none of them endless."""
    with pytest.raises(Unreadable) as caught:
        pointed(document, pointer_tokens(pointer))
    assert str(caught.value) == words


def test_pointers_go_on_through_objects_and_arrays() -> None:
    """The last of an array, and a number as a key of an object."""
    assert pointed({"a": [1, {"1": 7}]}, ("a", "1", "1")) == 7
    assert pointed([1, 2], ("1",)) == 2
    assert pointed(5, ()) == 5


@pytest.mark.parametrize(
    ("value", "shown"),
    [
        (5, "a number"),
        (None, "null: there is no value"),
        ("x" * 40, f"'{'x' * 40}'"),
        ("x" * 41, ascii("x" * 40 + "…")),
    ],
)
def test_what_is_no_time_of_rfc_3339_is_shown(value: object, shown: str) -> None:
    """Forty characters of it, and how it should be written."""
    with pytest.raises(Unreadable) as caught:
        time_from_rfc3339(value)
    assert str(caught.value).startswith(f'the time is {shown}; it must be written like "2026-08-20T14:03:05Z"')


def test_what_is_quoted_is_not_endless() -> None:
    """Sixty characters, then three dots."""
    assert quoted("x" * 60) == f"'{'x' * 60}'"
    assert quoted("x" * 61) == ascii("x" * 60 + "…")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('{"a": 1} and much more than twenty', "no JSON: Extra data at line 1, column 10, near 'and much more than t'"),
        ('{\n"a"', "no JSON: Expecting ':' delimiter at line 2, column 4, near the end"),
        ('{"c": 1, "a": 1, "b": 2, "a": 3, "b": 4}', "the key 'a' stands twice in one object"),
    ],
)
def test_what_is_no_json_says_where(text: str, words: str) -> None:
    """Line, column and twenty characters of what stands there."""
    with pytest.raises(Unreadable) as caught:
        json_from(text)
    assert str(caught.value) == words
