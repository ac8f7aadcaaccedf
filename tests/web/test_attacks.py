"""Every write attacked: without session, with stale or foreign tokens, from other sites, too often, through every route."""

from __future__ import annotations

from typing import Any
from urllib.parse import quote

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from sensord.web.guard import Role
from tests.web.homestead import FORM, ORIGIN, TOKEN, Homestead, letter, log_in, once_of, token_of

WRITES = ["/say", "/units", "/login", "/logout", "/share"]
GETS = ["/", "/live", "/curves", "/curves.json", "/book", "/week", "/week.css", "/login", "/share", "/view/x", "/a/x"]
ALL_FIELDS = {
    "act": "shaded|birch|",
    "units": "us",
    "days": "7",
    "password": "guess",
    "concern": "overheating/birch",
    "once": "1",
}


def nothing_written(homestead: Homestead) -> None:
    assert not homestead.loop.said
    assert not homestead.loop.refused


# --- who is nobody


@pytest.mark.parametrize("path", WRITES)
def test_no_write_without_a_session(guarded: Homestead, path: str) -> None:
    """A request that carries no cookie of ours does nothing."""
    answer = guarded.client().post(path, data=ALL_FIELDS, headers=ORIGIN)
    assert answer.status_code == 403
    nothing_written(guarded)


@pytest.mark.parametrize("path", WRITES)
def test_no_write_without_a_session_on_this_computer_either(local: Homestead, path: str) -> None:
    """Where no password is asked for, another site's form still does nothing."""
    answer = local.client().post(path, data=ALL_FIELDS, headers=ORIGIN)
    assert answer.status_code == 403
    nothing_written(local)


@pytest.mark.parametrize("path", ["/", "/curves", "/curves.json", "/book", "/week", "/share", "/live"])
def test_nothing_is_shown_to_a_guest(guarded: Homestead, path: str) -> None:
    """Without logging in there is no figure, no name of an enclosure, no entry."""
    answer = guarded.client().get(path)
    assert answer.status_code in (303, 403)
    assert "Birch" not in answer.text


def test_a_viewer_sees_everything_and_writes_nothing(guarded: Homestead) -> None:
    """By a shared link one looks; no form is shown, and forged ones are refused."""
    viewer = guarded.client()
    assert viewer.get(f"/view/{guarded.garden_page.door.guard.view_token(7, 'larkfield')}").status_code == 200
    page = viewer.get("/")
    assert "Birch" in page.text
    assert 'action="/say"' not in page.text
    session = guarded.garden_page.door.guard.session_of(viewer.cookies["sensord-session"])
    assert session is not None
    assert session.role is Role.VIEWER
    token = guarded.garden_page.door.guard.form_token(session)
    for path in ("/say", "/share"):
        assert viewer.post(path, data={**ALL_FIELDS, "token": token}, headers=ORIGIN).status_code == 403
    nothing_written(guarded)


# --- tokens


@pytest.mark.parametrize("path", ["/say", "/units", "/logout", "/share"])
@pytest.mark.parametrize("token", ["", "0" * 40, "stale", None])
def test_a_stale_or_foreign_token_does_nothing(guarded: Homestead, path: str, token: str | None) -> None:
    """Neither a missing token, nor another session's, nor the one of before the last login is taken."""
    keeper, other = guarded.client(), guarded.client()
    log_in(keeper)
    if token == "stale":
        token = token_of(keeper.get("/").text)
        keeper.post("/logout", data={"token": token}, headers=ORIGIN)
        log_in(keeper)
    elif token is None:
        log_in(other)
        token = token_of(other.get("/").text)
    answer = keeper.post(path, data={**ALL_FIELDS, "token": token}, headers=ORIGIN)
    assert answer.status_code == 403
    nothing_written(guarded)
    assert keeper.get("/").status_code == 200  # and nobody was logged out


CROSS_SITE: list[dict[str, str]] = [
    {"origin": "http://elsewhere.example"},
    {"origin": "null"},
    {"origin": "https://localhost.elsewhere.example"},
    {"origin": "http://localhost:81"},
    {"origin": "http://["},
    {"origin": "http://[127.0.0.1]"},
    {"sec-fetch-site": "cross-site"},
    {"sec-fetch-site": "same-site"},
]


@pytest.mark.parametrize("headers", CROSS_SITE, ids=str)
@pytest.mark.parametrize("path", ["/say", "/units", "/logout", "/share"])
def test_no_request_of_another_site_is_taken(guarded: Homestead, path: str, headers: dict[str, str]) -> None:
    """Even with the right cookie and the right token."""
    keeper = guarded.client()
    log_in(keeper)
    token = token_of(keeper.get("/").text)
    answer = keeper.post(path, data={**ALL_FIELDS, "token": token}, headers={**ORIGIN, **headers})
    assert answer.status_code == 403
    nothing_written(guarded)
    assert keeper.get("/").status_code == 200


