"""What a turn does beside judging: word of life, upkeep, what is around, silences, the morning line and the week."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from typing import Any

import pytest

from sensord.engine.durable import NOTHING_OWED
from sensord.engine.effects import Effect, LookBack, MakeDurable, Prune, Send, Summarise, Tell
from sensord.engine.events import Due, LookedBack, Noticed, Pruned, Surroundings
from sensord.engine.state import EngineState, Given
from sensord.engine.step import step
from sensord.engine.windows import Window
from sensord.model import (
    Advice,
    Asked,
    Doubt,
    Fate,
    GapKind,
    Message,
    Parcel,
    Quantity,
    Route,
    Severity,
    Standing,
    Telling,
    Unsaid,
    Verdict,
)
from sensord.rules import STORM, Evidence, Unclear, unknown
from tests.engine.living import BIRCH, MINUTE, START, Scripted, asking_only, begun, cool, hot, lived

SECOND, HOUR, DAY = timedelta(seconds=1), timedelta(hours=1), timedelta(days=1)


def committed_of(effects: tuple[Effect, ...]) -> list[Message]:
    """The messages that are made durable."""
    return [m for e in effects if isinstance(e, MakeDurable) for m in e.commit.messages]


def facts_of(effects: tuple[Effect, ...]) -> dict[str, str]:
    """The facts that are made durable."""
    return {name: value for e in effects if isinstance(e, MakeDurable) for name, value in e.commit.facts.items()}


def lines(effects: tuple[Effect, ...]) -> list[tuple[int, str]]:
    """What is told in the log."""
    return [(e.level, e.line) for e in effects if isinstance(e, Tell)]


def turn(given: Given, at: datetime, **known: Any) -> tuple[EngineState, tuple[Effect, ...]]:
    """One turn of a watch that began the minute before."""
    return step(given, begun(given, at - MINUTE)._replace(next_turn=at, **known), Due(at))


def local(given: Given, day: str, clock: str) -> datetime:
    """An instant by the garden's own clock."""
    date = datetime.fromisoformat(day).date()
    return datetime.combine(date, time.fromisoformat(clock), given.zone).astimezone(UTC)


# --- around -----------------------------------------------------------------------------------------------------------


def test_trouble_with_shipping_is_told_once_and_its_end_too(given: Given) -> None:
    """Since when is known from then on; the fact that a restart must know goes with the next commit, and only once."""
    state = begun(given)
    since = START - 5 * MINUTE
    trouble = Surroundings(shipping_trouble="no route", unshipped_since=since)
    state, effects = step(given, state, Noticed(START, trouble))
    assert lines(effects) == [(30, "not shipped: no route; what waits is kept and goes later")]
    assert facts_of(effects)["shipping trouble"] == "no route"
    assert (state.shipping_trouble, state.unshipped_since) == ("no route", since)
    state = state._replace(committing=None)
    same, effects = step(given, state, Noticed(START, replace(trouble, unshipped_since=since - MINUTE)))
    assert lines(effects) == []
    assert "shipping trouble" not in facts_of(effects)
    assert same.unshipped_since == since - MINUTE, "what waits longest may change by itself"
    over, effects = step(given, state, Noticed(START, Surroundings()))
    assert lines(effects) == [(20, "shipping works again")]
    assert facts_of(effects)["shipping trouble"] == ""
    assert (over.shipping_trouble, over.unshipped_since) == ("", None)


def test_what_the_edges_must_know_again_is_kept_when_it_is_news(given: Given) -> None:
    """A fact that is known already is not written again."""
    around = Surroundings(facts={"mark": "7"})
    state, effects = step(given, begun(given), Noticed(START, around))
    assert facts_of(effects)["mark"] == "7"
    _, effects = step(given, state._replace(committing=None), Noticed(START, around))
    assert "mark" not in facts_of(effects)


def test_that_somebody_watches_is_written_every_minute_at_least(given: Given) -> None:
    """Where a turn has nothing to make durable, word of life goes out a minute after the last commit, and not before."""
    state, _ = lived(given, 10, 25.0)
    at = state.next_turn
    calm = state._replace(owed=NOTHING_OWED, next_turn=at)
    calm, _ = step(given, calm._replace(committed_at=at), Due(at))  # whatever the turn finds is known now
    calm = calm._replace(next_turn=at, owed=NOTHING_OWED, committing=None, batch=None)
    for pause, written in ((MINUTE - SECOND, False), (MINUTE, True)):
        _, effects = step(given, calm._replace(committed_at=at - pause), Due(at))
        assert any(isinstance(e, MakeDurable) for e in effects) is written


