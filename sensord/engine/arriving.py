"""What comes in: a batch that was understood, and word that something may be missing."""

from __future__ import annotations

from dataclasses import replace

from sensord import ledger
from sensord.engine.durable import Step, make_durable, owing
from sensord.engine.effects import Level, Tell
from sensord.engine.events import Arrived, Missed
from sensord.engine.state import EngineState, Given
from sensord.model import Entry


def arrived(given: Given, state: EngineState, event: Arrived) -> Step:
    """Make it durable; nothing more is taken before that. "Done" to "shade it" is shade."""
    if state.batch is not None:
        raise ValueError("a batch came in while another one is not durable yet")
    entries: list[Entry] = []
    for said in event.entries:
        entries.append(said)
        concern = state.standing.get(said.subject)
        act = ledger.implied(said, concern) if concern is not None else None
        if act is not None:
            entries.append(act)
    return make_durable(state._replace(now=event.at, batch=replace(event, entries=tuple(entries))), event.at)


def missed(state: EngineState, event: Missed) -> Step:
    """Gaps that the inbox noticed: session lost, queue overflow."""
    lines = tuple(
        Tell(Level.WARNING, f"gap ({g.kind}) from {g.started_at} to {g.ended_at}: {g.detail}") for g in event.gaps
    )
    state, effects = make_durable(owing(state, gaps=event.gaps), event.at)
    return state, (*lines, *effects)
