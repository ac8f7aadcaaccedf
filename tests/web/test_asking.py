"""What the page says is to be done: an answer is to what was advised when it was given, and no line says less than a card."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from datetime import UTC, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sensord.language import Catalogue, Reader
from sensord.model import Advice, Concern, Doubt, Entry, Quantity, Reading, Severity, Standing, State, Verdict, What
from sensord.ports import Commit
from sensord.rules import all_rules
from sensord.rules._tracks import Track
from sensord.web import questions
from sensord.web.cards import CageWords
from sensord.web.live import ReaderKind
from sensord.web.measured import trend_of
from sensord.web.words import Wording
from tests.web.homestead import NOW, Homestead, hot
from tests.web.test_look import cage, shown

MINUTE = timedelta(minutes=1)
AFTER = Advice("look after", holds_until=NOW + timedelta(hours=12))
STAY = Advice("stay in", holds_until=NOW + 30 * MINUTE, outdoors=False)
GONE = replace(hot(), standing=Standing.OVER, over_at=NOW)


def gusty(
    subject: str, state: State, reason: str, advice: Advice | None, severity: Severity = Severity.NONE, **more: Any
) -> Concern:
    """A storm's concern of which "stay in" was told half an hour ago."""
    verdict = Verdict(
        "storm", subject, state, NOW, reason, severity, numbers={"gust_m_s": 3.0, "front": True}, advice=advice
    )
    told = {"told": Severity.MODERATE, "told_action": "stay in", "told_at": NOW - 40 * MINUTE, "tellings": 1}
    return Concern(
        "larkfield", "storm", subject, Standing.OPEN, verdict, NOW - 45 * MINUTE, opened_at=NOW - 40 * MINUTE,
        **{**told, **more},
    )  # fmt: skip


def answered(concern: Concern, minutes_ago: float = 30.0, answer: What = What.SEEN) -> Concern:
    """The same, answered."""
    return replace(concern, standing=Standing.ANSWERED, answer=answer, answered_at=NOW - timedelta(minutes=minutes_ago))


def with_only(homestead: Homestead, *concerns: Concern, verdicts: tuple[Verdict, ...] = ()) -> dict[str, Any]:
    """The page's words where these concerns stand."""
    homestead.store.journal.commit(Commit(NOW, concerns=[GONE, *concerns], verdicts=verdicts))
    return shown(homestead)


def html(homestead: Homestead) -> str:
    return homestead.garden_page.sheets.regions(homestead.garden_page.look.snapshot(), ReaderKind("metric", True))[
        "matters"
    ]


# --- an answer is to what was advised then


def test_seen_of_stay_in_does_not_answer_look_after(local: Homestead) -> None:
    """Seen of "stay in"; the gusts have passed: the page asks to look after both, in its first line and below."""
    passed = [
        answered(gusty(s, State.FINE, "look after", AFTER, fine_since=NOW - 5 * MINUTE)) for s in ("alder", "birch")
    ]
    words = with_only(local, *passed)
    assert words["answer"]["kind"] == "do"
    assert words["answer"]["head"] == "From 13:55, if it stays calm: look after Alder and Birch"
    (matter,) = words["matters"]["to_do"]
    assert "Count them" in matter["text"]
    assert 'value="done"' in html(local)
    assert not words["matters"]["answered"]


def test_an_answer_after_the_advice_changed_is_an_answer_to_it(local: Homestead) -> None:
    """It is "done" after "look after" was shown: nothing is left to do."""
    passed = gusty("birch", State.FINE, "look after", AFTER, fine_since=NOW - 10 * MINUTE)
    words = with_only(local, answered(passed, 5, What.DONE))
    assert not words["matters"]["to_do"]
    assert words["answer"]["head"] == "All is well: nothing to do"


