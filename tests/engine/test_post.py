"""The outbox: every attempt is counted, what is told is forgotten as owed, and what is old is the store's to remember."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

from sensord.actions import STAY_IN
from sensord.engine.durable import NOTHING_OWED
from sensord.engine.effects import MakeDurable, Tell
from sensord.engine.events import NotSent, Sent
from sensord.engine.post import desk_of, forget_old, held_back, post, put, stands_now
from sensord.engine.state import EngineState, Given, is_of_now
from sensord.engine.step import step
from sensord.model import Fate, Message, Parcel, Severity, Standing, Telling, What
from sensord.ports import Sending
from tests.engine.living import MINUTE, START, Scripted, asking_only, begun, hot, lived

SECOND, HOUR = timedelta(seconds=1), timedelta(hours=1)


def waiting(given: Given) -> tuple[EngineState, Message]:
    """A watch with one message on its way that was never tried."""
    hot, _ = lived(given, 40, 39.5, sends=False)
    message = next(p.message for p in hot.parcels.values() if p.state == Fate.WAITING)
    return put(begun(given), [message])._replace(standing=hot.standing), message


def test_every_attempt_is_counted_and_the_next_one_is_later(given: Given) -> None:
    """Half a minute after the first, a minute after the second; the one that succeeds counts too."""
    state, message = waiting(given)
    for attempt, pause in ((1, 30), (2, 60), (3, 120)):
        at = START + attempt * HOUR
        state, effects = step(given, state._replace(committing=None), NotSent(at, message.key, "no network"))
        due_at = at + pause * SECOND
        parcel = state.parcels[message.key]
        assert (parcel.attempts, parcel.due_at, parcel.detail) == (attempt, due_at, "no network")
        assert [e.line for e in effects if isinstance(e, Tell)] == [
            f"not delivered ({message.title}), attempt {attempt}: no network"
        ]
        (commit,) = [e.commit for e in effects if isinstance(e, MakeDurable)]
        assert commit.sendings[-1] == Sending(message.key, at, "no network", due_at)
    state, effects = step(given, state._replace(committing=None), Sent(START + 4 * HOUR, message.key))
    assert (state.parcels[message.key].attempts, state.parcels[message.key].state) == (4, Fate.SENT)
    (commit,) = [e.commit for e in effects if isinstance(e, MakeDurable)]
    assert commit.sendings[-1] == Sending(message.key, START + 4 * HOUR, None, None)
    assert state.counts.sent == 1
    settled, effects = step(given, state, NotSent(START + 5 * HOUR, message.key, "late word"))
    assert (settled.parcels, effects) == (state.parcels, ()), "what went is not tried again"


def test_what_could_not_be_stored_is_judged_again_with_the_next_turn_and_goes_once(given: Given) -> None:
    """It is still to go: once, however often it was judged; and not at all where it holds no more."""
    state, message = waiting(given)
    at = max(message.at, START)
    state, _ = post(given, state, at)
    again, _ = post(given, state, at)
    assert [m.key for m in again.outgoing] == [message.key]
    over, _ = post(given, state._replace(standing={}), at)
    assert over.outgoing == ()


def test_an_end_that_is_told_is_owed_no_more_and_others_still_are(given: Given) -> None:
    """Of the concerns that are over, those that a message speaks of are done with when the channel took it."""
    state, message = waiting(given)
    (key,) = message.concerns[:1]
    over = replace(state.standing[key], standing=Standing.OVER, over_at=START)
    end = replace(message, key="end", telling=Telling.OVER)
    state = put(state, [end])._replace(standing={}, ended={key: over, "storm/birch": over})
    told, _ = step(given, state, Sent(START, "end"))
    assert list(told.ended) == ["storm/birch"]


def test_a_message_is_in_the_outbox_once_and_due_when_it_may_go(given: Given) -> None:
    """One of the same key is the same message, on its way or held back; what must wait is due then."""
    state, message = waiting(given)
    later = replace(message, key="later", not_before=START + HOUR)
    twice = put(state, [message, later, later])
    assert twice.parcels["later"] == Parcel(later, 0, START + HOUR, Fate.WAITING)
    assert twice.parcels[message.key].due_at == message.at
    assert twice.counts.messages == state.counts.messages + 1
    assert put(twice, [later]) == twice
    assert held_back(twice, [(later, "no room")]) == (twice, ())
    held, (line,) = held_back(state, [(later, "no room")])
    assert held.parcels["later"] == Parcel(later, 0, START + HOUR, Fate.HELD, "no room")
    assert isinstance(line, Tell)
    assert line.line == f"held back: {later.title} (no room)"


def test_what_is_old_is_forgotten_unless_it_waits_or_stands(given: Given) -> None:
    """A day and a half, and an hour more in memory than is looked at; both to the second. What still stands stays."""
    standing, message = waiting(given)
    state = standing._replace(standing={})
    now = message.at + 36 * HOUR
    sent = {message.key: state.parcels[message.key]._replace(state=Fate.SENT)}
    for kept, at in ((True, now), (False, now + SECOND), (True, message.at), (False, message.at - SECOND)):
        assert bool(desk_of(given, state, at).lately) is kept
    assert forget_old(state._replace(parcels=sent), now + HOUR).parcels == sent
    assert forget_old(state._replace(parcels=sent), now + HOUR + SECOND).parcels == {}
    assert message.key in forget_old(state, now + 9 * HOUR + MINUTE).parcels
    assert desk_of(given, standing, now + SECOND).lately
    assert forget_old(standing._replace(parcels=sent), now + 9 * HOUR).parcels == sent


def test_what_is_given_up_counts_as_an_attempt(given: Given) -> None:
    """Tried three times in vain until it held no more: undelivered after four. What was never tried is withdrawn after none."""
    state, message = waiting(given)
    line = replace(message, key="line", concerns=(), said=(), holds_until=START)
    for attempts, fate, known in ((3, Fate.UNDELIVERED, 4), (0, Fate.WITHDRAWN, 0)):
        tried = {"line": Parcel(line, attempts, START, Fate.WAITING)}
        after, effects = post(given, state._replace(parcels=tried, owed=NOTHING_OWED), START)
        parcel = after.parcels["line"]
        assert (parcel.attempts, parcel.state, parcel.detail) == (known, fate, "it came too late")
        given_up = (Sending("line", START, "it came too late", None),)
        assert after.owed.sendings == (given_up if attempts else ())
        assert after.owed.withdrawn == (() if attempts else (("line", "it came too late"),))
        assert [e.level for e in effects if isinstance(e, Tell)] == [40 if attempts else 20]
        assert after.outgoing == ()


def test_what_is_rewritten_goes_at_once_or_when_it_may(given: Given) -> None:
    """Told of both, answered for one: it goes for the other in the same turn; in a storm it waits for half an hour."""
    asked = asking_only(given, Scripted(hot))
    state, _ = lived(asked, 2, 25.0, sends=False)
    (message,) = (p.message for p in state.parcels.values() if p.state == Fate.WAITING)
    now, alder = START + 5 * MINUTE, state.standing["scripted/alder"]
    answered = replace(alder, standing=Standing.ANSWERED, answered_at=now, answer=What.SEEN)
    mild = {k: replace(c, verdict=replace(c.verdict, severity=Severity.MODERATE)) for k, c in state.standing.items()}
    storm = replace(alder, rule="storm", verdict=replace(alder.verdict, rule="storm", advice=STAY_IN.advice()))
    for change, at_once, due_at in (
        ({**state.standing, alder.key: answered}, True, now),
        ({**mild, storm.key: storm}, False, now + 30 * MINUTE),
    ):
        after, effects = post(asked, state._replace(standing=change, outgoing=()), now)
        (new,) = (p for p in after.parcels.values() if p.state == Fate.WAITING)
        assert after.parcels[message.key].state == Fate.WITHDRAWN
        assert new.message.key != message.key
        assert new.due_at == due_at
        assert after.outgoing == ((new.message,) if at_once else ())
        assert len(effects) == 1
        assert post(asked, after, now + MINUTE)[0].outgoing == after.outgoing, "once; and what waits is not due yet"


def test_a_message_is_of_now_as_long_as_what_it_speaks_of_stands(given: Given) -> None:
    """Of lately, to the instant; else of something that had opened by then, and is open to this day."""
    state, message = waiting(given)
    (key,) = message.concerns[:1]
    concern, parcel = state.standing[key], state.parcels[message.key]
    at = message.at
    for known, since, found in (
        ({}, at, True),
        ({}, at + SECOND, False),
        ({key: replace(concern, opened_at=at)}, at + SECOND, True),
        ({key: replace(concern, opened_at=at + SECOND)}, at + SECOND, False),
        ({key: replace(concern, opened_at=None)}, at + SECOND, False),
        ({"storm/birch": replace(concern, opened_at=at)}, at + SECOND, False),
    ):
        assert is_of_now(parcel, known, since) is found


def test_the_day_begins_at_the_gardens_midnight(given: Given) -> None:
    """At whatever moment of the day it is asked, also in the nights when the clock changes."""
    for at, midnight in (
        (datetime(2026, 8, 20, 15, 37, 11, 500_000, UTC), datetime(2026, 8, 20, 4, tzinfo=UTC)),
        (datetime(2026, 8, 20, 3, 59, 59, 999_999, UTC), datetime(2026, 8, 19, 4, tzinfo=UTC)),
        (datetime(2026, 11, 1, 17, 0, tzinfo=UTC), datetime(2026, 11, 1, 4, tzinfo=UTC)),
    ):
        assert desk_of(given, begun(given), at).day_began == midnight


def test_the_worst_goes_first_and_then_the_oldest(given: Given) -> None:
    """However they came into the outbox."""
    state, message = waiting(given)
    messages = [
        replace(message, key=key, severity=severity, at=START - minutes * MINUTE, concerns=(), said=())
        for key, severity, minutes in (
            ("new", Severity.MODERATE, 1),
            ("old", Severity.MODERATE, 2),
            ("bad", Severity.SEVERE, 0),
        )
    ]
    after, _ = post(given, put(state._replace(parcels={}), messages), START)
    assert [m.key for m in after.outgoing] == ["bad", "old", "new"]


def test_an_end_is_remembered_only_where_it_is_to_be_told(given: Given) -> None:
    """What has ended stands no more; of what nobody is to hear, nothing is owed."""
    state, message = waiting(given)
    (key,) = message.concerns[:1]
    over = replace(state.standing[key], standing=Standing.OVER, over_at=START)
    assert over.asked is not None
    for ended, owed in ((over, {key: over}), (replace(over, asked=None), {})):
        after = stands_now(state, [ended])
        assert key not in after.standing
        assert after.ended == owed
