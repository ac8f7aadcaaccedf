"""The small form in which every sentence is written: names in {braces}, and [parts] that may be left out. Pure.

`Shade {subject}[ before {by_at}].` A bracket is left out when one of its names is missing or false; a name that is simply
true prints nothing and keeps its part. A brace or bracket that is meant as itself has a backslash before it.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from functools import cache
from typing import NamedTuple

TITLE_LIMIT = 60
TEXT_LIMIT = 480

_TOKEN = re.compile(r"\\([{}\[\]])|\{([^{}\[\]]*)\}|([{}\[\]])")
_NAME = re.compile(r"[a-z][a-z0-9_]*")


class TemplateError(ValueError):
    """What is wrong with a template: the key of the sentence that says it, and its fillings."""

    def __init__(self, key: str, **parts: str) -> None:
        super().__init__(f"{key}: {', '.join(parts.values())}")
        self.key, self.parts = key, parts


class Part(NamedTuple):
    """A stretch of a template; an optional one is left out when one of its names is missing."""

    pieces: tuple[tuple[str, bool], ...]  # (literal, False) or (name, True)
    optional: bool


Template = tuple[Part, ...]


class Filled(NamedTuple):
    """A template with its numbers in it."""

    text: str
    missing: tuple[str, ...]  # names that should have been there; each is written as "?"


def template(text: str) -> Template:
    """Parse a template, or raise TemplateError saying what is wrong in it."""
    parts: list[Part] = []
    pieces: list[tuple[str, bool]] = []
    at, inside = 0, False
    for token in _TOKEN.finditer(text):
        if token.start() > at:
            pieces.append((text[at : token.start()], False))
        at = token.end()
        itself, name, mark = token.groups()
        if itself is not None:
            pieces.append((itself, False))
        elif name is not None:
            if not _NAME.fullmatch(name):
                raise TemplateError("sentences.no_name", name=name)
            pieces.append((name, True))
        elif mark == ("]" if inside else "["):
            parts.append(Part(tuple(pieces), inside))
            pieces, inside = [], not inside
        else:
            raise TemplateError("sentences.no_partner", mark=mark, near=text[: token.end()][-20:])
    if inside:
        raise TemplateError("sentences.never_closed")
    pieces.append((text[at:], False))
    return tuple(p for p in (*parts, Part(tuple(pieces), False)) if any(piece for piece, _ in p.pieces))


parsed = cache(template)
"""The same, of sentences that are needed again and again."""


def names_of(of: Template) -> frozenset[str]:
    """Every name that is filled in somewhere in it."""
    return frozenset(piece for part in of for piece, is_name in part.pieces if is_name)


def reworded(text: str, word: Callable[[str], str]) -> str:
    """The text of a template with everything but its names, brackets and backslashes put through `word`."""
    out, at = [], 0
    for token in _TOKEN.finditer(text):
        out += [word(text[at : token.start()]), token.group()]
        at = token.end()
    return "".join([*out, word(text[at:])])


def fill(text: Template, write: Callable[[str], str | None], literal: Callable[[str], str] = str) -> Filled:
    """The template filled in. `write`: how the number of that name is written, None where there is none; `literal`: how the
    sentence's own words are.
    """
    out: list[str] = []
    missing: list[str] = []
    for part in text:
        written = [write(piece) if is_name else literal(piece) for piece, is_name in part.pieces]
        if part.optional and None in written:
            continue
        missing += [piece for (piece, _), found in zip(part.pieces, written, strict=True) if found is None]
        out += ["?" if found is None else found for found in written]
    return Filled("".join(out), tuple(missing))


def cut(text: str, limit: int) -> str:
    """The text without needless spaces, shortened at a word where it is too long."""
    text = "\n".join(" ".join(line.split(" ")).strip() for line in re.sub(r" {2,}", " ", text).splitlines()).strip()
    if len(text) <= limit:
        return text
    head = text[: limit - 1]
    shorter = head[: max(head.rfind(" "), head.rfind("\n"))] if re.search(r"\s", head[limit // 2 :]) else head
    return shorter.rstrip(" \n,;:.") + "…"
