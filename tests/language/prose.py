"""Finds prose that stands in no catalogue: in the pseudo-language, no word of the catalogues has a plain letter left."""

from __future__ import annotations

import re
from functools import cache
from html.parser import HTMLParser

from sensord import species
from sensord.language import Catalogue
from sensord.language.tongue import PSEUDO
from sensord.science.bibliography import CITATIONS

STRANGE = Catalogue.load(PSEUDO)
UNITS = {
    "C",
    "F",
    "K",
    "km",
    "h",
    "kg",
    "hPa",
    "mph",
    "inHg",
    "lb",
    "min",
    "s",
    "am",
    "pm",
    "MB",
    "V",
    "EDT",
    "EST",
    "UTC",
    "W",
}
"""What stands with a number: units, halves of the day, names of times, the W of a week's label."""
NAMES = {
    *("Alder", "Birch", "Cedar", "Larkfield", "Lane", "Community", "Garden", "First", "Second", "Kim", "alder", "birch"),
    *("cedar", "first", "second", "made", "up", "ambient", "America", "Detroit", "New", "York", "sensord"),
}  # fmt: skip
"""What the configuration of the tests names, and the name of the program."""
SHOWN = (
    "aria-label",
    "title",
    "alt",
    "placeholder",
    "data-cut-off",
    "data-lost",
    "data-trouble",
    "data-highest",
    "data-lowest",
)


class _Text(HTMLParser):
    """What a person sees or hears of a document: text, and the attributes that are shown or read out."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []
        self._hidden = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Attributes."""
        self._hidden += tag in ("style", "script")
        self.found += [value for name, value in attrs if name in SHOWN and value]

    def handle_endtag(self, tag: str) -> None:
        """Styles and scripts are not shown."""
        self._hidden -= tag in ("style", "script")

    def handle_data(self, data: str) -> None:
        """Text."""
        if not self._hidden:
            self.found.append(data)


def shown(document: str) -> str:
    """All that a document shows, a line each."""
    reader = _Text()
    reader.feed(document)
    return "\n".join(text for text in reader.found if text.strip())


@cache
def _cited() -> tuple[str, ...]:
    """What species files say of their figures, and sources: in the words of who wrote them, the longest first."""
    profiles = [species.load(name) for name in species.names()]
    texts = {*CITATIONS.values(), *(f"[{key}]" for key in CITATIONS)}
    for profile in profiles:
        texts |= {profile.name, *(part for t in profile.heat_tiers for part in (t.name, t.note, t.source))}
    return tuple(sorted(filter(None, texts), key=len, reverse=True))


def prose(text: str, *names: str) -> list[str]:
    """Words with plain letters that are no names, no units and no citations."""
    for cited in (*sorted(names, key=len, reverse=True), *_cited()):
        text = text.replace(cited, "")
    words = re.findall(r"[A-Za-z]+", re.sub(r"https?://\S+|\{\w+\}", "", text))
    return [word for word in words if word not in UNITS | NAMES]
