"""Words may grow: with every sentence a third longer, as in the pseudo-language, no page scrolls sideways on a small phone."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import pytest

from sensord.language.tongue import PSEUDO
from sensord.web.rendering import HERE
from tests.web.homestead import LOCAL, Homestead, homestead


@pytest.fixture(scope="module")
def strange(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Homestead]:
    """The garden in the pseudo-language."""
    with homestead(tmp_path_factory.mktemp("strange"), LOCAL, PSEUDO) as found, found.client():
        yield found


@pytest.mark.parametrize("width", [320, 390, 1280])
@pytest.mark.parametrize("path", ["/", "/curves?span=week", "/book", "/share", "/nothing"])
def test_longer_words_fit(strange: Homestead, visit: Any, path: str, width: int) -> None:
    """Nothing is wider than the screen, and no button's words are cut off."""
    client = strange.client()
    client.get("/")
    style = (HERE / "static" / "page.css").read_text(encoding="utf-8")
    text = re.sub(r"<script.*?</script>|<link[^>]*>|<noscript>.*?</noscript>", "", client.get(path).text, flags=re.S)
    tab = visit(width)
    tab.set_content(text.replace("</head>", f"<style>{style}</style></head>"))
    for summary in tab.locator("details > summary").all():
        summary.click()
    assert tab.evaluate("document.documentElement.scrollWidth") <= width
    cut_off = tab.evaluate(
        """[...document.querySelectorAll("button, summary, h1, h2, h3, label")]
        .filter((e) => e.scrollWidth > e.clientWidth + 1 && getComputedStyle(e).display !== "inline" && e.clientWidth > 1)
        .map((e) => e.textContent)"""
    )
    assert cut_off == []
