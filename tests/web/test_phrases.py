"""What the keeper says on the page becomes an entry, once, and changes what the rules compute."""

from __future__ import annotations

from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sensord.model import What
from sensord.web.forms import Wrong, cleaned, spoken
from tests.web.homestead import NOW, ORIGIN, Homestead, once_of, token_of

JSON = {"accept": "application/json", **ORIGIN}


def say(keeper, html: str, **fields: object):
    """Send a form of the page as our own script does."""
    data = {"token": token_of(html), "once": once_of(html), **{k.replace("__", "-"): v for k, v in fields.items()}}
    return keeper.post("/say", data=data, headers=JSON)


@pytest.mark.parametrize(
    ("fields", "what", "subject", "amount", "text"),
    [
        ({"act": "shaded|birch|"}, What.SHADED, "birch", None, ""),
        ({"act": "ballast added|birch|4"}, What.BALLAST_ADDED, "birch", 4.0, ""),
        ({"act": "anchored|alder|", "total__kg": "6,5"}, What.ANCHORED, "alder", 6.5, ""),
        ({"act": "anchored|alder|", "total__lb": "10"}, What.ANCHORED, "alder", 4.536, ""),
        ({"act": "headcount|first|", "count__first": "13"}, What.HEADCOUNT, "first", 13.0, ""),
        ({"act": "unpegged|cedar|"}, What.UNPEGGED, "cedar", None, ""),
        ({"act": "cleaned|cedar|"}, What.CLEANED, "cedar", None, ""),
        ({"act": "moved|first|cedar"}, What.MOVED, "first", None, "cedar"),
        ({"act": "note|birch|", "note": "ants on the leg"}, What.NOTE, "birch", None, "ants on the leg"),
        ({"act": "note||", "note": "rain gauge emptied"}, What.NOTE, "", None, "rain gauge emptied"),
        ({"act": "done", "concern": "overheating/birch"}, What.DONE, "overheating/birch", None, ""),
        ({"act": "not now", "concern": "overheating/birch"}, What.NOT_NOW, "overheating/birch", None, ""),
    ],
)
def test_each_act_is_stored_as_it_was_meant(local, keeper, fields, what, subject, amount, text) -> None:
    """Two taps make one entry with time, subject, amount and source, and the answer says that it is stored."""
    answer = say(keeper, keeper.get("/").text, **fields)
    assert answer.json()["ok"], answer.json()
    assert answer.json()["text"].startswith("Kept")
    (entry,) = local.loop.said
    assert (entry.what, entry.subject, entry.amount, entry.text) == (what, subject, amount, text)
    assert (entry.at, entry.source) == (NOW, "page")


def test_a_headcount_of_several_together_says_that_it_counts_nobody(local: Homestead, keeper) -> None:
    """It is kept, and the page says whose counts are as they were, and what would be right."""
    assert "unchanged" not in say(keeper, keeper.get("/").text, act="headcount|alder|3").json()["text"]
    say(keeper, keeper.get("/").text, act="moved|second|alder")
    local.loop.now = NOW + timedelta(minutes=1)
    told = say(keeper, keeper.get("/").text, act="headcount|alder|3").json()
    assert told["text"].startswith("Kept: Alder: headcount 3")
    unchanged = (
        "The counts of Cohort First and Cohort Second are unchanged: nobody knows who is missing; count each of them."
    )
    assert told["text"].endswith(unchanged)
    assert "unchanged" not in say(keeper, keeper.get("/").text, act="headcount|second|3").json()["text"]


def test_all_concerns_of_a_matter_are_answered_at_once(local: Homestead, keeper) -> None:
    """One tap on a matter of several enclosures answers each of its concerns."""
    say(keeper, keeper.get("/").text, act="done", concern=["overheating/birch", "overheating/alder"])
    assert {e.subject for e in local.loop.said} == {"overheating/birch", "overheating/alder"}


def test_when_it_was_done_may_lie_back(local: Homestead, keeper) -> None:
    """Half an hour ago is half an hour ago."""
    say(keeper, keeper.get("/").text, act="shaded|birch|", ago="30")
    assert local.loop.said[0].at == NOW - timedelta(minutes=30)


def test_more_ballast_holds_more_at_once(local: Homestead, keeper) -> None:
    """Four kilograms more on the page, and the storm rule's own figure for what Birch holds has risen."""
    look = local.garden_page.look
    before = next(c for c in look.snapshot().cages if c.enclosure.name == "birch")
    say(keeper, keeper.get("/").text, act="ballast added|birch|4")
    local.loop.now += timedelta(seconds=10)
    after = next(c for c in look.snapshot().cages if c.enclosure.name == "birch")
    assert after.stand.ballast_kg == before.stand.ballast_kg + 4
    # a gust held grows with the root of the weight
    ratio = (after.stand.ballast_kg + 0.8) / (before.stand.ballast_kg + 0.8)
    assert after.holds_m_s == pytest.approx(before.holds_m_s * ratio**0.5, rel=1e-3)


