"""What a rule is handed, and that what is remembered of a series between turns changes no verdict of it."""

from __future__ import annotations

from contextlib import closing
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from sensord.adapters.clock import SteppedClock
from sensord.adapters.feed import FeedInbox
from sensord.adapters.sender import InlineSender
from sensord.commands import _build, _house
from sensord.engine import turns
from sensord.engine.asking import Outcome, Windows, about, ask, plan_of
from sensord.engine.state import Given
from sensord.engine.windows import Window, window_of
from sensord.model import AMBIENT, EPOCH, Concern, Entry, Probe, Quantity, Standing, State, Verdict, What
from sensord.rules import Evidence, Need, Per, Seen, Watch
from sensord.rules._scene import Thresholds
from simulators import feed as feeds
from simulators import scenario
from tests.engine.living import BIRCH, MINUTE, START, Scripted, asking_only, cool, hot


class Afresh:
    """A window that remembers nothing: a rule is handed lists of its own."""

    def __init__(self, window: Window) -> None:
        self._window = window

    def seen(self, probe: Probe, start_s: float, end_s: float) -> Seen:
        """As `Window.seen`."""
        part = self._window.between(start_s, end_s)
        return Seen.of(probe, list(part.times_s), list(part.values), list(part.doubts))


class Nowhere:
    """A channel that takes everything."""

    def send(self, message: Any) -> None:
        """Taken."""