def test_a_verdict_is_written_where_it_says_something_else(given: Given) -> None:
    """Of each enclosure the first, and then what differs in state, severity or reason; not the same again and again."""

    def says(of: Evidence, now: datetime) -> Verdict:
        return hot(of, now) if of.subject == "birch" and now >= START + 3 * MINUTE else cool(of, now)

    _, effects = lived(asking_only(given, Scripted(says)), 6, 25.0)
    written = [v for e in effects if isinstance(e, MakeDurable) for v in e.commit.verdicts]
    first = [("alder", START + MINUTE), ("birch", START + MINUTE), ("cedar", START + MINUTE)]
    assert [(v.subject, v.at) for v in written] == [*first, ("birch", START + 3 * MINUTE)]


def test_a_commit_is_tried_again_when_it_is_time(given: Given) -> None:
    """Not by an instant that comes before it is, and is no turn."""
    state = begun(given)._replace(next_turn=START + MINUTE, retry_at=START + 2 * SECOND)
    for at, tried in ((START + SECOND, False), (START + 2 * SECOND, True)):
        _, effects = step(given, state, Due(at))
        assert any(isinstance(e, MakeDurable) for e in effects) is tried


def test_what_was_withheld_goes_with_a_turn_that_finds_nothing_new(given: Given) -> None:
    """The rules say what they said before, and there is room now: it is in the outbox after this turn, which is counted."""
    hot, _ = lived(given, 40, 39.5)
    concern = hot.standing["overheating/birch"]
    asked = Asked(hot.now, Telling.OPENED, Severity.SEVERE, "shade", Unsaid.BUDGET)
    unsaid = replace(concern, asked=asked, told=Severity.NONE, told_at=None, told_action="", tellings=0)
    state = hot._replace(standing={concern.key: unsaid}, parcels={}, committing=None)
    after, effects = step(given, state, Due(state.next_turn))
    assert [m.concerns for m in committed_of(effects) if m.rule == "overheating"] == [(concern.key,)]
    assert after.counts.turns == hot.counts.turns + 1


def test_an_end_is_told_although_nothing_else_stands(given: Given) -> None:
    """Told at once, fine from the fifth minute on, and half an hour later what is left to do, which ends it."""
    after = Advice("look after")

    def says(of: Evidence, now: datetime) -> Verdict:
        return hot(of, now) if now < START + 5 * MINUTE else cool(of, now, after)

    state, effects = lived(asking_only(given, Scripted(says)), 50, 25.0)
    told = [(e.message.telling, e.message.at) for e in effects if isinstance(e, Send)]
    assert told == [(Telling.OPENED, START + MINUTE), (Telling.OVER, START + 35 * MINUTE)]
    assert (state.standing, state.ended) == ({}, {})


def test_what_passes_before_it_opened_leaves_nothing(given: Given) -> None:
    """A breach of a minute is forgotten, here and in the store: the next one, hours later, has its whole dwell before it."""
    breached = {1, *range(200, 260)}

    def says(of: Evidence, now: datetime) -> Verdict:
        return hot(of, now) if of.subject == "birch" and (now - START) // MINUTE in breached else cool(of, now)

    rule = Scripted(says)
    rule.manner = replace(STORM, dwell=dict.fromkeys(Severity, 10 * MINUTE))
    state, effects = lived(asking_only(given, rule), 150, 25.0)
    assert state.standing == {}
    put = [c for e in effects if isinstance(e, MakeDurable) for c in e.commit.concerns]
    assert [(c.standing, c.opened_at) for c in put] == [(Standing.FORMING, None), (Standing.OVER, None)]
    state, effects = lived(asking_only(given, rule), 220, 25.0)
    assert [e.message.at for e in effects if isinstance(e, Send)] == [START + 210 * MINUTE]
    assert state.standing["scripted/birch"].breached_since == START + 200 * MINUTE


