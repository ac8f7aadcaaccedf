"""The page in a real browser on the demonstration garden, as a keeper uses it. The tests build on each other, in order."""

from __future__ import annotations

import re
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from sensord.model import What
from sensord.web.links import Links
from tests.browser.living import PASSWORD, SECRET, Living

pytestmark = [pytest.mark.slow, pytest.mark.timeout(280)]

WIDTHS = (320, 390, 1280)
SCHEMES = ("light", "dark")
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
ENHANCED = "{ 'color-contrast-enhanced': { enabled: true } }"
WAIT_MS = 60_000
SMALLEST_TARGET_PX = 48


def violations(tab: Page, axe: str) -> list[str]:
    """What axe-core finds against WCAG 2.2, A and AA, and against the contrast of AAA (7:1), for the sun.

    The policy of the page lets no script in, so axe is put in from outside.
    """
    tab.evaluate(axe)
    found = tab.evaluate(
        "rules => axe.run(document, { runOnly: rules, rules: ENHANCED })".replace("ENHANCED", ENHANCED), RULES
    )
    return [f"{v['id']}: {n['html'][:160]}" for v in found["violations"] for n in v["nodes"]]


def small_targets(tab: Page) -> list[str]:
    """What can be tapped, is no link within a sentence, and is lower or narrower than a wet thumb needs."""
    return tab.evaluate(
        """least => [...document.querySelectorAll('button, summary, select, input, textarea, nav a, a.button, .heard a')]
          .filter(e => e.type !== 'hidden')
          .filter(e => e.checkVisibility() && !e.matches('.skip'))
          .map(e => [e, e.getBoundingClientRect()])
          .filter(([e, r]) => r.width < least || r.height < least)
          .map(([e, r]) => `${e.outerHTML.slice(0, 80)} ${r.width}x${r.height}`)""",
        SMALLEST_TARGET_PX,
    )


def overflows(tab: Page) -> bool:
    return bool(tab.evaluate("document.documentElement.scrollWidth > innerWidth"))


def test_a_concern_appears_while_one_looks(living: Living, visit: Any) -> None:
    """The page says that all is well; then, without being loaded again, what is to be done, by when and why."""
    tab = visit()
    tab.goto(living.local.address)
    tab.evaluate("window.notLoadedAgain = true")
    expect(tab.locator("h1")).to_have_text("All is well: nothing to do")
    expect(tab.locator("h1")).to_contain_text("Shade", timeout=WAIT_MS)
    expect(tab.locator(".matter h3").first).to_contain_text(re.compile(r"before \d\d:\d\d"))
    expect(tab.locator(".matter .why").first).to_contain_text("°C")
    assert tab.evaluate("window.notLoadedAgain")
    assert tab.locator("#answer").get_attribute("role") == "status"
    assert any(message.title.startswith("Shade") for message in living.phone.messages)


@pytest.mark.parametrize("scheme", SCHEMES)
@pytest.mark.parametrize("width", WIDTHS)
def test_every_page_is_accessible_and_fits(living: Living, visit: Any, axe: str, width: int, scheme: str) -> None:
    """No violation of WCAG 2.2 A or AA, no sideways scrolling, no target below 48 px: at each width, light and dark."""
    tab = visit(width, scheme)
    for path in ("/", "/curves", "/curves?span=week&place=birch", "/book", "/week", "/nothing"):
        tab.goto(living.local.address + path)
        if path.startswith("/curves"):
            tab.wait_for_selector("html[data-drawn]")
        if path == "/week":
            expect(tab.locator(".review-cage").first).to_be_visible(timeout=WAIT_MS)
        if path == "/":
            for summary in tab.locator("details.write > summary").all():
                summary.click()
        assert violations(tab, axe) == [], path
        assert not overflows(tab), path
        assert small_targets(tab) == [], path


