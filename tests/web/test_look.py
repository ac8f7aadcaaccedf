"""What the page shows of a moment: the rule's own figures, and honesty about what is old, silent or not known."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import timedelta

import pytest

from sensord.model import Advice, Asked, Doubt, Quantity, Reading, Severity, Standing, State, Telling, Unsaid, What
from sensord.ports import Commit
from sensord.web.live import ReaderKind
from sensord.web.words import Wording
from tests.reviews import METRIC, US
from tests.web.homestead import NOW, Homestead, hot


def shown(homestead: Homestead, units: str = "metric") -> dict:
    return Wording(homestead.house, homestead.garden_page.look.snapshot(), units).page()


def text_of(homestead: Homestead) -> str:
    regions = homestead.garden_page.sheets.regions(homestead.garden_page.look.snapshot(), ReaderKind("metric", True))
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", " ".join(regions.values())))


def cage(words: dict, name: str) -> dict:
    return next(c for c in words["cages"] if c["name"] == name)


def test_one_line_says_what_is_to_be_done(local: Homestead) -> None:
    """With a Severe concern open, the first line is its action and its deadline, and its kind is "do"."""
    answer = shown(local)["answer"]
    assert answer["kind"] == "do"
    assert answer["head"].startswith("Shade Birch")
    assert "14:15" in answer["head"] or "14:15" in text_of(local)


def test_all_is_well_when_nothing_stands(local: Homestead) -> None:
    """Without a concern, and with everything heard, it says so."""
    local.store.journal.commit(Commit(NOW, concerns=[replace(hot(), standing=Standing.OVER, over_at=NOW)]))
    answer = shown(local)["answer"]
    assert (answer["kind"], answer["lines"]) == ("well", [])


def test_nothing_known_is_not_well(local: Homestead) -> None:
    """Without a concern, but with temperatures an hour old, the page can't tell, and says of what and since when."""
    local.store.journal.commit(Commit(NOW, concerns=[replace(hot(), standing=Standing.OVER, over_at=NOW)]))
    local.loop.now = NOW + timedelta(hours=1)
    words = shown(local)
    assert words["answer"]["kind"] == "unsure"
    assert any("Birch since 13:29" in line for line in words["answer"]["lines"])
    birch = cage(words, "birch")
    assert birch["temperature"]["old"] == "13:29"
    assert birch["offset"] == "not known"
    assert birch["trend"] == ""
    assert birch["silent"]
    assert "last heard 13:29" in birch["heard"]


def test_a_lost_broker_is_said(local: Homestead) -> None:
    """No connection: nothing new comes in, and the first line is not "well"."""
    local.store.journal.commit(Commit(NOW, concerns=[replace(hot(), standing=Standing.OVER, over_at=NOW)]))
    local.loop.connected = (False, NOW - timedelta(minutes=3))
    answer = shown(local)["answer"]
    assert answer["kind"] == "unsure"
    assert "since 13:27" in answer["lines"][0]


def test_a_loop_that_stands_still_is_said(local: Homestead) -> None:
    """The page lives in another thread: it notices when the watching has stopped."""
    words = Wording(local.house, local.garden_page.look.snapshot(), "metric", stopped_since=NOW).page()
    assert "stands still since 13:30" in words["answer"]["lines"][0]


def test_stay_in_comes_before_everything(local: Homestead) -> None:
    """While a storm is here, the first line keeps the keeper in, and nothing below sends anybody out first."""
    storm = replace(
        hot("alder"),
        rule="storm",
        verdict=replace(
            hot("alder").verdict,
            rule="storm",
            reason="stay in",
            severity=Severity.MODERATE,
            numbers={"gust_m_s": 14.0, "front": True},
            advice=Advice("stay in", outdoors=False),
        ),
        told_action="stay in",
    )
    local.store.journal.commit(Commit(NOW, concerns=[storm]))
    matters = shown(local)["matters"]["to_do"]
    assert shown(local)["answer"]["head"].startswith("Stay in")
    assert matters[0]["stay_in"]
    assert matters[1]["title"].startswith("Stay in now; later")