def test_what_nobody_can_tell_any_more_before_it_opened_leaves_nothing(given: Given) -> None:
    """As what passes: after the time that its manner gives it."""

    def says(of: Evidence, now: datetime) -> Verdict:
        return hot(of, now) if now < START + 2 * MINUTE else unknown(Scripted.name, of, now, Unclear.TOO_FEW)

    rule = Scripted(says)
    rule.manner = replace(STORM, dwell=dict.fromkeys(Severity, 10 * MINUTE), unknown_for=30 * MINUTE)
    assert len(lived(asking_only(given, rule), 30, 25.0)[0].standing) == 3
    assert lived(asking_only(given, rule), 40, 25.0)[0].standing == {}


# --- upkeep -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("deleted", "pause"), [(0, DAY), (49_999, DAY), (50_000, 10 * MINUTE), (50_001, 10 * MINUTE)])
def test_where_more_is_to_be_deleted_it_goes_on_soon(given: Given, deleted: int, pause: timedelta) -> None:
    """A full helping means that there is more; else once a day. What was deleted is told, nothing is not."""
    short = replace(given, raw_kept=60 * DAY)
    state, effects = step(short, begun(short), Pruned(START, deleted))
    assert state.prune_at == START + pause
    told = [(20, f"deleted {deleted} raw readings older than 60 days")] if deleted else []
    assert lines(effects) == told


def test_old_readings_are_deleted_when_it_is_time_and_only_where_another_database_has_them(given: Given) -> None:
    """With the summaries, after them, from the instant on that was set; never where the store is all there is."""
    short = replace(given, raw_kept=60 * DAY)
    for prune_at, deleted in ((START - SECOND, True), (START, True), (START + SECOND, False)):
        _, effects = turn(short, START, prune_at=prune_at)
        kept = [e for e in effects if isinstance(e, Summarise | Prune)]
        assert kept == [Summarise(START), Prune(START - 60 * DAY, 50_000)][: 1 + deleted]
    _, effects = turn(given, START, prune_at=START)
    assert not any(isinstance(e, Prune) for e in effects)


# --- silences ---------------------------------------------------------------------------------------------------------


def test_a_silence_lasts_from_the_last_reading_to_the_next(given: Given) -> None:
    """Found when patience is over, it is dated from when the probe was last heard; where it never was, from the beginning."""
    state, _ = lived(given, 10, 25.0)
    heard = state.last_heard["birch-1"]
    later = heard + 3 * HOUR
    silent, effects = step(given, state._replace(next_turn=later), Due(later))
    gaps = {g.subject: g for e in effects if isinstance(e, MakeDurable) for g in e.commit.gaps}
    assert {g.kind for g in gaps.values()} == {GapKind.SILENCE}
    assert (gaps["birch-1"].started_at, gaps["birch-1"].ended_at) == (heard, None)
    never = next(p.name for p in given.garden.probes if p.name not in state.last_heard)
    assert silent.silences[never].started_at == state.started_at
    assert gaps.keys() <= silent.silences.keys()
    back = later + MINUTE
    spoken = silent._replace(committing=None, last_heard={**silent.last_heard, "birch-1": back}, next_turn=back)
    ended, effects = step(given, spoken, Due(back))
    (gap,) = [g for e in effects if isinstance(e, MakeDurable) for g in e.commit.gaps]
    assert gap == gaps["birch-1"]._replace(ended_at=back)
    assert "birch-1" not in ended.silences


# --- the morning line -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("clock", "said"), [("07:14", False), ("07:15", True), ("09:14", True), ("09:15", False), ("12:00", False)]
)
def test_the_morning_line_comes_within_two_hours_of_its_time(given: Given, clock: str, said: bool) -> None:
    """From its minute on; a watch that begins later than two hours after it says nothing in the middle of the day."""
    state, effects = turn(given, local(given, "2026-08-20", clock))
    assert [m.rule for m in committed_of(effects) if m.rule == "morning"] == ["morning"] * said
    assert (state.facts.get("morning line") == "2026-08-20") is said


