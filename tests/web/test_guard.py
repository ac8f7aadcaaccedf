"""Passwords, sessions, form tokens and limits."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import SecretStr

from sensord.config import PageSettings
from sensord.web.guard import Guard, Limiter, Role, hash_of
from tests.web.homestead import HASH, PASSWORD, SECRET, TOKEN


def page(**more: object) -> PageSettings:
    return PageSettings(enabled=True, password_hash=SecretStr(HASH), secret=SecretStr(SECRET), **more)  # type: ignore[arg-type]


@pytest.mark.outside
def test_a_hash_is_argon2id_with_the_parameters_that_owasp_names() -> None:
    """The hash is argon2id v1.3 (RFC 9106) with m = 19 MiB, t = 2, p = 1, salted.

    Source: OWASP Password Storage Cheat Sheet, "use Argon2id with a minimum configuration of 19 MiB of memory, an
    iteration count of 2, and 1 degree of parallelism" (from memory).
    """
    assert hash_of("one") != hash_of("one")
    assert HASH.startswith("$argon2id$v=19$m=19456,t=2,p=1$")


def test_password_and_token_are_known_and_nothing_else() -> None:
    """Either opens; anything else, also too long or not Unicode, does not, and raises nothing."""
    guard = Guard(page(token=SecretStr(TOKEN)))
    assert guard.knows(PASSWORD)
    assert guard.knows(TOKEN)
    for wrong in ("", PASSWORD + " ", PASSWORD.upper(), TOKEN[:-1], "\ud800", "x" * 100_000, HASH):
        assert not guard.knows(wrong)


def test_without_password_and_token_nothing_is_known() -> None:
    """An empty secret is no secret."""
    guard = Guard(PageSettings(enabled=True))
    assert not guard.knows("")
    assert not guard.knows("anything")


def test_a_session_survives_a_restart_and_ends_with_the_password() -> None:
    """The same secret reads the cookie again; another password or secret does not."""
    guard = Guard(page())
    session = guard.begin(Role.KEEPER, "Ada")
    cookie = guard.cookie_of(session)
    assert Guard(page()).session_of(cookie) == session
    other = page().model_copy(update={"password_hash": SecretStr(hash_of("another"))})
    assert Guard(other).session_of(cookie) is None
    assert Guard(page().model_copy(update={"secret": SecretStr("z" * 40)})).session_of(cookie) is None


def test_a_session_that_was_left_is_over() -> None:
    """Its cookie opens nothing any more."""
    guard = Guard(page())
    session = guard.begin(Role.KEEPER)
    guard.end(session)
    assert guard.session_of(guard.cookie_of(session)) is None


def test_a_session_grows_old(monkeypatch: pytest.MonkeyPatch) -> None:
    """After the configured days the cookie is worth nothing."""
    guard = Guard(page(session_days=1))
    cookie = guard.cookie_of(guard.begin(Role.KEEPER))
    import time

    later = time.time() + 86_500
    monkeypatch.setattr(time, "time", lambda: later)
    assert guard.session_of(cookie) is None


@given(st.text(max_size=300))
def test_no_text_is_a_session_or_a_view(text: str) -> None:
    """Nothing that we did not sign gets anybody in, and nothing makes it raise."""
    guard = Guard(page())
    assert guard.session_of(text) is None
    assert not guard.is_view_token(text, "larkfield")
    assert not guard.is_form_token(guard.begin(Role.KEEPER), text)


def test_no_changed_cookie_gets_in() -> None:
    """Every single changed character spoils the signature; so a guest can't become a keeper."""
    guard = Guard(page())
    cookie = guard.cookie_of(guard.begin(Role.GUEST))
    for i, letter in itertools.product(range(len(cookie)), "Ab0"):
        if cookie[i] != letter:
            found = guard.session_of(cookie[:i] + letter + cookie[i + 1 :])
            assert found is None or found.role is Role.GUEST  # the last character holds spare bits of base64


def test_tokens_of_one_purpose_are_worth_nothing_for_another() -> None:
    """A shared view is no session, a session no view, a form token belongs to one session."""
    guard = Guard(page())
    keeper, other = guard.begin(Role.KEEPER), guard.begin(Role.KEEPER)
    assert guard.session_of(guard.view_token(7, "larkfield")) is None
    assert not guard.is_view_token(guard.cookie_of(keeper), "larkfield")
    assert guard.is_form_token(keeper, guard.form_token(keeper))
    assert not guard.is_form_token(other, guard.form_token(keeper))


def test_a_view_ends_by_itself(monkeypatch: pytest.MonkeyPatch) -> None:
    """A link for one day is worth nothing on the second."""
    import time

    guard = Guard(page())
    token = guard.view_token(1, "larkfield")
    assert guard.is_view_token(token, "larkfield")
    later = time.time() + 86_410
    monkeypatch.setattr(time, "time", lambda: later)
    assert not guard.is_view_token(token, "larkfield")


def test_a_limit_lets_through_what_it_says_and_recovers() -> None:
    """Five in a minute, for each key by itself, and again when the minute is over."""
    now = [0.0]
    limiter = Limiter(5, 60.0, monotonic=lambda: now[0])
    assert [limiter.take("a") for _ in range(7)] == [True] * 5 + [False] * 2
    assert limiter.take("b")
    now[0] = 61.0
    assert limiter.take("a")


def test_a_limit_remembers_only_so_many() -> None:
    """However many addresses come, memory stays bounded."""
    limiter = Limiter(5, 60.0, keys=100)
    for number in range(10_000):
        limiter.take(str(number))
    assert len(limiter._times) == 100
