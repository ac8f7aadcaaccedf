"""To translators and back: what they are given, what is refused, and that a translation is spoken."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest
from babel.messages import Catalog
from babel.messages.pofile import read_po, write_po

from sensord.adapters.translations import compiled, leaves, main, to_translate
from sensord.language import Catalogue, Measure
from sensord.language.template import TITLE_LIMIT

GERMAN = {
    "messages.frost.now.title": "{subject} vor Frost schützen",
    "messages.words.and": "{first} und {last}",
    "page.answer.well": "Alles in Ordnung: nichts zu tun",
    "page.answer.more": ("und {count} weitere Sache unten", "und {count} weitere Sachen unten"),
}


def written(directory: Path, texts: dict[str, str | tuple[str, str]], tag: str = "de", **more: str) -> Path:
    """A PO file with these translations."""
    catalog = Catalog(locale=tag, charset="utf-8", fuzzy=False)
    english = dict(leaves())
    for key, text in texts.items():
        catalog.add(english[key], text, context=key)
    for key, text in more.items():
        catalog.add(key, text, context=key)
    path = directory / f"{tag}.po"
    with path.open("wb") as file:
        write_po(file, catalog)
    return path


def test_everything_is_given_to_translators(tmp_path: Path) -> None:
    """Every sentence once, with its key as context; what is read back is what was written."""
    assert main(["template", str(tmp_path / "sensord.pot")]) == 0
    with (tmp_path / "sensord.pot").open("rb") as file:
        found = {(str(m.context), m.id) for m in read_po(file) if m.id}
    assert found == set(leaves()) == {(str(m.context), m.id) for m in to_translate() if m.id}
    assert len(found) > 800


def test_a_translation_is_spoken(tmp_path: Path) -> None:
    """Texts of the phone, the page, plurals; what is not translated yet stays English."""
    target, wrong = compiled(written(tmp_path, GERMAN), tmp_path)
    assert wrong == []
    assert target == tmp_path / "de.mo"
    german = Catalogue.load("de", folder=tmp_path)
    title = german.find("frost", "now")
    assert title is not None
    assert title.title[0].pieces == (("subject", True), (" vor Frost schützen", False))
    assert german.say("page.answer.well") == "Alles in Ordnung: nichts zu tun"
    assert [german.say("page.answer.more", count=n) for n in (1, 2)] == [
        "und 1 weitere Sache unten",
        "und 2 weitere Sachen unten",
    ]
    assert german.say("page.answer.stay_in") == "Stay in; nothing new to do"
    assert Measure(german, "metric", UTC).listed(["Alder", "Birch"]) == "Alder und Birch"


@pytest.mark.parametrize(
    ("name", "content", "line"),
    [
        ("de.po", None, "de.po: can't be read: No such file or directory"),
        ("german.po", "", "german.po: 'german' is no language; name the file by its tag"),
        ("xx1.po", "", "xx1.po: 'xx1' is no language; name the file by its tag"),
        ("de.po", 'msgid ""\nmsgstr ""\n\nmsgstt "x"\n', "de.po, line 4: not PO: 'msgstt"),
        (
            "de.po",
            'msgid ""\nmsgstr ""\n"Content-Type: text/plain; charset=utf-8\\n"\n\nmsgid "ä"\n',
            "de.po: not utf-8: ",
        ),
    ],
)
def test_what_is_no_translation_is_said(tmp_path: Path, name: str, content: str | None, line: str) -> None:
    """In one line, with the file; nothing is compiled of what can be read in part."""
    if content is not None:
        (tmp_path / name).write_text(content, encoding="latin-1")
    target, wrong = compiled(tmp_path / name, tmp_path)
    assert [w.startswith(f"{tmp_path / line}") for w in wrong] == [True], wrong
    assert not target.exists()


@pytest.mark.outside
def test_cldr_gives_numbers_and_days(tmp_path: Path) -> None:
    """CLDR 47, German and Finnish: decimal comma; 20 August 2026 is a Thursday (Donnerstag, torstai), month 8 „Aug."."""
    compiled(written(tmp_path, GERMAN), tmp_path)
    compiled(written(tmp_path, {}, "fi"), tmp_path)
    german, finnish = (Measure(Catalogue.load(tag, folder=tmp_path), "metric", UTC) for tag in ("de", "fi"))
    at = datetime(2026, 8, 20, 15, 40, tzinfo=UTC)
    assert [m.temperature(33.4) for m in (german, finnish)] == ["33,4 °C", "33,4 °C"]
    assert [m.weekday(at) for m in (german, finnish)] == ["Donnerstag", "torstai"]
    assert german.day(at.date()) == "20 Aug."


@pytest.mark.outside
def test_more_forms_of_a_plural_than_english_has(tmp_path: Path) -> None:
    """Polish has three (CLDR plural rules: one 1; few 2–4 but not 12–14; many the rest)."""
    catalog = Catalog(locale="pl", charset="utf-8", fuzzy=False)
    english = dict(leaves())["page.share.days"]
    catalog.add(english, ("{count} dzień", "{count} dni (2-4)", "{count} dni"), context="page.share.days")
    with (tmp_path / "pl.po").open("wb") as file:
        write_po(file, catalog)
    assert compiled(tmp_path / "pl.po", tmp_path)[1] == []
    polish = Catalogue.load("pl", folder=tmp_path)
    said = [polish.say("page.share.days", count=n) for n in (1, 3, 5, 13, 22)]
    assert said == ["1 dzień", "3 dni (2-4)", "5 dni", "13 dni", "22 dni (2-4)"]


def test_mistakes_of_translators_are_named(tmp_path: Path) -> None:
    """A name that English doesn't have, a bracket that is not closed, a sentence that is another by now."""
    path = written(
        tmp_path,
        {"messages.frost.now.title": "{subjekt} vor Frost", "page.answer.well": "Alles [gut"},
        **{"page.answer.gone": "weg"},
    )
    target, wrong = compiled(path, tmp_path)
    assert wrong == [
        "messages.frost.now.title: {subjekt} is not known here; allowed are subject",
        'page.answer.well: "[" is never closed',
        "page.answer.gone: English is another by now; bring the file up to date with the template",
    ]
    assert not target.exists()


def test_titles_of_any_length_are_cut(tmp_path: Path) -> None:
    """A translation may be longer than English: what a phone shows is cut at a word."""
    long = "Bitte " + "unbedingt " * 9 + "{subject} vor Frost schützen"
    compiled(written(tmp_path, {"messages.frost.now.title": long}), tmp_path)
    from sensord.language import Reader

    german = Catalogue.load("de", folder=tmp_path)
    found = german.find("frost", "now")
    assert found is not None
    reader = Reader(german, "metric", UTC, datetime(2026, 8, 20, tzinfo=UTC), 2.0)
    title = reader.fill(found.title, {"subject": "Alder"}, TITLE_LIMIT).text
    assert len(title) <= TITLE_LIMIT
    assert title.endswith("unbedingt…")