@pytest.mark.parametrize("path", ["/", "/login", "/book?x=1"])
@pytest.mark.parametrize("host", ["[", "[127.0.0.1]", "[localhost]", "[::1", "[::1]x", "localhost:[", "[fe80::1%1]"])
def test_a_host_that_is_no_address_is_none_of_ours(guarded: Homestead, host: str, path: str) -> None:
    """Whoever has not even logged in gets a plain refusal."""
    answer = guarded.client().get(path, headers={"host": host})
    assert answer.status_code == 421


@pytest.mark.parametrize("kind", ["application/json", "text/plain", "multipart/form-data; boundary=x", ""])
def test_only_a_form_is_a_form(local: Homestead, kind: str) -> None:
    """Other kinds of body, which sites may send without asking, are refused."""
    keeper = local.client()
    token = token_of(keeper.get("/").text)
    body = f"token={token}&act=shaded|birch|"
    answer = keeper.post("/say", content=body, headers={**ORIGIN, "content-type": kind})
    assert answer.status_code in (400, 403)
    nothing_written(local)


def test_the_cookie_is_kept_from_scripts_and_other_sites(guarded: Homestead) -> None:
    """HttpOnly and SameSite=Strict, and Secure where the page is reached by https."""
    answer = log_in(guarded.client())
    cookie = next(v for k, v in answer.headers.multi_items() if k == "set-cookie" and "sensord-session" in v)
    assert "httponly" in cookie.lower()
    assert "samesite=strict" in cookie.lower()


@pytest.mark.parametrize(
    "host", ["elsewhere.example", "localhost.elsewhere.example", "", "a b", "[::1", "127.0.0.1.nip.example"]
)
def test_another_name_for_this_computer_is_not_answered(local: Homestead, host: str) -> None:
    """A site whose name was made to point here gets nothing, neither to read nor to write."""
    answer = local.client().get("/", headers={"host": host})
    assert answer.status_code == 421
    assert "Birch" not in answer.text


# --- how often


def test_guessing_the_password_is_slow(guarded: Homestead) -> None:
    """After five wrong ones not even the right one is heard, for a while; a session that is there goes on."""
    keeper = guarded.client()
    log_in(keeper)
    thief = guarded.client()
    for _ in range(5):
        assert log_in(thief, "wrong").status_code == 403
    answer = log_in(thief)
    assert answer.status_code == 429
    assert "sensord-session" not in thief.cookies
    assert keeper.get("/").status_code == 200


def test_writing_is_not_a_flood(local: Homestead) -> None:
    """Forty writes in a minute are the most of one session."""
    keeper = local.client()
    html = keeper.get("/").text
    answers = [
        keeper.post(
            "/say",
            data={"token": token_of(html), "once": str(n), "act": "note|birch|", "note": str(n)},
            headers={**ORIGIN, "accept": "application/json"},
        ).status_code
        for n in range(45)
    ]
    assert answers.count(200) == 40
    assert len(local.loop.said) == 40


def test_too_much_at_once_is_refused(local: Homestead) -> None:
    """A body beyond every form of ours, declared or not, is not read to its end."""
    keeper = local.client()
    token = token_of(keeper.get("/").text)
    headers = {**ORIGIN, **FORM}
    big = f"token={token}&act=note|birch|&note=" + "x" * 100_000
    assert keeper.post("/say", content=big, headers=headers).status_code == 413
    assert keeper.post("/say", content=(part.encode() for part in (big,)), headers=headers).status_code == 413
    many = f"token={token}&" + "&".join(f"a{n}=1" for n in range(1000))
    assert keeper.post("/say", content=many, headers=headers).status_code == 400
    nothing_written(local)


# --- every route


def test_every_answer_carries_the_policy(guarded: Homestead) -> None:
    """No inline script, no other site, no frame, no sniffing, nothing kept; whatever the answer is."""
    keeper = guarded.client()
    log_in(keeper)
    for path in [*GETS, "/nothing", "/static/none.js"]:
        if path == "/live":
            continue
        for client in (keeper, guarded.client()):
            answer = client.get(path)
            policy = answer.headers["content-security-policy"]
            assert "default-src 'none'" in policy
            assert "unsafe" not in policy
            assert "http" not in policy
            assert answer.headers["x-content-type-options"] == "nosniff"
            assert answer.headers["referrer-policy"] == "same-origin"
            if not path.startswith("/week.css"):
                assert answer.headers["cache-control"] == "no-store"


