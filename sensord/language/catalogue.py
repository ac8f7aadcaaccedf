"""The catalogue: every sentence in the keeper's language.

What rules say on the phone is messages.toml, which a keeper's own file and rules from elsewhere may lie over.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from sensord.language.messages import FRAMES, CatalogueError, Names, Text, Words, names_in, tables, text_of, words_of
from sensord.language.sentences import HERE, Filling, listed_in, said_in, sentence_in, sentences, tongue_of, written
from sensord.language.template import fill
from sensord.language.terminal import say
from sensord.language.tongue import English, Pseudo, Tongue

LARGEST_FILE = 128_000
"""The longest text file that is read [characters]."""


@dataclass(frozen=True, slots=True, eq=False)
class Catalogue:
    """All sentences in one language."""

    rules: Mapping[tuple[str, str], Text]
    frames: Mapping[str, Text]
    words: Words
    names: Names
    tongue: Tongue

    @classmethod
    def load(
        cls, language: str = "en", own: Path | None = None, folder: Path = HERE, more: Iterable[Path] = ()
    ) -> Catalogue:
        """The shipped sentences in a language, with `more` of rules from elsewhere, and the keeper's own file over all.

        Raises:
            CatalogueError: when a file has mistakes.
            ValueError: when there is no such language.
            OSError: when the keeper's file can't be read.
        """
        shipped = (HERE / "en" / "messages.toml").read_text(encoding="utf-8")
        catalogue = cls.parse(shipped, "messages.toml", tongue=tongue_of(language, folder))
        for path in more:
            catalogue = catalogue.with_more(path)
        return catalogue if own is None else cls.parse(_text_in(own), str(own), catalogue)

    @classmethod
    def parse(
        cls, toml_text: str, where: str, base: Catalogue | None = None, *, tongue: Tongue | None = None
    ) -> Catalogue:
        """The messages of a TOML document, over those of `base`. `where` is only named in errors.

        Raises:
            CatalogueError: naming every mistake, each with where it stands, what is wrong and what is allowed.
        """
        document, lines = _document(toml_text, where), list[str]()
        tongue = tongue or English()
        words = words_of(document.pop("words", {}), base.words if base else None, tongue, lines)
        named = names_in(document, tongue, lines)
        found: dict[tuple[str, str], Text] = {}
        for group, name, table in tables(document, lines):
            over = None
            if base is not None:
                over = base.frames.get(name) if group == "frame" else base.rules.get((group, name))
            elif group == "frame" and name not in FRAMES:
                lines.append(f"frame.{name}: {say('sentences.no_frame', known=', '.join(FRAMES))}")
            if base is not None and over is None:
                lines.append(f"{group}.{name}: {say('sentences.no_text', known=_known(base, group))}")
            elif (text := text_of(f"{group}.{name}", table, over, tongue, lines)) is not None:
                found[group, name] = text
        frames = {name: text for (group, name), text in found.items() if group == "frame"}
        if base is None:
            lines += [
                f"frame.{name}: {say('settings.must.missing')}" for name in FRAMES if ("frame", name) not in found
            ]
        _raise(where, lines)
        rules = {key: text for key, text in found.items() if key[0] != "frame"}
        if base is None:
            return cls(rules, frames, words, named, tongue)
        return replace(
            base,
            rules={**base.rules, **rules},
            frames={**base.frames, **frames},
            words=words,
            names=_merged(base.names, named),
        )

    def with_more(self, path: Path) -> Catalogue:
        """This catalogue and the sentences of a rule from elsewhere, in the form of messages.toml: only new ones.

        Its translation, where there is one, stands beside it: sentences.de.toml beside sentences.toml.

        Raises:
            CatalogueError: when it has mistakes, or says again what is said already.
            OSError: when it can't be read.
        """
        document, lines = _document(_text_in(path), str(path)), list[str]()
        tongue = self.tongue if isinstance(self.tongue, Pseudo) else English()
        named = names_in(document, tongue, lines)
        found: dict[tuple[str, str], Text] = {}
        for group, name, table in tables(document, lines):
            if group in ("frame", "words"):
                lines.append(f"{group}.{name}: {say('sentences.of_a_rule')}")
            elif (group, name) in self.rules:
                lines.append(f"{group}.{name}: {say('sentences.twice')}")
            elif (text := text_of(f"{group}.{name}", table, None, tongue, lines)) is not None:
                found[group, name] = text
        _raise(str(path), lines)
        more = replace(self, rules={**self.rules, **found}, names=_merged(self.names, named))
        translation = path.with_suffix(f".{self.tongue.tag}{path.suffix}")
        return Catalogue.parse(_text_in(translation), str(translation), more) if translation.exists() else more

    def find(self, rule: str, reason: str) -> Text | None:
        """The text of a rule's reason."""
        return self.rules.get((rule, reason))

    def name(self, group: str, of: str, **parts: Filling) -> str | None:
        """A line of a table of names (`names`, `matters`, `asked`); None where there is none."""
        found = self.names.get(group, {}).get(of)
        return None if found is None else fill(found, lambda name: written(parts.get(name))).text

    def sentence(self, key: str, count: int | None = None) -> str:
        """The template of that key, in the form for `count`; KeyError where there is none."""
        return sentence_in(self.tongue, key, count)

    def has(self, key: str) -> bool:
        """Whether there is a sentence of that key."""
        return key in sentences(key.partition(".")[0])

    def listed(self, key: str) -> tuple[str, ...]:
        """The words of a list."""
        return listed_in(self.tongue, key)

    def say(self, key: str, /, **parts: Filling) -> str:
        """The sentence of that key, filled with words and whole numbers; `count` chooses between one and many."""
        return said_in(self.tongue, key, parts)


def _document(toml_text: str, where: str) -> dict[str, object]:
    if len(toml_text) > LARGEST_FILE:
        raise CatalogueError([f"{where}: {say('settings.too_long', long=len(toml_text), most=LARGEST_FILE)}"])
    try:
        return tomllib.loads(toml_text)
    except tomllib.TOMLDecodeError as error:
        raise CatalogueError([f"{where}: {say('settings.no_toml', why=str(error))}"]) from None


def _text_in(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8")
    except UnicodeDecodeError as error:
        raise CatalogueError([f"{path}: {say('settings.no_utf8', byte=error.start)}"]) from None


def _raise(where: str, lines: list[str]) -> None:
    if lines:
        raise CatalogueError([f"{where}: {line}" for line in lines])


def _merged(base: Names, more: Names) -> Names:
    return {group: {**base.get(group, {}), **more.get(group, {})} for group in {**base, **more}}


def _known(base: Catalogue, group: str) -> str:
    here = list(base.frames) if group == "frame" else [n for g, n in base.rules if g == group]
    return ", ".join(f"{group}.{n}" for n in here) or ", ".join(sorted({"frame", *(g for g, _ in base.rules)}))
