"""No prose in code: in the pseudo-language, whatever still has a plain letter stands in no catalogue.

Allowed are names from the configuration, units and times, what species files and sources say of themselves, what keepers
wrote, and libraries' own words. Lines of the log are for operators and stay English.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

import sensord
from sensord.language import TEXT_LIMIT, TITLE_LIMIT, Measure, Reader
from sensord.language.messages import ALWAYS
from sensord.language.sentences import parts, sentences
from sensord.language.tongue import PSEUDO
from sensord.model import Certainty, Entry, GapKind, Severity, Source, Stage, Standing, Unsaid, What
from sensord.model import Kind as EnclosureKind
from sensord.ports import Commit
from sensord.report import sheet
from sensord.review import words
from sensord.rules import all_rules
from sensord.web.live import ReaderKind
from tests.language.prose import STRANGE, prose, shown
from tests.reviews import FIRST_WEEK, NEW_YORK, SECOND_WEEK
from tests.test_review import reviewed, seasonal
from tests.web.homestead import GUARDED, LOCAL, NOW, ORIGIN, Homestead, homestead, hot

READER = Reader(STRANGE, "metric", ZoneInfo("America/Detroit"), datetime(2026, 8, 20, 16, tzinfo=UTC), 2.0)
ORDINARY: dict[str, float | str | bool] = {
    "subject": "Alder, Birch and Cedar",
    "site": "Larkfield Lane Community Garden",
}
NAMED = "Alder, Birch and Cedar"


# --- messages


@pytest.mark.parametrize(("rule", "reason"), STRANGE.rules, ids=lambda part: str(part))
def test_every_text_of_a_rule(rule: str, reason: str) -> None:
    """All of it comes from the catalogue, and lengthened it still keeps within what a phone shows, cut at a word."""
    text = STRANGE.rules[rule, reason]
    numbers: dict[str, float | str | bool] = dict.fromkeys(text.names, 12.5)
    numbers |= {name: "2026-08-20T17:30:00+00:00" for name in text.names if name.endswith("_at")}
    numbers |= {name: True for name in text.names if name not in ALWAYS and "_" not in name} | ORDINARY
    for parsed, limit in (
        (text.title, TITLE_LIMIT),
        (text.text, TEXT_LIMIT),
        (text.many, TEXT_LIMIT),
        (text.each, 160),
    ):
        whole = READER.fill(parsed or (), numbers, 10_000).text
        assert not prose(whole, NAMED)
        short = READER.fill(parsed or (), numbers, limit).text
        assert len(short) <= limit
        if short != whole:
            assert whole.startswith(short.removesuffix("…"))
            assert not whole[len(short) - 1].isalnum() or not short[-2].isalnum(), "cut within a word"


@pytest.mark.parametrize("name", STRANGE.frames)
def test_every_frame(name: str) -> None:
    """What surrounds the texts."""
    frame = STRANGE.frames[name]
    numbers: dict[str, float | str | bool] = dict.fromkeys(frame.names, "…")
    numbers |= {n: "2026-08-20T17:30:00+00:00" for n in frame.names if n.endswith("_at")} | ORDINARY
    assert not prose(READER.fill(frame.title, numbers).text + READER.fill(frame.text, numbers, 10_000).text, NAMED)


# --- the page


def pages(garden: Homestead) -> Iterator[tuple[str, str]]:
    """Every screen of a visitor who may write, and what its parts are when it changes."""
    client = garden.client()
    client.get("/")
    for path in (
        "/",
        "/curves",
        "/curves?span=week&place=birch",
        "/book",
        "/share",
        "/week?week=2026-W34",
        "/nowhere",
        "/a/x",
    ):
        yield path, client.get(path).text
    for units in ("metric", "us"):
        for name, region in garden.garden_page.sheets.regions(
            garden.garden_page.look.snapshot(), ReaderKind(units, True)
        ).items():
            yield f"{name} {units}", region


def said() -> list[Entry]:
    """One entry of each sort, by every way."""
    found = []
    subjects = {What.HEADCOUNT: "first", What.STAGE: "first", What.MOVED: "first", What.NOTE: ""}
    texts = {What.STAGE: "pupa", What.MOVED: "birch", What.NOTE: "Kim"}
    for number, what in enumerate(What):
        at = NOW - timedelta(minutes=20 * number)
        subject = "overheating/birch" if what in (What.SEEN, What.DONE, What.NOT_NOW) else subjects.get(what, "alder")
        source = list(Source)[number % len(Source)]
        found.append(Entry("larkfield", at, at, subject, what, 3.0, texts.get(what, ""), "Kim", source))
    return found


def test_every_screen(tmp_path: Path) -> None:
    """Now, curves, the week, the log book, sharing, refusals: with things to do, answered, doubtful, and calm."""
    with homestead(tmp_path, LOCAL, PSEUDO) as garden, garden.client():
        for path, text in pages(garden):
            assert prose(shown(text)) == [], path
        garden.store.journal.commit(
            Commit(
                NOW,
                entries=said(),
                concerns=[
                    hot("alder", Severity.MODERATE),
                    hot("cedar", Severity.MINOR),
                    replace(hot(), standing=Standing.ANSWERED, answered_at=NOW, answer=What.SEEN),
                ],
            )
        )
        garden.loop.connected = (False, NOW)
        garden.loop.now = NOW + timedelta(hours=3)
        garden.garden_page.look_again()
        for path, text in pages(garden):
            assert prose(shown(text)) == [], path


def test_what_is_answered_to_forms(tmp_path: Path) -> None:
    """What is kept, and what is not and why."""
    with homestead(tmp_path, LOCAL, PSEUDO) as garden, garden.client():
        client = garden.client()
        found = re.search(r'data-token="([^"]*)', client.get("/").text)
        assert found is not None
        headers = {**ORIGIN, "accept": "application/json"}
        for number, form in enumerate(FORMS):
            answer = client.post("/say", data={**form, "token": found[1], "once": f"{number}"}, headers=headers)
            assert prose(answer.json()["text"]) == [], form


FORMS = (
    {"act": "shaded|alder|"}, {"act": ""}, {"act": "note||", "note": ""}, {"act": "headcount|first|", "count-first": "x"},
    {"act": "headcount|first|", "count-first": "1.5"}, {"act": "done||"}, {"act": "shaded|alder|", "ago": "99999"},
    {"act": "anchored|birch|", "total-kg": "4"}, {"act": "stage|first|"}, {"act": "anchored|birch|", "total-kg": "-4"},
)  # fmt: skip


def test_the_door(tmp_path: Path) -> None:
    """Logging in, a wrong password, a link that doesn't hold, coming in to look."""
    with homestead(tmp_path, GUARDED, PSEUDO) as garden, garden.client():
        client = garden.client()
        text = client.get("/login").text
        assert prose(shown(text)) == []
        token = re.search(r'name="token" value="([^"]*)', text)
        assert token is not None
        wrong = client.post("/login", data={"token": token[1], "password": "x"}, headers=ORIGIN)
        assert prose(shown(wrong.text)) == []
        for path in ("/view/x", f"/view/{garden.garden_page.door.guard.view_token(1, garden.garden_page.site)}"):
            assert prose(shown(client.get(path).text)) == []


