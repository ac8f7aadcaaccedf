"""What becomes durable together, what is owed when it doesn't, and what is known after it."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from sensord.engine.durable import is_owing, make_durable, merged, owing
from sensord.engine.effects import Acknowledge, Effect, MakeDurable, Send, Tell
from sensord.engine.events import Arrived, Committed, NotCommitted
from sensord.engine.state import EngineState, Given
from sensord.engine.step import step
from sensord.model import Entry, Gap, GapKind, Message, Refusal, Severity, What
from sensord.ports import Added, Commit
from tests.engine.living import ARRIVAL, BIRCH, MINUTE, START, batch, begun, lived

SECOND = timedelta(seconds=1)
GAP = Gap("larkfield", GapKind.CLOCK, "", START, START + MINUTE)


def asked(effects: tuple[Effect, ...]) -> MakeDurable:
    """The one commit that is asked for."""
    (found,) = [e for e in effects if isinstance(e, MakeDurable)]
    return found


def told(effects: tuple[Effect, ...]) -> list[str]:
    """The lines of the log."""
    return [e.line for e in effects if isinstance(e, Tell)]


def taken(given: Given, state: EngineState, event: Arrived, added: Added) -> tuple[EngineState, tuple[Effect, ...]]:
    """A batch that is made durable."""
    state, effects = step(given, state, event)
    return step(given, state, Committed(event.at, asked(effects).number, added))


def test_one_commit_at_a_time_and_what_comes_meanwhile_in_the_next(given: Given) -> None:
    """While one is on its way nothing else is asked for; when it is durable, what is owed by then goes at once."""
    state, effects = step(given, begun(given), batch(START, 25.0))
    first = asked(effects)
    state, effects = make_durable(owing(state, gaps=(GAP,)), START)
    assert effects == ()
    state, effects = step(given, state, Committed(START, first.number, Added(2, 0, 0)))
    assert asked(effects).number == first.number + 1
    assert asked(effects).commit.gaps == (GAP,)
    assert asked(effects).commit.readings == ()


def test_every_commit_shows_that_somebody_watched(given: Given) -> None:
    """Its own instant is in it; small facts alone are no reason for one."""
    state = owing(begun(given), facts={"mark": "1"})
    assert not is_owing(state)
    assert is_owing(owing(state, gaps=(GAP,)))
    _, effects = make_durable(state, START + MINUTE)
    assert asked(effects).commit.facts == {"mark": "1", "alive": (START + MINUTE).isoformat()}


def test_what_was_stored_twice_and_refused_is_counted_apart(given: Given) -> None:
    """By the store's own word, batch after batch."""
    state = begun(given)
    for n in (1, 2):
        at = START + n * MINUTE
        state, _ = taken(given, state, batch(at, 25.0), Added(3, 5, 7))
        counts = state.counts
        assert (counts.arrivals, counts.readings, counts.duplicates, counts.refused) == (n, 3 * n, 5 * n, 7 * n)


def test_a_turn_that_is_durable_takes_no_batch_with_it(given: Given) -> None:
    """A batch that came in while a turn's commit was on its way is acknowledged after its own."""
    state, effects = make_durable(owing(begun(given), gaps=(GAP,)), START)
    first = asked(effects)
    state, effects = step(given, state, batch(START, 25.0))
    assert effects == ()
    state, effects = step(given, state, Committed(START, first.number, Added(0, 0, 0)))
    assert not any(isinstance(e, Acknowledge) for e in effects)
    assert not state.has_room
    assert state.counts.arrivals == 0
    state, effects = step(given, state, Committed(START, asked(effects).number, Added(2, 0, 0)))
    assert any(isinstance(e, Acknowledge) for e in effects)
    assert state.has_room
    assert (state.committing, state.committing_batch) == (None, False), "nothing is on its way"


def test_a_refusal_is_told_once_and_since_when_is_kept(given: Given) -> None:
    """Every two seconds it is tried again; that it can't be stored is told the first time, that it works again, once."""
    state, effects = step(given, begun(given), batch(START, 25.0))
    for n in range(3):
        at = START + n * MINUTE
        state, effects = step(given, state, NotCommitted(at, asked(effects).number, "the disk is full"))
        assert told(effects) == (
            ["nothing can be stored: the disk is full; the broker keeps what comes until this is mended"]
            if n == 0
            else []
        )
        assert (state.unstored_since, state.retry_at) == (START, at + 2 * SECOND)
        assert (state.committing, state.committing_batch) == (None, False), "nothing is on its way"
        state, effects = make_durable(state, at + 2 * SECOND)
        assert state.retry_at is None
    state, effects = step(given, state, Committed(START, asked(effects).number, Added(2, 0, 0)))
    assert told(effects) == ["storing works again"]
    assert state.unstored_since is None


