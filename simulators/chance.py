"""Seeded chance: one independent stream per part, so that adding a part never shifts what another one draws."""

from __future__ import annotations

import math
import random


def stream(seed: int, *part: object) -> random.Random:
    """The stream of one part of the garden; the same seed and part give the same numbers on every machine."""
    return random.Random("/".join(str(word) for word in (seed, *part)))


class Drift:
    """A value that wanders around nought with a standard deviation of 1 and forgets itself in `memory_s`.

    An Ornstein–Uhlenbeck process, advanced exactly, so that it has the same spread with any step.
    """

    def __init__(self, chance: random.Random, memory_s: float) -> None:
        self._chance, self._memory_s = chance, memory_s
        self._step_s, self._keep, self._spread = 0.0, 1.0, 0.0
        self.value = chance.gauss(0.0, 1.0)

    def advance(self, step_s: float) -> float:
        """The value `step_s` later."""
        if step_s != self._step_s:
            self._step_s = step_s
            self._keep = math.exp(-step_s / self._memory_s)
            self._spread = math.sqrt(1.0 - self._keep**2)
        self.value = self.value * self._keep + self._chance.gauss(0.0, self._spread)
        return self.value


def share(normal: float) -> float:
    """The share of a normal distribution that lies below `normal`: turns a Drift into 0–1."""
    return 0.5 * (1.0 + math.erf(normal * 0.7071067811865476))