def test_other_advice_than_was_answered_is_to_do(local: Homestead) -> None:
    """Shaded and answered; now more air is advised, which the phone will say later: the page says it now."""
    concern = answered(hot(opened_at=NOW - 60 * MINUTE), 20, What.DONE)
    air = replace(concern.verdict, reason="add airflow", advice=Advice("add airflow"))
    words = with_only(local, replace(concern, verdict=air), verdicts=(concern.verdict, replace(air, at=NOW - MINUTE)))
    assert words["answer"]["head"].startswith("Give Birch more air")


def test_what_was_advised_before_the_answer_is_answered(local: Homestead) -> None:
    """The log of verdicts tells since when something is advised: an answer given later is an answer to it."""
    concern = answered(hot(opened_at=NOW - 60 * MINUTE), 20, What.DONE)
    air = replace(concern.verdict, reason="add airflow", advice=Advice("add airflow"))
    words = with_only(local, replace(concern, verdict=air), verdicts=(replace(air, at=NOW - 25 * MINUTE),))
    assert words["matters"]["answered"]
    assert not words["matters"]["to_do"]


def test_it_is_not_enough_yet_asks_again(local: Homestead) -> None:
    """The follow-up of what was done is news: the matter is to do again until it is answered again."""
    concern = replace(answered(hot(opened_at=NOW - 90 * MINUTE), 45, What.DONE), told_at=NOW - MINUTE, tellings=2)
    assert with_only(local, concern)["answer"]["kind"] == "do"


def test_shade_that_may_come_off_is_to_do(local: Homestead) -> None:
    """Cool enough, shade on: it says when to take it off; only just cool enough, it doesn't yet."""
    concern = answered(hot(opened_at=NOW - 90 * MINUTE), 60, What.DONE)
    off = replace(
        concern.verdict, state=State.FINE, severity=Severity.NONE, reason="shaded",
        numbers={"inside_c": 28.0, "off_at": (NOW + timedelta(hours=4)).isoformat()},
        advice=Advice("unshade", holds_until=NOW + timedelta(hours=6)),
    )  # fmt: skip
    words = with_only(local, replace(concern, verdict=off, fine_since=NOW))
    assert words["answer"]["head"] == "Take the shade off Birch at about 17:30"
    words = with_only(local, replace(concern, verdict=replace(off, easing=True)))
    assert words["answer"]["head"] == "All is well: nothing to do"


STATES = st.sampled_from([State.FINE, State.BREACH])
ACTIONS = st.sampled_from(["", "shade", "stay in", "look after", "anchor"])


@given(STATES, ACTIONS, ACTIONS, st.booleans())
def test_never_answered_by_an_answer_to_something_else(state: State, now: str, told: str, storm: bool) -> None:
    """Whatever the state: where another action than the told one is advised since, and for sure, it is to do."""
    verdict = Verdict(
        "storm" if storm else "overheating",
        "birch",
        state,
        NOW,
        "x",
        Severity.MODERATE,
        advice=Advice(now) if now else None,
    )
    concern = Concern(
        "larkfield", verdict.rule, "birch", Standing.ANSWERED, verdict, NOW - 60 * MINUTE, told=Severity.MODERATE,
        told_action=told, told_at=NOW - 50 * MINUTE, tellings=1, answered_at=NOW - 40 * MINUTE, answer=What.SEEN,
    )  # fmt: skip
    sort = questions.sort_of(concern, all_rules()[concern.rule].manner, NOW - 10 * MINUTE)
    assert (sort == "to_do") == (now not in ("", told))


# --- what is left when a concern has ended


def ended(**more: Any) -> Concern:
    over = gusty("birch", State.FINE, "look after", AFTER, fine_since=NOW - 40 * MINUTE)
    return replace(
        over, **{"standing": Standing.OVER, "over_at": NOW - 10 * MINUTE, "told_at": NOW - 10 * MINUTE, **more}
    )


def test_what_the_last_message_asked_for_stays_until_it_is_done(local: Homestead) -> None:
    """The concern is over and the phone asks to look after Birch: so does the page, until the animals are counted."""
    words = with_only(local, ended())
    assert words["answer"]["head"] == "The gusts have passed: look after Birch"
    counted = Entry("larkfield", NOW - MINUTE, NOW, "second", What.HEADCOUNT, 9.0)
    local.store.journal.commit(Commit(NOW, entries=[counted]))
    assert shown(local)["answer"]["head"] == "All is well: nothing to do"


