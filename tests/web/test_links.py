"""Links in messages: signed, expiring, good for one message."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sensord.model import Telling
from sensord.web.links import LinkRefused, Links
from tests.web.homestead import NOW, SECRET, letter

LINKS = Links("http://192.0.2.7:8417", SECRET, hours=24)


def test_a_link_says_which_message_and_until_when() -> None:
    """It reads back what it was made of, and is short enough for a push."""
    token = LINKS.token_of(letter())
    assert LINKS.read(token, NOW) == (letter().key, NOW + timedelta(hours=24))
    assert LINKS.address_of(letter()) == f"http://192.0.2.7:8417/a/{token}"
    assert len(LINKS.address_of(letter())) < 130


def test_a_link_ends() -> None:
    """At its end it is refused, a moment before it is not."""
    token = LINKS.token_of(letter())
    LINKS.read(token, NOW + timedelta(hours=23, minutes=59))
    with pytest.raises(LinkRefused, match="too_old"):
        LINKS.read(token, NOW + timedelta(hours=24))


def test_what_asks_for_no_answer_has_no_link() -> None:
    """Nor has anything where nobody knows how a phone reaches the page."""
    assert LINKS.address_of(letter(concerns=())) == ""
    assert LINKS.address_of(replace(letter(), telling=Telling.OVER)) == ""
    assert Links("", SECRET).address_of(letter()) == ""


def test_another_secret_signs_nothing_of_ours() -> None:
    """Nor does an empty one sign anything."""
    with pytest.raises(LinkRefused):
        LINKS.read(Links("http://192.0.2.7", "x" * 40).token_of(letter()), NOW)
    with pytest.raises(ValueError, match="secret"):
        Links("http://192.0.2.7", "")


@given(st.text(max_size=200))
def test_no_text_is_a_link(text: str) -> None:
    """Nothing that we did not sign is read, and nothing makes it raise anything else."""
    with pytest.raises(LinkRefused):
        LINKS.read(text, NOW)


@given(st.integers(0, 70), st.sampled_from("0123456789abcdefXYZ_-."))
def test_no_changed_link_says_something_else(place: int, letter_: str) -> None:
    """A changed link is refused, or says the same (the last character of base64 has spare bits)."""
    token = LINKS.token_of(letter())
    place %= len(token)
    changed = token[:place] + letter_ + token[place + 1 :]
    try:
        assert LINKS.read(changed, NOW) == LINKS.read(token, NOW)
    except LinkRefused:
        return
    assert changed == token or place == len(token) - 1