# --- the review


@pytest.mark.parametrize("units", ["metric", "us"])
@pytest.mark.parametrize("which", [FIRST_WEEK, SECOND_WEEK, "season", "2026-W20"])
def test_every_review(which: str, units: str) -> None:
    """Its sentences, its tables and its drawings."""
    review = seasonal() if which == "season" else reviewed(which)
    measure = Measure(STRANGE, units, NEW_YORK)
    assert prose(" ".join([words.headline(review, measure), *words.sentences(review, measure)])) == []
    page = sheet.html(review, measure).replace(review.title, "")
    assert prose(shown(page)) == []


# --- keys


HEADS = tuple(f"{part}." for part in parts() if part != "messages")
REFUSALS = ("no.", "link.", "kept.", "week.", "gardens.")
"""How keys of the page begin where `Sheets.message` is handed them without the "page." before."""
KEY = re.compile(r"[a-z_]+(\.[\w ]+)+")
ANY = re.compile(r"page\..*")
"""What `Sheets.message` makes of any key: it would hide every sentence that is left behind."""


def keys_in_code() -> tuple[set[str], list[re.Pattern[str]]]:
    """The keys that code and templates name: whole ones, and patterns where a part is put in."""
    texts: set[str] = set()
    patterns: set[str] = set()
    home = Path(sensord.__file__).parent
    for path in home.rglob("*.py"):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        joined = [node for node in ast.walk(tree) if isinstance(node, ast.JoinedStr)]
        inside = {id(part) for node in joined for part in node.values}
        for node in ast.walk(tree):
            if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in inside:
                texts.add(node.value)
        for node in joined:
            pieces = [re.escape(v.value) if isinstance(v, ast.Constant) else ".*" for v in node.values]
            patterns.add("".join(str(piece) for piece in pieces))
    for path in home.rglob("*.html"):
        text = path.read_text(encoding="utf-8")
        texts |= set(re.findall(r'"((?:\w+\.)+[\w ]+)"', text))
        patterns |= {re.escape(key) + ".*" for key in re.findall(r'"((?:\w+\.)+)" ~', text)}
    texts |= {f"page.{text}" for text in texts if text.startswith(REFUSALS)}
    patterns |= {rf"page\.{pattern}" for pattern in patterns if pattern.replace("\\", "").startswith(REFUSALS)}
    whole = {text for text in texts if text.startswith(HEADS) and KEY.fullmatch(text)}
    chosen = {p for p in patterns if p.replace("\\", "").startswith(HEADS) and p != ANY.pattern}
    return whole - {"report.css", "review.png"}, [re.compile(p) for p in sorted(chosen)]


def test_every_key_in_code_is_in_the_catalogue_and_the_other_way_round() -> None:
    """A key that is misspelt fails here and not in a garden; and no sentence stays behind that nobody says."""
    whole, patterns = keys_in_code()
    there = {key for part in parts() if part != "messages" for key in sentences(part)}
    assert sorted(key for key in whole if key not in there) == []
    assert [p.pattern for p in patterns if not any(p.fullmatch(key) for key in there)] == []
    assert sorted(k for k in there if k not in whole and not any(p.fullmatch(k) for p in patterns)) == []


@pytest.mark.parametrize(
    ("table", "known"),
    [
        ("said", list(What)),
        ("kind", list(EnclosureKind)),
        ("animals", list(Stage)),
        ("stage", list(Stage)),
        ("source", list(Source)),
        ("gap", list(GapKind)),
        ("severity", [s.name.lower() for s in Severity]),
        ("severity_within", [s.name.lower() for s in Severity]),
        ("certainty_within", [c.lower() for c in Certainty]),
        ("unsaid", [u.name.lower() for u in Unsaid]),
    ],
)
def test_every_word_that_travels_has_a_term(table: str, known: list[str]) -> None:
    """What is written down in one word is shown in the keeper's."""
    assert {f"terms.{table}.{word}" for word in known} <= set(sentences("terms"))


def test_every_action_is_told_in_the_review() -> None:
    """What the shipped rules ask for has its words, but staying in, which the review doesn't count."""
    asked = {action.word for rule in all_rules().values() for action in rule.advises if not action.keeps_in}
    assert asked <= set(STRANGE.names["asked"])
