"""Other languages: what becomes of sentences in the pseudo-language and in a translation, and of a rule's own sentences."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sensord.language import Catalogue, CatalogueError, template
from sensord.language.sentences import parts, sentences
from sensord.language.template import names_of
from sensord.language.tongue import LENGTHENED, PSEUDO, Pseudo

ENGLISH, STRANGE = Catalogue.load(), Catalogue.load(PSEUDO)
SPIDERS = """
[names]
spiders = "Spiders"

[matters]
spiders = "Spiders in {subject}"

[spiders.many]
title = "Look for spiders in {subject}"
text = "They were seen {count} times."
"""


def single() -> list[tuple[str, str]]:
    """Every sentence of the catalogue in one form."""
    found = []
    for part in parts():
        for key, sentence in sentences(part).items():
            forms = sentence.values() if isinstance(sentence, dict) else [sentence] if isinstance(sentence, str) else ()
            found += [(key, text) for text in forms]
    return found


@pytest.mark.parametrize(("key", "text"), single(), ids=lambda part: part[:30])
def test_every_sentence_is_a_template_also_when_lengthened(key: str, text: str) -> None:
    """Names and brackets stay as they are; what has letters is bracketed and longer by about a third."""
    strange = Pseudo().one(key, text)
    assert names_of(template(strange)) == names_of(template(text))
    letters = re.sub(r"\{.*?\}", "", text)
    if re.search(r"[A-Za-z]", letters) and not key.startswith("numbers.unit."):
        assert strange.startswith("⟦")
        assert strange.endswith("⟧")
        assert not re.search(r"[A-Za-z]", re.sub(r"\{.*?\}", "", strange))
        assert len(strange) >= len(text) + LENGTHENED * sum(c.isalpha() for c in letters) - 1
    else:
        assert strange == text


@pytest.mark.parametrize(
    ("key", "text", "strange"),
    [
        ("page.act.shade", "Shade {subject}", "⟦Šĥåđé {subject} ·⟧"),
        ("page.act.ok", "ok", "⟦öķ ·⟧"),
        ("page.act.long", "Look after them, and count who is left", "⟦Ļööķ åƒţéř ţĥéɱ, åñđ çöûñţ ŵĥö îš ļéƒţ ······⟧"),
        (
            "page.act.longer",
            "Look for the probe of {subject} at the post now, please",
            "⟦Ļööķ ƒöř ţĥé þřöƀé öƒ {subject} åţ ţĥé þöšţ ñöŵ, þļéåšé ········ ··⟧",
        ),
        ("page.act.none", "{subject}: 5", "{subject}: 5"),
        ("numbers.unit.min", "min", "min"),
    ],
)
def test_the_pseudo_language_by_hand(key: str, text: str, strange: str) -> None:
    """Accented, in brackets, and longer by three tenths of its letters, the brackets counted in; units stay."""
    assert Pseudo().one(key, text) == strange


def test_the_pseudo_language_counts_as_english_does() -> None:
    """One by itself, all others alike."""
    for count, word in ((0, "days"), (1, "day"), (2, "days")):
        assert Pseudo().counted("page.act.ok", "day", "days", count) == Pseudo().one("page.act.ok", word)


@given(st.text(alphabet="ab {}[]\\x_", max_size=40))
def test_any_template_stays_one(text: str) -> None:
    """Whatever can be parsed can be parsed in the pseudo-language, with the same names."""
    try:
        parsed = template(text)
    except ValueError:
        return
    assert names_of(template(Pseudo().one("a.key", text))) == names_of(parsed)


def test_a_backslash_makes_a_bracket_a_bracket() -> None:
    """What is meant as itself is printed as itself."""
    assert template(r"\[site\] \{x\}") == template(r"\[site\] \{x\}")
    pieces = [piece for part in template(r"\[site\] {a}[ \{{b}\}]") for piece, is_name in part.pieces if not is_name]
    assert "".join(pieces) == "[site]  {}"


def test_messages_are_strange_too() -> None:
    """Texts, frames, words and names of the phone are reworded, the words of the keeper's own file are not."""
    found = STRANGE.find("frost", "now")
    assert found is not None
    assert found.title[0].pieces[0][0].startswith("⟦Þřöţéçţ")
    assert STRANGE.words["weekdays"][0].startswith("⟦Ṁöñđåý")
    assert str(STRANGE.name("matters", "wind", subject="Alder")).startswith("⟦Ŵîñđ åţ Alder")
    own = Catalogue.parse('[frost.now]\ntitle = "Cold!"', "mine", STRANGE).find("frost", "now")
    assert own is not None
    assert own.title == template("Cold!")