def test_an_answered_concern_asks_for_nothing(local: Homestead) -> None:
    """It moves to what was answered, and the first line says that there is nothing new."""
    local.store.journal.commit(
        Commit(
            NOW,
            concerns=[
                replace(hot(), standing=Standing.ANSWERED, answer=What.DONE, answered_at=NOW - timedelta(minutes=5))
            ],
        )
    )
    words = shown(local)
    assert not words["matters"]["to_do"]
    assert words["matters"]["answered"][0]["answered"] == "13:25"
    assert words["answer"]["kind"] == "well"


def test_what_is_fine_by_now_but_not_over_is_not_to_do(local: Homestead) -> None:
    """A concern whose last verdict was FINE asks for nothing, and says so."""
    fine = replace(hot(), verdict=replace(hot().verdict, state=State.FINE, severity=Severity.NONE, advice=None))
    local.store.journal.commit(Commit(NOW, concerns=[fine]))
    words = shown(local)
    assert not words["matters"]["to_do"]
    assert words["matters"]["known"][0]["fine"]


def test_what_the_phone_was_not_told_is_said_with_the_reason(local: Homestead) -> None:
    """Something to do that was withheld says why the phone is silent; what was told, or is on its way, says nothing."""
    reason = "Not said on the phone: the day&#39;s messages are used up."
    told = hot()
    asked = Asked(NOW, Telling.OPENED, told.verdict.severity, "shade")
    for concern, is_said in (
        (told, False),
        (replace(told, asked=asked), False),
        (replace(told, asked=replace(asked, withheld=Unsaid.BUDGET)), True),
    ):
        local.store.journal.commit(Commit(NOW, concerns=[concern]))
        regions = local.garden_page.sheets.regions(local.garden_page.look.snapshot(), ReaderKind("metric", True))
        assert (reason in "".join(regions.values())) is is_said


def test_a_doubtful_reading_is_shown_as_one(local: Homestead) -> None:
    """A probe in the sun shows too much: the page says so; an impossible value is not shown at all."""
    local.store.journal.commit(
        Commit(
            NOW,
            readings=[
                Reading("larkfield", "birch-1", Quantity.TEMPERATURE, NOW, NOW, 44.0, Doubt.SUNLIT),
                Reading("larkfield", "alder-1", Quantity.TEMPERATURE, NOW, NOW, 85.0, Doubt.POWER_ON),
            ],
        )
    )
    words = shown(local)
    assert "shows too much" in cage(words, "birch")["doubt"]
    assert float(cage(words, "alder")["temperature"]["number"]) < 40


@pytest.mark.outside
@pytest.mark.parametrize(
    ("metric", "us"),
    [("36.4 °C", "97.5 °F"), ("100.0 °C", "212.0 °F"), ("-40.0 °C", "-40.0 °F")],
)
def test_temperatures_are_converted_by_definition(metric: str, us: str) -> None:
    """°F = °C × 9/5 + 32; water boils at 212 °F; the scales meet at −40 (NIST SP 811, 2008, appendix B.8)."""
    celsius = float(metric.split()[0])
    assert METRIC.temperature(celsius) == metric
    assert US.temperature(celsius) == us


@pytest.mark.outside
def test_other_units_are_converted_by_definition() -> None:
    """1 mile is 1609.344 m, 1 lb 0.45359237 kg, 29.92 inHg a standard atmosphere (NIST SP 811; ICAO Doc 7488)."""
    assert US.wind(44.704) == "100 mph"
    assert US.mass(4.5359237) == "10 lb"
    assert US.pressure(101_325) == "29.92 inHg"
    assert METRIC.wind(10.0) == "36 km/h"


def test_regions_of_readers_hold_no_form(local: Homestead) -> None:
    """Who may only look is sent nothing to tap."""
    regions = local.garden_page.sheets.regions(local.garden_page.look.snapshot(), ReaderKind("metric", False))
    assert not [name for name in regions if name.startswith("acts-")]
    assert "<form" not in "".join(regions.values())
