"""Sentences in HTML: what is filled in is escaped unless it is markup already. For templates; it needs markupsafe."""

from __future__ import annotations

from collections.abc import Callable

from markupsafe import Markup, escape

from sensord.language.catalogue import Catalogue
from sensord.language.template import fill, parsed


def sayer(catalogue: Catalogue) -> Callable[..., Markup]:
    """What templates say sentences with: `say("page.nav.now")`."""

    def say(key: str, /, **parts: str | int | bool | None) -> Markup:
        count = parts.get("count")
        text = parsed(catalogue.sentence(key, count if isinstance(count, int) else None))

        def write(name: str) -> str | None:
            value = parts.get(name)
            return None if value is None or value is False else "" if value is True else str(escape(value))

        return Markup(fill(text, write, _escaped).text)  # noqa: S704  # both the sentence and its parts are escaped

    return say


def _escaped(text: str) -> str:
    """A sentence's own words; an apostrophe stays one, for attributes stand in double quotes."""
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;").replace('"', "&quot;")
