"""A turn costs what changed, not what is stored: counted in instructions of the interpreter, which no busy machine changes."""

from __future__ import annotations

import sys
from datetime import UTC, datetime, timedelta
from types import FrameType
from typing import Any

from sensord.engine.effects import Effect, MakeDurable
from sensord.engine.events import Arrived, Began, Committed, Due
from sensord.engine.state import EngineState, Given, Memory, awake
from sensord.engine.step import step
from sensord.model import Entry, Quantity, Reading, What
from sensord.ports import Added

START = datetime(2026, 8, 10, 4, 0, tzinfo=UTC)
MINUTE = timedelta(minutes=1)
HOUR = timedelta(hours=1)
MILD = {Quantity.TEMPERATURE: 20.0, Quantity.HUMIDITY: 0.6, Quantity.PRESSURE: 99_000.0, Quantity.BATTERY: 0.9}


class Counter:
    """Counts what the interpreter does while it is switched on."""

    instructions = 0

    def __enter__(self) -> Counter:
        self._before = sys.gettrace()
        sys.settrace(self._called)
        return self

    def __exit__(self, *_: object) -> None:
        sys.settrace(self._before)  # somebody may be watching the tests themselves

    def _called(self, frame: FrameType, event: str, argument: Any) -> Any:
        frame.f_trace_opcodes = True
        return self._done

    def _done(self, frame: FrameType, event: str, argument: Any) -> Any:
        self.instructions += event == "opcode"
        return self._done


def stored(given: Given, state: EngineState, effects: tuple[Effect, ...]) -> EngineState:
    """Every commit succeeds."""
    waiting = list(effects)
    while waiting:
        effect = waiting.pop(0)
        if isinstance(effect, MakeDurable):
            readings = len(effect.commit.readings)
            state, more = step(given, state, Committed(state.now, effect.number, Added(readings, 0, 0)))
            waiting += more
    return state


def arrived(given: Given, at: datetime, minutes: int) -> Arrived:
    """What all probes measured in the minutes before, and what the keeper said: a mild day."""
    readings = [
        Reading("larkfield", probe.name, quantity, then, then, MILD[quantity])
        for then in (at - n * MINUTE for n in range(minutes, 0, -1))
        for probe in given.garden.probes
        for quantity in sorted(probe.quantities & MILD.keys())
    ]
    kg = 8.0 + at.hour % 2
    said = Entry("larkfield", at, at, "birch", What.ANCHORED, kg, "", "keeper", "page")
    return Arrived(at, (), tuple(readings), entries=(said,) if minutes > 1 else ())


def an_hour_after(given: Given, days: int) -> int:
    """Instructions of an hour of turns, after so many days of readings and of things that the keeper said."""
    state, effects = step(given, awake(given, Memory(), START), Began(START))
    state = stored(given, state, effects)
    for hour in range(1, 24 * days + 1):
        state, effects = step(given, state, arrived(given, START + hour * HOUR, 60))
        state = stored(given, state, effects)
    begins = START + days * 24 * HOUR
    state = stored(given, *step(given, state, Due(begins)))
    counter = Counter()
    for minute in range(1, 61):
        state = stored(given, *step(given, state, arrived(given, begins + minute * MINUTE, 1)))
        while state.wakes_at <= begins + minute * MINUTE:
            due = Due(state.wakes_at)
            with counter:
                state, effects = step(given, state, due)
            state = stored(given, state, effects)
    assert len(state.entries) >= 24 * days
    assert counter.instructions > 10_000
    return counter.instructions


def test_a_turn_costs_what_changed_not_what_is_stored(given: Given) -> None:
    """Ten days of readings and entries make no turn dearer than one day of them did."""
    assert an_hour_after(given, 10) < 1.3 * an_hour_after(given, 1)
