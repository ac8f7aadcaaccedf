"""Several gardens on one page: a list, each below its own address, one password; nothing of one is seen or said in another."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from sensord.model import What
from sensord.web.guard import Role
from tests.web.homestead import GUARDED, LOCAL, ORIGIN, Homestead, letter, log_in, neighbours, once_of, token_of

Two = tuple[Homestead, Homestead]


@pytest.fixture
def two(tmp_path: Path) -> Iterator[Two]:
    """On the network."""
    with neighbours(tmp_path, GUARDED) as found, found[0].client():
        yield found


@pytest.fixture
def keeper(two: Two) -> TestClient:
    """A browser that has logged in."""
    client = two[0].client()
    assert log_in(client).headers["location"] == "/"
    return client


def test_the_list_names_every_garden_and_how_it_stands(two: Two, keeper: TestClient) -> None:
    """With what each one's own page says first; one that nobody watches is named too."""
    page = keeper.get("/").text
    for garden in two:
        assert f'<a href="{garden.house.root}/">' in page
        head = re.search(r"<h1>(.*?)</h1>", keeper.get(f"{garden.house.root}/").text)
        assert head is not None
        assert head[1] in page
    assert "orchard" in page
    assert "3 mistakes" in page


def test_without_a_password_everyone_is_let_in(tmp_path: Path) -> None:
    """On this computer alone."""
    with neighbours(tmp_path, LOCAL) as (one, other), one.client() as client:
        assert client.get("/").status_code == 200
        assert client.get(f"{other.house.root}/").status_code == 200


def test_nothing_is_shown_before_one_has_logged_in(two: Two) -> None:
    """Neither the list nor a garden; one lands on what one wanted."""
    for wanted in ("/", "/garden/school/", "/garden/school/curves?span=week"):
        client = two[0].client()
        asked = client.get(wanted)
        assert asked.status_code == 303
        at = asked.headers["location"]
        form = client.get(at)
        to = re.search(r'name="to" value="([^"]*)"', form.text)
        assert to is not None
        root = at.partition("/login")[0]
        data = {"token": token_of(form.text), "password": "milkweed by the fence", "to": to[1]}
        came = client.post(f"{root}/login", data=data, headers=ORIGIN)
        assert came.headers["location"] == wanted
        assert client.get(wanted).status_code == 200


def test_one_session_is_for_all(two: Two, keeper: TestClient) -> None:
    """Who has logged in anywhere is known everywhere, until logging out anywhere."""
    page = keeper.get("/garden/school/")
    assert page.status_code == 200
    assert keeper.get("/garden/larkfield/book").status_code == 200
    keeper.post("/garden/school/logout", data={"token": token_of(page.text)}, headers=ORIGIN)
    for address in ("/", "/garden/larkfield/", "/garden/school/"):
        assert keeper.get(address).status_code == 303


def test_every_link_and_form_stays_in_its_garden(two: Two, keeper: TestClient) -> None:
    """Each address that a garden's pages name is below its own, a file, or the list."""
    for root in (garden.house.root for garden in two):
        for path in ("/", "/curves", "/week", "/book", "/share"):
            text = keeper.get(root + path).text
            named = re.findall(r'(?:href|action|src|data-from)="([^"#]*)"', text)
            assert [a for a in named if not a.startswith((f"{root}/", "/static/")) and a not in ("/", "")] == []
            assert f'data-root="{root}"' in text
            assert all(
                keeper.get(a).status_code == 200
                for a in set(named)
                if a.startswith(f"{root}/") and "/say" not in a and "/units" not in a and "/logout" not in a
            )


def test_an_entry_goes_to_its_garden(two: Two, keeper: TestClient) -> None:
    """What is said on the school's page is the school's; names of enclosures are the same in both."""
    one, other = two
    page = keeper.get("/garden/school/")
    data = {"token": token_of(page.text), "once": once_of(page.text), "act": "shaded|birch"}
    said = keeper.post("/garden/school/say", data=data, headers=ORIGIN)
    assert said.headers["location"] == "/garden/school/"
    assert [(e.site, e.what, e.subject) for e in other.loop.said] == [("school", What.SHADED, "birch")]
    assert one.loop.said == []