def test_the_morning_line_is_said_once_a_day_and_never_where_there_is_no_time_for_it(given: Given) -> None:
    """What day it is, is the garden's own; an empty time means none."""
    at = local(given, "2026-08-20", "07:30")
    for known, said in (("2026-08-20", False), ("2026-08-19", True)):
        _, effects = turn(given, at, facts={"morning line": known})
        assert any(m.rule == "morning" for m in committed_of(effects)) is said
    none = replace(given, keeper=given.keeper.model_copy(update={"morning_line_at": ""}))
    _, effects = turn(none, at)
    assert not any(m.rule == "morning" for m in committed_of(effects))


def test_the_morning_line_counts_what_was_held_back_in_the_last_day(given: Given) -> None:
    """From the same minute of the day before to now, this one not included; what waits or went is not counted."""
    at = local(given, "2026-08-20", "07:30")
    _, effects = turn(given, at)
    (line,) = [m for m in committed_of(effects) if m.rule == "morning"]

    def text(*held: tuple[timedelta, Fate]) -> str:
        parcels = {
            str(n): Parcel(replace(line, key=str(n), at=at + ago, rule="week"), 0, at, fate, "")
            for n, (ago, fate) in enumerate(held)
        }
        _, effects = turn(given, at, parcels=parcels)
        (found,) = [m for m in committed_of(effects) if m.rule == "morning"]
        return found.text

    held = Fate.HELD
    one = text((-HOUR, held))
    assert one != line.text
    assert text((-DAY, held)) == one
    assert text((-SECOND, held)) == one
    for ago, fate in ((-DAY - SECOND, held), (timedelta(0), held), (-HOUR, Fate.SENT), (-HOUR, Fate.WITHDRAWN)):
        assert text((ago, fate)) == line.text
    assert text((-HOUR, held), (-2 * HOUR, held)) not in (one, line.text)


def morning(given: Given, at: datetime, **known: Any) -> str:
    """The text of the morning line at an instant."""
    _, effects = turn(given, at, **known)
    (line,) = [m for m in committed_of(effects) if m.rule == "morning"]
    return line.text


def test_the_morning_line_says_who_is_heard(given: Given) -> None:
    """Who has said something, and is not silent for too long; the post stands nowhere where animals are."""
    at = local(given, "2026-08-20", "07:30")
    heard = {"alder-1": at - MINUTE, "birch-1": at - HOUR, "post": at}
    _, effects = step(given, begun(given, at - 2 * HOUR)._replace(next_turn=at, last_heard=heard), Due(at))
    (line,) = [m for m in committed_of(effects) if m.rule == "morning"]
    assert line.text.startswith("Alder watched, nothing heard from Birch and Cedar")


def test_the_nights_minimum_is_of_the_enclosures_first_probes(given: Given) -> None:
    """From eleven hours before on, up to now; of what may be computed with, of each enclosure by its primary probe."""
    at = local(given, "2026-08-20", "07:30")
    now_s, back_s = at.timestamp(), 11 * 3600.0
    (birch,) = (p for p in given.garden.probes if p.name == "birch-1")
    twice = replace(given, garden=replace(given.garden, probes=(*given.garden.probes, replace(birch, name="birch-2"))))
    rows = [
        (now_s - back_s - 1, 3.0, 0),
        (now_s - back_s, 12.0, 0),
        (now_s - 60, 5.0, int(Doubt.JUMP)),
        (now_s - 30, 14.0, int(Doubt.LATE)),
        (now_s, 4.0, 0),
    ]
    windows = {
        BIRCH: Window(86_400.0, rows),
        ("birch-2", Quantity.TEMPERATURE): Window(86_400.0, [(now_s - 60, 2.0, 0)]),
        ("post", Quantity.TEMPERATURE): Window(86_400.0, [(now_s - 60, 1.0, 0)]),
        ("alder-1", Quantity.TEMPERATURE): Window(86_400.0, [(now_s - 60, 13.0, 0)]),
    }
    assert "night minimum 12 °C" in morning(twice, at, windows=windows)
    assert "night minimum 14 °C" in morning(twice, at, windows={BIRCH: Window(86_400.0, rows[2:])})
    assert "minimum" not in morning(twice, at, windows={BIRCH: Window(86_400.0, rows[:1])})


# --- the week ---------------------------------------------------------------------------------------------------------


def with_week(given: Given, day: str, at: str = "18:00") -> Given:
    """A garden that tells of the week on a day."""
    return replace(given, review=given.review.model_copy(update={"day": day, "at": at}))


