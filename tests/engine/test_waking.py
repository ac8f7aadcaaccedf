"""Beginning after an absence, a clock that steps, and a broker that comes and goes: each limit to the second."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

import pytest

from sensord.engine.asking import plan_of
from sensord.engine.durable import NOTHING_OWED
from sensord.engine.effects import MakeDurable, Tell
from sensord.engine.events import Began, ClockStepped, Due, LinkBack, LinkLost
from sensord.engine.state import EngineState, Given, Memory, awake
from sensord.engine.step import step
from sensord.model import Fate, Gap, GapKind, Standing
from sensord.ports import Commit
from tests.engine.living import MINUTE, START, Scripted, asking_only, begun, carried_out, hot, lived

SECOND = timedelta(seconds=1)


def commits(effects: tuple[object, ...]) -> Commit:
    """What is to be made durable."""
    (asked,) = [e for e in effects if isinstance(e, MakeDurable)]
    return asked.commit


def again(given: Given, absent: timedelta, **last_heard: datetime) -> tuple[EngineState, Commit]:
    """A watch that was alive at the start, and begins again after an absence."""
    memory = Memory(
        facts={"alive": START.isoformat(), "began": (START - 60 * MINUTE).isoformat()}, last_heard=last_heard
    )
    now = START + absent
    state, effects = step(given, awake(given, memory, now), Began(now))
    found = [e.commit for e in effects if isinstance(e, MakeDurable)]
    return state, found[0] if found else Commit(now)


@pytest.mark.parametrize(
    ("absent", "goes_on", "gaps", "messages"),
    [
        (-MINUTE - SECOND, False, 0, 0),
        (-MINUTE, True, 0, 0),
        (3 * MINUTE, True, 0, 0),
        (3 * MINUTE + SECOND, False, 1, 0),
        (15 * MINUTE - SECOND, False, 1, 0),
        (15 * MINUTE, False, 1, 1),
    ],
)
def test_an_absence_is_none_a_gap_or_told(
    given: Given, absent: timedelta, goes_on: bool, gaps: int, messages: int
) -> None:
    """Up to three minutes the watch goes on as if nothing had been; beyond, a gap; from a quarter of an hour on, a message."""
    state, commit = again(given, absent)
    assert state.started_at == (START - 60 * MINUTE if goes_on else START + absent)
    assert (len(commit.gaps), len(commit.messages)) == (gaps, messages)
    for gap in commit.gaps:
        assert (gap.kind, gap.started_at, gap.ended_at) == (GapKind.STOPPED, START, START + absent)


def test_a_receipt_shows_that_somebody_watched(given: Given) -> None:
    """The absence begins with the last thing that was made durable, word of life or reading, whichever is later."""
    _, commit = again(given, 20 * MINUTE, post=START + 10 * MINUTE)
    assert [g.started_at for g in commit.gaps] == [START + 10 * MINUTE]
    _, commit = again(given, 20 * MINUTE, post=START - 10 * MINUTE)
    assert [g.started_at for g in commit.gaps] == [START]


def test_a_step_of_the_clock_is_a_gap_either_way(given: Given) -> None:
    """From the earlier to the later time, told in the log; turns are laid anew from the new time on."""
    state, _ = lived(given, 5, 25.0)
    for hours in (-1, 1):
        before, after = state.now, state.now + timedelta(hours=hours)
        stepped, effects = step(given, state, ClockStepped(after, before))
        (gap,) = commits(effects).gaps
        assert (gap.kind, gap.started_at, gap.ended_at) == (GapKind.CLOCK, min(before, after), max(before, after))
        assert [e.level for e in effects if isinstance(e, Tell)] == [30]
        assert after < stepped.next_turn <= after + MINUTE
        assert stepped.now == after


def test_a_step_back_leaves_nothing_ahead_and_a_step_forward_changes_nothing(given: Given) -> None:
    """Readings, receipts, concerns, pauses and what is to be done next are no later than now; a minute ahead is now."""
    state, _ = lived(given, 40, 39.5, sends=False)
    state = state._replace(disconnected_since=state.now, unstored_since=state.now, prune_at=state.now + 30 * MINUTE)
    after = state.now - 20 * MINUTE - 30 * SECOND
    back, effects = step(given, state, ClockStepped(after, state.now))
    instants = (back.turned_at, back.started_at, back.disconnected_since, back.unstored_since)
    assert all(at is not None and at <= after for at in instants)
    assert max(back.prune_at, back.committed_at) <= after
    assert max(back.last_heard.values()) <= after + MINUTE
    newest = max(w.between(0, 1e12).times_s[-1] for w in back.windows.values())
    assert newest == (after + 30 * SECOND).timestamp(), "what is less than a minute ahead is of now"
    concern = back.standing["overheating/birch"]
    assert concern.breached_since <= after
    assert concern.asked is not None
    assert concern.asked.at <= after
    assert concern in commits(effects).concerns
    forth, effects = step(given, state, ClockStepped(state.now + 20 * MINUTE, state.now))
    assert (forth.turned_at, forth.standing, forth.windows) == (state.turned_at, state.standing, state.windows)
    assert commits(effects).concerns == ()


def test_no_attempt_waits_for_the_time_that_was_wrong(given: Given) -> None:
    """After a step back by hours the next attempt is half an hour away at most; what must wait for a time still does."""
    state, _ = lived(given, 40, 39.5, sends=False)
    (key,) = [k for k, p in state.parcels.items() if p.state == Fate.WAITING][:1]
    parcel, after = state.parcels[key], state.now - timedelta(hours=3)
    for due_at, kept in ((after + 30 * MINUTE, True), (after + 30 * MINUTE + SECOND, False)):
        back, _ = step(
            given,
            state._replace(parcels={key: parcel._replace(due_at=due_at)}),
            ClockStepped(after, state.now),
        )
        assert back.parcels[key].due_at == after + 30 * MINUTE
        assert kept == (back.parcels[key].due_at == due_at)


def test_the_broker_is_away_from_when_it_was_lost_until_it_is_back(given: Given) -> None:
    """Since when is the link's word, not the moment at which it is noticed."""
    state = begun(given)
    lost, effects = step(given, state, LinkLost(START + 5 * MINUTE, START + 3 * MINUTE))
    assert (lost.connected, lost.disconnected_since, effects) == (False, START + 3 * MINUTE, ())
    back, effects = step(given, lost, LinkBack(START + 6 * MINUTE))
    assert (back.connected, back.disconnected_since, effects) == (True, None, ())


