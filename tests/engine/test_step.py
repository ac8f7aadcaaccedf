"""The one function that decides the order of things: what must come before what, and that it changes nothing in place."""

from __future__ import annotations

import copy
import logging
from datetime import timedelta

import pytest

from sensord.engine.effects import Acknowledge, Level, MakeDurable, Send, Summarise, Tell
from sensord.engine.events import (
    Arrived,
    Began,
    ClockStepped,
    Committed,
    Due,
    Ends,
    Event,
    LinkBack,
    LinkLost,
    NotCommitted,
    NotTaken,
    Surroundings,
)
from sensord.engine.state import Given, Memory, awake
from sensord.engine.step import step
from sensord.model import Entry, Refusal, Standing, What
from sensord.ports import Added
from tests.engine.living import ARRIVAL, BIRCH, MINUTE, START, batch, begun, carried_out, lived


@pytest.mark.outside
def test_lines_of_the_log_are_as_loud_as_the_standard_library_has_them() -> None:
    """The names and numbers of the module `logging` (Python 3.11, "Logging Levels")."""
    assert {level.name: int(level) for level in Level} == {
        name: number for name, number in logging.getLevelNamesMapping().items() if name in ("INFO", "WARNING", "ERROR")
    }


def test_a_watch_begins_with_nothing_done(given: Given) -> None:
    """All counts are of this process; and without a word of the world around, all is well there."""
    state = awake(given, Memory(), START)
    assert not any(state.counts)
    assert (state.connected, state.clock_is_set, state.has_room) == (True, True, True)
    state, effects = step(given, state._replace(next_turn=START), Due(START))
    assert (state.clock_is_set, state.shipping_trouble, state.unshipped_since) == (True, "", None)
    (asked,) = [e for e in effects if isinstance(e, MakeDurable)]
    assert (asked.number, state.committing_batch) == (1, False)


def test_a_batch_is_acknowledged_only_after_its_commit(given: Given) -> None:
    """The arrival asks for a commit and nothing else; the broker is told when it is durable, and not when it isn't."""
    state, effects = step(given, begun(given), batch(START, 25.0))
    (asked,) = effects
    assert isinstance(asked, MakeDurable)
    assert len(asked.commit.readings) == 2
    assert not state.has_room
    assert BIRCH not in state.windows, "what is not durable is not known yet"
    refused, effects = step(given, state, NotCommitted(START, asked.number, "the disk is full"))
    assert not any(isinstance(e, Acknowledge) for e in effects)
    assert not refused.has_room
    assert refused.wakes_at <= START + timedelta(seconds=2)
    state, effects = step(given, state, Committed(START, asked.number, Added(2, 0, 0)))
    assert [e for e in effects if not isinstance(e, Tell)] == [Acknowledge(batch(START, 25.0).arrivals)]
    assert state.has_room
    assert len(state.windows[BIRCH]) == 1


def test_a_refused_batch_is_asked_for_again_and_whole(given: Given) -> None:
    """After the pause the same readings are in the next commit; a second batch before that is a defect of the loop."""
    state, (asked,) = step(given, begun(given), batch(START, 25.0))
    assert isinstance(asked, MakeDurable)
    state, _ = step(given, state, NotCommitted(START, asked.number, "full"))
    with pytest.raises(ValueError, match="not durable yet"):
        step(given, state, batch(START + MINUTE, 25.0))
    retry_at = state.wakes_at
    state, effects = step(given, state, Due(retry_at))
    (again,) = [e for e in effects if isinstance(e, MakeDurable)]
    assert again.commit.readings == asked.commit.readings
    assert again.number > asked.number
    state, effects = step(given, state, Committed(retry_at, again.number, Added(2, 0, 0)))
    assert any(isinstance(e, Tell) and "works again" in e.line for e in effects)
    assert state.unstored_since is None


def test_a_message_is_durable_before_it_is_sent_and_told_only_after(given: Given) -> None:
    """Every message that is sent was in a commit before; its concern is told when the channel took it, not when it was made."""
    state, effects = lived(given, 40, 39.5)
    sends = [(n, e) for n, e in enumerate(effects) if isinstance(e, Send)]
    assert sends
    for n, send in sends:
        stored = {m.key for e in effects[:n] if isinstance(e, MakeDurable) for m in e.commit.messages}
        assert send.message.key in stored
    concern = state.standing["overheating/birch"]
    assert concern.told_at is not None
    unreached, _ = lived(given, 40, 39.5, sends=False)
    concern = unreached.standing["overheating/birch"]
    assert concern.standing is Standing.OPEN
    assert concern.told_at is None
    assert concern.tellings == 0


def test_what_is_severe_goes_out_although_it_can_not_be_stored(given: Given) -> None:
    """A turn whose commit is refused sends what is Severe in it; the rest waits, and all of it is owed."""
    state, sent, stored = begun(given), list[Send](), set[str]()
    for n in range(45):
        at = START + n * MINUTE
        state, effects = step(given, state, batch(at, 40.0 + 0.0625 * (n % 3)))
        stored |= {m.key for e in effects if isinstance(e, MakeDurable) for m in e.commit.messages}
        state, _ = carried_out(given, state, effects)
        while state.next_turn <= at + MINUTE:
            state, effects = step(given, state, Due(state.next_turn))
            commits = [e for e in effects if isinstance(e, MakeDurable)]
            for commit in commits:
                state, more = step(given, state, NotCommitted(state.now, commit.number, "the disk is full"))
                sent += [e for e in more if isinstance(e, Send)]
            state = state._replace(batch=None, retry_at=None)  # this world's inbox needs no disk
    assert {s.message.severity.word for s in sent} <= {"Severe", "Extreme"}
    assert sent
    assert {s.message.key for s in sent} <= stored | {m.key for m in state.owed.messages}


