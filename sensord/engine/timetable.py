"""When the rules are asked: instants on a grid, (every, after) → next instant. Pure.

The grid is anchored to the Unix epoch, so a restart, a replay and a clock that stepped all meet the same instants, and a
clock that jumped a year ahead costs one step, not half a million missed ones.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime, timedelta

from sensord.model import EPOCH

PATIENCE = timedelta(minutes=10)
"""How far the turns may lag behind before some are skipped."""


def next_turn(now: datetime, cadences: Iterable[timedelta]) -> datetime:
    """The first instant later than `now` at which anything is due."""
    since = now - EPOCH
    return EPOCH + since + min(every - since % every for every in cadences)


def due(turn: datetime, cadences: Mapping[str, timedelta]) -> list[str]:
    """What is due at the instant `turn` of the grid, in the order given."""
    since = turn - EPOCH
    return [name for name, every in cadences.items() if not since % every]


def turn_after(turn: datetime, now: datetime, cadences: Iterable[timedelta]) -> datetime:
    """The turn that follows `turn` when it is `now` already.

    A loop that is late by less than `PATIENCE` makes up for every turn, in order, each with what had been received by its
    instant: so a slow machine decides as a fast one does. After a longer absence, or a jump of the clock, turns are
    skipped: nobody is helped by advice on hours ago.
    """
    cadences = frozenset(cadences)
    following = next_turn(turn, cadences)
    return following if now - following < PATIENCE else next_turn(now - min(cadences), cadences)