@pytest.mark.slow
def test_no_verdict_depends_on_what_is_remembered(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Two days of the demonstration, with its heat, its storm and its faults: at every turn both ways agree in everything."""
    turns_taken = 0

    def both(garden: Any, plan: Any, names: Any, windows: Windows, *more: Any) -> Outcome:
        nonlocal turns_taken
        asked = list(names)
        found = ask(garden, plan, asked, windows, *more)
        afresh: Any = {key: Afresh(window) for key, window in windows.items()}
        assert found == ask(garden, plan, asked, afresh, *more)
        turns_taken += 1
        return found

    monkeypatch.setattr(turns, "ask", both)
    feeds.main(["--days", "2", "--out", str(tmp_path / "feed.jsonl")])
    built = _house.understood(scenario.configuration("larkfield"), scenario.HERE / "larkfield.toml")
    clock = SteppedClock(EPOCH)
    with (
        closing(FeedInbox(tmp_path / "feed.jsonl", clock)) as inbox,
        closing(_build.open_store(built, tmp_path / "s.sqlite3", durable=False, together=1000)) as store,
    ):
        loop = _build.loop(built, clock, inbox, _build.share(built, store), InlineSender({"phone": Nowhere()}))
        loop.run(stopped=lambda: inbox.exhausted)
    assert turns_taken > 1000


# --- what a rule is handed --------------------------------------------------------------------------------------------

SECOND, HOUR = timedelta(seconds=1), timedelta(hours=1)
INSIDE = Need("inside", "subject", Quantity.TEMPERATURE, HOUR)
OUTSIDE = Need("outside", AMBIENT, Quantity.TEMPERATURE, 2 * HOUR)


def outcome(given: Given, *entries: Entry, windows: Windows | None = None, **standing: Concern) -> Outcome:
    """Every rule of a garden asked at the start."""
    plan, known = given.plan, {c.key: c for c in standing.values()}
    watch = Watch(START - HOUR, True, {}, True)
    return ask(given.garden, plan, plan.questions, windows or {}, known, entries, watch, START)


@pytest.mark.parametrize(
    ("per", "subjects", "inside"),
    [
        (Per.ENCLOSURE, ["alder", "birch", "cedar"], [["alder-1"], ["birch-1"], ["cedar-1"]]),
        (
            Per.PROBE,
            ["alder-1", "birch-1", "cedar-1", "post", "barometer", "gauge"],
            [["alder-1"], ["birch-1"], ["cedar-1"], ["post"], [], []],
        ),
        (Per.SITE, [""], [["alder-1", "birch-1", "cedar-1"]]),
    ],
)
def test_whom_a_rule_is_asked_about_and_by_which_probes(
    given: Given, per: Per, subjects: list[str], inside: list[list[str]]
) -> None:
    """Each enclosure by its own probes, each probe by itself, the site by those of all enclosures; all by the post."""
    rule = Scripted(cool, per, (INSIDE, OUTSIDE))
    found = outcome(asking_only(given, rule))
    assert [v.subject for v in found.verdicts] == subjects
    assert [[s.probe.name for s in e.series["inside"]] for e in rule.handed] == inside
    assert {tuple(s.probe.name for s in e.series["outside"]) for e in rule.handed} == {("post",)}
    for handed in rule.handed:
        of_one = per is Per.ENCLOSURE
        assert (handed.stand is not None, handed.limits is not None, handed.held is not None) == (of_one,) * 3
        assert (handed.probe.name if handed.probe else "") == (handed.subject if per is Per.PROBE else "")


def test_a_rule_sees_as_far_back_as_it_asked(given: Given) -> None:
    """From the very instant on, up to now, this one not included."""
    rule = Scripted(cool, wants=(INSIDE,))
    now_s = START.timestamp()
    times = [now_s - 3601, now_s - 3600, now_s - 1, now_s, now_s + 1]
    window = window_of(9000.0, times, [20.0] * 5, [0] * 5)
    outcome(asking_only(given, rule), windows={BIRCH: window})
    (seen,) = next(e for e in rule.handed if e.subject == "birch").series["inside"]
    assert list(seen.usable(now_s + 9000).times_s) == times[1:3]


def test_an_enclosure_is_asked_about_by_its_own_parameters(given: Given) -> None:
    """What the configuration says of one enclosure holds for it alone."""
    rule = Scripted(cool)
    garden = asking_only(given, rule).garden
    own = Thresholds(hysteresis_k=1.5)
    garden = replace(garden, parameters={("scripted", ""): Thresholds(), ("scripted", "birch"): own})
    outcome(replace(given, garden=garden, plan=plan_of(garden)))
    assert [e.parameters for e in rule.handed] == [Thresholds(), own, Thresholds()]


def test_the_longest_look_is_the_farthest_that_any_rule_asks_for(given: Given) -> None:
    """By it the windows are as long as they must be; where nothing is looked at, none."""
    rule = Scripted(cool, wants=(OUTSIDE, INSIDE))
    asked = asking_only(given, rule)
    assert asked.plan.longest_look == 2 * HOUR
    assert asking_only(given, Scripted(cool)).plan.longest_look == timedelta()
    assert (asked.remembered, replace(asked, plan=given.plan).remembered) == (12 * HOUR, given.plan.longest_look)
    assert asked.plan.series_of("scripted") == {
        (n, Quantity.TEMPERATURE) for n in ("alder-1", "birch-1", "cedar-1", "post")
    }


def test_a_rule_hears_of_two_days_what_was_said_about_its_subject(given: Given) -> None:
    """From the very instant 48 hours ago on; of the enclosure or of the concern, and of no other."""
    rule = Scripted(cool)
    told = [
        Entry("larkfield", START - ago, START, subject, What.SEEN)
        for ago, subject in (
            (48 * HOUR + SECOND, "birch"),
            (48 * HOUR, "birch"),
            (HOUR, "scripted/birch"),
            (HOUR, "overheating/birch"),
            (HOUR, ""),
        )
    ]
    outcome(asking_only(given, rule), *told)
    assert [e.entries for e in rule.handed] == [(), (told[1], told[2]), ()]
    assert about(told, "watch", "") == (), "what is said of the whole site answers no concern of it"
    assert about([told[0]._replace(subject="watch")], "watch", "") != ()


def test_an_answer_is_heard_with_the_next_turn(given: Given) -> None:
    """Told a while ago, seen since; a concern that is as it was is no news."""
    asked = asking_only(given, Scripted(lambda of, now: hot(of, now) if of.subject == "birch" else cool(of, now)))
    (opened,) = outcome(asked).concerns
    opened = replace(opened, breached_since=START - HOUR)
    seen = Entry("larkfield", START - MINUTE, START, "scripted/birch", What.SEEN)
    (answered,) = outcome(asked, seen, birch=opened).concerns
    assert (answered.standing, answered.answered_at) == (Standing.ANSWERED, seen.at)
    again = outcome(asked, seen, birch=answered)
    assert (again.concerns, again.notices) == ((), ())


def test_a_rule_that_fails_takes_no_other_with_it(given: Given) -> None:
    """It is unknown about the subject that it failed at, with what went wrong; about the others it is asked."""

    def fails(of: Evidence, now: datetime) -> Verdict:
        if of.subject == "birch":
            raise ZeroDivisionError("no wind")
        return cool(of, now)

    found = outcome(asking_only(given, Scripted(fails)))
    assert [v.state for v in found.verdicts] == [State.FINE, State.UNKNOWN, State.FINE]
    ((key, defect),) = found.defects
    assert (key, str(defect)) == ("scripted/birch", "no wind")