@pytest.mark.parametrize("scheme", SCHEMES)
def test_the_guarded_pages_are_accessible(living: Living, visit: Any, axe: str, scheme: str) -> None:
    """Logging in, sharing, looking by a shared link, answering by a link in a message."""
    tab = visit(320, scheme)
    tab.goto(living.guarded.address + "/curves?span=week&place=birch")
    assert "/login?to=" in tab.url
    assert violations(tab, axe) == []
    tab.get_by_label("Password or token").fill("wrong")
    tab.get_by_role("button", name="Log in").click()
    expect(tab.get_by_role("alert")).to_have_text("That is not it.")
    assert violations(tab, axe) == []
    tab.get_by_label("Password or token").fill(PASSWORD)
    tab.get_by_label("Your name").fill("Ada")
    assert small_targets(tab) == []
    tab.get_by_role("button", name="Log in").click()
    expect(tab.locator("h1")).to_have_text("A week, Birch")
    tab.get_by_role("link", name="Now").click()
    expect(tab.locator("#answer h1")).to_be_visible()
    tab.get_by_role("link", name="Let others look").click()
    tab.get_by_role("button", name="A link for 7 days").click()
    address = tab.locator("#address").input_value()
    assert violations(tab, axe) == []
    assert not overflows(tab)
    assert small_targets(tab) == []

    other = visit(320, scheme)
    other.goto(living.guarded.address + address.removeprefix("http://localhost"))
    assert violations(other, axe) == []
    other.get_by_role("link", name="Look at the garden").click()
    expect(other.locator("#answer h1")).to_be_visible()
    assert other.get_by_role("button", name="Done").count() == 0
    assert other.get_by_text("Write down").count() == 0

    message = next(m for m in living.phone.messages if m.concerns)
    phone = visit(320, scheme)
    phone.goto(f"{living.guarded.address}/a/{Links('http://x', SECRET).token_of(message)}")
    expect(phone.get_by_role("heading", level=1)).to_have_text(message.title)
    assert violations(phone, axe) == []
    assert small_targets(phone) == []


def test_a_count_is_logged_in_two_taps(living: Living, visit: Any) -> None:
    """Open, tap: it is stored with its time, and shown on the page, in the log book and in the curves."""
    tab = visit()
    tab.goto(living.local.address)
    birch = tab.get_by_role("article", name="Birch", exact=True)
    birch.get_by_text("Write down").click()
    birch.get_by_role("button", name="Counted").click()
    expect(tab.locator("#notice")).to_contain_text("Kept: Cohort Second: headcount 9")
    expect(tab.locator('[data-region="said"]')).to_contain_text("Second: headcount 9")
    (entry,) = [e for e in living.store.entries.between(living.garden.start, living.now()) if e.what is What.HEADCOUNT]
    assert (entry.subject, entry.amount, entry.source) == ("second", 9.0, "page")
    tab.goto(living.local.address + "/curves?place=birch")
    tab.wait_for_selector("html[data-drawn]")
    expect(tab.locator("ol.numbered")).to_contain_text("Second: headcount 9")


def test_bricks_change_what_it_holds_while_one_looks(living: Living, visit: Any) -> None:
    """Two bricks more, and the figure that Birch holds rises on the page, as the storm rule computes it."""
    tab = visit()
    tab.goto(living.local.address)
    birch = tab.get_by_role("article", name="Birch", exact=True)
    wind = birch.locator("dl .wide dd")
    before = int(re.search(r"holds gusts of (\d+) km/h", wind.inner_text())[1])  # type: ignore[index]
    birch.get_by_text("Write down").click()
    birch.get_by_role("button", name="2 bricks added (4 kg)").click()
    expect(wind).to_contain_text("with 6 kg on it", timeout=15_000)
    after = int(re.search(r"holds gusts of (\d+) km/h", wind.inner_text())[1])  # type: ignore[index]
    assert after > before * 1.3


def test_a_stepper_counts_with_wet_thumbs(living: Living, visit: Any) -> None:
    """One fewer, one tap, no keyboard; what one is about to write is not taken away by news."""
    tab = visit()
    tab.goto(living.local.address)
    alder = tab.get_by_role("article", name="Alder", exact=True)
    alder.get_by_text("Write down").click()
    alder.get_by_role("button", name="One fewer").click()
    alder.get_by_label("Note", exact=True).fill("wind from the west")
    tab.wait_for_timeout(4000)  # news come meanwhile
    expect(alder.get_by_label("Cohort First: animals counted")).to_have_value("13")
    expect(alder.get_by_label("Note", exact=True)).to_have_value("wind from the west")
    alder.get_by_role("button", name="Counted").click()
    expect(tab.locator("#notice")).to_contain_text("headcount 13")
    expect(alder.locator(".kind")).to_contain_text("13 larvae", timeout=15_000)


