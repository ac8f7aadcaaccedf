"""Logging in and out, sharing a view, answering by a link in a message."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import timedelta
from html import unescape
from pathlib import Path

import pytest

from sensord.model import Advice, What
from sensord.ports import Commit
from sensord.web.answers import BY_LINK
from tests.web.homestead import (
    GUARDED,
    NOW,
    ORIGIN,
    PASSWORD,
    TOKEN,
    Homestead,
    homestead,
    hot,
    letter,
    log_in,
    token_of,
)


@pytest.mark.parametrize("secret", [PASSWORD, TOKEN])
def test_password_or_token_lets_in(guarded: Homestead, secret: str) -> None:
    """Either opens the page, and the name given stands in the log book."""
    keeper = guarded.client()
    answer = log_in(keeper, secret, "Ada <b>")
    assert (answer.status_code, answer.headers["location"]) == (303, "/")
    html = keeper.get("/").text
    keeper.post("/say", data={"token": token_of(html), "act": "cleaned|birch|"}, headers=ORIGIN)
    assert guarded.loop.said[0].author == "Ada <b>"
    assert "Ada &lt;b&gt;" in keeper.get("/book").text


@pytest.mark.parametrize("asked", ["/book", "/share", "/week?week=2026-W34", "/curves?span=week&place=birch&back=2"])
def test_one_lands_where_one_wanted_to_go(guarded: Homestead, asked: str) -> None:
    """Asked to log in on the way to a page, one is on that page afterwards, also after a slip."""
    keeper = guarded.client()
    form = keeper.get(keeper.get(asked).headers["location"])
    wrong = keeper.post("/login", data=_login_fields(form.text, "no"), headers=ORIGIN)
    assert wrong.status_code == 403
    answer = keeper.post("/login", data=_login_fields(wrong.text, PASSWORD), headers=ORIGIN)
    assert (answer.status_code, answer.headers["location"]) == (303, asked)
    again = keeper.get("/login", params={"to": asked})
    assert (again.status_code, again.headers["location"]) == (303, asked)


def _login_fields(html: str, password: str) -> dict[str, str]:
    found = re.search(r'name="to" value="([^"]*)"', html)
    assert found is not None
    return {"token": token_of(html), "password": password, "to": unescape(found[1])}


@pytest.mark.parametrize(
    "elsewhere",
    [
        "https://elsewhere.example/", "//elsewhere.example", "/\\elsewhere.example", "\\\\elsewhere.example",
        "/%2f/elsewhere.example", "javascript:alert(1)", "/book\r\nset-cookie: a=b", "/book?x=//elsewhere.example",
        "/book@elsewhere.example", "/view/x", "/a/x", "/logout", "/book/", " /book", "/book\n", "/curves?" + "a" * 500,
    ],
)  # fmt: skip
def test_no_login_leads_elsewhere(guarded: Homestead, elsewhere: str) -> None:
    """Whatever is asked for that is no page of ours: one lands on the first page, and no link leads there."""
    keeper = guarded.client()
    form = keeper.get("/login", params={"to": elsewhere})
    assert "elsewhere" not in form.text
    assert _login_fields(form.text, "")["to"] == "/"
    fields = {"token": token_of(form.text), "password": PASSWORD, "to": elsewhere}
    answer = keeper.post("/login", data=fields, headers=ORIGIN)
    assert (answer.status_code, answer.headers["location"]) == (303, "/")
    assert "set-cookie: a" not in str(answer.headers)
    assert keeper.get("/login", params={"to": elsewhere}).headers["location"] == "/"


def test_logging_out_ends_the_session_for_good(guarded: Homestead) -> None:
    """The cookie that was used is worth nothing afterwards, also where somebody has kept it."""
    keeper = guarded.client()
    log_in(keeper)
    cookie = keeper.cookies["sensord-session"]
    keeper.post("/logout", data={"token": token_of(keeper.get("/").text)}, headers=ORIGIN)
    thief = guarded.client()
    thief.cookies.set("sensord-session", cookie)
    assert thief.get("/").status_code == 303


def test_a_cross_site_visit_does_not_log_the_keeper_out(guarded: Homestead) -> None:
    """Coming by a link of another site, the cookie is not sent; the answer must not replace it."""
    stranger = guarded.client()
    answer = stranger.get("/login", headers={"sec-fetch-site": "cross-site"})
    given = [v for k, v in answer.headers.multi_items() if k == "set-cookie"]
    assert given
    assert not [v for v in given if v.startswith("sensord-session=")]


def test_a_view_is_shared_by_a_link(guarded: Homestead) -> None:
    """The keeper makes it, a stranger looks by it; a made-up one opens nothing."""
    keeper, stranger = guarded.client(), guarded.client()
    log_in(keeper)
    page = keeper.post("/share", data={"token": token_of(keeper.get("/share").text), "days": "30"}, headers=ORIGIN)
    address = re.search(r"http://localhost(/view/[^<\s]+)", page.text)
    assert address is not None
    assert stranger.get(address[1]).status_code == 200
    assert "Birch" in stranger.get("/").text
    assert guarded.client().get(address[1][:-3] + "AAA").status_code == 403


def test_a_view_does_not_make_less_of_a_keeper(guarded: Homestead) -> None:
    """Opening one's own shared link, one stays the keeper."""
    keeper = guarded.client()
    log_in(keeper)
    keeper.get(f"/view/{guarded.garden_page.door.guard.view_token(7, 'larkfield')}")
    assert 'action="/say"' in keeper.get("/").text