def test_a_sentence_about_a_number() -> None:
    """One, and many; and what is no sentence is no sentence."""
    assert [ENGLISH.say("numbers.times", count=n) for n in (1, 3)] == ["once", "3 times"]
    assert ENGLISH.has("numbers.times")
    assert not ENGLISH.has("numbers.lukewarm")
    with pytest.raises(KeyError, match="no single sentence"):
        ENGLISH.say("numbers.times")
    with pytest.raises(KeyError):
        ENGLISH.say("review.heat.lukewarm")
    with pytest.raises(KeyError, match="no sentences of"):
        ENGLISH.say("nowhere.at_all")


def test_a_rule_brings_its_sentences(tmp_path: Path) -> None:
    """A rule from elsewhere adds texts and names, in the form of the shipped file, and can't change what is there."""
    path = tmp_path / "sentences.toml"
    path.write_text(SPIDERS, encoding="utf-8")
    with_spiders = ENGLISH.with_more(path)
    assert with_spiders.find("spiders", "many") is not None
    assert with_spiders.name("names", "spiders") == "Spiders"
    assert with_spiders.name("matters", "spiders", subject="Alder") == "Spiders in Alder"
    assert with_spiders.find("frost", "now") == ENGLISH.find("frost", "now")
    assert ENGLISH.find("spiders", "many") is None
    strange = STRANGE.with_more(path).find("spiders", "many")
    assert strange is not None
    assert strange.title[0].pieces[0][0].startswith("⟦Ļöö")
    path.write_text('[frost.now]\ntitle = "x"\ntext = "y"\n[frame.again]\ntitle = "x"\n', encoding="utf-8")
    with pytest.raises(CatalogueError) as error:
        ENGLISH.with_more(path)
    assert error.value.lines == [
        f"{path}: frost.now: there is such a text already",
        f"{path}: frame.again: a rule's sentences stand in tables like [rule.reason]",
    ]


@pytest.mark.parametrize(
    ("name", "taken"), [(f'"{"x" * 60}"', True), (f'"{"x" * 61}"', False), ('" "', False), ("7", False)]
)
def test_a_name_is_as_long_as_a_title(tmp_path: Path, name: str, taken: bool) -> None:
    """Up to sixty characters; neither nothing nor a number."""
    path = tmp_path / "sentences.toml"
    path.write_text(SPIDERS.replace('"Spiders"', name), encoding="utf-8")
    if taken:
        assert ENGLISH.with_more(path).name("names", "spiders") == "x" * 60
        return
    with pytest.raises(CatalogueError) as error:
        ENGLISH.with_more(path)
    assert error.value.lines == [f"{path}: names.spiders: a text of at most 60 characters is expected"]


def test_a_rule_s_translation_stands_beside_it(tmp_path: Path) -> None:
    """Where the keeper reads another language, what stands for it beside the sentences lies over them."""
    (tmp_path / "sentences.toml").write_text(SPIDERS, encoding="utf-8")
    (tmp_path / "sentences.en.toml").write_text('[spiders.many]\ntitle = "Arachnids!"', encoding="utf-8")
    found = ENGLISH.with_more(tmp_path / "sentences.toml").find("spiders", "many")
    assert found is not None
    assert found.title == template("Arachnids!")


def test_an_unknown_language_is_named() -> None:
    """What is not there is said, with what is."""
    with pytest.raises(ValueError, match='"xx" is not there; known are en'):
        Catalogue.load("xx")