def test_it_is_answered_by_keyboard(living: Living, visit: Any) -> None:
    """From the top of the page by Tab to "Done", Enter: the matter moves to what was answered; focus is not lost."""
    tab = visit(1280)
    tab.goto(living.local.address)
    expect(tab.locator('.matter button[value="done"]').first).to_be_visible(timeout=WAIT_MS)
    for _ in range(30):
        tab.keyboard.press("Tab")
        # both at once: the page may be told something new between two looks
        value, outline = tab.evaluate("(e => [e.value, getComputedStyle(e).outlineStyle])(document.activeElement)")
        if value == "done":
            break
    else:
        pytest.fail("Done can't be reached by Tab")
    assert outline != "none"
    about = tab.locator(".matter").first.locator('[name="concern"]').evaluate_all("all => all.map(e => e.value)")
    tab.keyboard.press("Enter")
    expect(tab.get_by_role("heading", name="You answered")).to_be_visible(timeout=20_000)
    said = living.store.entries.between(living.garden.start, living.now())
    assert {e.subject for e in said if e.what is What.DONE} >= set(about)
    assert tab.evaluate("document.activeElement !== document.body")


def test_hostile_notes_do_nothing_in_a_real_browser(living: Living, visit: Any) -> None:
    """Markup, scripts and directions are text: no dialog, no element, no error."""
    tab = visit()
    tab.goto(living.local.address)
    birch = tab.get_by_role("article", name="Birch", exact=True)
    for note in ("<img src=x onerror=alert(1)>", "<script>alert(2)</script>", "\u202eevil</q></li></ul><h1>x"):
        birch.get_by_text("Write down").click()
        birch.get_by_label("Note", exact=True).fill(note)
        birch.get_by_role("button", name="Keep the note").click()
        expect(tab.locator("#notice")).to_contain_text("Kept")
        expect(tab.locator('[data-region="said"]')).to_contain_text(note.lstrip("\u202e"), timeout=15_000)
    tab.goto(living.local.address + "/book")
    assert tab.locator("img").count() == 0
    assert tab.locator("h1").count() == 1


@pytest.mark.parametrize("width", [320, 390])
def test_small_screens_cut_nothing_off(living: Living, visit: Any, width: int) -> None:
    """The menu is one line on every page; of the log book each word is in sight; what goes on to the side says so."""
    living.write_down("Two of the pupae have darkened")
    tab = visit(width)
    for path in ("/", "/curves", "/book", "/week"):
        tab.goto(living.local.address + path)
        tops = tab.locator(".top nav a").evaluate_all("all => all.map(e => e.getBoundingClientRect().top)")
        assert len(set(tops)) == 1, path
    tab.goto(living.local.address + "/book")
    cells = tab.get_by_role("cell")
    for _ in range(100):  # the note may still be on its way
        if cells.count() >= 4:
            break
        tab.wait_for_timeout(200)
        tab.reload()
    assert cells.count() >= 4
    outside = cells.evaluate_all(
        "all => all.filter(e => e.getBoundingClientRect().right > innerWidth || e.scrollWidth > e.clientWidth).length"
    )
    assert outside == 0
    tab.goto(living.local.address + "/curves")
    tab.get_by_text("Hour by hour").click()
    expect(tab.get_by_text("The table goes on to the side.")).to_be_visible()
    assert tab.locator('.scroll[role="region"]').get_attribute("tabindex") == "0"
    tab.goto(living.local.address + "/week?week=2026-W34")
    expect(tab.locator(".review-cage").first).to_be_visible(timeout=WAIT_MS)
    widths = tab.locator(".review caption").evaluate_all("all => all.map(e => e.getBoundingClientRect().right)")
    assert widths
    assert max(widths) <= width
    hint = tab.evaluate("getComputedStyle(document.querySelector('.review-wide'), '::before').content")
    assert "Goes on to the side" in hint


def test_numbers_of_entries_do_not_print_over_tiers(living: Living, visit: Any) -> None:
    """What is drawn is watched: numbers of entries stand above every tier's word; midnight is 00:00."""
    tab = visit(390)
    tab.add_init_script(
        """window.drawnTexts = [];
        const draw = CanvasRenderingContext2D.prototype.fillText;
        CanvasRenderingContext2D.prototype.fillText = function (text, x, y) {
          drawnTexts.push([text, x, y]);
          return draw.call(this, text, x, y);
        };"""
    )
    tab.goto(living.local.address + "/curves?place=birch")
    tab.wait_for_selector("html[data-drawn]")
    texts = tab.evaluate("drawnTexts")
    first = next(i for i, (text, _, _) in enumerate(texts) if text == "1")
    last = next(i for i, (text, _, _) in enumerate(texts) if "Moderate" in text)
    tiers = [y for text, _, y in texts if "Moderate" in text or "Severe" in text or "Minor" in text]
    assert first < last
    assert texts[first][2] < min(tiers) - 10
    assert tab.locator("ol.numbered li").count() >= 1
    times = {text for text, _, _ in texts if re.fullmatch(r"\d?\d:\d\d", text)}
    assert times
    assert all(len(time) == 5 for time in times)


