"""The outbox: what waits is judged again before every attempt, and what became of an attempt is noted."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta

from sensord import concerns
from sensord.engine.durable import Step, make_durable, owing
from sensord.engine.effects import Effect, Level, Tell
from sensord.engine.events import NotSent, NotTaken, Sent
from sensord.engine.state import LATELY, EngineState, Given, is_of_now
from sensord.messages import Desk, postman
from sensord.model import Concern, Fate, Message, Parcel, Standing, Telling
from sensord.ports import Sending


def desk_of(given: Given, state: EngineState, now: datetime) -> Desk:
    """What the postman needs to know of the site, the keeper and the day, as it is at this moment."""
    day = now.astimezone(given.zone).replace(hour=0, minute=0, second=0, microsecond=0)
    since = now - LATELY
    return Desk(
        site=given.garden.site,
        enclosures=given.garden.enclosures,
        keeper=given.keeper,
        texts=given.texts,
        standing=state.standing,
        manners=given.garden.manners,
        lately=tuple(p for p in state.parcels.values() if p.message.at <= now and is_of_now(p, state.standing, since)),
        day_began=day,
        has_stand_in=given.has_stand_in,
    )


def put(state: EngineState, messages: Iterable[Message]) -> EngineState:
    """Messages into the outbox; one whose key is there already is the same message."""
    new = {m.key: m for m in messages if m.key not in state.parcels}
    parcels = {k: Parcel(m, 0, m.not_before or m.at, Fate.WAITING) for k, m in new.items()}
    if not new:
        return state
    counts = state.counts._replace(messages=state.counts.messages + len(new))
    return owing(
        state._replace(parcels={**state.parcels, **parcels}, counts=counts), messages=tuple(new.values())
    )  # fmt: skip


def held_back(state: EngineState, held: Iterable[tuple[Message, str]]) -> Step:
    """What is not said, and why: kept with its reason."""
    held = [(m, why) for m, why in held if m.key not in state.parcels]
    if not held:
        return state, ()
    parcels = {m.key: Parcel(m, 0, m.not_before or m.at, Fate.HELD, why) for m, why in held}
    state = owing(state._replace(parcels={**state.parcels, **parcels}), held=tuple(held))
    return state, tuple(Tell(Level.INFO, f"held back: {m.title} ({why})") for m, why in held)


def post(given: Given, state: EngineState, now: datetime) -> Step:
    """Judge again what is due, also what was to go and could not be stored, and mark for sending what still holds."""
    effects: list[Effect] = []
    state = state._replace(outgoing=())
    waiting = (p for p in state.parcels.values() if p.state == Fate.WAITING and p.due_at <= now)
    due = sorted(waiting, key=lambda p: (-p.message.severity, p.message.at))
    for parcel in due:
        if parcel.message.key in state.in_hand:
            continue
        state, told = _post_one(given, state, parcel, now)
        effects += told
    return state, tuple(effects)


def _post_one(given: Given, state: EngineState, parcel: Parcel, now: datetime) -> Step:
    message = parcel.message
    revised = postman.revise(parcel, desk_of(given, state, now), now)
    if isinstance(revised, postman.Keep):
        return state._replace(outgoing=(*state.outgoing, message)), ()
    if isinstance(revised, postman.Replace):
        state = _settled(state, parcel, Fate.WITHDRAWN, revised.why)
        state = owing(put(state, [revised.message]), withdrawn=((message.key, revised.why),))
        state = stands_now(state, revised.concerns)
        if revised.message.not_before is None:
            state = state._replace(outgoing=(*state.outgoing, revised.message))
        return state, (Tell(Level.INFO, f"replaced before sending: {message.title} ({revised.why})"),)
    if revised.undelivered:
        state = _settled(state, parcel._replace(attempts=parcel.attempts + 1), Fate.UNDELIVERED, revised.why)
        state = owing(state, sendings=(Sending(message.key, now, revised.why, None),))
        tell = Tell(Level.ERROR, f"never delivered: {message.title} ({revised.why})")
    else:
        state = _settled(state, parcel, Fate.WITHDRAWN, revised.why)
        state = owing(state, withdrawn=((message.key, revised.why),))
        tell = Tell(Level.INFO, f"withdrawn before sending: {message.title} ({revised.why})")
    return stands_now(state, revised.concerns), (tell,)


def _settled(state: EngineState, parcel: Parcel, how: Fate, why: str) -> EngineState:
    return state._replace(parcels={**state.parcels, parcel.message.key: parcel._replace(state=how, detail=why)}
    )  # fmt: skip


def sent(state: EngineState, event: Sent) -> Step:
    """It is told: the concerns that it speaks of know it now."""
    counts = state.counts._replace(sent=state.counts.sent + 1)
    state = state._replace(in_hand=state.in_hand - {event.key}, counts=counts)
    parcel = state.parcels.get(event.key)
    state = owing(state, sendings=(Sending(event.key, event.at, None, None),))
    if parcel is not None:
        state = _settled(state, parcel._replace(attempts=parcel.attempts + 1, sent_at=event.at), Fate.SENT, "")
        state = _told(state, parcel.message, event.at)
    return make_durable(state, event.at)


def not_sent(state: EngineState, event: NotSent) -> Step:
    """It waits for its next attempt."""
    state = state._replace(in_hand=state.in_hand - {event.key})
    parcel = state.parcels.get(event.key)
    if parcel is None or parcel.state != Fate.WAITING:
        return state, ()
    attempts = parcel.attempts + 1
    due = event.at + postman.next_attempt(attempts)
    waiting = parcel._replace(attempts=attempts, due_at=due, detail=event.why)
    state = state._replace(parcels={**state.parcels, event.key: waiting})
    state, effects = make_durable(owing(state, sendings=(Sending(event.key, event.at, event.why, due),)), event.at)
    line = f"not delivered ({parcel.message.title}), attempt {attempts}: {event.why}"
    return state, (Tell(Level.WARNING, line), *effects)


def not_taken(state: EngineState, event: NotTaken) -> Step:
    """It is offered again with the next turn."""
    return state._replace(in_hand=state.in_hand - {event.key}), ()


def forget_old(state: EngineState, now: datetime) -> EngineState:
    """Messages of long ago are the store's to remember, except of what still stands."""
    since, standing = now - LATELY - timedelta(hours=1), state.standing
    kept = {k: p for k, p in state.parcels.items() if p.state == Fate.WAITING or is_of_now(p, standing, since)}
    return state if len(kept) == len(state.parcels) else state._replace(parcels=kept)


def stands_now(state: EngineState, concerns: Iterable[Concern]) -> EngineState:
    """What stands is what was found last; an end that is still to be told of is remembered until it is."""
    concerns = tuple(concerns)
    if not concerns:
        return state
    standing, ended = dict(state.standing), dict(state.ended)
    for concern in concerns:
        if concern.standing is not Standing.OVER:
            standing[concern.key] = concern
            continue
        standing.pop(concern.key, None)
        if concern.asked is not None:
            ended[concern.key] = concern
    return owing(state._replace(standing=standing, ended=ended), concerns=concerns)


def _told(state: EngineState, message: Message, at: datetime) -> EngineState:
    """The concerns that the phone knows of now, also those that ended with this message."""
    known = state.ended if message.telling is Telling.OVER else state.standing
    before = {key: known[key] for key in message.concerns if key in known}
    told = {key: concerns.delivered(c, message, at) for key, c in before.items()}
    after = tuple(c for key, c in told.items() if c != before[key])
    state = state._replace(ended={k: c for k, c in state.ended.items() if k not in before})
    # what has ended stands no more, and must not take the place of what stands by now
    return owing(state, concerns=after) if message.telling is Telling.OVER else stands_now(state, after)
