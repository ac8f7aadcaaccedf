"""A watch of the demonstration garden, minute by minute, in a world in which all goes well or nothing can be sent."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from enum import StrEnum
from typing import Any

from sensord.actions import LOOK_AFTER, SHADE
from sensord.engine.asking import plan_of
from sensord.engine.effects import Effect, MakeDurable, Send
from sensord.engine.events import Arrived, Began, Committed, Due, Event, NotSent, Sent
from sensord.engine.state import EngineState, Given, Memory, awake
from sensord.engine.step import step
from sensord.model import Advice, Arrival, Quantity, Reading, Severity, Verdict
from sensord.ports import Added
from sensord.rules import STORM, Bounds, Evidence, Need, Per, breach, fine

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


class Words(StrEnum):
    """What the rule of a test can say."""

    HOT = "hot"
    COOL = "cool"


@dataclass
class Scripted:
    """A rule that says what a test has it say, and keeps what it was handed."""

    says: Callable[[Evidence, datetime], Verdict]
    per: Per = Per.ENCLOSURE
    wants: tuple[Need, ...] = ()
    handed: list[Evidence] = field(default_factory=list)

    name = "scripted"
    every = MINUTE
    manner = STORM
    reasons = Words
    advises = (SHADE, LOOK_AFTER)
    Parameters = Bounds

    def needs(self, parameters: Any) -> tuple[Need, ...]:
        """As the test has it."""
        return self.wants

    def decide(self, evidence: Evidence, now: datetime) -> Verdict:
        """As the test has it."""
        self.handed.append(evidence)
        return self.says(evidence, now)


def asking_only(given: Given, rule: Scripted) -> Given:
    """The garden with no other rule than this."""
    garden = replace(given.garden, rules={rule.name: rule}, parameters={(rule.name, ""): Bounds()})
    return replace(given, garden=garden, plan=plan_of(garden))


def cool(of: Evidence, now: datetime, advice: Advice | None = None) -> Verdict:
    """What is fine, and may ask for something at its end."""
    return fine(Scripted.name, of, now, Words.COOL) if advice is None else replace(cool(of, now), advice=advice)


def hot(of: Evidence, now: datetime) -> Verdict:
    """What asks for shade at once."""
    return breach(Scripted.name, of, now, Words.HOT, Severity.SEVERE, SHADE.advice(), {})


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
