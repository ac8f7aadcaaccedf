"""Mistakes of species, of rules from elsewhere and of sentences are told in the language of whoever reads them."""

from __future__ import annotations

import contextvars
import re
from collections.abc import Callable, Iterable
from pathlib import Path

import pytest

from sensord import species
from sensord.adapters.rule_files import rule_files, with_sentences
from sensord.language import Catalogue, CatalogueError
from sensord.language.messages import FRAMES, KEYS
from sensord.language.terminal import speak
from sensord.language.tongue import Pseudo
from sensord.model import Severity, Stage
from tests.language.prose import prose
from tests.species.test_species import MISTAKES, VALID
from tests.test_rule_files import DEW, MISSHAPEN, SAID, UNFIT

KNOWN = re.compile(
    r"^\S+: |\[[^]]*]|RULE\.?\w*(\([\w, ]*\))?|'[^']*'|\"[^\"]*\"|\b[\w./]+\.(toml|py)\b|\b\w+(\.\w+)+\b"
)
"""File and key before a mistake, names of Python, and what is quoted from the file or may stand there."""


def told(find: Callable[[], Iterable[str]]) -> list[str]:
    """Mistakes in the pseudo-language."""
    context = contextvars.copy_context()
    context.run(speak, Pseudo())
    return list(context.run(find))


WORDS = {
    *Stage,
    *(s.word for s in Severity),
    *KEYS,
    *Catalogue.load().words,
    "True",
    "nan",
    "Nobody",
    "seconds",
    "dew",
    "instar",
}
WORDS |= set(re.findall("[A-Za-z]+", " ".join(f"{rule} {reason}" for rule, reason in Catalogue.load().rules)))
WORDS |= set(re.findall("[a-z]+", " ".join((*FRAMES, *Catalogue.load().words))))
"""What may stand in such files, as it is written there."""


def plain(line: str) -> list[str]:
    """Words of a mistake that stand in no catalogue."""
    return [word for word in prose(re.sub(KNOWN, " ", re.sub(r"^\S+: (\S+: )?", "", line))) if word not in WORDS]


def of_a_species(text: str) -> Iterable[str]:
    """The mistakes of a species file."""
    with pytest.raises(species.SpeciesError) as caught:
        species.parse(text, "made-up.toml")
    return caught.value.mistakes


@pytest.mark.parametrize(
    ("right", "wrong"), [(right, wrong) for right, wrong, words in MISTAKES if "TOML" not in words]
)
def test_of_a_species(right: str, wrong: str) -> None:
    """Each in the reader's language; why something is no TOML, the library that reads it says in its own."""
    lines = told(lambda: of_a_species(VALID.replace(right, wrong, 1)))
    assert all("⟦" in line for line in lines)
    assert [word for line in lines for word in plain(line)] == []


def of_sentences(text: str) -> Iterable[str]:
    """The mistakes of a keeper's own file."""
    with pytest.raises(CatalogueError) as caught:
        Catalogue.parse(text, "my.toml", Catalogue.load())
    return caught.value.lines


OWN = """
stray = 1
[words]
tomorrow = "{noon}"
yesterday = "{"
numbers = ["one"]
spam = "x"
[names]
dew = 3
[matters]
dew = "{place}"
[frame]
loose = "x"
[offset.spam]
text = "x"
[overheating.shade]
titel = "x"
title = "{x y}"
text = "[a [b]]"
many = "{air_c} in {subject}"
each = "["
"""


def test_of_sentences() -> None:
    """Each slip that a keeper can make in their own sentences."""
    lines = told(lambda: of_sentences(OWN))
    assert len(lines) == 14
    assert all("⟦" in line for line in lines)
    assert [word for line in lines for word in plain(line)] == []


def of_a_rule(folder: Path, code: str, said: str) -> Iterable[str]:
    """The mistakes of a rule from elsewhere and of its sentences."""
    folder.mkdir(mode=0o755, exist_ok=True)
    (folder / "dew.py").write_text(code)
    (folder / "dew.toml").write_text(said)
    files = rule_files(folder, ())
    return [*files.mistakes, *(line for file in files.fit for line in with_sentences(Catalogue.load(), file)[1])]


@pytest.mark.parametrize("code", [code for code, _ in MISSHAPEN if "RULE = Dew" in code and "(Bounds:" not in code])
def test_of_a_rule(tmp_path: Path, code: str) -> None:
    """What RULE lacks; what Python says of a file is in Python's words."""
    lines = told(lambda: of_a_rule(tmp_path / "rules", code, SAID))
    assert lines
    assert [w for line in lines if "Error" not in line and "⟧" in line for w in plain(line)] == []
    assert all("⟦" in line or "Error" in line for line in lines)


@pytest.mark.parametrize("said", [said for said, _ in UNFIT if said is not None])
def test_of_a_rules_sentences(tmp_path: Path, said: str) -> None:
    """Too few, too many, and of another rule."""
    lines = told(lambda: of_a_rule(tmp_path / "rules", DEW, said))
    assert lines
    assert all("⟦" in line for line in lines)
    assert [word for line in lines for word in plain(line)] == []
