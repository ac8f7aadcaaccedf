"""What the phone says, as a person can edit it: templates in TOML, checked once at the start, filled in later. Pure.

The head of texts.toml says how a text is written. A keeper's own file lies over the shipped one, text by text.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import Any, NamedTuple

from sensord.figures import Reader, Words, figure
from sensord.model import Number

TITLE_LIMIT = 60
TEXT_LIMIT = 480
LARGEST_FILE = 128_000
"""The longest text file that is read [characters]."""

KEYS = {"title": TITLE_LIMIT, "text": TEXT_LIMIT, "many": TEXT_LIMIT, "each": 160}
FRAMES = ("again", "follow_up", "also", "wait", "over", "stand_in", "morning", "watched_again", "week")
ALWAYS = frozenset({"subject", "site", "by_at", "until_at"})
"""Names that every text may use."""

_TOKEN = re.compile(r"\{([^{}\[\]]*)\}|([{}\[\]])")
_NAME = re.compile(r"[a-z][a-z0-9_]*")


class TextsError(ValueError):
    """A text file that cannot be used; one line a mistake."""

    def __init__(self, lines: list[str]) -> None:
        super().__init__("\n".join(lines))
        self.lines = lines


class Part(NamedTuple):
    """A stretch of a template; an optional one is left out when one of its names is missing."""

    pieces: tuple[tuple[str, bool], ...]  # (literal, False) or (name, True)
    optional: bool


Template = tuple[Part, ...]


class Filled(NamedTuple):
    """A template with its numbers in it."""

    text: str
    missing: tuple[str, ...]  # names that should have been there; each is written as "?"


@dataclass(frozen=True, slots=True)
class Text:
    """One table of the file."""

    title: Template
    text: Template
    many: Template | None = None
    each: Template | None = None

    @property
    def names(self) -> frozenset[str]:
        """Every name that is filled in somewhere in it."""
        templates = (self.title, self.text, self.many or (), self.each or ())
        return frozenset(piece for t in templates for part in t for piece, is_name in part.pieces if is_name)


@dataclass(frozen=True, slots=True)
class Texts:
    """All of them."""

    rules: Mapping[tuple[str, str], Text]
    frames: Mapping[str, Text]
    words: Words

    @classmethod
    def parse(cls, toml_text: str, where: str, base: Texts | None = None) -> Texts:
        """The texts of a TOML document, over those of `base`. `where` is only named in errors.

        Raises:
            TextsError: naming every mistake, each with where it stands, what is wrong and what is allowed.
        """
        if len(toml_text) > LARGEST_FILE:
            raise TextsError([f"{where}: {len(toml_text)} characters long; at most {LARGEST_FILE}"])
        try:
            document = tomllib.loads(toml_text)
        except tomllib.TOMLDecodeError as error:
            raise TextsError([f"{where}: not valid TOML: {error}"]) from None
        lines: list[str] = []
        words = _words(document.pop("words", {}), base.words if base else None, lines)
        tables: dict[tuple[str, str], Text] = {}
        for group, name, table in _tables(document, lines):
            over = None
            if base is not None:
                over = base.frames.get(name) if group == "frame" else base.rules.get((group, name))
            elif group == "frame" and name not in FRAMES:
                lines.append(f"frame.{name}: no such frame; allowed are {', '.join(FRAMES)}")
            if base is not None and over is None:
                lines.append(f"{group}.{name}: there is no such text; allowed are {_known(base, group)}")
            elif (text := _text(f"{group}.{name}", table, over, lines)) is not None:
                tables[group, name] = text
        frames = {name: text for (group, name), text in tables.items() if group == "frame"}
        if base is None:
            lines += [f"frame.{name}: must be given" for name in FRAMES if ("frame", name) not in tables]
        if lines:
            raise TextsError([f"{where}: {line}" for line in lines])
        rules = {key: text for key, text in tables.items() if key[0] != "frame"}
        return cls({**(base.rules if base else {}), **rules}, {**(base.frames if base else {}), **frames}, words)

    @classmethod
    def load(cls, path: Path | None = None) -> Texts:
        """The shipped texts, with those of the keeper's file over them.

        Raises:
            TextsError: when the file has mistakes.
            OSError: when it can't be read.
        """
        shipped = resources.files("sensord").joinpath("texts.toml")
        texts = cls.parse(shipped.read_text(encoding="utf-8"), "texts.toml")
        if path is None:
            return texts
        try:
            return cls.parse(path.read_text(encoding="utf-8"), str(path), texts)
        except UnicodeDecodeError as error:
            raise TextsError([f"{path}: not UTF-8 text: {error.reason} at byte {error.start}"]) from None

    def find(self, rule: str, reason: str) -> Text | None:
        """The text of a rule's reason."""
        return self.rules.get((rule, reason))


def fill(template: Template, numbers: Mapping[str, Number], reader: Reader, limit: int = TEXT_LIMIT) -> Filled:
    """The template with its numbers written for the reader, cut to `limit` characters."""
    out: list[str] = []
    missing: list[str] = []
    for part in template:
        written = [figure(piece, numbers, reader) if is_name else piece for piece, is_name in part.pieces]
        if part.optional and None in written:
            continue
        missing += [piece for (piece, _), text in zip(part.pieces, written, strict=True) if text is None]
        out += ["?" if text is None else text for text in written]
    return Filled(cut("".join(out), limit), tuple(missing))


