"""The tables of messages, as a person can edit them: parsed from TOML and checked, all mistakes at once. Pure.

The head of en/messages.toml says how a table is written. A keeper's own file lies over the shipped one, text by text.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from sensord.language.template import TEXT_LIMIT, TITLE_LIMIT, Template, TemplateError, names_of, template
from sensord.language.terminal import say
from sensord.language.tongue import Tongue

KEYS = {"title": TITLE_LIMIT, "text": TEXT_LIMIT, "many": TEXT_LIMIT, "each": 160}
FRAMES = ("again", "follow_up", "also", "wait", "over", "stand_in", "morning", "watched_again", "week")
ALWAYS = frozenset({"subject", "site", "by_at", "until_at"})
"""Names that every text may use."""
NAMED = {"names": (), "matters": ("subject",), "asked": ()}
"""Tables of names, one line each, by what they name (a rule, its matter, an action), and what may be filled in."""

Words = Mapping[str, str | tuple[str, ...]]
Names = Mapping[str, Mapping[str, Template]]


class CatalogueError(ValueError):
    """A file of sentences that cannot be used; one line a mistake."""

    def __init__(self, lines: list[str]) -> None:
        super().__init__("\n".join(lines))
        self.lines = lines


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
        return frozenset[str]().union(*(names_of(t or ()) for t in (self.title, self.text, self.many, self.each)))


def tables(document: Mapping[str, Any], lines: list[str]) -> Iterator[tuple[str, str, Mapping[str, Any]]]:
    """The tables [group.name] of a document; what is none is a mistake."""
    for group, names in document.items():
        if not isinstance(names, dict):
            lines.append(f"{group}: {say('sentences.table_like', group=group)}")
            continue
        for name, table in names.items():
            if isinstance(table, dict):
                yield group, name, table
            else:
                lines.append(f"{group}.{name}: {say('sentences.into_table', group=group)}")


def text_of(key: str, table: Mapping[str, Any], over: Text | None, tongue: Tongue, lines: list[str]) -> Text | None:
    """One table as a Text, on top of `over`; None and lines where it has mistakes."""
    before = len(lines)
    found: dict[str, Template] = {}
    for name, value in table.items():
        if name not in KEYS:
            lines.append(f"{key}.{name}: {say('settings.no_key', known=', '.join(KEYS))}")
        elif not isinstance(value, str) or not value.strip():
            lines.append(f"{key}.{name}: {say('sentences.text')}")
        elif len(re.sub(r"\{[^}]*\}", "", value)) > KEYS[name]:
            lines.append(f"{key}.{name}: {say('sentences.too_long', most=KEYS[name])}")
        else:
            try:
                parsed = _checked(name, template(value), shared=not key.startswith("frame."))
                said = tongue.one(f"messages.{key}.{name}", value)
                found[name] = parsed if said == value else template(said)
            except TemplateError as error:
                lines.append(f"{key}.{name}: {say(error.key, **error.parts)}")
    if over is None:
        lines += [f"{key}.{name}: {say('settings.must.missing')}" for name in ("title", "text") if name not in table]
        return Text(**found) if len(lines) == before else None
    merged = {name: found.get(name) or getattr(over, name) for name in KEYS}
    text = Text(**merged)
    allowed = over.names | ALWAYS
    allowed |= {n.removesuffix("_kg") + "_bricks" for n in allowed if n.endswith("_kg")}
    for name in sorted(text.names - allowed):
        lines.append(f"{key}: {say('sentences.unknown', name=name, known=', '.join(sorted(allowed)))}")
    return text if len(lines) == before else None


def _checked(key: str, parsed: Template, shared: bool) -> Template:
    """In what several subjects share, a number is left out where they differ: so it must be possible to leave it out."""
    if shared and key in ("title", "many"):
        for part in parsed:
            own = [piece for piece, is_name in part.pieces if is_name and piece not in ALWAYS and not part.optional]
            if own:
                raise TemplateError("sentences.in_brackets", name=own[0])
    return parsed


def words_of(table: Any, base: Words | None, tongue: Tongue, lines: list[str]) -> Words:
    """The small words, each of the same shape as the shipped one."""
    if not isinstance(table, dict):
        lines.append(f"words: {say('sentences.table')}")
        return {}
    words = {key: tuple(value) if isinstance(value, list) else value for key, value in table.items()}
    if base is None:
        return {key: _in(tongue, key, value) for key, value in words.items()}
    for key, value in words.items():
        shipped = base.get(key)
        if shipped is None:
            lines.append(f"words.{key}: {say('sentences.no_word', known=', '.join(base))}")
        elif isinstance(shipped, tuple):
            if not isinstance(value, tuple) or len(value) != len(shipped) or not all(isinstance(v, str) for v in value):
                lines.append(f"words.{key}: {say('sentences.list', count=len(shipped))}")
        elif not isinstance(value, str) or set(re.findall(r"\{.*?\}", value)) - set(re.findall(r"\{.*?\}", shipped)):
            lines.append(f"words.{key}: {say('sentences.other_names', shipped=shipped)}")
        elif re.search(r"[{}]", re.sub(r"\{[a-z]+\}", "", value)):
            lines.append(f"words.{key}: {say('sentences.brace')}")
    return {**base, **words}


def _in(tongue: Tongue, key: str, value: str | tuple[str, ...]) -> str | tuple[str, ...]:
    if isinstance(value, tuple):
        return tuple(tongue.one(f"messages.words.{key}.{n}", word) for n, word in enumerate(value))
    return tongue.one(f"messages.words.{key}", value)


def names_in(document: dict[str, Any], tongue: Tongue, lines: list[str]) -> dict[str, dict[str, Template]]:
    """The tables of names, taken out of the document."""
    found: dict[str, dict[str, Template]] = {}
    for group, allowed in NAMED.items():
        table = document.pop(group, {})
        if not isinstance(table, dict):
            lines.append(f"{group}: {say('sentences.table')}")
            continue
        for name, value in table.items():
            if not isinstance(value, str) or not value.strip() or len(value) > TITLE_LIMIT:
                lines.append(f"{group}.{name}: {say('sentences.short_text', most=TITLE_LIMIT)}")
                continue
            try:
                parsed = template(tongue.one(f"messages.{group}.{name}", value))
            except TemplateError as error:
                lines.append(f"{group}.{name}: {say(error.key, **error.parts)}")
                continue
            if unknown := sorted(names_of(parsed).difference(allowed)):
                lines.append(f"{group}.{name}: {say('sentences.unknown', name=unknown[0], known=None)}")
            found.setdefault(group, {})[name] = parsed
    return found