def test_the_time_is_set_before_the_tap(living: Living, visit: Any) -> None:
    """When it was stands before everything that sends; pegs put in, and pulled out, are two taps each."""
    tab = visit()
    tab.goto(living.local.address)
    cedar = tab.get_by_role("article", name="Cedar", exact=True)
    names = cedar.locator("form [name=ago], form [name=act]").evaluate_all("all => all.map(e => e.name)")
    assert names[0] == "ago"
    for button, told in (("Pegged down", "Cedar: pegged"), ("Pegs pulled out", "Cedar: unpegged")):
        cedar.get_by_text("Write down").click()
        cedar.get_by_role("button", name=button).click(timeout=15_000)
        expect(tab.locator("#notice")).to_contain_text(f"Kept: {told}")


@pytest.mark.parametrize("scheme", SCHEMES)
def test_the_curves_are_drawn_with_tiers_and_names(living: Living, visit: Any, scheme: str) -> None:
    """Three drawings; lines differ in dash, not only in colour; the tiers' words and the figures stand in the page."""
    tab = visit(1280, scheme)
    for span in ("day", "week"):
        tab.goto(f"{living.local.address}/curves?span={span}")
        tab.wait_for_selector("html[data-drawn]")
        assert tab.locator(".chart canvas").count() == 3
        inked = tab.evaluate(
            """() => [...document.querySelectorAll('.chart canvas')].map(c => {
                const d = c.getContext('2d').getImageData(0, 0, c.width, c.height).data;
                let n = 0; for (let i = 3; i < d.length; i += 4) if (d[i] > 40) n++; return n; })"""
        )
        assert min(inked) > 2000
    tab.goto(living.local.address + "/curves")
    tab.wait_for_selector("html[data-drawn]")
    expect(tab.locator("main")).to_contain_text("33 °C Moderate after 1 h")
    expect(tab.locator("main")).to_contain_text("Birch: highest")
    tab.get_by_text("Hour by hour").click()
    assert tab.locator("table tbody tr").count() >= 24


def test_the_week_can_be_read(living: Living, visit: Any) -> None:
    """Sentences at the top, then each enclosure; it says how far it is while it is worked out."""
    tab = visit()
    tab.goto(living.local.address + "/week?week=2026-W34")
    expect(tab.locator(".review-told")).to_be_visible(timeout=WAIT_MS)
    expect(tab.locator(".review-cage")).to_have_count(3)


def test_other_units(living: Living, visit: Any) -> None:
    """°F on this device, live too."""
    tab = visit()
    tab.goto(living.local.address)
    tab.get_by_role("button", name="Show °F, mph, lb").click()
    expect(tab.locator(".degrees").first).to_contain_text("°F")
    tab.wait_for_timeout(3000)
    expect(tab.locator(".degrees").first).to_contain_text("°F")


def test_it_works_without_script(living: Living, visit: Any) -> None:
    """Everything can be seen and said by plain forms."""
    tab = visit(390, "light", java_script_enabled=False)
    tab.goto(living.local.address)
    cedar = tab.get_by_role("article", name="Cedar", exact=True)
    cedar.get_by_text("Write down").click()
    cedar.get_by_role("button", name="Cleaned").click()
    expect(tab.locator('[data-region="said"]')).to_contain_text("Cedar: cleaned")


def test_one_tap_answers_from_a_message(living: Living, visit: Any) -> None:
    """The link of the first push: opened, one tap, done; a second time it is used up."""
    message = next(m for m in living.phone.messages if m.concerns and m.rule == "overheating")
    address = f"{living.guarded.address}/a/{Links('http://x', SECRET).token_of(message)}"
    tab = visit()
    tab.goto(address)
    tab.get_by_role("button", name="Done").click()
    expect(tab.get_by_role("heading", level=1)).to_contain_text("Kept")
    tab.goto(address)
    expect(tab.locator("main")).to_contain_text("Answered by this link")
    assert tab.get_by_role("button").count() == 0


def test_a_page_that_is_cut_off_says_so(living: Living, visit: Any) -> None:
    """When the stream ends, the page says within seconds that it shows the past, and since when."""
    tab = visit()
    tab.goto(living.local.address)
    expect(tab.locator("#link")).to_be_empty()
    tab.wait_for_timeout(1500)
    living.local.close()
    expect(tab.locator("#link")).to_contain_text("what you see is old", timeout=30_000)
