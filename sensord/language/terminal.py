"""What is said to whoever sits at a terminal: help, wrong use, mistakes of a configuration, what commands found.

It is the language of that person's session (LC_ALL, LC_MESSAGES, LANG), as it is of every program there; phone, page and
paper speak the keeper's. Set once, at the start of a process.
"""

from __future__ import annotations

from collections.abc import Mapping
from contextvars import ContextVar

from sensord.language.sentences import Filling, languages, said_in
from sensord.language.tongue import PSEUDO, English, Tongue

ENGLISH = English()
_SPOKEN: ContextVar[Tongue] = ContextVar("spoken")


def speak(tongue: Tongue) -> None:
    """In this tongue from now on."""
    _SPOKEN.set(tongue)


def spoken() -> str:
    """The tag of the language that is spoken."""
    return _SPOKEN.get(ENGLISH).tag


def say(key: str, /, **parts: Filling) -> str:
    """The sentence of that key, filled."""
    return said_in(_SPOKEN.get(ENGLISH), key, parts)


def language_of(environment: Mapping[str, str]) -> str:
    """The language that an environment asks for, as far as it is there; else English."""
    for name in ("LC_ALL", "LC_MESSAGES", "LANG"):
        if wanted := environment.get(name, "").partition(".")[0].partition("@")[0].replace("_", "-"):
            known = (*languages(), PSEUDO)
            return next((tag for tag in (wanted, wanted.partition("-")[0]) if tag in known), "en")
    return "en"
