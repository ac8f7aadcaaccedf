"""Reviews as files: what is in them agrees with the figures, needs nothing from elsewhere, and can be read by everybody."""

from __future__ import annotations

import csv
import io
import json
import re
from dataclasses import replace
from html.parser import HTMLParser
from itertools import pairwise

import pytest
from playwright.sync_api import Browser

from sensord.model import Severity
from sensord.report import export, sheet
from sensord.review import Review
from sensord.review.matters import Matter, Missing
from sensord.review.words import sentences
from tests.reviews import FIRST_WEEK, METRIC, NOW, SECOND_WEEK, US
from tests.test_review import reviewed, seasonal

HOSTILE = '<script>alert(1)</script> & "Alder\'s" $x$ \u202e'
VOID = {"meta", "br", "link", "img", "input", "hr"}


@pytest.fixture(scope="module")
def week() -> Review:
    """The second week, with things that stood and that were missing."""
    matter = Matter(
        "overheating", "birch", Severity.SEVERE, "shade", NOW, NOW, 2.5, 2, "shaded", 12.0, "yes", 5.0, 1.5, 80.0
    )  # fmt: skip
    others = [
        replace(matter, rule=rule, helped="unknown") for rule in ("storm", "wind", "offset", "silent", "watch", "wet")
    ]
    gap = Missing("silence", "birch-1", 2, 11.0, 10.5, NOW)
    return replace(
        reviewed(SECOND_WEEK), matters=(matter, *others), missing=(gap, replace(gap, kind="stopped", subject=""))
    )


class Reader(HTMLParser):
    """Keeps what matters of a document: tags with attributes, and the text of each element."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.inside: list[str] = []
        self.words: list[tuple[str, str]] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.inside.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.inside.pop() == tag

    def handle_data(self, data: str) -> None:
        if data.strip():
            self.words.append((self.inside[-1], data.strip()))

    def all(self, tag: str) -> list[dict[str, str | None]]:
        return [attributes for name, attributes in self.tags if name == tag]


@pytest.fixture(scope="module", params=["week", "season", "empty"])
def page(request: pytest.FixtureRequest, week: Review) -> str:
    """One HTML file of each sort."""
    return sheet.html({"week": week, "season": seasonal(), "empty": reviewed("2026-W20")}[request.param], METRIC)


def test_the_file_is_whole_and_needs_nothing_from_elsewhere(page: str) -> None:
    """Every tag is closed; no script, no address of anything to load, no style attribute."""
    read = Reader(page)
    assert not read.inside
    assert not read.all("script")
    for tag, attributes in read.tags:
        assert not {"src", "href", "srcset", "style", "onload"} & attributes.keys(), tag
    assert not re.search(r"@import|url\((?!#)|https?://", page)


def test_tables_and_drawings_can_be_read_without_seeing_them(page: str) -> None:
    """Each table has a caption and heads with scope; each drawing a title and a description; identifiers are unique."""
    read = Reader(page)
    assert len(read.all("table")) == len(read.all("caption"))
    assert all("scope" in head for head in read.all("th"))
    drawings = read.all("svg")
    assert len(read.all("title")) == len(drawings) + 1
    assert len(read.all("desc")) == len(drawings)
    identifiers = [str(a["id"]) for _, a in read.tags if "id" in a]
    assert len(identifiers) == len(set(identifiers))
    for svg in drawings:
        assert svg["role"] == "img"
        assert set(str(svg["aria-labelledby"]).split()) <= set(identifiers)
    levels = [int(tag[1]) for tag, _ in read.tags if re.fullmatch(r"h[1-6]", tag)]
    assert levels[0] == 1
    assert all(after - before <= 1 for before, after in pairwise(levels))
    assert read.all("html")[0]["lang"] == "en"


def test_the_numbers_in_the_tables_are_the_figures(week: Review) -> None:
    """The cells of Cedar's days, read back, are its figures to a tenth."""
    text = sheet.html(week, METRIC)
    cedar = next(c for c in week.cages if c.name == "cedar")
    section = text[text.index(">Cedar <small>") :]
    lines = re.findall(r"<tr>\s*<th scope=\"row\">(.*?)</th>\s*(.*?)</tr>", section, re.S)[:8]
    for (_, cells), row in zip(lines, (*cedar.rows, cedar.total), strict=True):
        values = re.findall(r"<td[^>]*>(.*?)</td>", cells)
        for cell, hours in zip(values[:6], row.bands_h, strict=True):
            assert cell == ("0" if hours == 0 else "&lt; 0.1" if hours < 0.05 else f"{hours:.1f}")
        assert values[6] == f"{row.degree_hours[1]:.1f}"
        assert row.high is not None
        assert values[8].startswith(f"{row.high.value_c:.1f} ")
        assert values[10] == f"{row.degree_days:.1f}"