def test_units_are_the_readers_own(local: Homestead, keeper) -> None:
    """One device reads °F, another °C."""
    assert "°C" in keeper.get("/").text
    keeper.post("/units", data={"token": token_of(keeper.get("/").text), "units": "us"}, headers=ORIGIN)
    page = keeper.get("/").text
    assert "°F" in page
    assert "mph" in page
    assert "°C" not in re.sub(r"<button[^>]*>Show[^<]*</button>", "", page)
    assert "°C" in local.client().get("/").text


# --- links in messages


def press(homestead: Homestead, answer: str, token: str | None = None):
    """Open the link and tap."""
    phone = homestead.client()
    path = f"/a/{token or homestead.garden_page.links.token_of(letter())}"
    page = phone.get(path)
    if page.status_code != 200:
        return page
    session = homestead.garden_page.door.guard.session_of(phone.cookies["sensord-link"])
    assert session is not None
    form_token = homestead.garden_page.door.guard.form_token(session)  # also where the page shows no form any more
    return phone.post(path, data={"token": form_token, "act": answer}, headers=ORIGIN)


def test_looking_at_a_link_does_nothing_and_one_tap_answers(guarded: Homestead) -> None:
    """GET shows what it is about, as often as it is asked; POST is one entry for each concern of the message."""
    token = guarded.garden_page.links.token_of(letter())
    for _ in range(3):
        page = guarded.client().get(f"/a/{token}")
        assert page.status_code == 200
        assert "Shade Birch" in page.text
    assert not guarded.loop.said
    assert press(guarded, "done").status_code == 200
    (entry,) = guarded.loop.said
    assert (entry.what, entry.subject, entry.source) == (What.DONE, "overheating/birch", "page")
    assert entry.text == BY_LINK + letter().key


def test_a_link_opens_nothing_but_its_answer(guarded: Homestead) -> None:
    """Whoever has it sees the message, and neither the garden nor any other form."""
    phone = guarded.client()
    page = phone.get(f"/a/{guarded.garden_page.links.token_of(letter())}")
    assert page.text.count("<form") == 1
    assert phone.get("/").status_code == 303
    assert (
        phone.post("/say", data={"token": token_of(page.text), "act": "shaded|birch|"}, headers=ORIGIN).status_code
        == 403
    )
    assert not guarded.loop.said


def test_a_replay_is_refused_also_after_a_restart(guarded: Homestead) -> None:
    """The same answer counts once; "done" uses the link up; what was used stands in the store."""
    assert press(guarded, "seen").status_code == 200
    assert press(guarded, "seen").status_code == 409
    guarded.garden_page.desk._taken.clear()  # as after a restart
    assert press(guarded, "seen").status_code == 409
    assert press(guarded, "done").status_code == 200
    for answer in ("done", "seen", "not now"):
        assert press(guarded, answer).status_code == 409
    assert [e.what for e in guarded.loop.said] == [What.SEEN, What.DONE]


