"""The life of a concern: the table, told as stories, and what must hold in every story."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sensord import rules
from sensord.actions import STAY_IN
from sensord.judge import MANNERS, USUAL, Manner, judge, manner_of, pause_after, says_stay_in
from sensord.model import (
    ANSWERS,
    Advice,
    Asked,
    Concern,
    Entry,
    Notice,
    Severity,
    Standing,
    State,
    Telling,
    Verdict,
    What,
)
from tests.delivery import arrives

START = datetime(2026, 8, 20, 16, 0, tzinfo=UTC)
MINUTE = timedelta(minutes=1)
SITE = "larkfield"


def breach(
    at: datetime, severity: Severity, action: str = "shade", rule: str = "example", **advice: datetime
) -> Verdict:
    told = Advice(action, **advice) if action else None  # type: ignore[arg-type]
    return Verdict(rule, "alder", State.BREACH, at, "hot", severity, advice=told)


def said(what: What, at: datetime, subject: str = "example/alder") -> Entry:
    return Entry(SITE, at, at, subject, what)


class Story:
    """One concern, told minute by minute, to a phone within reach unless it is said otherwise."""

    def __init__(self, manner: Manner | None = None, rule: str = "example") -> None:
        self.concern: Concern | None = None
        self.entries: list[Entry] = []
        self.manner, self.rule = manner, rule
        self.told: list[tuple[int, Telling]] = []
        self.notices: list[Notice] = []
        self.reachable = True

    def at(self, minute: int, event: str) -> tuple[str, str]:
        """What the event leads to: (standing, telling)."""
        now = START + minute * MINUTE
        word, _, action = event.partition(": ")
        match word:
            case "fine" | "easing":
                advice = Advice(action) if action else None
                verdict = Verdict(self.rule, "alder", State.FINE, now, "cool", advice=advice, easing=word == "easing")
            case "unknown":
                verdict = Verdict(self.rule, "alder", State.UNKNOWN, now, "no inside")
            case _:
                verdict = breach(now, Severity[word.upper()], action or "shade", self.rule)
        self.concern, notices = judge(self.concern, verdict, self.entries, self.manner, site=SITE, now=now)
        if self.reachable:
            self.concern = arrives(self.concern, notices)
        self.told += [(minute, n.telling) for n in notices]
        self.notices += notices
        return (self.concern.standing if self.concern else ""), ", ".join(n.telling for n in notices)

    def says(self, minute: int, what: What, subject: str = "") -> None:
        self.entries.append(said(what, START + minute * MINUTE, subject or f"{self.rule}/alder"))


LIVES = {
    "a short spell is never told": [
        (0, "moderate", "forming", ""),
        (5, "moderate", "forming", ""),
        (9, "fine", "", ""),
    ],
    "the dwell of Moderate, then it opens": [
        (0, "moderate", "forming", ""),
        (10, "moderate", "open", "opened"),
        (15, "moderate", "open", ""),
    ],
    "Severe opens at once": [(0, "severe", "open", "opened")],
    "forming turns Severe: no more dwell": [(0, "moderate", "forming", ""), (5, "severe", "open", "opened")],
    "Minor is recorded, not told; worse is told": [
        (0, "minor", "forming", ""),
        (20, "minor", "open", ""),
        (120, "minor", "open", ""),
        (125, "moderate", "open", "opened"),
    ],
    "worse is told at once, better is not": [
        (0, "severe", "open", "opened"),
        (5, "extreme", "open", "worse"),
        (10, "moderate", "open", ""),
        (12, "extreme", "open", ""),
    ],
    "repeats with growing pauses, on the quarter of an hour, four in all": [
        (0, "moderate", "forming", ""),
        (10, "moderate", "open", "opened"),
        (39, "moderate", "open", ""),
        (45, "moderate", "open", "again"),
        (100, "moderate", "open", ""),
        (105, "moderate", "open", "again"),
        (220, "moderate", "open", ""),
        (225, "moderate", "open", "again"),
        (600, "moderate", "open", ""),
        (1200, "moderate", "open", ""),
    ],
    "fine must last; hardly fine is not fine": [
        (0, "severe", "open", "opened"),
        (5, "fine", "open", ""),
        (20, "easing", "open", ""),
        (25, "fine", "open", ""),
        (44, "fine", "open", ""),
        (45, "fine", "over", ""),
    ],
    "a breach in between starts the fine time anew": [
        (0, "severe", "open", "opened"),
        (5, "fine", "open", ""),
        (10, "severe", "open", ""),
        (15, "fine", "open", ""),
        (30, "fine", "open", ""),
        (35, "fine", "over", ""),
    ],
    "the end is told where something is to be done": [
        (0, "severe", "open", "opened"),
        (5, "fine: unshade", "open", ""),
        (25, "fine: unshade", "over", "over"),
    ],
    "what a fine verdict asks for stands until it is over": [
        (0, "severe", "open", "opened"),
        (5, "fine: unshade", "open", ""),
        (15, "fine", "open", ""),
        (25, "fine", "over", "over"),
    ],
    "not knowing neither opens nor ends, nor speaks": [
        (0, "moderate", "forming", ""),
        (5, "unknown", "forming", ""),
        (60, "unknown", "forming", ""),
        (65, "moderate", "forming", ""),
        (70, "moderate", "open", "opened"),
        (75, "unknown", "open", ""),
        (200, "unknown", "open", ""),
    ],
    "not knowing for long ends it quietly": [
        (0, "severe", "open", "opened"),
        (5, "unknown", "open", ""),
        (184, "unknown", "open", ""),
        (185, "unknown", "over", ""),
    ],
    "something else must be done: after a pause, which grows": [
        (0, "severe", "open", "opened"),
        (5, "severe: add airflow", "open", ""),
        (20, "severe: add airflow", "open", "changed"),
        (40, "severe", "open", ""),
        (59, "severe", "open", ""),
        (60, "severe", "open", "changed"),
        (119, "severe: move to shade", "open", ""),
        (120, "severe: move to shade", "open", "changed"),
    ],
    "stay in: at once": [(0, "severe", "open", "opened"), (5, "severe: stay in", "open", "changed")],
    "milder, and something else is to be done": [
        (0, "severe: stay in", "open", "opened"),
        (25, "moderate: look after", "open", "eased"),
    ],
}


@pytest.mark.parametrize("life", LIVES.values(), ids=LIVES.keys())
def test_lives(life: list[tuple[int, str, str, str]]) -> None:
    """Each row of the table holds, told as a story."""
    story = Story()
    assert [(minute, event, *story.at(minute, event)) for minute, event, *_ in life] == life


def opened(severity: str = "severe", rule: str = "example") -> Story:
    story = Story(rule=rule)
    assert story.at(0, severity)[1] == "opened"
    return story


def test_seen_ends_the_repeats_but_not_the_news() -> None:
    """After "seen" nothing repeats; what is worse is told at once, and is open again."""
    story = opened()
    story.says(3, What.SEEN)
    assert story.at(5, "severe") == ("answered", "")
    assert story.at(900, "severe") == ("answered", "")
    assert story.at(905, "extreme") == ("open", "worse")


def test_done_is_checked_once() -> None:
    """ "Done" is quiet while it settles; if the breach stands then, it is said once, and once more after another "done"."""
    story = opened()
    story.says(10, What.DONE)
    assert story.at(49, "severe") == ("answered", "")
    assert story.at(50, "severe") == ("answered", "follow-up")
    assert story.at(400, "severe") == ("answered", "")
    story.says(401, What.DONE)
    assert story.at(440, "severe") == ("answered", "")
    assert story.at(441, "severe") == ("answered", "follow-up")


def test_what_was_done_since_it_is_fine_is_not_asked_for_at_the_end() -> None:
    """The keeper took the shade off before the end was told: nothing is left to say. What was done before does not count."""
    early = opened()
    early.says(2, What.DONE)
    assert early.at(5, "fine: unshade") == ("answered", "")
    assert early.at(25, "fine: unshade") == ("over", "over")
    late = opened()
    assert late.at(5, "fine: unshade") == ("open", "")
    late.says(10, What.DONE)
    assert late.at(25, "fine: unshade") == ("over", "")
    act = opened()
    assert act.at(5, "fine: unshade") == ("open", "")
    act.says(10, What.UNSHADED, "alder")
    assert act.at(25, "fine: unshade") == ("over", "")


def test_done_that_asks_for_the_next_thing() -> None:
    """Where something else is to be done after what was done, that is said when it had its time; it is open again."""
    story = opened()
    story.says(10, What.DONE)
    assert story.at(30, "severe: move to shade") == ("answered", "")
    assert story.at(50, "severe: move to shade") == ("open", "changed")


def test_nothing_to_do_is_not_repeated() -> None:
    """While the rule advises nothing (it waits for the shade to help), the old advice is not repeated."""
    concern = arrives(*judge(None, breach(START, Severity.SEVERE), [], site=SITE, now=START))
    for minute in range(5, 300, 5):
        now = START + minute * MINUTE
        concern, notices = judge(concern, breach(now, Severity.SEVERE, ""), [], site=SITE, now=now)
        assert not notices


def test_done_that_helped_is_not_followed_up() -> None:
    """Where the breach is gone, nothing is said."""
    story = opened()
    story.says(10, What.DONE)
    story.at(30, "fine")
    assert story.at(60, "fine") == ("over", "")


def test_not_now_gives_a_longer_pause() -> None:
    """After "not now" the next reminder comes later, and then the usual repeats go on."""
    story = opened()
    story.says(5, What.NOT_NOW)
    assert story.at(94, "severe") == ("answered", "")
    assert story.at(95, "severe") == ("open", "again")
    assert story.at(140, "severe") == ("open", "again")


@pytest.mark.parametrize("what", [What.SHADED])
def test_an_act_is_an_answer(what: What) -> None:
    """What was advised and is done counts as "done" without a word about the concern."""
    story = opened()
    story.says(10, what, "alder")
    assert story.at(15, "severe") == ("answered", "")
    assert story.concern is not None
    assert story.concern.answer is What.DONE


def test_what_is_to_be_done_afterwards_is_not_asked_for_once_it_is_done() -> None:
    """In the cool the shade is to come off; it is taken off before that is said: then nothing is said."""
    for act, end in ((None, "over"), (What.UNSHADED, ""), (What.CLEANED, "over")):
        story = opened()
        story.at(20, "fine: unshade")
        if act is not None:
            story.entries.append(said(act, START + 25 * MINUTE, "alder"))
        story.at(30, "fine")
        assert story.at(60, "fine") == (Standing.OVER, end), act


def test_another_act_or_another_subject_is_no_answer() -> None:
    """Anchoring does not answer the heat, and shading Birch does not answer Alder."""
    story = opened()
    story.says(10, What.ANCHORED, "alder")
    story.says(10, What.SHADED, "birch")
    story.says(10, What.NOTE, "alder")
    assert story.at(30, "severe")[1] == "again"


def test_what_was_done_before_it_opens_is_not_asked_for() -> None:
    """Shaded within the dwell: it opens as answered, and is only followed up. Severe speaks all the same."""
    story = Story()
    story.at(0, "moderate")
    story.says(6, What.SHADED, "alder")
    assert story.at(10, "moderate") == ("answered", "")
    assert story.at(46, "moderate") == ("answered", "follow-up")
    story = Story()
    story.at(0, "moderate")
    story.says(6, What.SHADED, "alder")
    assert story.at(7, "severe") == ("open", "opened")


def test_an_answer_from_the_future_or_from_before_the_breach_is_none() -> None:
    """Only what was said between the beginning of the breach and now counts."""
    story = Story()
    story.says(-5, What.DONE)
    story.says(500, What.DONE)
    assert story.at(0, "severe") == ("open", "opened")
    assert story.at(15, "severe") == ("open", "again")


def test_no_repeat_after_the_deadline() -> None:
    """Once the deadline, or the time for which the advice holds, is over, nothing is repeated."""
    for end in ({"by": START + 14 * MINUTE}, {"holds_until": START + 14 * MINUTE}):
        concern = arrives(*judge(None, breach(START, Severity.SEVERE, **end), [], site=SITE, now=START))
        for minute in range(5, 300, 5):
            now = START + minute * MINUTE
            concern, notices = judge(concern, breach(now, Severity.SEVERE, **end), [], site=SITE, now=now)
            assert not notices


def test_a_reminder_comes_shortly_before_the_deadline() -> None:
    """Told at 16:00 to be done by 18:00: reminded at 17:45, not before, and not after."""
    by = START + 120 * MINUTE
    concern, told = judge(None, breach(START, Severity.SEVERE, by=by), [], site=SITE, now=START)
    concern = arrives(concern, told)
    for minute in range(5, 300, 5):
        now = START + minute * MINUTE
        concern, notices = judge(concern, breach(now, Severity.SEVERE, by=by), [], site=SITE, now=now)
        concern = arrives(concern, notices)
        told += notices
    assert [n.at - START for n in told] == [timedelta(0), 105 * MINUTE]


def test_stay_in_is_said_once() -> None:
    """There is nothing to do but to wait, so it is not repeated; that it is worse is said."""
    story = opened("severe: stay in", rule="storm")
    for minute in range(5, 300, 5):
        assert story.at(minute, "severe: stay in") == ("open", "")
    assert story.at(300, "extreme: stay in") == ("open", "worse")


def test_a_breezy_spell_is_one_matter() -> None:
    """However often the wind drops within a day, ballast for fair days is told twice on the first, then once a day."""
    story = Story(rule="wind")
    for minute in range(0, 3 * 24 * 60, 10):
        story.at(minute, "moderate: anchor" if minute // 60 % 4 == 0 else "fine")
    assert [minute // (24 * 60) for minute, _ in story.told] == [0, 0, 1, 2]


def test_an_all_clear_after_a_storm() -> None:
    """A storm that was told of is called off, one that was only recorded is not."""
    story = opened("moderate", rule="storm")
    story.at(10, "fine")
    assert story.at(40, "fine") == ("over", "over")
    story = Story(rule="storm")
    story.at(0, "minor")
    assert story.at(10, "minor") == ("open", "")
    story.at(20, "fine")
    assert story.at(60, "fine") == ("over", "")


def test_the_watching_rules_speak_of_little_things() -> None:
    """A silent probe is told of even when it is Minor, and seldom."""
    story = Story(rule="silent")
    story.at(0, "minor")
    assert story.at(10, "minor") == ("open", "opened")
    assert story.at(300, "minor") == ("open", "")
    assert story.at(375, "minor") == ("open", "again")


def test_not_knowing_does_not_send_anybody_out() -> None:
    """ "Stay in" stands while nobody knows, and through the first fine verdicts, until the concern is over."""
    story = opened("severe: stay in", rule="storm")
    for minute, event in ((5, "unknown"), (10, "fine"), (15, "easing"), (20, "unknown"), (25, "fine")):
        story.at(minute, event)
        assert story.concern is not None
        assert says_stay_in(story.concern)
    story.at(60, "fine")
    assert story.concern is not None
    assert story.concern.standing is Standing.OVER
    assert not says_stay_in(story.concern)


def test_a_concern_that_is_over_begins_anew() -> None:
    """What is over does not come back: the next breach is a new concern."""
    story = opened()
    story.at(5, "fine")
    story.at(25, "fine")
    assert story.at(30, "moderate") == ("forming", "")
    assert story.concern is not None
    assert (story.concern.opened_at, story.concern.tellings) == (None, 0)


# --- what holds in every story ----------------------------------------------------------------------------------------

VERDICTS = st.tuples(
    st.sampled_from(["fine", "easing", "unknown", "minor", "moderate", "severe", "extreme"]),
    st.sampled_from(["shade", "add airflow", "anchor", STAY_IN.word]),
)
ANSWER = st.none() | st.sampled_from([What.SEEN, What.DONE, What.NOT_NOW, What.SHADED, What.ANCHORED, What.NOTE])
STEPS = st.lists(st.tuples(st.integers(1, 90), VERDICTS, ANSWER), min_size=1, max_size=60)
RULES = st.sampled_from(["overheating", "offset", "storm", "silent"])


@settings(max_examples=300, deadline=None)
@given(STEPS, RULES)
def test_any_life(steps: list[tuple[int, tuple[str, str], What | None]], rule: str) -> None:
    """No repeat before its pause, never too many, never silent when it gets worse, never a word from not knowing."""
    story, minute, manner = Story(rule=rule), 0, manner_of(rule)
    lives: dict[datetime, list[Telling]] = {}
    for pause, (word, action), answer in steps:
        minute += pause
        if answer is not None:
            story.says(minute, answer, "" if answer in ANSWERS else "alder")
        before, now = story.concern, START + minute * MINUTE
        if before is not None and before.standing is Standing.OVER:
            before = None
        _, telling = story.at(minute, word if word in ("fine", "easing", "unknown") else f"{word}: {action}")
        after = story.concern
        if word in ("easing", "unknown"):
            assert telling == ""
        elif word == "fine":
            assert telling in ("", "over")
        else:
            assert after is not None
            severity = Severity[word.upper()]
            if telling:
                assert severity >= manner.tell_from
            if severity >= Severity.SEVERE or (before is not None and before.tellings and severity > before.told):
                assert after.told >= severity, "silent although it got worse"
            if action == STAY_IN.word and after.opened_at and after.tellings and severity >= manner.tell_from:
                assert after.told_action == STAY_IN.word, "silent although everybody must stay in"
        if telling == "again":
            assert before is not None
            assert before.told_at is not None
            answered_first = after is not None and after.answer is What.NOT_NOW and before.standing is Standing.ANSWERED
            shortest = pause_after(replace(before, verdict=after.verdict), manner) if after else timedelta(0)
            assert answered_first or now - before.told_at >= shortest
        if telling and after is not None and after.opened_at is not None:
            lives.setdefault(after.opened_at, []).append(Telling(telling))
    for tellings in lives.values():
        assert tellings[0] in (Telling.OPENED, Telling.FOLLOW_UP)
        assert tellings.count(Telling.OPENED) <= 1
        assert tellings.count(Telling.OVER) <= 1


@settings(max_examples=100, deadline=None)
@given(st.lists(st.integers(1, 30), min_size=200, max_size=400), st.sampled_from(["moderate", "severe", "extreme"]))
def test_an_unanswered_concern_falls_silent(pauses: list[int], word: str) -> None:
    """However long a breach stands unanswered, it is told a limited number of times."""
    story, minute = Story(), 0
    for pause in pauses:
        minute += pause
        story.at(minute, word)
    assert len(story.told) <= USUAL.most_tellings[Severity[word.upper()]]


@settings(max_examples=100, deadline=None)
@given(STEPS)
def test_the_judge_is_a_function(steps: list[tuple[int, tuple[str, str], What | None]]) -> None:
    """The same story gives the same concern and the same notices; nothing that was handed in changes."""

    def tell() -> tuple[Concern | None, list[tuple[int, Telling]]]:
        story, minute = Story(), 0
        for pause, (word, action), answer in steps:
            minute += pause
            if answer is not None:
                story.says(minute, answer)
            story.at(minute, word if word in ("fine", "easing", "unknown") else f"{word}: {action}")
        return story.concern, story.told

    assert tell() == tell()


def test_every_manner_is_of_a_rule() -> None:
    """A manner is looked up by the rule's name: none is left behind by a renamed rule."""
    assert set(MANNERS) <= set(rules.all_rules())


def test_a_notice_carries_the_concern_as_asked() -> None:
    """The postman finds in the notice what is to be said, and the number of the asking; told is nothing of it yet."""
    concern, notices = judge(None, breach(START, Severity.SEVERE), [], site=SITE, now=START)
    assert notices == (Notice(START, Telling.OPENED, concern),)  # type: ignore[arg-type]
    assert concern is not None
    assert (concern.site, concern.asked, concern.askings) == (
        SITE,
        Asked(START, Telling.OPENED, Severity.SEVERE, "shade"),
        1,
    )
    assert (concern.told, concern.told_action, concern.told_at, concern.tellings) == (Severity.NONE, "", None, 0)