def test_a_link_in_a_message_names_its_garden_and_opens_no_other(two: Two) -> None:
    """It answers the concern of its own garden; at another garden's address it is not one that was sent."""
    one, other = two
    address = other.garden_page.links.address_of(letter(site="school"))
    assert address.startswith("http://localhost/garden/school/a/")
    path = address.removeprefix("http://localhost")
    client = one.client()
    form = client.get(path)
    assert form.status_code == 200
    assert client.get(path.replace("school", "larkfield")).status_code == 403
    token = re.search(r'name="token" value="([^"]+)"', form.text)
    assert token is not None
    answered = client.post(path, data={"token": token[1], "act": "done"}, headers=ORIGIN)
    assert answered.status_code == 200
    assert [(e.site, e.what, e.subject) for e in other.loop.said] == [("school", What.DONE, "overheating/birch")]
    assert one.loop.said == []


def test_who_may_look_at_one_garden_sees_no_other(two: Two, keeper: TestClient) -> None:
    """A shared link opens the garden it was made for; the list leads there."""
    form = keeper.get("/garden/school/share")
    made = keeper.post("/garden/school/share", data={"token": token_of(form.text), "days": "7"}, headers=ORIGIN)
    found = re.search(r"http://localhost(/garden/school/view/[^<\s]+)", made.text)
    assert found is not None
    assert two[0].client().get(found[1].replace("school", "larkfield")).status_code == 403
    viewer = two[0].client()
    assert viewer.get(found[1]).status_code == 200
    assert viewer.get("/garden/school/").status_code == 200
    assert viewer.get("/").headers["location"] == "/garden/school/"
    for path in ("/", "/curves", "/curves.json", "/book", "/week", "/live"):
        assert viewer.get(f"/garden/larkfield{path}").status_code in (303, 403), path


def test_a_garden_that_cannot_be_looked_at_leaves_the_others(two: Two, keeper: TestClient, monkeypatch: Any) -> None:
    """Its store is in the way: the list says so of it, the other is shown."""
    from sensord.ports import Transient

    def fails() -> None:
        raise Transient("busy")

    monkeypatch.setattr(two[1].garden_page.sheets, "snapshot", fails)
    page = keeper.get("/").text
    assert "looked at at the moment" in page
    assert keeper.get("/garden/school/").status_code == 503
    assert keeper.get("/garden/larkfield/").status_code == 200


def test_a_defect_in_one_garden_leaves_the_list(
    two: Two, keeper: TestClient, monkeypatch: Any, caplog: pytest.LogCaptureFixture
) -> None:
    """The garden is shown as in trouble, the other as it is; the log has the cause, with where it is."""

    def fails() -> None:
        raise KeyError("nobody has thought of this")

    whole = re.findall(r"<li class=\"answer.*?</li>", keeper.get("/").text)
    monkeypatch.setattr(two[1].garden_page.sheets, "snapshot", fails)
    answer = keeper.get("/")
    assert answer.status_code == 200
    assert "looked at at the moment" in answer.text
    shown = re.findall(r"<li class=\"answer.*?</li>", answer.text)
    assert (shown[0], shown[2]) == (whole[0], whole[2])
    (record,) = [r for r in caplog.records if r.name == "sensord.page" and r.exc_info]
    assert "school" in record.getMessage()
    assert "nobody has thought of this" in caplog.text


def test_a_viewers_session_names_its_garden(two: Two) -> None:
    """It can't be used for another, whoever made it."""
    guard = two[0].garden_page.door.guard
    session = guard.begin(Role.VIEWER, site="school")
    assert guard.session_of(guard.cookie_of(session)) == session
    assert not guard.is_view_token(guard.view_token(7, "school"), "larkfield")


def test_what_is_no_garden_is_not_found(two: Two, keeper: TestClient) -> None:
    """Also the addresses that a single garden has."""
    for path in ("/garden/orchard/", "/curves", "/say", "/live", "/garden"):
        assert keeper.get(path).status_code in (404, 405), path
