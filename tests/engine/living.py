"""A watch of the demonstration garden, minute by minute, in a world in which all goes well or nothing can be sent."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from sensord.engine.effects import Effect, MakeDurable, Send
from sensord.engine.events import Arrived, Began, Committed, Due, Event, NotSent, Sent
from sensord.engine.state import EngineState, Given, Memory, awake
from sensord.engine.step import step
from sensord.model import Arrival, Quantity, Reading
from sensord.ports import Added

START = datetime(2026, 8, 20, 16, 0, tzinfo=UTC)  # noon in the garden
MINUTE = timedelta(minutes=1)
BIRCH = ("birch-1", Quantity.TEMPERATURE)
ARRIVAL = Arrival(START, "larkfield/birch/climate", b"{}", packet=7, connection=1)


def begun(given: Given, at: datetime = START) -> EngineState:
    """A watch that begins with an empty store."""
    state, effects = step(given, awake(given, Memory(), at), Began(at))
    return carried_out(given, state, effects)[0]


def carried_out(
    given: Given, state: EngineState, effects: tuple[Effect, ...], sends: bool = True
) -> tuple[EngineState, list[Effect]]:
    """All effects carried out in order by a world in which all goes well; every effect there was."""
    done: list[Effect] = []
    waiting = list(effects)
    while waiting:
        effect = waiting.pop(0)
        done.append(effect)
        outcome: Event | None = None
        if isinstance(effect, MakeDurable):
            outcome = Committed(state.now, effect.number, Added(len(effect.commit.readings), 0, 0))
        elif isinstance(effect, Send):
            outcome = (
                Sent(state.now, effect.message.key) if sends else NotSent(state.now, effect.message.key, "no network")
            )
        if outcome is not None:
            state, more = step(given, state, outcome)
            waiting += more
    return state, done


def batch(at: datetime, inside_c: float) -> Arrived:
    """A minute of Birch's probe and the shaded post."""
    readings = (
        Reading("larkfield", "birch-1", Quantity.TEMPERATURE, at, at, inside_c),
        Reading("larkfield", "post", Quantity.TEMPERATURE, at, at, 30.0),
    )
    return Arrived(at, (ARRIVAL._replace(received_at=at),), readings)


def lived(given: Given, minutes: int, inside_c: float, sends: bool = True) -> tuple[EngineState, list[Effect]]:
    """A watch of so many minutes at one temperature; every effect."""
    state, found = begun(given), list[Effect]()
    for n in range(minutes):
        at = START + n * MINUTE
        state, effects = step(given, state, batch(at, inside_c + 0.0625 * (n % 3)))
        state, done = carried_out(given, state, effects, sends)
        found += done
        while state.wakes_at <= at + MINUTE:
            state, effects = step(given, state, Due(state.wakes_at))
            state, done = carried_out(given, state, effects, sends)
            found += done
    return state, found