@pytest.mark.parametrize(
    "more",
    [{"told_at": NOW - 40 * MINUTE}, {"over_at": NOW - timedelta(hours=13), "told_at": NOW - timedelta(hours=13)}],
)
def test_what_was_not_told_or_is_long_past_is_not_left(local: Homestead, more: dict[str, Any]) -> None:
    """Of what nobody was told, and after half a day, nothing is left to do."""
    assert with_only(local, ended(**more))["answer"]["kind"] == "well"


# --- staying in


def test_stay_in_is_one_card_that_is_only_seen(local: Homestead) -> None:
    """Moderate with animals, Minor where it is empty, one answered before with "done": one card, one button."""
    alder = gusty("alder", State.BREACH, "stay in", STAY, Severity.MODERATE, answer=What.DONE)
    cedar = gusty("cedar", State.BREACH, "stay in", STAY, Severity.MINOR, told_at=None, told_action="")
    words = with_only(local, alder, cedar)
    (matter,) = words["matters"]["to_do"]
    assert (matter["severity"], set(matter["keys"])) == (2, {"storm/alder", "storm/cedar"})
    assert re.findall(r'name="act" value="([^"]+)"', html(local)) == ["seen"]


def test_stay_in_that_was_seen_is_still_said(local: Homestead) -> None:
    """Answered where it matters: nothing new, one card, no green, and still: stay in."""
    alder = answered(gusty("alder", State.BREACH, "stay in", STAY, Severity.MODERATE))
    cedar = gusty("cedar", State.BREACH, "stay in", STAY, Severity.MINOR, told_at=None, told_action="")
    words = with_only(local, alder, cedar)
    assert not words["matters"]["to_do"]
    assert len(words["matters"]["answered"]) == 1
    assert (words["answer"]["kind"], words["answer"]["head"]) == ("look", "Stay in; nothing new to do")
    assert 'name="act"' not in html(local)


def test_a_storm_that_is_passing_keeps_in(local: Homestead) -> None:
    """Fine only just, nothing advised: people are still kept in, in words."""
    passing = gusty("alder", State.FINE, "passing", None)
    words = with_only(local, replace(passing, verdict=replace(passing.verdict, easing=True)))
    assert words["answer"]["head"] == "Stay in: the storm is passing"
    assert [m["title"] for m in words["matters"]["to_do"]] == ["Stay in: the storm is passing"]
    assert not words["matters"]["known"]


# --- no word of the inside, nothing that stands for long


@pytest.mark.parametrize(
    ("rule", "reason", "told"),
    [
        ("wind", "held", "Wind at Birch: fine by now"),
        ("wind", "left to storm", "Wind at Birch: fine by now"),
        ("overheating", "warm", "Heat in Birch: fine by now"),
        ("storm", "look after", "Storm at Birch: fine by now"),
    ],
)
@pytest.mark.parametrize("standing", [Standing.OPEN, Standing.ANSWERED])
def test_what_is_fine_is_told_in_plain_words(local, rule: str, reason: str, told: str, standing: Standing) -> None:
    """A concern that is fine and advises nothing is a plain sentence, and all is well meanwhile, answered or not."""
    verdict = Verdict(rule, "birch", State.FINE, NOW, reason)
    concern = replace(
        hot(), rule=rule, verdict=verdict, standing=standing, answer=What.DONE, answered_at=NOW - timedelta(hours=8),
        told_action="anchor", fine_since=NOW - timedelta(hours=7),
    )  # fmt: skip
    words = with_only(local, concern)
    assert [m["title"] for m in words["matters"]["known"]] == [told]
    assert words["answer"]["head"] == "All is well: nothing to do"
    assert f"{told}, since 06:30" in html(local)
    assert reason not in html(local) or reason == "warm"


