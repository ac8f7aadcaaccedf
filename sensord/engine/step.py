"""`step(given, state, event) → (state, effects)`: the one function that daemon, replay, demonstration and tests drive.

Pure: no I/O, no clock, nothing changed in place. The order of things within one event is the order of the effects.

    Began          record how long nobody watched, and say so
    Arrived        ask for a commit; Committed then takes it in, acknowledges it, and lets out what waited for it
    Due            a turn: silences, upkeep, rules, judging, messages, outbox, one commit; or a commit tried again
    Sent, NotSent  the concerns learn what was told; the outbox knows its next attempt
    ClockStepped   turns are laid anew, and nothing known lies in a future that never was
"""

from __future__ import annotations

from sensord.engine import post, turns, waking
from sensord.engine.arriving import arrived, missed
from sensord.engine.durable import Step, committed, make_durable, not_committed
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
    LookedBack,
    Missed,
    NotCommitted,
    Noticed,
    NotSent,
    NotTaken,
    Pruned,
    Sent,
)
from sensord.engine.state import EngineState, Given


def step(given: Given, state: EngineState, event: Event) -> Step:  # one line an event is the point
    """What the engine knows after the event, and what it wants done, in order."""
    match event:
        case Arrived():
            return arrived(given, state, event)
        case Due():
            return turns.due(given, state, event)
        case Noticed():
            return turns.noticed(state, event)
        case Committed():
            return committed(given, state, event)
        case NotCommitted():
            return not_committed(state, event)
        case Sent():
            return post.sent(state, event)
        case NotSent():
            return post.not_sent(state, event)
        case NotTaken():
            return post.not_taken(state, event)
        case Began():
            return waking.began(given, state, event)
        case Missed():
            return missed(state, event)
        case ClockStepped():
            return waking.clock_stepped(given, state, event)
        case LinkLost() | LinkBack():
            return waking.link(state, event)
        case LookedBack():
            return turns.looked_back(given, state, event)
        case Ends():
            return make_durable(state, event.at)
        case Pruned():
            return turns.pruned(given, state, event)
