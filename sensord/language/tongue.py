"""Tongues: what becomes of an English sentence in another language. Translations are read by the standard library's gettext.

A tongue is asked with the sentence's key as well, so that one English word may have two translations.
"""

from __future__ import annotations

from gettext import GNUTranslations
from math import ceil
from typing import BinaryIO, Protocol

from sensord.language.template import reworded

PSEUDO = "en-XA"
"""The pseudo-language: English lengthened, accented and in brackets (the tag that CLDR gives to such a one)."""
LENGTHENED = 0.3
"""By which share a sentence grows; German and Finnish grow by about as much. Chosen."""
WORD = 8
"""What is added comes in words of so many characters, so that it can be broken like words."""
_ACCENTED = str.maketrans(
    "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ",
    "åƀçđéƒĝĥîĵķļɱñöþǫřšţûṽŵẋýžÅƁÇÐÉƑĜĤÎĴĶĻṀÑÖÞǪŘŠŢÛṼŴẊÝŽ",
)


class Tongue(Protocol):
    """A language."""

    tag: str

    def one(self, key: str, text: str) -> str:
        """The sentence in this language."""
        ...

    def counted(self, key: str, one: str, other: str, count: int) -> str:
        """The sentence about so many, in the form that this language has for the number."""
        ...


class English:
    """As it stands in the catalogue."""

    tag = "en"

    def one(self, key: str, text: str) -> str:
        """The sentence itself."""
        return text

    def counted(self, key: str, one: str, other: str, count: int) -> str:
        """Singular or plural."""
        return one if count == 1 else other


class Translated:
    """What translators made of it; a sentence that they have not come to yet stays English."""

    def __init__(self, tag: str, compiled: BinaryIO) -> None:
        self.tag = tag
        self._found = GNUTranslations(compiled)

    def one(self, key: str, text: str) -> str:
        """The translation, or the sentence itself."""
        return self._found.pgettext(key, text)

    def counted(self, key: str, one: str, other: str, count: int) -> str:
        """In the form that the language's rule of plurals takes for the number."""
        return self._found.npgettext(key, one, other, count)


class Pseudo:
    """English that looks like no English, so that prose which stands in no catalogue shows: ⟦Šĥàđé {subject} ···⟧."""

    tag = PSEUDO

    def one(self, key: str, text: str) -> str:
        """Accented, lengthened and bracketed; what has no letters stays."""
        accented = reworded(text, lambda words: words.translate(_ACCENTED))
        letters = sum(c.isalpha() for c in reworded(text, str))
        if accented == text or key.startswith("numbers.unit."):
            return text
        more = "·" * max(1, ceil(LENGTHENED * letters) - 3)
        return f"⟦{accented} {' '.join(more[at : at + WORD] for at in range(0, len(more), WORD))}⟧"

    def counted(self, key: str, one: str, other: str, count: int) -> str:
        """As in English."""
        return self.one(key, one if count == 1 else other)