def test_every_rule_has_a_plain_name(local: Homestead) -> None:
    """None of the garden's rules would be called by its key."""
    names = local.house.texts.names
    assert set(local.house.garden.rules) == set(names["matters"]) == set(names["names"])


def test_answers_are_listed_by_the_matter(local: Homestead) -> None:
    """Not "Birch (overheating)"; and a cohort is called one."""
    said = [
        Entry("larkfield", NOW, NOW, "overheating/birch", What.SEEN),
        Entry("larkfield", NOW, NOW, "first", What.HEADCOUNT, 14.0),
    ]
    local.store.journal.commit(Commit(NOW, entries=said))
    assert {line["subject"] for line in shown(local)["said"]} == {"Heat in Birch", "Cohort First"}


# --- the first line and the cards


def strong(homestead: Homestead, **more: Any) -> Any:
    """A look at which Birch holds less than it blows, before any rule has said so."""
    snapshot = homestead.garden_page.look.snapshot()
    cages = tuple(
        replace(c, **{"holds_m_s": 8.6, "gust_m_s": 9.7, "worst_m_s": None, **more})
        if c.enclosure.name == "birch"
        else c
        for c in snapshot.cages
    )
    return Wording(homestead.house, replace(snapshot, cages=cages), "metric").page()


def test_the_first_line_never_says_less_than_a_card(local: Homestead) -> None:
    """Gusts above what Birch holds, and no concern yet: it is not "All is well"."""
    with_only(local)
    words = strong(local)
    assert cage(words, "birch")["wind"]["say"] == "More than it holds."
    assert (words["answer"]["kind"], words["answer"]["head"]) == ("look", "Look: gusts above what Birch holds")
    assert "Don't go out" not in words["answer"]["lines"][0]  # in a breeze in which the phone asks for bricks
    assert "Don't go out to it while it blows" in strong(local, gust_m_s=10.9)["answer"]["lines"][0]


def test_a_cage_in_a_told_tier_is_not_all_well(local: Homestead) -> None:
    """At 34 °C with animals in it, before the tier's time has passed, the first line says so."""
    with_only(local)
    local.store.journal.commit(
        Commit(NOW, readings=[Reading("larkfield", "birch-1", Quantity.TEMPERATURE, NOW, NOW, 34.0)])
    )
    words = shown(local)
    assert (words["answer"]["kind"], words["answer"]["head"]) == ("look", "Look: Birch is above 33 °C")
    assert words["answer"]["lines"] == ["If it stays so, you are told what to do."]


def test_what_was_answered_is_not_news_but_not_green(local: Homestead) -> None:
    """Shaded as advised, and still above the tier: nothing new, but not all well either."""
    local.store.journal.commit(
        Commit(NOW, readings=[Reading("larkfield", "birch-1", Quantity.TEMPERATURE, NOW, NOW, 34.0)])
    )
    local.store.journal.commit(Commit(NOW, concerns=[answered(hot(opened_at=NOW - 20 * MINUTE), 10, What.DONE)]))
    answer = shown(local)["answer"]
    assert (answer["kind"], answer["head"]) == ("look", "Nothing new to do")
    assert "Birch is above 33 °C." in answer["lines"]


def test_the_card_claims_nothing_that_no_sensor_knows(local: Homestead) -> None:
    """Whether it stands is not measured: figures are compared, also with what has been."""
    assert cage(strong(local, gust_m_s=3.0), "birch")["wind"]["say"] == "That holds."
    say = cage(strong(local, gust_m_s=3.0, worst_m_s=16.1), "birch")["wind"]["say"]
    assert say == "Gusts have reached 58 km/h, more than that."