def test_hostile_titles_are_shown_harmlessly(week: Review) -> None:
    """Markup in a title is text, in the file, in the fragment and in the drawings."""
    cages = (replace(week.cages[0], title=HOSTILE), *week.cages[1:])
    hostile = replace(week, title=HOSTILE, cages=cages)
    text = sheet.html(hostile, METRIC)
    assert "<script" not in text
    assert text.count("&lt;script&gt;") > 5
    assert not Reader(text).inside


def test_the_other_units(week: Review) -> None:
    """No °C but in the sources' own words; °F, °F·h and am/pm instead."""
    text = sheet.html(week, US)
    shown = text[: text.index('class="review-notes"')]
    assert "°C" not in shown
    assert "91 °F" in shown
    assert re.search(r"\d pm", shown)


def test_the_fragment_stands_alone_with_headings_as_wanted(week: Review) -> None:
    """For a page: no document around it, headings from the given level, and nothing that a strict policy would block."""
    text = str(sheet.body(week, METRIC, heading=3))
    assert "<html" not in text
    assert "<style" not in text
    assert "<h3 " in text
    assert "<h2" not in text
    assert ".review" in sheet.css()


def test_json_says_what_the_figures_say(week: Review) -> None:
    """It reads back; hours, tiers, instants in UTC, severities as words, unknown as null."""
    found = json.loads(export.as_json(week, METRIC))
    assert found["span"] | {"label": SECOND_WEEK, "hours": 168.0, "start": "2026-06-08T04:00:00Z"} == found["span"]
    cedar = next(e for e in found["enclosures"] if e["name"] == "cedar")
    figures = next(c for c in week.cages if c.name == "cedar")
    assert cedar["total"]["bands_h"] == pytest.approx(figures.total.bands_h, abs=1e-4)
    assert cedar["total"]["relative_humidity"] is None
    assert len(cedar["offsets_k"]) == 24
    assert [t["severity"] for t in cedar["limits"]["tiers"]] == ["Minor", "Moderate", "Severe", "Extreme"]
    assert found["sentences"] == list(sentences(week, METRIC))
    assert found["concerns"][0]["answered_after_min"] == 12.0
    assert found["gaps"][0]["longest_h"] == 10.5


def test_whether_it_helped_is_named_so(week: Review) -> None:
    """The column that says "can't be told" is about whether what was done helped, not about what was done."""
    text = sheet.html(week, METRIC)
    assert '<th scope="col">whether it helped</th>' in text
    assert "what was done" not in text


def test_csv_says_what_the_figures_say(week: Review) -> None:
    """One line an enclosure and day and one for the week, RFC 4180 line ends, numbers to four digits, unknown empty."""
    text = export.as_csv(week)
    assert text.count("\r\n") == 1 + 3 * 8
    lines = list(csv.DictReader(io.StringIO(text)))
    for line, row in zip(lines, [r for c in week.cages for r in (*c.rows, c.total)], strict=True):
        assert float(line["hours_29_to_33_c"]) == pytest.approx(row.bands_h[2], abs=1e-4)
        assert float(line["degree_hours_above_33_c"]) == pytest.approx(row.degree_hours[1], abs=1e-4)
        assert (line["swing_k"] == "") == (row.swing_k is None)
    assert {line["enclosure"] for line in lines} == {"alder", "birch", "cedar"}