def test_a_form_counts_once(local: Homestead, keeper) -> None:
    """Tapped twice, or sent again after a lost answer, it is one entry."""
    html = keeper.get("/").text
    first = say(keeper, html, act="ballast added|birch|2")
    local.loop.now += timedelta(seconds=5)
    second = say(keeper, html, act="ballast added|birch|2")
    assert first.json()["ok"]
    assert second.json()["ok"]
    assert len(local.loop.said) == 1


def test_without_script_the_page_comes_back(local: Homestead, keeper) -> None:
    """A plain form ends on the page again."""
    html = keeper.get("/").text
    answer = keeper.post(
        "/say",
        data={"token": token_of(html), "once": once_of(html), "act": "shaded|birch|"},
        headers={**ORIGIN, "accept": "text/html"},
    )
    assert (answer.status_code, answer.headers["location"]) == (303, "/")
    assert len(local.loop.said) == 1


@pytest.mark.parametrize(
    ("fields", "told"),
    [
        ({}, "use one of the buttons"),
        ({"act": "explode|birch|"}, "use one of the buttons"),
        ({"act": "shaded|nowhere|"}, "alder, birch, cedar"),
        ({"act": "headcount|first|", "count__first": "many"}, "a number is needed"),
        ({"act": "headcount|first|", "count__first": "1.5"}, "whole number"),
        ({"act": "headcount|first|", "count__first": "-1"}, "from 0 to"),
        ({"act": "anchored|birch|", "total__kg": "nan"}, "from 0 to"),
        ({"act": "anchored|birch|"}, "a number is needed"),
        ({"act": "moved|first|moon"}, "alder, birch, cedar"),
        ({"act": "note|birch|", "note": "   "}, "empty"),
        ({"act": "done"}, "No concern"),
        ({"act": "done", "concern": "nonsense/birch"}, "rules are"),
        ({"act": "shaded|birch|", "ago": "99999"}, "two days"),
    ],
)
def test_what_can_not_be_meant_is_refused_in_words(local, keeper, fields, told) -> None:
    """It says what was wrong and what would be right, and nothing is stored."""
    answer = say(keeper, keeper.get("/").text, **fields)
    assert answer.status_code == 400
    assert told in answer.json()["text"]
    assert not local.loop.said
    assert not local.loop.refused


def test_a_full_queue_is_said(local: Homestead, keeper) -> None:
    """While nothing more can be taken, the page says so, and the same form can be sent again."""
    html = keeper.get("/").text
    local.loop.is_full = True
    assert say(keeper, html, act="shaded|birch|").status_code == 503
    local.loop.is_full = False
    assert say(keeper, html, act="shaded|birch|").json()["ok"]
    assert len(local.loop.said) == 1


def test_what_is_not_stored_yet_is_not_called_kept(local: Homestead, keeper) -> None:
    """While the loop is busy, the answer says that it is on its way."""
    local.loop.is_slow = True
    answer = say(keeper, keeper.get("/").text, act="shaded|birch|")
    assert answer.json()["ok"]
    assert answer.json()["text"].startswith("Handed in")


HOSTILE = [
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "{{ 7*7 }}{% for x in y %}",
    "'; DROP TABLE entry; --",
    "\u202egnp.exe\u202c",
    "a\x00b\x1b[31mc",
    "line\r\nSet-Cookie: x=y",
    "javascript:alert(1)",
    "𝕬 😀 ك ع",
    "&lt;b&gt;",
    "A" * 5000,
]


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_text_is_stored_and_shown_harmlessly(local: Homestead, keeper, text: str) -> None:
    """It can be read back as text, on every page, and is nothing else: no element, no header, no hidden direction."""
    answer = say(keeper, keeper.get("/").text, act="note|birch|", note=text)
    assert answer.json()["ok"], answer.json()
    local.loop.now += timedelta(seconds=2)
    stored = local.loop.said[0].text
    assert len(stored) <= 500
    assert not set(stored) & set("\x00\x1b\r\n\u202e\u202c")
    import html

    for path in ("/", "/book", "/curves", "/curves?place=birch"):
        page = keeper.get(path)
        assert page.status_code == 200
        assert html.escape(stored, quote=False).replace('"', "&#34;").replace("'", "&#39;") in page.text
        assert "<script>alert" not in page.text
        assert "onerror=alert(1)>" not in page.text
        assert "set-cookie" not in {k.lower() for k in page.headers} or "x=y" not in page.headers.get("set-cookie", "")


@given(st.text())
def test_cleaned_text_is_one_visible_line(text: str) -> None:
    """Whatever is written, what is kept has one line, no control characters, and can be encoded."""
    kept = cleaned(text)
    assert len(kept) <= 500
    assert "\n" not in kept
    assert kept.isprintable() or all(ord(c) > 0x7F for c in kept if not c.isprintable())
    kept.encode()


@given(
    st.dictionaries(st.text(max_size=20), st.text(max_size=60), max_size=6), st.lists(st.text(max_size=30), max_size=3)
)
def test_any_form_is_understood_or_refused(form: dict[str, str], concerns: list[str]) -> None:
    """No form raises anything but a word to the keeper."""
    try:
        said = spoken(form, concerns, NOW, "")
    except Wrong:
        return
    assert said
