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
        ({"what": "moved", "subject": "first", "text": "oak"}, "moved"),
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


def test_a_retained_entry_needs_its_own_time() -> None:
    """A broker's stored copy without a time could be from last summer."""
    assert isinstance(say({"what": "shaded", "subject": "alder"}, retained=True), Refusal)


@given(
    st.binary(max_size=200)
    | st.recursive(st.none() | st.booleans() | st.floats() | st.text(), st.lists).map(lambda d: json.dumps(d).encode())
)
def test_nothing_crashes_it(payload: bytes) -> None:
    """Any bytes give an entry or a refusal."""
    assert isinstance(say(payload), Entry | Refusal)
