"""Beginning, a clock that steps, and a broker that comes and goes."""

from __future__ import annotations

from datetime import datetime, timedelta

from sensord import concerns
from sensord.engine import timetable
from sensord.engine.durable import Step, is_owing, make_durable, owing
from sensord.engine.effects import Effect, Level, Tell
from sensord.engine.events import Began, ClockStepped, LinkBack, LinkLost
from sensord.engine.post import desk_of, post, put, stands_now
from sensord.engine.state import ALIVE, BEGAN, TURNED, EngineState, Given
from sensord.engine.turns import remembering
from sensord.engine.windows import Window, window_of
from sensord.messages import lines, postman
from sensord.model import Gap, GapKind, Parcel

UNNOTICED = timedelta(minutes=3)
"""An absence shorter than this is none."""
AHEAD = timedelta(minutes=1)
"""A reading that is dated ahead by less is one of now: receipts of a backlog run ahead of the clock by moments."""
ABSENCE = timedelta(minutes=15)
"""An absence of the daemon that the keeper is told of."""


def began(given: Given, state: EngineState, event: Began) -> Step:
    """After an outage: record the gap, and tell the keeper from when to when nobody watched."""
    now = event.at
    alive, before = _last_alive(state), state.facts.get(BEGAN)
    state = _configured(given, _no_later_than(state, now), now)  # a clock may have been put right while nobody watched
    if alive is not None and before is not None and -AHEAD <= now - alive <= UNNOTICED:
        # as if it had never stopped: what was about to go goes, unless a turn is due that will see to it
        state = state._replace(now=now, started_at=datetime.fromisoformat(before))
        if state.next_turn <= now or state.turned_at is None:
            return state, ()
        state, effects = post(given, state, state.turned_at)
        if not state.outgoing and not is_owing(state):
            return state, effects
        state, more = make_durable(state, now)
        return state, (*effects, *more)
    turned = min(now, state.turned_at or now)  # by which a turn that is lost with the process is missed
    state = remembering(
        state._replace(now=now, started_at=now, turned_at=turned),
        {BEGAN: now.isoformat(), TURNED: turned.isoformat()},
    )
    if alive is None or now - alive <= UNNOTICED:
        return make_durable(state, now)
    state = owing(state, gaps=(Gap(given.site, GapKind.STOPPED, "", alive, now),))
    if now - alive >= ABSENCE:
        state = put(state, [lines.watched_again(alive, now, desk_of(given, state, now))])
    return make_durable(state, now)


def _configured(given: Given, state: EngineState, now: datetime) -> EngineState:
    """What stands of an enclosure, probe or rule that is gone from the configuration is over: nobody judges it any more."""
    asked = {question.key for of_rule in given.plan.questions.values() for question in of_rule}
    state = stands_now(state, [concerns.ended(c, now) for key, c in state.standing.items() if key not in asked])
    probes = {probe.name for probe in given.garden.probes}
    silences = {name: gap for name, gap in state.silences.items() if name in probes}
    gaps = tuple(gap._replace(ended_at=now) for name, gap in state.silences.items() if name not in probes)
    return owing(state._replace(silences=silences), gaps=gaps) if gaps else state


def _last_alive(state: EngineState) -> datetime | None:
    """By what was made durable: a receipt shows as well that somebody watched."""
    alive = state.facts.get(ALIVE)
    if alive is None:
        return None
    return max([datetime.fromisoformat(alive), *state.last_heard.values()])


def clock_stepped(given: Given, state: EngineState, event: ClockStepped) -> Step:
    """Turns are laid anew from the new time on. After a step back nothing that is known lies ahead of it."""
    before, after = event.before, event.at
    gap = Gap(given.site, GapKind.CLOCK, "", min(before, after), max(before, after), "the clock stepped")
    effects: list[Effect] = [
        Tell(Level.WARNING, f"gap ({gap.kind}) from {gap.started_at} to {gap.ended_at}: from {before} to {after}")
    ]
    state = state._replace(
        now=after,
        next_turn=timetable.next_turn(after, given.plan.cadences.values()),
        retry_at=None if state.retry_at is None else after,
    )
    if after < before:
        state = _no_later_than(state, after)
    state, more = make_durable(owing(state, gaps=(gap,)), after)
    return state, (*effects, *more)


def _no_later_than(state: EngineState, now: datetime) -> EngineState:
    """What was dated by a clock that lived in the future is dated now: no pause and no dwell waits for that future."""
    standing = {key: concerns.no_later_than(c, now) for key, c in state.standing.items()}
    changed = tuple(c for key, c in standing.items() if c != state.standing[key])
    state = state._replace(
        turned_at=None if state.turned_at is None else min(state.turned_at, now),
        windows={key: _until(window, now) for key, window in state.windows.items()},
        last_heard={p: at if at <= now + AHEAD else now for p, at in state.last_heard.items()},
        standing=standing,
        parcels={k: _due_soon(p, now) for k, p in state.parcels.items()},
        started_at=None if state.started_at is None else min(state.started_at, now),
        disconnected_since=None if state.disconnected_since is None else min(state.disconnected_since, now),
        unstored_since=None if state.unstored_since is None else min(state.unstored_since, now),
        prune_at=min(state.prune_at, now),
        committed_at=min(state.committed_at, now),
    )
    return owing(state, concerns=changed) if changed else state


def _due_soon(parcel: Parcel, now: datetime) -> Parcel:
    """A pause between two attempts that ends later than any pause was reckoned from a wrong time."""
    latest = max(now + postman.LONGEST_PAUSE, parcel.message.not_before or now)
    return parcel if parcel.due_at <= latest else parcel._replace(due_at=latest)


def _until(window: Window, now: datetime) -> Window:
    part = window.between(float("-inf"), (now + AHEAD).timestamp())
    return window_of(window.horizon_s, part.times_s, part.values, part.doubts)


def link(state: EngineState, event: LinkLost | LinkBack) -> Step:
    """Whether the broker is there."""
    if isinstance(event, LinkBack):
        return state._replace(now=event.at, connected=True, disconnected_since=None), ()
    return state._replace(now=event.at, connected=False, disconnected_since=event.since), ()