def test_no_page_names_another_site_or_holds_a_script_or_style_of_its_own(guarded: Homestead) -> None:
    """All that a page loads comes from itself; handlers and styles in attributes would not run anyway."""
    import re

    keeper = guarded.client()
    log_in(keeper)
    token = guarded.garden_page.links.token_of(letter())
    for path in ["/", "/curves", "/curves?span=week&place=birch", "/book", "/week", "/login", "/share", f"/a/{token}"]:
        html = keeper.get(path).text
        assert not re.search(r"<script(?![^>]*\bsrc=)|<style|\sstyle=|\son\w+=", html), path
        for address in re.findall(r'(?:src|href|action)="([^"]*)"', html):
            assert address.startswith("/") or address.startswith("#"), (path, address)


def test_no_secret_is_in_any_page_or_log(guarded: Homestead, caplog: pytest.LogCaptureFixture) -> None:
    """Neither password, token, hash nor secret; and links are never logged."""
    from tests.web.homestead import HASH, PASSWORD, SECRET

    keeper = guarded.client()
    log_in(keeper, "wrong guess")
    log_in(keeper)
    shared = keeper.post("/share", data={"token": token_of(keeper.get("/share").text), "days": "7"}, headers=ORIGIN)
    texts = [keeper.get(path).text for path in GETS if path != "/live"] + [shared.text, caplog.text]
    for secret in (PASSWORD, TOKEN, SECRET, HASH, "wrong guess"):
        assert not [t for t in texts if secret in t]
    assert "/view/" not in caplog.text


METHODS = ["GET", "POST", "PUT", "DELETE", "PATCH", "OPTIONS", "HEAD"]
PATHS = [
    "/", "/say", "/curves", "/curves.json", "/book", "/week", "/units", "/login", "/logout", "/share",
    "/view/{}", "/a/{}", "/static/{}", "/{}",
]  # fmt: skip
SEGMENT = st.text(st.characters(codec="utf-8", exclude_characters="/?#\\%"), max_size=40).map(lambda t: t or "x")
ODD = ["day", "week", "birch", "season", "-1", "9" * 400, "2026-W99", "0001-W01", "٣"]
QUERY = st.dictionaries(
    st.sampled_from(["span", "place", "back", "week", "whole", "kept", "x"]),
    st.one_of(st.text(st.characters(codec="utf-8"), max_size=30), st.sampled_from(ODD)),
    max_size=4,
)  # fmt: skip
FIELDS = st.dictionaries(
    st.sampled_from(
        ["token", "once", "act", "concern", "note", "ago", "units", "days", "password", "name", "count-first"]
    ),
    st.text(st.characters(codec="utf-8"), max_size=60),
    max_size=6,
)


@pytest.fixture(scope="module")
def under_fire(tmp_path_factory: pytest.TempPathFactory) -> Any:
    """One page for all the shots."""
    from tests.web.homestead import GUARDED, homestead

    with homestead(tmp_path_factory.mktemp("fire"), GUARDED) as found, found.client() as client:
        keeper = found.client()
        log_in(keeper)
        yield found, client, keeper


@given(
    method=st.sampled_from(METHODS),
    path=st.sampled_from(PATHS),
    segment=SEGMENT,
    query=QUERY,
    fields=FIELDS,
    is_keeper=st.booleans(),
    json=st.booleans(),
)
@example("GET", "/week", "x", {"week": "0001-W01"}, {}, True, False)
@settings(max_examples=500, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_no_request_breaks_the_page_or_writes(
    under_fire: Any,
    method: str,
    path: str,
    segment: str,
    query: dict[str, str],
    fields: dict[str, str],
    is_keeper: bool,
    json: bool,
) -> None:
    """Any method, any path, any field, with and without a session: never a 500, never an entry without a right token."""
    homestead, guest, keeper = under_fire
    client = keeper if is_keeper else guest
    headers = {**ORIGIN, "accept": "application/json" if json else "text/html"}
    answer = client.request(
        method, path.format(quote(segment, safe="")), params=query, data=fields if method != "GET" else None, headers=headers
    )  # fmt: skip
    assert answer.status_code < 500, (answer.status_code, answer.text[:200])
    nothing_written(homestead)


@given(fields=FIELDS)
@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_with_the_right_token_any_form_is_taken_or_refused_in_words(under_fire: Any, fields: dict[str, str]) -> None:
    """The keeper may send any text in any field: it is an entry, or a refusal; never a defect."""
    homestead, _, keeper = under_fire
    homestead.garden_page.door.writes._times.clear()
    html = keeper.get("/").text
    answer = keeper.post(
        "/say",
        data={**fields, "token": token_of(html), "once": once_of(html)},
        headers={**ORIGIN, "accept": "application/json"},
    )
    assert answer.status_code in (200, 400)
    assert answer.json()["text"]
    assert not homestead.loop.refused
