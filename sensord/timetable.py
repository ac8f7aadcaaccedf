"""When the rules are asked: instants on a grid, (every, after) → next instant. Pure.

The grid is anchored to the Unix epoch, so a restart, a replay and a clock that stepped all meet the same instants, and a
clock that jumped a year ahead costs one step, not half a million missed ones.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime, timedelta

from sensord.model import EPOCH


def next_instant(now: datetime, every: timedelta, after: timedelta = timedelta()) -> datetime:
    """The first instant of the grid that is later than `now`; `after` shifts the grid."""
    steps = (now - EPOCH - after) // every + 1
    return EPOCH + after + steps * every


def next_turn(now: datetime, cadences: Iterable[timedelta]) -> datetime:
    """The first instant later than `now` at which anything is due."""
    return min(next_instant(now, every) for every in cadences)


def due(turn: datetime, cadences: Mapping[str, timedelta]) -> list[str]:
    """What is due at the instant `turn` of the grid, in the order given."""
    return [name for name, every in cadences.items() if (turn - EPOCH) % every == timedelta()]


def turn_after(turn: datetime, now: datetime, cadences: Iterable[timedelta]) -> datetime:
    """The turn that follows `turn` when it is `now` already: turns that were missed are not made up for.

    A single late turn is followed by the next one of the grid; only after a long absence is there anything to skip.
    """
    cadences = tuple(cadences)
    following = next_turn(turn, cadences)
    return following if now < following + min(cadences) else next_turn(now - min(cadences), cadences)