def test_csv_leaves_empty_what_was_not_measured() -> None:
    """No hours are counted in a day of which nothing is known: empty fields, not zeros; what is missing is a number."""
    lines = list(csv.DictReader(io.StringIO(export.as_csv(reviewed("2026-W20")))))
    assert len(lines) == 3 * 8
    for line in lines:
        assert {name for name, text in line.items() if text} == {
            "site", "enclosure", "span", "start_utc", "end_utc", "known_h", "missing_h",
        }  # fmt: skip


def test_an_empty_week_is_told_as_one() -> None:
    """Nothing measured is a dash, not a zero."""
    text = sheet.html(reviewed("2026-W20"), METRIC)
    assert "Nothing was measured" in text
    assert re.search(r"<th scope=\"row\">Mon 11 May</th>\s*<td>–</td>", text)


@pytest.mark.outside
def test_colours_can_be_told_from_their_ground() -> None:
    """Text 4.5:1 and lines 3:1 against the ground, light and dark. Source: WCAG 2.2, criteria 1.4.3 and 1.4.11."""
    css = sheet.css()
    dark, printed = css.index("@media (prefers"), css.index("@media print")
    for ground, block in (("#ffffff", css[:dark]), ("#0e1411", css[dark:printed]), ("#ffffff", css[printed:])):
        colour = dict(re.findall(r"--rv-(\w+): (?:var\([\w-]+, )?(#[0-9a-f]{6})", block))
        for name, least in (("ink", 4.5), ("quiet", 4.5), ("hot", 4.5), ("line", 3.0)):
            assert contrast(colour[name], ground) >= least, (name, ground)


def contrast(one: str, other: str) -> float:
    """Contrast ratio. Source: WCAG 2.2, definitions of contrast ratio and relative luminance."""

    def luminance(text: str) -> float:
        parts = [int(text[n : n + 2], 16) / 255 for n in (1, 3, 5)]
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


# --- in a real browser --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("paper", ["A4", "Letter"])
@pytest.mark.parametrize("which", [FIRST_WEEK, SECOND_WEEK, "season"])
def test_it_prints_on_two_sheets(browser: Browser, week: Review, paper: str, which: str) -> None:
    """Three enclosures, seven causes and two gaps fit on two sheets of either paper."""
    review = seasonal() if which == "season" else week if which == SECOND_WEEK else reviewed(which)
    tab = browser.new_page()
    tab.set_content(sheet.html(review, METRIC))
    data = tab.pdf(format=paper)
    tab.close()
    assert len(re.findall(rb"/Type\s*/Page\b", data)) <= 2


@pytest.mark.parametrize("width", [320, 390, 1280])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_it_fits_the_screen(browser: Browser, week: Review, width: int, scheme: str) -> None:
    """Nothing sticks out sideways; what is wider scrolls by itself and can be reached by keyboard; no error, no request."""
    tab = browser.new_page(viewport={"width": width, "height": 800}, color_scheme=scheme)  # type: ignore[arg-type]
    troubles: list[str] = []
    tab.on("console", lambda message: troubles.append(message.text))
    tab.on("request", lambda request: troubles.append(request.url))
    tab.set_content(sheet.html(week, METRIC))
    assert tab.evaluate("document.documentElement.scrollWidth") <= width
    loose = tab.evaluate(
        "[...document.querySelectorAll('*')].filter(e => e.scrollWidth > e.clientWidth + 1 &&"
        " ['auto', 'scroll'].includes(getComputedStyle(e).overflowX) && e.tabIndex < 0).length"
    )
    tab.close()
    assert loose == 0
    assert not troubles