@pytest.mark.parametrize(
    ("date", "day", "week"),
    [
        ("2026-08-17", "monday", "2026-W33"),
        ("2026-08-19", "wednesday", "2026-W33"),
        ("2026-08-20", "thursday", "2026-W34"),
        ("2026-08-23", "sunday", "2026-W34"),
    ],
)
def test_which_week_is_told(given: Given, date: str, day: str, week: str) -> None:
    """From Thursday on the running one, before the last one; weeks as in ISO 8601, and on no other day of the week."""
    weekly, at = with_week(given, day), local(given, date, "18:00")
    state, effects = turn(weekly, at)
    assert [e for e in effects if isinstance(e, LookBack)] == [LookBack(week, at)]
    assert state.looking_back == week
    _, effects = turn(weekly, at + DAY)
    assert not any(isinstance(e, LookBack) for e in effects)


@pytest.mark.parametrize(("clock", "asked"), [("17:59", False), ("18:00", True), ("19:59", True), ("20:00", False)])
def test_the_week_is_asked_for_within_two_hours_of_its_time(given: Given, clock: str, asked: bool) -> None:
    """Then no more: a picture of the week is no news in the night."""
    _, effects = turn(with_week(given, "sunday"), local(given, "2026-08-23", clock))
    assert any(isinstance(e, LookBack) for e in effects) is asked


def test_a_week_is_told_once_and_asked_for_again_where_it_could_not_be_made(given: Given) -> None:
    """While it is being made nobody asks; without sentences there is no message, and the next turn asks again."""
    weekly, at = with_week(given, "sunday"), local(given, "2026-08-23", "18:00")
    state, _ = turn(weekly, at)
    going_on = state._replace(committing=None, next_turn=at + MINUTE)
    _, effects = step(weekly, going_on, Due(at + MINUTE))
    assert not any(isinstance(e, LookBack) for e in effects)
    failed, effects = step(weekly, going_on, LookedBack(at, "2026-W34", ()))
    assert (effects, failed.looking_back) == ((), "")
    _, effects = step(weekly, failed, Due(at + MINUTE))
    assert any(isinstance(e, LookBack) for e in effects)
    told, effects = step(weekly, going_on, LookedBack(at, "2026-W34", ("A calm week.",)))
    (message,) = committed_of(effects)
    assert (message.rule, told.looking_back) == ("week", "")
    assert message in [p.message for p in told.parcels.values()]
    _, effects = step(weekly, told._replace(committing=None), Due(at + MINUTE))
    assert not any(isinstance(e, LookBack) for e in effects)


def test_a_week_that_meets_a_defect_is_not_asked_for_at_every_turn(given: Given) -> None:
    """It would meet the same; the next week is asked for again."""
    weekly, at = with_week(given, "sunday"), local(given, "2026-08-23", "18:00")
    state, _ = turn(weekly, at)
    state, effects = step(weekly, state, LookedBack(at, "2026-W34", (), is_hopeless=True))
    assert effects == ()
    for later, asked in ((at + MINUTE, False), (at + 119 * MINUTE, False), (at + 7 * DAY, True)):
        _, effects = step(weekly, state._replace(committing=None, next_turn=later), Due(later))
        assert any(isinstance(e, LookBack) for e in effects) is asked


def test_the_stand_in_is_asked_at_the_minute_although_nothing_else_is_to_be_said(given: Given) -> None:
    """A Severe matter that nobody answers goes to the second channel when patience ends, not with the next repeat."""
    patience = given.keeper.stand_in_after_minutes * MINUTE
    watched = replace(asking_only(given, Scripted(hot)), has_stand_in=True)
    _, effects = lived(watched, patience // MINUTE + 3, 25.0)
    told = {
        route: [e.message.at for e in effects if isinstance(e, Send) and e.message.route is route] for route in Route
    }
    assert told[Route.STAND_IN] == [told[Route.PHONE][0] + patience]
    assert told[Route.STAND_IN][0] not in told[Route.PHONE], "a repeat would bring it along"


def test_who_says_nothing_of_the_world_around_says_that_all_is_well(given: Given) -> None:
    """The clock is set, and nothing waits to be shipped."""
    state, _ = turn(given, START + HOUR)
    assert (state.clock_is_set, state.shipping_trouble, state.unshipped_since) == (True, "", None)
