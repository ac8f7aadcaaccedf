"""The bibliography itself: complete, honest about what was read, and cited from everywhere by keys that exist."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import sensord
from sensord.science.bibliography import CITATIONS

PACKAGE = Path(sensord.__file__).parent
TESTS = Path(__file__).parents[1]
CITING = sorted([*PACKAGE.rglob("*.py"), *PACKAGE.rglob("*.toml"), *TESTS.rglob("*.py")])
HOW_READ = re.compile(r"\b[Rr]ead\b|from memory|[Ff]rom memory|as in \[")


@pytest.mark.parametrize("key", CITATIONS)
def test_every_citation_says_what_of_it_was_read(key):
    """Each says whether the text, an abstract or only a second hand was read, or that it is from memory."""
    assert HOW_READ.search(CITATIONS[key]), f"{key} doesn't say what was read"


@pytest.mark.parametrize("key", CITATIONS)
def test_a_key_carries_the_year_of_its_citation(key):
    """AuthorYear keys agree with the year in the citation, and with the first author's name."""
    found = re.fullmatch(r"([A-Z][A-Za-z]+?)[A-Z]{0,2}(\d{4})", key)
    if found:
        assert found.group(2) in CITATIONS[key] or "from memory" in CITATIONS[key]


def test_citations_refer_to_each_other_by_keys_that_exist():
    """A citation that leans on another names it by a key of the bibliography."""
    named = {key for text in CITATIONS.values() for key in re.findall(r"\[([^\]]+)\]", text)}
    assert named <= set(CITATIONS)


@pytest.mark.parametrize("path", CITING, ids=lambda path: path.name)
def test_every_key_cited_in_code_data_and_tests_exists(path):
    """Whatever looks like [AuthorYear] anywhere is in the bibliography."""
    keys = set(re.findall(r"\[([A-Z][A-Za-z]{2,}(?:19|20)\d\d)\]", path.read_text(encoding="utf-8")))
    assert keys <= set(CITATIONS), sorted(keys - set(CITATIONS))


def test_every_citation_is_cited():
    """A source that nothing leans on any more is taken out: in code, data or tests, or in another citation."""
    texts = [path.read_text(encoding="utf-8") for path in CITING if path.name != "bibliography.py"]
    cited = {key for text in [*texts, *CITATIONS.values()] for key in re.findall(r"\b[A-Za-z][A-Za-z0-9-]+\b", text)}
    assert not set(CITATIONS) - cited