def test_a_turn_that_is_refused_says_what_goes_out_all_the_same(given: Given) -> None:
    """What is Severe goes before it is durable, what is not goes as soon as it is, and not only with the next turn; a commit
    that nobody asked for can't be refused."""
    _, effects = lived(given, 40, 39.5)
    messages = [e.message for e in effects if isinstance(e, Send)]
    mild, severe = (replace(messages[0], key=s.word, severity=s) for s in (Severity.MODERATE, Severity.SEVERE))
    state, effects = make_durable(owing(begun(given), gaps=(GAP,))._replace(outgoing=(mild, severe)), START)
    state, effects = step(given, state, NotCommitted(START, asked(effects).number, "full"))
    assert told(effects) == ["a turn could not be stored: full; what is urgent in it goes out all the same"]
    assert [e.message for e in effects if isinstance(e, Send)] == [severe]
    assert state.owed.gaps == (GAP,)
    with pytest.raises(ValueError, match="none is on its way"):
        step(given, state, NotCommitted(START, 1, "full"))
    state, effects = make_durable(state, START + 2 * SECOND)
    state, effects = step(given, state, Committed(START + 2 * SECOND, asked(effects).number, Added(0, 0, 0)))
    assert [e.message for e in effects if isinstance(e, Send)] == [mild]


def test_what_the_sender_has_in_hand_is_not_handed_to_it_again(given: Given) -> None:
    """The rest is."""
    _, effects = lived(given, 40, 39.5)
    message: Message = next(e.message for e in effects if isinstance(e, Send))
    other = replace(message, key="other")
    state, effects = make_durable(
        owing(begun(given), gaps=(GAP,))._replace(outgoing=(message, other), in_hand=frozenset({message.key})), START
    )
    state, effects = step(given, state, Committed(START, asked(effects).number, Added(0, 0, 0)))
    assert [e.message for e in effects if isinstance(e, Send)] == [other]
    assert (state.in_hand, state.outgoing) == ({message.key, "other"}, ())


def test_of_two_commits_in_one_the_later_word_counts(given: Given) -> None:
    """Of a concern's life, and of a fact; everything else is there in order, and another life of a concern stays beside."""
    state, _ = lived(given, 40, 39.5)
    concern = state.standing["overheating/birch"]
    later, other_life = replace(concern, tellings=7), replace(concern, breached_since=START - MINUTE)
    first = Commit(START, gaps=(GAP,), concerns=(concern, other_life), facts={"a": "1", "b": "1"})
    then = Commit(START + MINUTE, gaps=(GAP._replace(detail="x"),), concerns=(later,), facts={"b": "2"})
    assert merged(first, then) == Commit(
        START + MINUTE,
        gaps=(GAP, GAP._replace(detail="x")),
        concerns=(later, other_life),
        facts={"a": "1", "b": "2"},
    )


def test_a_receipt_that_comes_late_does_not_make_a_probe_unheard(given: Given) -> None:
    """When a probe was last heard only moves on, whatever the order within a batch and from batch to batch."""
    state = begun(given)
    newest = START + 10 * MINUTE
    for at in (newest, START):
        event = replace(batch(at, 25.0), at=newest)
        state, _ = taken(given, state, event, Added(2, 0, 0))
        assert state.last_heard["birch-1"] == newest
    assert len(state.windows[BIRCH]) == 2


def test_what_the_keeper_said_is_known_once_and_in_order(given: Given) -> None:
    """As it happened, not as it arrived; a repeated delivery adds nothing."""
    state = begun(given)
    early, late = (Entry("larkfield", START - n * MINUTE, START, "birch", What.SHADED) for n in (9, 3))
    for entries in ((late,), (early, late)):
        state, _ = taken(given, state, Arrived(START, (ARRIVAL,), entries=entries), Added(0, 0, 0))
    assert state.entries == (early, late)


def test_refusals_of_a_topic_are_told_every_ten_minutes_to_the_second(given: Given) -> None:
    """Topics are told apart; a thousand are remembered, and then all begin anew."""
    state = begun(given)

    def refuse(state: EngineState, at_s: int, *topics: str) -> tuple[EngineState, list[str]]:
        at = START + at_s * SECOND
        refusals = tuple(Refusal(at, topic, b"", "no number") for topic in topics)
        state, effects = taken(given, state, Arrived(at, (ARRIVAL,), refusals=refusals), Added(0, 0, len(topics)))
        return state, told(effects)

    state, lines = refuse(state, 0, "a", "b", "a")
    assert lines == ["refused: a: no number", "refused: b: no number"]
    state, lines = refuse(state, 599, "a")
    assert lines == []
    state, lines = refuse(state, 600, "a", "b")
    assert lines == ["refused: a: no number (and 2 more since 16:00 UTC)", "refused: b: no number"]
    state, _ = refuse(state, 600, *map(str, range(998)))
    assert len(state.refused) == 1000
    state, _ = refuse(state, 600, "one more")
    assert list(state.refused) == ["one more"]