def test_gusts_are_one_figure_on_the_whole_screen(local: Homestead) -> None:
    """The cards and the post show the highest of the same ten minutes, and say so."""
    for minutes, value in ((6, 7.0), (1, 2.5)):
        at = NOW - minutes * MINUTE + timedelta(seconds=20)
        probe = local.house.garden.probes_at("ambient", Quantity.WIND_GUST)[0]
        local.store.journal.commit(
            Commit(NOW, readings=[Reading("larkfield", probe.name, Quantity.WIND_GUST, at, at, value)])
        )
    words = shown(local)
    assert cage(words, "birch")["wind"]["now"] == "up to 25 km/h"
    assert (words["post"]["gust"]["number"], words["post"]["gust_lately"]) == ("25", True)


# --- last heard, and the trend


def test_one_reading_dated_ahead_does_not_silence_a_probe(local: Homestead) -> None:
    """Once dated a day ahead, hours ago; heard a minute ago all the same. And one that dates everything ahead is heard."""
    ahead = Reading(
        "larkfield",
        "birch-1",
        Quantity.TEMPERATURE,
        NOW + timedelta(days=1),
        NOW - timedelta(hours=3),
        25.0,
        Doubt.FUTURE,
    )
    local.store.journal.commit(Commit(NOW, readings=[ahead]))
    birch = cage(shown(local), "birch")
    assert (birch["silent"], birch["heard"]) == (False, "Heard just now.")
    local.loop.now = NOW + timedelta(hours=1)
    later = ahead._replace(measured_at=NOW + timedelta(days=1, hours=4), received_at=local.loop.now)
    local.store.journal.commit(Commit(NOW, readings=[later]))
    assert cage(shown(local), "birch")["heard"] == "Heard just now."


def track(values: list[float]) -> Track:
    return Track.of([60.0 * i for i in range(len(values))], values, [0] * len(values), 60.0)


def trend_word(values: list[float]) -> str:
    words = CageWords.__new__(CageWords)
    words.reader = Reader(Catalogue.load(), "metric", UTC, NOW, 2.0)
    words.say = words.reader.catalogue.say
    return words._trend(trend_of(track(values)))


@pytest.mark.parametrize(
    ("values", "word"),
    [
        ([25.0 + 2.0 * i / 60 for i in range(60)], "rising 2.0 °C an hour"),
        ([25.0 - 3.0 * i / 60 + 0.4 * math.sin(i) for i in range(60)], "falling 3.0 °C an hour"),
        ([25.0] * 60, "steady"),
        ([25.0 + 0.3 * math.sin(i / 3) for i in range(60)], "steady"),
        ([31.0 + 2.5 * math.sin(i / 4) for i in range(60)], "up and down"),
        ([30.0] * 58 + [90.0] * 2, "steady"),
        ([25.0] * 15, ""),
    ],
)
def test_the_trend_is_no_noise(values: list[float], word: str) -> None:
    """A slope is told where most of the hour agrees on it; clouds are "up and down", two wild readings change nothing."""
    assert trend_word(values) == word


def test_a_whole_day_of_readings_has_a_trend(local: Homestead) -> None:
    """The smooth day of the garden rises at half past one."""
    assert cage(shown(local), "birch")["trend"].startswith("rising")


# --- an answer shows at once, not at its rule's next turn


@pytest.mark.parametrize(
    ("what", "subject", "standing"),
    [
        (What.DONE, "overheating/birch", "answered"),
        (What.SHADED, "birch", "answered"),
        (What.NOT_NOW, "overheating/birch", "answered"),
        (What.SHADED, "alder", "to_do"),
        (What.UNSHADED, "birch", "to_do"),
    ],
)
def test_what_is_said_shows_before_the_rule_is_asked_again(
    local: Homestead, what: What, subject: str, standing: str
) -> None:
    """A tap that would change nothing for a quarter of an hour would be tapped again."""
    local.store.journal.commit(Commit(NOW, concerns=[hot(opened_at=NOW - 20 * MINUTE)]))
    assert len(shown(local)["matters"]["to_do"]) == 1
    local.store.journal.commit(
        Commit(NOW, entries=[Entry("larkfield", NOW - MINUTE, NOW, subject, what, source="page")])
    )
    matters = shown(local)["matters"]
    assert [sort for sort in ("to_do", "answered") if matters[sort]] == [standing]