def test_a_replayed_request_is_refused(guarded: Homestead) -> None:
    """The very same POST a second time does nothing."""
    phone = guarded.client()
    path = f"/a/{guarded.garden_page.links.token_of(letter())}"
    data = {"token": token_of(phone.get(path).text), "act": "done"}
    assert phone.post(path, data=data, headers=ORIGIN).status_code == 200
    assert phone.post(path, data=data, headers=ORIGIN).status_code == 409
    assert len(guarded.loop.said) == 1


def test_a_forged_or_old_link_is_refused(guarded: Homestead) -> None:
    """Another key, another end, another secret, or its time over: nothing is shown, nothing is written."""
    token = guarded.garden_page.links.token_of(letter())
    key, until, signature = token.split(".")
    later = f"{int(until, 16) + 60:x}"
    for forged in (f"{key}.{later}.{signature}", f"{'f' * 20}.{until}.{signature}", f"{key}.{until}.", "x", token[:-4]):
        assert guarded.client().get(f"/a/{forged}").status_code == 403
        assert press(guarded, "done", forged).status_code == 403
    guarded.loop.now = NOW + timedelta(hours=25)
    guarded.garden_page.door.guesses._times.clear()
    assert press(guarded, "done").status_code == 403
    assert not guarded.loop.said


def test_guessing_links_is_slow(guarded: Homestead) -> None:
    """After twenty wrong ones from an address nothing is looked at for a while."""
    client = guarded.client()
    codes = [client.get("/a/wrong").status_code for _ in range(25)]
    assert codes == [403] * 20 + [429] * 5


def test_a_link_about_what_is_over_answers_nothing(guarded: Homestead) -> None:
    """Neither what has ended, nor what began anew after the message, is answered by the old link."""
    token = guarded.garden_page.links.token_of(letter())
    guarded.store.journal.commit(Commit(NOW, concerns=[hot(opened_at=NOW + timedelta(minutes=5))]))
    assert "This is over" in guarded.client().get(f"/a/{token}").text
    phone = guarded.client()
    page = phone.get(f"/a/{token}")
    assert "<form" not in page.text


def test_a_link_from_another_site_is_only_looked_at(guarded: Homestead) -> None:
    """A page of another site that posts to a link it has found does nothing."""
    phone = guarded.client()
    path = f"/a/{guarded.garden_page.links.token_of(letter())}"
    data = {"token": token_of(phone.get(path).text), "act": "done"}
    assert phone.post(path, data=data, headers={"origin": "http://elsewhere.example"}).status_code == 403
    assert guarded.client().post(path, data=data, headers=ORIGIN).status_code == 403  # without its cookie
    assert not guarded.loop.said


def test_stay_in_can_only_be_seen_by_a_link(guarded: Homestead) -> None:
    """Nobody has done "stay in": the link offers "seen" alone, and takes nothing else."""
    storm = replace(
        hot(),
        rule="storm",
        verdict=replace(hot().verdict, rule="storm", reason="stay in", advice=Advice("stay in", outdoors=False)),
        told_action="stay in",
    )
    guarded.store.journal.commit(Commit(NOW, concerns=[storm], messages=[letter(("storm/birch",), key="f" * 20)]))
    token = guarded.garden_page.links.token_of(letter(("storm/birch",), key="f" * 20))
    page = guarded.client().get(f"/a/{token}").text
    assert re.findall(r'name="act" value="([^"]+)"', page) == ["seen"]
    assert press(guarded, "done", token).status_code == 409
    assert press(guarded, "seen", token).status_code == 200
    assert [e.what for e in guarded.loop.said] == [What.SEEN]


@pytest.mark.parametrize(
    ("base_url", "is_secure"), [("https://garden.example", True), ("http://garden.example", False)]
)
def test_every_cookie_stays_encrypted_where_the_page_is(tmp_path: Path, base_url: str, is_secure: bool) -> None:
    """Also the one of whoever answers by a link in a message."""
    with homestead(tmp_path, {**GUARDED, "base_url": base_url}) as garden, garden.client(base_url) as phone:
        link = garden.garden_page.links.address_of(letter())
        for address in (f"{base_url}/login", link):
            (cookie,) = phone.get(address).headers.get_list("set-cookie")
            assert ("; secure" in cookie.lower()) is is_secure, cookie
