"""A real browser (Debian's chromium, headless) and the garden that it looks at. Without the browser these tests fail."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser

from tests.browser.living import Living


@pytest.fixture(scope="module")
def living(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Living]:
    """The garden."""
    found = Living(tmp_path_factory.mktemp("living"))
    yield found
    found.close()


@pytest.fixture
def visit(browser: Browser) -> Iterator[Any]:
    """Opens tabs, and at the end looks whether any of them asked another site for anything, or complained."""
    contexts: list[Any] = []
    asked: list[str] = []
    complaints: list[str] = []

    def open_tab(width: int = 390, scheme: str = "light", **more: Any) -> Any:
        context = browser.new_context(
            viewport={"width": width, "height": 800}, color_scheme=scheme, **more  # type: ignore[arg-type]
        )  # fmt: skip
        context.on("request", lambda request: asked.append(request.url))
        contexts.append(context)
        tab = context.new_page()
        tab.on("pageerror", lambda error: complaints.append(str(error)))
        tab.on(
            "console", lambda message: complaints.append(message.text) if "Content Security" in message.text else None
        )
        tab.on("dialog", lambda dialog: complaints.append(f"a dialog: {dialog.message}"))
        return tab

    yield open_tab
    for context in contexts:
        context.close()
    assert not complaints
    assert not [url for url in asked if not url.startswith(("http://127.0.0.1:", "http://localhost:"))]


@pytest.fixture(scope="session")
def axe() -> str:
    """axe-core, as a script."""
    return (Path(__file__).parent / "axe" / "axe.min.js").read_text()
