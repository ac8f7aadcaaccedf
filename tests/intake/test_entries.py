"""What the keeper says over MQTT becomes an entry, or is refused with what would be right."""

import json
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sensord.intake.entries import decode
from sensord.model import Arrival, Entry, Refusal, What

NOW = datetime(2026, 8, 20, 14, 0, tzinfo=UTC)


def say(document: object, *, retained: bool = False) -> Entry | Refusal:
    payload = document if isinstance(document, bytes) else json.dumps(document).encode()
    return decode(
        Arrival(NOW, "sensord/entry", payload, retained),
        "larkfield",
        ["alder", "birch"],
        ["first"],
        ["storm", "overheating"],
    )


def test_an_action_is_dated_by_its_receipt_or_its_own_time() -> None:
    """Without `at` the receipt counts; with it, the time that the keeper gives, in UTC."""
    assert say({"what": "shaded", "subject": "alder"}).at == NOW
    entry = say(
        {"what": "anchored", "subject": "birch", "amount": 6, "at": "2026-08-20T09:30:00-04:00", "by": "keeper"}
    )
    assert isinstance(entry, Entry)
    assert entry.at == datetime(2026, 8, 20, 13, 30, tzinfo=UTC)
    assert (entry.what, entry.amount, entry.author) == (What.ANCHORED, 6.0, "keeper")


def test_an_answer_names_a_concern() -> None:
    """seen, done and not now are said of a concern of a rule that exists."""
    assert isinstance(say({"what": "done", "subject": "overheating/birch"}), Entry)
    refusal = say({"what": "done", "subject": "birch"})
    assert isinstance(refusal, Refusal)
    assert "overheating" in refusal.reason


@pytest.mark.parametrize(
    ("document", "word"),
    [
        ({"what": "shaded", "subject": "oak"}, "alder, birch"),
        ({"what": "anchored", "subject": "alder"}, "amount in kg"),
        ({"what": "anchored", "subject": "alder", "amount": -1}, "amount"),
        ({"what": "anchored", "subject": "alder", "amount": 99999}, "0 to 1000 kg"),
        ({"what": "ballast added", "subject": "alder", "amount": 1000.5}, "0 to 1000 kg"),
        ({"what": "headcount", "subject": "alder", "amount": 3.5}, "whole number"),
        ({"what": "headcount", "subject": "alder", "amount": 1e300}, "10000 animals"),
        ({"what": "stage", "subject": "first", "text": "instar 9"}, "instar 5, pupa"),
        ({"what": "note", "subject": "alder", "text": "  "}, "without any text"),
        ({"what": "shade", "subject": "alder"}, "what"),
        ({"what": "shaded", "subject": "alder", "colour": "green"}, "colour"),
        ({"what": "shaded", "subject": "alder", "at": "2026-08-20T15:00:00Z"}, "ahead"),
        ({"what": "shaded", "subject": "alder", "at": "2026-08-20T13:00:00"}, "at"),
        ({"what": "shaded", "subject": "alder", "at": "9999-12-31T23:59:59-14:00"}, "between 2001 and now"),
        ({"what": "shaded", "subject": "alder", "at": "0001-01-01T00:00:00+14:00"}, "between 2001 and now"),
        ({"what": "shaded", "subject": "alder", "at": "0001-01-01T00:00:00Z"}, 'like "2026-08-20T14:00:00Z"'),
        ({"what": "moved", "subject": "first", "text": "oak"}, "moved"),
        (b'{"what":"note","subject":"alder","text":"dew","amount":1e999}', "amount"),
        (b"shaded alder", "entry"),
        (b"\xff\xfe", "entry"),
        (b"[" * 100_000, "entry"),
        ([], "entry"),
    ],
)
def test_a_mistake_is_refused_with_what_would_be_right(document: object, word: str) -> None:
    """Every mistake becomes a refusal whose reason helps."""
    refusal = say(document)
    assert isinstance(refusal, Refusal)
    assert word in refusal.reason


@pytest.mark.parametrize(
    ("document", "taken"),
    [
        ({"what": "note", "text": "x"}, True),
        ({"what": "note", "text": "x" * 500, "by": "b" * 60}, True),
        ({"what": "note", "text": "x" * 501}, False),
        ({"what": "note", "text": "x", "by": "b" * 61}, False),
        ({"what": "note", "subject": "alder", "text": "x"}, True),
        ({"what": "note", "subject": "oak", "text": "x"}, False),
        ({"what": "shaded"}, False),
        ({"what": "seen", "subject": "storm/" + "x" * 114}, True),
        ({"what": "seen", "subject": "storm/" + "x" * 115}, False),
        ({"what": "shaded", "subject": "alder", "at": "2026-08-20T14:05:00Z"}, True),
        ({"what": "shaded", "subject": "alder", "at": "2026-08-20T14:05:00.001Z"}, False),
        ({"what": "shaded", "subject": "alder", "at": "2000-12-31T23:59:59Z"}, False),
        ({"what": "shaded", "subject": "alder", "at": "2001-01-01T00:00:00Z"}, True),
        ({"what": "anchored", "subject": "alder", "amount": 0}, True),
        ({"what": "anchored", "subject": "alder", "amount": 1000}, True),
        ({"what": "anchored", "subject": "alder", "amount": 1000.1}, False),
        (b'{"what": "anchored", "subject": "alder", "amount": Infinity}', False),
        ({"what": "headcount", "subject": "first", "amount": 0}, True),
        ({"what": "headcount", "subject": "first", "amount": 10_000}, True),
        ({"what": "headcount", "subject": "first", "amount": 10_001}, False),
        ({"what": "headcount", "subject": "first"}, False),
        ({"what": "stage", "subject": "first", "text": "pupa"}, True),
        ({"what": "moved", "subject": "first", "text": "birch"}, True),
        ({"what": "shaded", "subject": "alder", "amount": 5000}, True),  # a number that means nothing there
    ],
)
def test_what_a_keeper_may_say_has_bounds(document: object, taken: bool) -> None:
    """Taken at the bound, refused beyond it; a clock that is up to five minutes ahead is forgiven."""
    assert isinstance(say(document), Entry if taken else Refusal)


def test_a_refusal_names_the_place_and_what_is_right() -> None:
    """With the whole payload, so that it can be looked into."""
    document = {"what": "shaded", "subject": "alder", "by": 7}
    refusal = say(document)
    assert isinstance(refusal, Refusal)
    assert refusal.reason.startswith("entry/by: ")
    assert refusal.reason.endswith('; right is {"what": "shaded", "subject": "alder"}')
    assert (refusal.received_at, refusal.topic) == (NOW, "sensord/entry")
    assert json.loads(refusal.payload) == document


def test_a_retained_entry_needs_its_own_time() -> None:
    """A broker's stored copy without a time could be from last summer."""
    assert isinstance(say({"what": "shaded", "subject": "alder"}, retained=True), Refusal)
    dated = {"what": "shaded", "subject": "alder", "at": "2026-08-20T13:00:00Z"}
    assert isinstance(say(dated, retained=True), Entry)


@given(
    st.binary(max_size=200)
    | st.recursive(st.none() | st.booleans() | st.floats() | st.text(), st.lists).map(lambda d: json.dumps(d).encode())
)
def test_nothing_crashes_it(payload: bytes) -> None:
    """Any bytes give an entry or a refusal."""
    assert isinstance(say(payload), Entry | Refusal)