def test_a_silence_that_lasted_over_a_restart_ends_when_the_probe_is_heard(given: Given) -> None:
    """It is one gap from its beginning on; what else is open, a session that was lost, is no silence of a probe."""
    now, since = START + MINUTE, START - 60 * MINUTE
    silence = Gap("larkfield", GapKind.SILENCE, "birch-1", since, None)
    session = Gap("larkfield", GapKind.SESSION, "post", since, None)
    memory = Memory(
        facts={"alive": START.isoformat(), "began": since.isoformat()},
        last_heard={"birch-1": now, "post": now},
        open_gaps=(silence, session),
    )
    state, _ = step(given, awake(given, memory, now), Began(now))
    assert state.silences == {"birch-1": silence}
    state, effects = step(given, state._replace(next_turn=now, committing=None), Due(now))
    assert "birch-1" not in state.silences
    closed = [g for g in commits(effects).gaps if g.subject in ("birch-1", "post")]
    assert closed == [silence._replace(ended_at=now)]


@pytest.mark.parametrize("absent", [MINUTE, 60 * MINUTE])
def test_what_left_the_configuration_stands_no_more(given: Given, absent: timedelta) -> None:
    """Nobody would ever judge it again: an enclosure's matter is over, a probe's silence ends, and the rest stands on."""
    asked = asking_only(given, Scripted(hot))
    before, _ = lived(asked, 2, 25.0)
    now = START + absent
    silence = Gap("larkfield", GapKind.SILENCE, "gone-1", START, None)
    memory = Memory(
        facts={"alive": START.isoformat(), "began": START.isoformat()},
        concerns=tuple(before.standing.values()),
        open_gaps=(silence,),
    )
    garden = replace(asked.garden, enclosures=tuple(e for e in asked.garden.enclosures if e.name != "birch"))
    less = replace(asked, garden=garden, plan=plan_of(garden))
    state, effects = step(less, awake(less, memory, now), Began(now))
    state, done = carried_out(less, state, effects)
    state, effects = step(less, state, Due(max(now, state.next_turn)))
    _, more = carried_out(less, state, effects)
    stored = [e.commit for e in (*done, *more) if isinstance(e, MakeDurable)]
    over = {c.key: (c.standing, c.over_at, c.asked) for commit in stored for c in commit.concerns if c.over_at}
    assert over == {"scripted/birch": (Standing.OVER, now, None)}
    assert state.standing.keys() == before.standing.keys() - {"scripted/birch"}
    assert "gone-1" not in state.silences
    assert silence._replace(ended_at=now) in [g for commit in stored for g in commit.gaps]


def test_after_a_moment_what_was_about_to_go_goes(given: Given) -> None:
    """At once, unless a turn is due that will see to it, or none was ever taken; where nothing waits, nothing is asked for."""
    asked = asking_only(given, Scripted(hot))
    lived_through, _ = lived(asked, 2, 25.0, sends=False)
    (waiting,) = (p._replace(due_at=START) for p in lived_through.parcels.values() if p.state == Fate.WAITING)
    now = START + 90 * SECOND
    turned, next_turn = {"turned": (START + MINUTE).isoformat()}, START + 2 * MINUTE
    for facts, parcels, due_at, goes in (
        (turned, (waiting,), next_turn, True),
        (turned, (), next_turn, False),
        (turned, (waiting,), now, False),
        ({}, (waiting,), next_turn, False),
    ):
        memory = Memory(
            facts={"alive": START.isoformat(), "began": START.isoformat(), **facts},
            parcels=parcels,
            concerns=tuple(lived_through.standing.values()),
        )
        state = awake(asked, memory, now)._replace(next_turn=due_at)
        state, effects = step(asked, state, Began(now))
        assert [m.key for m in state.outgoing] == ([waiting.message.key] if goes else [])
        assert any(isinstance(e, MakeDurable) for e in effects) is goes


def test_an_absence_counts_also_where_nobody_knows_when_the_watch_began(given: Given) -> None:
    """Up to three minutes it is none."""
    for absent, gaps in ((3 * MINUTE, 0), (3 * MINUTE + SECOND, 1)):
        now = START + absent
        _, effects = step(given, awake(given, Memory(facts={"alive": START.isoformat()}), now), Began(now))
        assert len(commits(effects).gaps) == gaps


def test_after_a_step_back_a_receipt_is_at_most_a_minute_ahead_and_a_commit_is_tried_again(given: Given) -> None:
    """What lies behind stays as it was; where no commit was refused, none is tried."""
    after = START - 60 * MINUTE
    heard = {"post": after + MINUTE, "birch-1": after + MINUTE + SECOND, "alder-1": after - SECOND}
    for retry_at, tried_at in ((None, None), (START, after)):
        state = begun(given)._replace(last_heard=heard, retry_at=retry_at, committing=NOTHING_OWED)
        back, _ = step(given, state, ClockStepped(after, START))
        assert back.last_heard == {"post": after + MINUTE, "birch-1": after, "alder-1": after - SECOND}
        assert back.retry_at == tried_at
