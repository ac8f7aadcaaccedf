"""The life of a concern: the table, told as stories, and what must hold in every story."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sensord.actions import STAY_IN
from sensord.adapters.sqlite_codec import from_json, to_json
from sensord.concerns import (
    delivered,
    judge,
    no_later_than,
    not_said,
    on_its_way,
    owed,
    pause_after,
    says_stay_in,
)
from sensord.model import (
    ANSWERS,
    Advice,
    Asked,
    Concern,
    Entry,
    Hazard,
    Notice,
    Said,
    Severity,
    Standing,
    State,
    Telling,
    Unsaid,
    Verdict,
    What,
)
from sensord.rules import USUAL, Manner, all_rules
from tests.delivery import arrives, message_of

START = datetime(2026, 8, 20, 16, 0, tzinfo=UTC)
MINUTE = timedelta(minutes=1)
SITE = "larkfield"
RULES_IN_FORCE = all_rules()


def breach(
    at: datetime, severity: Severity, action: str = "shade", rule: str = "example", **advice: datetime
) -> Verdict:
    told = Advice(action, **advice) if action else None  # type: ignore[arg-type]
    return Verdict(rule, "alder", State.BREACH, at, "hot", severity, advice=told)


def said(what: What, at: datetime, subject: str = "example/alder") -> Entry:
    return Entry(SITE, at, at, subject, what)


def manner_of(rule: str) -> Manner:
    return RULES_IN_FORCE[rule].manner if rule in RULES_IN_FORCE else USUAL


class Story:
    """One concern, told minute by minute, to a phone within reach unless it is said otherwise."""

    def __init__(self, manner: Manner | None = None, rule: str = "example") -> None:
        self.concern: Concern | None = None
        self.entries: list[Entry] = []
        self.manner, self.rule = manner or manner_of(rule), rule
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


def test_done_in_the_minute_of_the_message_is_checked_too() -> None:
    """The phone rang, and the shade went up at once: whether it helped is looked at as ever."""
    story = opened()
    story.says(0, What.DONE)
    assert story.at(39, "severe") == ("answered", "")
    assert story.at(40, "severe") == ("answered", "follow-up")


def test_what_asks_for_nothing_is_repeated_too() -> None:
    """There is no deadline to pass, and no advice that could be another one."""
    concern = arrives(*judge(None, breach(START, Severity.SEVERE, ""), [], USUAL, site=SITE, now=START))
    now = START + 15 * MINUTE
    _, notices = judge(concern, breach(now, Severity.SEVERE, ""), [], USUAL, site=SITE, now=now)
    assert [n.telling for n in notices] == [Telling.AGAIN]


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
    concern = arrives(*judge(None, breach(START, Severity.SEVERE), [], USUAL, site=SITE, now=START))
    for minute in range(5, 300, 5):
        now = START + minute * MINUTE
        concern, notices = judge(concern, breach(now, Severity.SEVERE, ""), [], USUAL, site=SITE, now=now)
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


@pytest.mark.parametrize(("minute", "standing"), [(-1, "open"), (0, "answered"), (15, "answered"), (16, "open")])
def test_an_answer_counts_from_the_instant_of_the_breach_to_now(minute: int, standing: str) -> None:
    """Both instants included: "seen" in the minute of the breach is an answer to it."""
    story = opened()
    story.says(minute, What.SEEN)
    assert story.at(15, "severe")[0] == standing


def test_of_two_answers_the_later_counts_and_the_same_counts_once() -> None:
    """In whatever order they arrived; what is known already is not heard again when the matter was told anew since."""
    story = opened()
    story.says(10, What.NOT_NOW)
    story.says(5, What.SEEN)
    story.at(12, "severe")
    assert (standing(story).answer, standing(story).answered_at) == (What.NOT_NOW, START + 10 * MINUTE)
    assert story.at(20, "extreme") == ("open", "worse")
    assert story.at(21, "extreme") == ("open", "")
    story.says(10, What.SEEN)
    assert story.at(22, "extreme") == ("open", ""), "of the same instant as the answer that is known"


@pytest.mark.parametrize(("minute", "telling"), [(4, "over"), (5, ""), (25, ""), (26, "over")])
def test_done_counts_from_the_instant_that_it_is_fine_to_the_end(minute: int, telling: str) -> None:
    """Both instants included: what is done as it ends is not asked for any more."""
    story = opened()
    assert story.at(5, "fine: unshade") == ("open", "")
    story.says(minute, What.UNSHADED, "alder")
    assert story.at(25, "fine: unshade") == ("over", telling)


@pytest.mark.parametrize("word", [What.SEEN, What.NOT_NOW])
def test_seen_is_not_done(word: What) -> None:
    """Who has seen what is to be done afterwards is still asked for it when the matter is over."""
    story = opened()
    story.at(5, "fine: unshade")
    story.says(10, word)
    assert story.at(25, "fine: unshade")[1] == "over"


def test_a_deadline_has_passed_at_its_instant() -> None:
    """A repeat that falls due a moment before it is made; at the deadline itself there is no time left."""
    for end, again in ((15 * MINUTE, ()), (15 * MINUTE + timedelta(seconds=1), (Telling.AGAIN,))):
        concern = arrives(
            *judge(None, breach(START, Severity.SEVERE, holds_until=START + end), [], USUAL, site=SITE, now=START)
        )
        now = START + 15 * MINUTE
        verdict = breach(now, Severity.SEVERE, holds_until=START + end)
        _, notices = judge(concern, verdict, [], USUAL, site=SITE, now=now)
        assert tuple(n.telling for n in notices) == again


def test_no_repeat_after_the_deadline() -> None:
    """Once the deadline, or the time for which the advice holds, is over, nothing is repeated."""
    for end in ({"by": START + 14 * MINUTE}, {"holds_until": START + 14 * MINUTE}):
        concern = arrives(*judge(None, breach(START, Severity.SEVERE, **end), [], USUAL, site=SITE, now=START))
        for minute in range(5, 300, 5):
            now = START + minute * MINUTE
            concern, notices = judge(concern, breach(now, Severity.SEVERE, **end), [], USUAL, site=SITE, now=now)
            assert not notices


def test_a_reminder_comes_shortly_before_the_deadline() -> None:
    """Told at 16:00 to be done by 18:00: reminded at 17:45, not before, and not after."""
    by = START + 120 * MINUTE
    concern, told = judge(None, breach(START, Severity.SEVERE, by=by), [], USUAL, site=SITE, now=START)
    concern = arrives(concern, told)
    for minute in range(5, 300, 5):
        now = START + minute * MINUTE
        concern, notices = judge(concern, breach(now, Severity.SEVERE, by=by), [], USUAL, site=SITE, now=now)
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


def test_the_end_of_what_nobody_was_asked_about_is_not_told() -> None:
    """A Minor gust was recorded, nobody heard of it: nobody is sent to look after them either. What was told is ended."""
    story = Story(rule="storm")
    story.at(0, "minor")
    assert story.at(10, "minor") == ("open", "")
    recorded = standing(story)
    for tellings, end in ((0, ""), (1, "over")):  # one that was told before askings were counted
        story.concern = replace(recorded, tellings=tellings)
        story.at(20, "fine: look after")
        assert story.at(60, "fine: look after") == ("over", end)


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


# --- told is what the phone knows -------------------------------------------------------------------------------------


def unreached(severity: str = "moderate", rule: str = "example") -> Story:
    """A story whose first message is on its way, and the phone is out of reach."""
    story = Story(rule=rule)
    story.reachable = False
    story.at(0, severity)
    if not story.notices:
        assert story.at(10, severity) == ("open", "opened")
    return story


def standing(story: Story) -> Concern:
    assert story.concern is not None
    return story.concern


def test_told_is_what_the_channel_took() -> None:
    """Asked is not told; what arrives at once was told when it was asked, what arrives later, when it arrived."""
    asked, (notice,) = judge(None, breach(START, Severity.SEVERE), [], USUAL, site=SITE, now=START)
    assert asked is not None
    assert (asked.told_at, asked.tellings, asked.told, asked.told_action) == (None, 0, Severity.NONE, "")
    for after, at in ((0, 0), (119, 0), (120, 120), (7200, 7200)):
        told = delivered(asked, message_of(notice), START + timedelta(seconds=after))
        assert (told.told_at, told.tellings) == (START + timedelta(seconds=at), 1)
        assert (told.told, told.told_action, told.asked) == (Severity.SEVERE, "shade", None)
        assert told.askings == 1


def test_what_arrives_says_what_the_message_says() -> None:
    """A message that was rewritten on its way tells what it says, not what was first asked."""
    asked, (notice,) = judge(None, breach(START, Severity.SEVERE), [], USUAL, site=SITE, now=START)
    assert asked is not None
    said = (
        Said("other/birch", Telling.AGAIN, Severity.MINOR, "x"),
        Said(asked.key, Telling.OPENED, Severity.MODERATE, "y"),
    )
    told = delivered(asked, replace(message_of(notice), said=said), START)
    assert (told.told, told.told_action) == (Severity.MODERATE, "y")


@pytest.mark.parametrize(
    "change",
    [
        {"route": "stand-in"},
        {"said": ()},
        {"said": (Said("example/birch", Telling.OPENED, Severity.SEVERE, "shade"),)},
        {"at": START - MINUTE},
    ],
)
def test_other_messages_tell_nothing_of_it(change: dict[str, object]) -> None:
    """Neither the second channel, nor a message about others, nor one of an earlier life tells the keeper of this."""
    asked, (notice,) = judge(None, breach(START, Severity.SEVERE), [], USUAL, site=SITE, now=START)
    assert asked is not None
    message = replace(message_of(notice), **change)  # type: ignore[arg-type]
    assert delivered(asked, message, START) == asked
    assert not_said(asked, message, Unsaid.EXPIRED) == asked
    withheld = not_said(asked, message_of(notice), Unsaid.EXPIRED)
    assert on_its_way(withheld, message) == withheld


def test_an_older_message_does_not_settle_what_is_asked_since() -> None:
    """The first message arrives after it got worse: it is told, and what is worse is still on its way."""
    story = unreached()
    story.at(20, "severe")
    first, second = story.notices
    assert second.telling is Telling.OPENED
    assert not_said(standing(story), message_of(first), Unsaid.EXPIRED) == standing(story)
    assert on_its_way(standing(story), message_of(first)) == standing(story)
    told = delivered(standing(story), message_of(first), START + 21 * MINUTE)
    assert (told.told, told.told_at, told.tellings) == (Severity.MODERATE, START + 21 * MINUTE, 1)
    assert told.asked == Asked(START + 20 * MINUTE, Telling.OPENED, Severity.SEVERE, "shade")
    told = delivered(told, message_of(second), START + 21 * MINUTE)
    assert (told.told, told.told_at, told.tellings, told.asked) == (Severity.SEVERE, START + 20 * MINUTE, 2, None)


def test_while_it_is_on_its_way_nothing_is_repeated() -> None:
    """Hours out of reach: no repeat, no second first notice; when it arrives, the pauses begin."""
    story = unreached()
    for minute in range(15, 300, 5):
        assert story.at(minute, "moderate") == ("open", "")
    story.concern = arrives(story.concern, tuple(story.notices), START + 300 * MINUTE)
    story.reachable = True
    assert story.at(329, "moderate") == ("open", "")
    assert story.at(330, "moderate") == ("open", "again")


def test_while_it_is_on_its_way_news_is_asked_for() -> None:
    """Worse, or stay in: at once; another action after a pause for each asking; all of it is still the first notice."""
    story = unreached()
    assert story.at(15, "severe") == ("open", "opened")
    assert story.at(16, "severe: stay in") == ("open", "opened")
    assert story.at(17, "severe") == ("open", "")
    assert story.at(75, "severe") == ("open", "")
    assert story.at(76, "severe") == ("open", "opened")
    assert story.at(300, "moderate") == ("open", "")
    assert standing(story).askings == 4


def test_what_turned_back_to_what_was_told_is_no_news() -> None:
    """Told to shade; "more air" never left; now it is shade again: the phone knows."""
    story = opened()
    story.reachable = False
    assert story.at(25, "severe: add airflow") == ("open", "changed")
    story.concern = not_said(standing(story), message_of(story.notices[-1]), Unsaid.BUDGET)
    assert story.at(90, "severe") == ("open", "again")
    story = opened()
    story.reachable = False
    assert story.at(25, "extreme") == ("open", "worse")
    assert story.at(26, "severe") == ("open", "")


def test_repeats_and_ends_build_on_what_arrived() -> None:
    """What never arrived has no repeat and no all-clear, is not milder than anything; what it left to do is told."""
    story = unreached("severe: stay in", rule="storm")
    assert story.at(30, "moderate: anchor") == ("open", "opened")
    story.at(40, "fine")
    assert story.at(70, "fine") == ("over", "")
    assert standing(story).asked is None
    story = unreached("severe: stay in", rule="storm")
    story.at(40, "fine: look after")
    assert story.at(70, "fine: look after") == ("over", "over")


def test_nobody_goes_out_although_the_warning_did_not_arrive() -> None:
    """ "Stay in" keeps people in until it is over, whether it was told, is on its way, or came too late."""
    story = unreached("severe: stay in", rule="storm")
    story.at(5, "fine")
    assert says_stay_in(standing(story))
    story.concern = not_said(standing(story), message_of(story.notices[0]), Unsaid.EXPIRED)
    assert says_stay_in(standing(story))
    story.at(35, "fine")
    assert not says_stay_in(standing(story))


def test_what_is_withheld_is_known_and_owed() -> None:
    """It stands with its reason, is asked for by nobody, and is owed as long as it holds."""
    story = unreached()
    assert owed(standing(story), story.manner, START + 12 * MINUTE) is None
    story.concern = not_said(standing(story), message_of(story.notices[0]), Unsaid.BUDGET)
    held = Asked(START + 10 * MINUTE, Telling.OPENED, Severity.MODERATE, "shade", Unsaid.BUDGET)
    assert (standing(story).asked, standing(story).withheld) == (held, held)
    for minute in (15, 100, 500):
        assert story.at(minute, "moderate") == ("open", "")
        found = owed(standing(story), story.manner, START + minute * MINUTE)
        assert found is not None
        after, notice = found
        assert notice == Notice(START + minute * MINUTE, Telling.OPENED, after)
        assert (after.withheld, after.askings) == (None, 2)
    story.concern = on_its_way(standing(story), replace(message_of(notice), at=START + 501 * MINUTE))
    assert standing(story).withheld is None
    assert owed(standing(story), story.manner, START + 501 * MINUTE) is None


def test_what_was_rewritten_on_its_way_is_what_is_asked() -> None:
    """It had become milder, and its message says so and waits: when it is Severe again, that is news."""
    story = unreached("severe")
    assert story.at(5, "moderate") == ("open", "")
    rewritten = message_of(Notice(START + 6 * MINUTE, Telling.OPENED, standing(story)))
    other = Said("other/birch", Telling.OPENED, Severity.EXTREME, "look")
    rewritten = replace(rewritten, said=(other, *rewritten.said))
    story.concern = on_its_way(standing(story), rewritten)
    assert standing(story).asked == Asked(START, Telling.OPENED, Severity.MODERATE, "shade")
    assert story.at(10, "severe") == ("open", "opened")


@pytest.mark.parametrize("event", ["fine", "easing", "unknown", "minor"])
def test_what_holds_no_more_is_not_owed(event: str) -> None:
    """Fine, unknown or milder than what is told: nothing is owed while that lasts; a breach brings it back."""
    story = unreached()
    story.concern = not_said(standing(story), message_of(story.notices[0]), Unsaid.BUDGET)
    story.at(15, event)
    assert owed(standing(story), story.manner, START + 15 * MINUTE) is None
    story.at(20, "moderate")
    assert owed(standing(story), story.manner, START + 20 * MINUTE) is not None


def test_a_withheld_repeat_is_owed_as_a_repeat_and_only_for_what_was_told() -> None:
    """The repeat that found no room is still a repeat; once its deadline is over, it is none."""
    story = opened()
    story.reachable = False
    assert story.at(15, "severe") == ("open", "again")
    story.concern = not_said(standing(story), message_of(story.notices[-1]), Unsaid.BUDGET)
    assert story.at(30, "severe") == ("open", "")
    found = owed(standing(story), story.manner, START + 30 * MINUTE)
    assert found is not None
    assert found[1].telling is Telling.AGAIN
    late = breach(START + 31 * MINUTE, Severity.SEVERE, by=START + 30 * MINUTE)
    assert owed(replace(standing(story), verdict=late), story.manner, START + 31 * MINUTE) is None


def test_an_answer_settles_what_was_asked_before_it() -> None:
    """The keeper read it on the page: the phone need not ring; "not now" and what is worse are asked for as ever."""
    story = unreached()
    story.says(12, What.SEEN)
    assert story.at(15, "moderate") == ("answered", "")
    story.concern = not_said(standing(story), message_of(story.notices[0]), Unsaid.ANSWERED)
    assert owed(standing(story), story.manner, START + 20 * MINUTE) is None
    assert story.at(500, "moderate") == ("answered", "")
    assert story.at(505, "severe") == ("open", "opened")
    story = unreached("severe")
    story.says(2, What.NOT_NOW)
    assert story.at(91, "severe") == ("answered", "")
    assert story.at(92, "severe") == ("open", "opened")
    story = unreached("severe")
    story.says(2, What.DONE)
    assert story.at(41, "severe") == ("answered", "")
    assert story.at(42, "severe") == ("answered", "follow-up")
    story = unreached("severe")
    story.says(2, What.SEEN)
    assert story.at(30, "moderate: add airflow") == ("open", "opened")


def test_worse_than_what_was_answered_is_worse_for_the_phone_too() -> None:
    """Moderate was told, Severe read on the page and answered: Extreme is worse than either, and milder is something else."""
    for event, telling in (("extreme", "worse"), ("moderate: add airflow", "changed"), ("severe", "again")):
        story = Story()
        story.at(0, "moderate")
        story.at(10, "moderate")
        story.reachable = False
        assert story.at(20, "severe") == ("open", "worse")
        story.says(21, What.NOT_NOW)
        assert story.at(111, event) == ("open", telling)


def test_an_answer_of_the_very_moment_is_to_what_was_told_before() -> None:
    """What is asked in the minute in which "seen" was said is news to the keeper: it stays asked, and is owed if withheld."""
    story = Story()
    story.at(0, "moderate")
    story.at(10, "moderate")
    story.reachable = False
    story.says(20, What.SEEN)
    assert story.at(20, "severe") == ("open", "worse")
    story.concern = not_said(standing(story), message_of(story.notices[-1]), Unsaid.BUDGET)
    found = owed(standing(story), story.manner, START + 21 * MINUTE)
    assert found is not None
    assert found[1].telling is Telling.WORSE


def test_what_the_keeper_answered_is_owed_no_more_whatever_was_asked() -> None:
    """Severe was withheld and read on the page: the phone is not told of it first when there is room."""
    story = unreached("severe")
    story.concern = not_said(standing(story), message_of(story.notices[0]), Unsaid.EXPIRED)
    assert owed(standing(story), story.manner, START + 5 * MINUTE) is not None
    story.says(6, What.SEEN)
    story.at(10, "severe")
    assert standing(story).standing is Standing.ANSWERED
    assert owed(standing(story), story.manner, START + 10 * MINUTE) is None


def test_eased_is_said_of_what_the_phone_knows() -> None:
    """Told Moderate, Severe was read on the page and answered, Moderate again with another action: changed, not eased."""
    story = Story()
    story.at(0, "moderate")
    story.at(10, "moderate")
    story.reachable = False
    assert story.at(15, "severe") == ("open", "worse")
    story.says(16, What.SEEN)
    assert story.at(90, "moderate: add airflow") == ("open", "changed")


def test_what_arrives_after_its_answer_was_told_before_it() -> None:
    """The retry got through after "done": whether it helped is still asked."""
    story = unreached("severe")
    story.says(4, What.DONE)
    story.at(5, "severe")
    story.concern = arrives(story.concern, tuple(story.notices), START + 6 * MINUTE)
    assert standing(story).told_at == START
    assert story.at(44, "severe") == ("answered", "follow-up")


def test_a_concern_of_an_earlier_version_goes_on() -> None:
    """Stored before "asked" was kept: told as it says; the next asking has a number of its own."""
    told = standing(opened())
    body = json.loads(to_json(replace(told, tellings=3)))
    for name in ("asked", "askings"):
        del body[name]
    old = from_json(Concern, json.dumps(body))
    assert (old.asked, old.askings, old.tellings, old.told_at) == (None, 0, 3, START)
    concern, (notice,) = judge(old, breach(START + MINUTE, Severity.EXTREME), [], USUAL, site=SITE, now=START + MINUTE)
    assert concern is not None
    assert (notice.telling, concern.askings) == (Telling.WORSE, 4)


def test_every_rule_has_a_hazard() -> None:
    """No rule of the house shares the leftovers."""
    assert not [name for name in RULES_IN_FORCE if manner_of(name).hazard is Hazard.OTHER]


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


def test_a_notice_carries_the_concern_as_asked() -> None:
    """The postman finds in the notice what is to be said, and the number of the asking; told is nothing of it yet."""
    concern, notices = judge(None, breach(START, Severity.SEVERE), [], USUAL, site=SITE, now=START)
    assert notices == (Notice(START, Telling.OPENED, concern),)  # type: ignore[arg-type]
    assert concern is not None
    assert (concern.site, concern.asked, concern.askings) == (
        SITE,
        Asked(START, Telling.OPENED, Severity.SEVERE, "shade"),
        1,
    )
    assert (concern.told, concern.told_action, concern.told_at, concern.tellings) == (Severity.NONE, "", None, 0)


def test_a_clock_that_was_put_right_leaves_no_instant_ahead() -> None:
    """Every instant of a concern that lies ahead becomes now; what lies behind, and what is unknown, stays."""
    asked = Asked(START + 10 * MINUTE, Telling.AGAIN, Severity.SEVERE, "shade")
    instants = ("breached_since", "fine_since", "unknown_since", "opened_at", "told_at", "answered_at")
    concern = replace(
        standing(opened()), asked=asked, **{name: START + n * MINUTE for n, name in enumerate(instants, 1)}
    )
    assert no_later_than(concern, START + 10 * MINUTE) == concern
    for minute in range(11):
        now = START + minute * MINUTE
        clamped = no_later_than(concern, now)
        for n, name in enumerate(instants, 1):
            assert getattr(clamped, name) == START + min(n, minute) * MINUTE
        assert clamped.asked == replace(asked, at=now)
    unknown = replace(concern, fine_since=None, unknown_since=None, told_at=None, answered_at=None, asked=None)
    assert no_later_than(unknown, START + 10 * MINUTE) == unknown
