"""How patiently each manner speaks, as the keeper lives through it: when, how often, and when it is over."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from typing import NamedTuple

import pytest

from sensord.concerns import judge
from sensord.model import Advice, Concern, Entry, Severity, Standing, State, Telling, Verdict, What
from sensord.rules import FAIR_DAY, HEAT, NOTE, STORM, UNHURRIED, USUAL, WATCHING, Manner, all_rules
from tests.delivery import arrives

FULL_HOUR = datetime(2026, 8, 20, 16, 0, tzinfo=UTC)
MINUTE = timedelta(minutes=1)
MINOR, MODERATE, SEVERE, EXTREME = Severity.MINOR, Severity.MODERATE, Severity.SEVERE, Severity.EXTREME


class Lived(NamedTuple):
    """What a keeper who does nothing lives through; minutes from a full hour at which it begins."""

    tells: dict[Severity, list[int]]
    opens_minor: int  # known from then on, whether it is told or not
    from_a_minute_past: int  # told a minute after a full quarter: told again
    over: int  # minutes it is fine until it is over
    forgotten: int  # minutes nobody knows until it is over
    not_now: int  # minutes from "not now" to the next word
    done: int  # minutes from "done" to the question whether it helped
    changed: int  # minutes from the first word to another advice
    holds: int  # minutes that a message holds which does not say itself


MANNERS: dict[str, tuple[Manner, Lived]] = {
    "usual": (
        USUAL,
        Lived(
            {
                MODERATE: [10, 45, 105, 225],
                SEVERE: [0, 15, 45, 105, 225, 345, 465],
                EXTREME: [0, 15, 45, 105, 225, 345, 465, 585, 705],
            },
            20, 45, 20, 180, 90, 40, 20, 120,
        ),
    ),
    "heat": (
        HEAT,
        Lived(
            {
                MODERATE: [5, 45, 105],
                SEVERE: [0, 15, 45, 105, 225, 345],
                EXTREME: [0, 15, 45, 105, 225, 345, 465, 585],
            },
            20, 45, 40, 180, 90, 40, 20, 120,
        ),
    ),
    "storm": (
        STORM,
        Lived(
            {
                MODERATE: [0, 30, 90, 210],
                SEVERE: [0, 15, 45, 105, 165, 225, 285],
                EXTREME: [0, 15, 45, 105, 165, 225, 285, 345, 405],
            },
            10, 45, 30, 360, 90, 40, 20, 60,
        ),
    ),
    "watching": (
        WATCHING,
        Lived(
            {
                MINOR: [10, 375],
                MODERATE: [5, 375, 1095, 2535],
                SEVERE: [0, 180, 540, 1260, 1980, 2700],
                EXTREME: [0, 180, 540, 1260, 1980, 2700],
            },
            10, 375, 15, 1440, 720, 60, 20, 1440,
        ),
    ),
    "unhurried": (
        UNHURRIED,
        Lived(
            {MODERATE: [10, 135], SEVERE: [0, 60, 180, 300], EXTREME: [0, 60, 180, 300]},
            20, 135, 120, 180, 90, 40, 20, 120,
        ),
    ),
    "fair day": (
        FAIR_DAY,
        Lived(
            {
                MODERATE: [10, 195, 1635, 3075],
                SEVERE: [0, 90, 810, 1530, 2250, 2970],
                EXTREME: [0, 90, 810, 1530, 2250, 2970],
            },
            20, 195, 1080, 180, 90, 40, 20, 360,
        ),
    ),
    "note": (
        NOTE,
        Lived(
            {
                MINOR: [20],
                MODERATE: [10, 45, 105, 225],
                SEVERE: [0, 15, 45, 105, 225, 345, 465],
                EXTREME: [0, 15, 45, 105, 225, 345, 465, 585, 705],
            },
            20, 45, 60, 180, 90, 40, 20, 240,
        ),
    ),
}  # fmt: skip
EACH = pytest.mark.parametrize("name", MANNERS)
TWO_DAYS = 4500


class Life:
    """A concern of some manner, turn by turn; what is said arrives at once."""

    def __init__(self, manner: Manner) -> None:
        self.manner = manner
        self.concern: Concern | None = None
        self.entries: list[Entry] = []
        self.said: list[tuple[int, Telling]] = []

    def at(self, minute: int, severity: Severity | None, action: str = "shade", state: State = State.BREACH) -> None:
        """A turn: a breach of a severity, or something else."""
        now = FULL_HOUR + minute * MINUTE
        verdict = Verdict("example", "birch", state, now, "so", severity or Severity.NONE)
        if state is State.BREACH:
            verdict = Verdict("example", "birch", state, now, "so", severity or Severity.NONE, advice=Advice(action))
        concern, notices = judge(self.concern, verdict, self.entries, self.manner, site="larkfield", now=now)
        self.concern = arrives(concern, notices)
        self.said += [(minute, n.telling) for n in notices]

    def says(self, minute: int, what: What) -> None:
        at = FULL_HOUR + minute * MINUTE
        self.entries.append(Entry("larkfield", at, at, "example/birch", what))

    @property
    def standing(self) -> Standing | None:
        return self.concern.standing if self.concern else None


def turns(minutes: Iterable[int], until: int) -> list[int]:
    """Every quarter of an hour, and those minutes, with the minute before each."""
    return sorted({m for m in (*range(0, until, 15), *minutes, *(m - 1 for m in minutes)) if m >= 0})


@EACH
@pytest.mark.parametrize("severity", [MINOR, MODERATE, SEVERE, EXTREME])
def test_what_nobody_answers_is_told_at_these_minutes_and_then_no_more(name: str, severity: Severity) -> None:
    """Pauses grow, what is severe is told sooner and oftener, and it ends; what is too small to be told is never told."""
    manner, lived = MANNERS[name]
    expected = lived.tells.get(severity, [])
    life = Life(manner)
    for minute in turns(expected, TWO_DAYS):
        life.at(minute, severity)
    assert [minute for minute, _ in life.said] == expected
    assert expected or severity < manner.tell_from


@EACH
def test_a_small_matter_is_known_after_a_while(name: str) -> None:
    """Told or not, it stands from then on, and not a minute earlier."""
    manner, lived = MANNERS[name]
    life = Life(manner)
    for minute, standing in ((0, "forming"), (lived.opens_minor - 1, "forming"), (lived.opens_minor, "open")):
        life.at(minute, MINOR)
        assert life.standing == standing


@EACH
def test_no_pause_is_shorter_than_it_says(name: str) -> None:
    """Told a minute after a full quarter it waits for the quarter after the pause, not for the one before its end."""
    manner, lived = MANNERS[name]
    begins = 1 - int(manner.dwell[MODERATE] / MINUTE)
    life = Life(manner)
    for minute in (begins, *range(1, lived.from_a_minute_past + 1)):
        life.at(minute, MODERATE)
    assert [minute for minute, _ in life.said] == [1, lived.from_a_minute_past]


def told_once(name: str) -> tuple[Life, int]:
    """A moderate matter that has just been told, and when."""
    life = Life(MANNERS[name][0])
    first = MANNERS[name][1].tells[MODERATE][0]
    for minute in sorted({0, first}):
        life.at(minute, MODERATE)
    assert life.said == [(first, Telling.OPENED)]
    return life, first


@EACH
@pytest.mark.parametrize("state", [State.FINE, State.UNKNOWN])
def test_it_is_over_after_a_while(name: str, state: State) -> None:
    """Fine for so long, or unknown for so long; only the end of a storm is worth a word of its own."""
    life, first = told_once(name)
    lived = MANNERS[name][1]
    lasts = lived.over if state is State.FINE else lived.forgotten
    for minute, standing in ((0, "open"), (lasts - 1, "open"), (lasts, "over")):
        life.at(first + 1 + minute, None, state=state)
        assert life.standing == standing
    assert len(life.said) == (2 if name == "storm" and state is State.FINE else 1)


@EACH
@pytest.mark.parametrize(("what", "telling"), [(What.NOT_NOW, Telling.AGAIN), (What.DONE, Telling.FOLLOW_UP)])
def test_after_an_answer_it_comes_back_in_its_time(name: str, what: What, telling: Telling) -> None:
    """ "Not now" is asked again, "done" is asked after, not a minute earlier."""
    life, first = told_once(name)
    lived = MANNERS[name][1]
    life.says(first, what)
    wait = lived.not_now if what is What.NOT_NOW else lived.done
    for minute in (1, wait - 1, wait):
        assert len(life.said) == 1
        life.at(first + minute, MODERATE)
    assert life.said[1:] == [(first + wait, telling)]


@EACH
def test_another_advice_waits_a_while_and_is_then_said(name: str) -> None:
    """An advice that wavers does not make the phone waver."""
    life, first = told_once(name)
    for minute in (1, MANNERS[name][1].changed - 1, MANNERS[name][1].changed):
        assert len(life.said) == 1
        life.at(first + minute, MODERATE, "anchor")
    assert life.said[1:] == [(first + MANNERS[name][1].changed, Telling.CHANGED)]


@EACH
@pytest.mark.parametrize(("due", "reminded"), [(20, 0), (21, 15)])
def test_a_reminder_comes_twenty_minutes_before_a_deadline(name: str, due: int, reminded: int) -> None:
    """Where the deadline is later than the pause, the repeat waits for it: the first quarter within its last 20 minutes."""
    life, first = told_once(name)
    by = FULL_HOUR + timedelta(days=2, minutes=due)
    for minute in turns([first], 2880 + 16)[1:]:
        now = FULL_HOUR + minute * MINUTE
        verdict = Verdict("example", "birch", State.BREACH, now, "so", MODERATE, advice=Advice("shade", by))
        concern, notices = judge(life.concern, verdict, (), life.manner, site="larkfield", now=now)
        life.concern = arrives(concern, notices)
        life.said += [(minute, n.telling) for n in notices]
    assert life.said[1:] == [(2880 + reminded, Telling.AGAIN)]


@EACH
def test_a_message_that_does_not_say_itself_how_long_it_holds(name: str) -> None:
    """Is thrown away where it has not reached the phone by then."""
    manner, lived = MANNERS[name]
    assert manner.holds == lived.holds * MINUTE


def test_only_a_storms_advice_never_waits_for_the_morning() -> None:
    """What falls due within the quiet hours is told before they begin."""
    assert {name for name, (manner, _) in MANNERS.items() if manner.before_quiet} == {"storm"}


def test_every_rule_has_one_of_these_manners() -> None:
    """But for the hazard."""
    of = {name: {f: getattr(m, f) for f in m.__slots__ if f != "hazard"} for name, (m, _) in MANNERS.items()}
    for rule in all_rules().values():
        assert {f: getattr(rule.manner, f) for f in rule.manner.__slots__ if f != "hazard"} in of.values(), rule.name


def test_notes_have_a_manner_that_tells_minor_things() -> None:
    """What is Minor and worth a word is told from Minor on."""
    assert {all_rules()[rule].manner.tell_from for rule in ("wet", "shade", "battery")} == {Severity.MINOR}