def cut(text: str, limit: int) -> str:
    """The text without needless spaces, shortened at a word where it is too long."""
    text = "\n".join(" ".join(line.split(" ")).strip() for line in re.sub(r" {2,}", " ", text).splitlines()).strip()
    if len(text) <= limit:
        return text
    head = text[: limit - 1]
    shorter = head[: max(head.rfind(" "), head.rfind("\n"))] if re.search(r"\s", head[limit // 2 :]) else head
    return shorter.rstrip(" \n,;:.") + "…"


def template(text: str) -> Template:
    """Parse a template, or raise ValueError saying what is wrong in it."""
    parts: list[Part] = []
    pieces: list[tuple[str, bool]] = []
    at, inside = 0, False
    for token in _TOKEN.finditer(text):
        if token.start() > at:
            pieces.append((text[at : token.start()], False))
        at = token.end()
        name, mark = token.groups()
        if name is not None:
            if not _NAME.fullmatch(name):
                raise ValueError(f'"{{{name}}}" is no name; right is like {{temperature_c}}')
            pieces.append((name, True))
        elif mark == ("]" if inside else "["):
            parts.append(Part(tuple(pieces), inside))
            pieces, inside = [], not inside
        else:
            raise ValueError(f'"{mark}" without its partner, or one inside another, near "{text[: token.end()][-20:]}"')
    if inside:
        raise ValueError('"[" is never closed')
    pieces.append((text[at:], False))
    return tuple(p for p in (*parts, Part(tuple(pieces), False)) if any(piece for piece, _ in p.pieces))


def _tables(document: Mapping[str, Any], lines: list[str]) -> Iterator[tuple[str, str, Mapping[str, Any]]]:
    for group, names in document.items():
        if not isinstance(names, dict):
            lines.append(f"{group}: a table is expected, like [{group}.reason]")
            continue
        for name, table in names.items():
            if isinstance(table, dict):
                yield group, name, table
            else:
                lines.append(f"{group}.{name}: belongs into a table like [{group}.reason]")


def _text(key: str, table: Mapping[str, Any], over: Text | None, lines: list[str]) -> Text | None:
    """One table as a Text, on top of `over`; None and lines where it has mistakes."""
    before = len(lines)
    found: dict[str, Template] = {}
    for name, value in table.items():
        if name not in KEYS:
            lines.append(f"{key}.{name}: no such key; allowed are {', '.join(KEYS)}")
        elif not isinstance(value, str) or not value.strip():
            lines.append(f"{key}.{name}: a text is expected")
        elif len(re.sub(r"\{[^}]*\}", "", value)) > KEYS[name]:
            lines.append(f"{key}.{name}: longer than {KEYS[name]} characters even with nothing filled in")
        else:
            try:
                found[name] = _checked(name, template(value), shared=not key.startswith("frame."))
            except ValueError as error:
                lines.append(f"{key}.{name}: {error}")
    if over is None:
        lines += [f"{key}.{name}: must be given" for name in ("title", "text") if name not in table]
        return Text(**found) if len(lines) == before else None
    merged = {name: found.get(name) or getattr(over, name) for name in KEYS}
    text = Text(**merged)
    allowed = over.names | ALWAYS
    allowed |= {n.removesuffix("_kg") + "_bricks" for n in allowed if n.endswith("_kg")}
    for name in sorted(text.names - allowed):
        lines.append(f"{key}: {{{name}}} is not known here; allowed are {', '.join(sorted(allowed))}")
    return text if len(lines) == before else None


def _checked(key: str, parsed: Template, shared: bool) -> Template:
    """In what several subjects share, a number is left out where they differ: so it must be possible to leave it out."""
    if shared and key in ("title", "many"):
        for part in parsed:
            own = [piece for piece, is_name in part.pieces if is_name and piece not in ALWAYS and not part.optional]
            if own:
                raise ValueError(
                    f"{{{own[0]}}} must stand in [brackets] here, because it is left out where several subjects differ"
                )
    return parsed


def _words(table: Any, base: Words | None, lines: list[str]) -> Words:
    """The small words, each of the same shape as the shipped one."""
    if not isinstance(table, dict):
        lines.append("words: a table is expected")
        return base or {}
    words = {key: tuple(value) if isinstance(value, list) else value for key, value in table.items()}
    if base is None:
        return words
    for key, value in words.items():
        shipped = base.get(key)
        if shipped is None:
            lines.append(f"words.{key}: no such word; allowed are {', '.join(base)}")
        elif isinstance(shipped, tuple):
            if not isinstance(value, tuple) or len(value) != len(shipped) or not all(isinstance(v, str) for v in value):
                lines.append(f"words.{key}: a list of {len(shipped)} words is expected")
        elif not isinstance(value, str) or set(re.findall(r"\{.*?\}", value)) - set(re.findall(r"\{.*?\}", shipped)):
            lines.append(f'words.{key}: a text is expected, with no other names in braces than "{shipped}"')
        elif re.search(r"[{}]", re.sub(r"\{[a-z]+\}", "", value)):
            lines.append(f"words.{key}: a brace without its partner")
    return {**base, **words}


def _known(base: Texts, group: str) -> str:
    here = list(base.frames) if group == "frame" else [n for g, n in base.rules if g == group]
    return ", ".join(f"{group}.{n}" for n in here) or ", ".join(sorted({"frame", *(g for g, _ in base.rules)}))