def test_a_sender_that_is_busy_is_offered_the_message_again(given: Given) -> None:
    """With the next turn, as it then holds."""
    state, effects = lived(given, 1, 25.0)
    state, _ = lived(given, 40, 39.5, sends=False)
    waiting = [p for p in state.parcels.values() if p.state == "waiting"]
    assert waiting
    key = waiting[0].message.key
    state = state._replace(in_hand=frozenset({key}))
    state, effects = step(given, state, NotTaken(state.now, key))
    assert not effects
    assert key not in state.in_hand


def test_done_to_shade_it_is_shade(given: Given) -> None:
    """The answer to what was told becomes an act in the same commit."""
    state, _ = lived(given, 40, 39.5)
    told = state.standing["overheating/birch"].told_action
    assert told == "shade"
    at = state.now + MINUTE
    said = Entry("larkfield", at, at, "overheating/birch", What.DONE)
    _, (asked,) = step(given, state, Arrived(at, (ARRIVAL,), entries=(said,)))
    assert isinstance(asked, MakeDurable)
    assert [e.what for e in asked.commit.entries] == [What.DONE, What.SHADED]


def test_a_step_changes_nothing_in_place(given: Given) -> None:
    """The same state and event give the same again, whatever was made of that state meanwhile."""
    state, _ = lived(given, 30, 38.0)
    events: list[Event] = [
        batch(state.now + MINUTE, 38.0),
        Due(state.wakes_at),
        LinkLost(state.now, state.now),
        LinkBack(state.now),
        ClockStepped(state.now - timedelta(hours=1), state.now),
        Ends(state.now),
    ]
    first = [step(given, state, e) for e in events]
    columns = {k: (list(p.times_s), list(p.values)) for k, w in state.windows.items() for p in [w.between(0, 1e12)]}
    for event in events:
        onward, effects = step(given, state, event)
        carried_out(given, onward, effects)
    assert [step(given, state, e) for e in events] == first
    again = {k: (list(p.times_s), list(p.values)) for k, w in state.windows.items() for p in [w.between(0, 1e12)]}
    assert again == columns
    assert copy.copy(state) == state


def test_a_restart_within_a_moment_goes_on_as_if_there_had_been_none(given: Given) -> None:
    """No gap, no message, and the patience with silent probes does not begin anew; after hours, a gap and a message."""
    state, _ = lived(given, 30, 25.0)
    alive = {"alive": state.committed_at.isoformat()}
    memory = Memory(last_heard=state.last_heard, facts={**state.facts, **alive}, readings=state.windows)
    soon = state.now + timedelta(seconds=20)
    again, effects = step(given, awake(given, memory, soon), Began(soon))
    assert not [e for e in effects if isinstance(e, MakeDurable) and e.commit.gaps]
    assert again.started_at == state.started_at
    assert again.turned_at == state.turned_at
    later = state.now + timedelta(hours=3)
    again, effects = step(given, awake(given, memory, later), Began(later))
    (asked,) = [e for e in effects if isinstance(e, MakeDurable)]
    assert len(asked.commit.gaps) == 1
    assert [m.rule for m in asked.commit.messages] == ["watched again"]
    assert again.started_at == later


def test_turns_that_were_missed_by_moments_are_made_up_for(given: Given) -> None:
    """What was due when the process died is asked after it began again; what was due hours ago is not."""
    state, _ = lived(given, 10, 25.0)
    facts = {**state.facts, "turned": state.turned_at.isoformat() if state.turned_at else ""}
    memory = Memory(facts=facts, readings=state.windows, last_heard=state.last_heard)
    assert state.turned_at is not None
    soon = state.turned_at + timedelta(minutes=6)
    assert awake(given, memory, soon).next_turn == state.next_turn
    later = state.turned_at + timedelta(hours=2)
    assert awake(given, memory, later).next_turn > later - 2 * MINUTE


def test_refusals_are_told_now_and_then(given: Given) -> None:
    """The first of a topic at once, then one in ten minutes with the number of the others."""
    state, lines = begun(given), list[str]()
    for n in range(25):
        at = START + n * MINUTE
        refusal = Refusal(at, "larkfield/birch/climate", b"nonsense", "no number")
        state, effects = step(given, state, Arrived(at, (ARRIVAL,), refusals=(refusal,)))
        state, done = carried_out(given, state, effects)
        lines += [e.line for e in done if isinstance(e, Tell)]
    assert len(lines) == 3
    assert lines[1].endswith("(and 9 more since 16:00 UTC)")


def test_summaries_are_made_every_ten_minutes_before_anything_is_decided(given: Given) -> None:
    """On the grid, first among the effects of the turn."""
    state = begun(given, START - MINUTE)
    turn = state._replace(next_turn=START)
    _, effects = step(given, turn, Due(START, Surroundings()))
    assert isinstance(effects[0], Summarise)
    turn = state._replace(next_turn=START + 2 * MINUTE)
    _, effects = step(given, turn, Due(START + 2 * MINUTE))
    assert not any(isinstance(e, Summarise) for e in effects)
