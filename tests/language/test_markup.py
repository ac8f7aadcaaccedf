"""Sentences in HTML: nothing that is filled in can become markup, and what is left out is left out."""

from __future__ import annotations

from markupsafe import Markup

from sensord.language import Catalogue
from sensord.language.markup import sayer

ENGLISH = Catalogue.load()
LOUD = "<b>Alder</b> & 'Birch' \"Cedar\""


def said(key: str, **parts: str | int | bool | None) -> Markup:
    """A sentence as a template of the page says it."""
    return sayer(ENGLISH)(key, **parts)


def test_what_is_filled_in_is_escaped_unless_it_is_markup() -> None:
    """A name is what it is called, whatever it looks like; what the house made itself stays as it is."""
    assert "&lt;b&gt;Alder&lt;/b&gt; &amp;" in said("numbers.amount", number=LOUD, unit="kg")
    assert "<b>2</b>" in said("numbers.amount", number=Markup("<b>2</b>"), unit="kg")
    assert isinstance(said("numbers.amount", number="2", unit="kg"), Markup)
    assert said("numbers.amount", number=2, unit="kg") == "2 kg"


def test_a_count_chooses_the_form() -> None:
    """One, and many; a word in its place chooses none."""
    assert [str(said("numbers.times", count=n)) for n in (1, 3)] == ["once", "3 times"]


def test_what_is_missing_or_false_leaves_its_part_out() -> None:
    """What is simply true prints nothing and keeps its part, as on the phone."""
    key = "sentences.unknown"  # {name} is not known here[; allowed are {known}]
    whole = said(key, name="x", known="y")
    assert whole.endswith("; allowed are y")
    assert said(key, name="x", known=True) == whole.removesuffix("y")
    for missing in (said(key, name="x", known=None), said(key, name="x", known=False), said(key, name="x")):
        assert missing == whole.removesuffix("; allowed are y")


def test_the_sentences_own_words_are_escaped_too() -> None:
    """A quotation mark does not end the attribute that a sentence stands in; an apostrophe stays readable."""
    assert "&quot;{x}&quot;" in said("sentences.no_name", name="x")
