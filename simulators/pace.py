"""A clock for demonstrations: garden time goes on only as far as the loop has followed, and no faster than asked."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from datetime import datetime, timedelta

CATCHES_UP_S = 2.0
"""So much of a delay is made up for afterwards [real s]; where the machine can't keep up, the run takes longer."""


class PacedClock:
    """Goes to each instant that it is sent to at `speed` times real time, stands there, and never goes back.

    What was decided so depends on no machine: a slow one is waited for, whatever the pace.
    """

    is_set = True

    def __init__(self, start: datetime, speed: float, monotonic: Callable[[], float] = time.monotonic) -> None:
        self.speed = speed
        self._goal = self._due = start
        self._monotonic, self._mark = monotonic, monotonic()
        self._lock = threading.Lock()  # the page looks at it from other threads

    def now(self) -> datetime:
        """The garden's instant."""
        with self._lock:
            mark = self._monotonic()
            due = self._due + timedelta(seconds=(mark - self._mark) * self.speed)
            self._due = min(due, self._goal + timedelta(seconds=CATCHES_UP_S * self.speed))
            self._mark = mark
            return min(self._due, self._goal)

    def go_to(self, instant: datetime) -> None:
        """Let it go on to `instant`."""
        self.now()
        with self._lock:
            self._goal = max(self._goal, instant)

    def seconds_until(self, instant: datetime) -> float:
        """Real seconds until the garden's `instant` [s], if it is allowed to go there."""
        return (instant - self.now()).total_seconds() / self.speed

    def steps(self) -> list[tuple[datetime, datetime]]:
        """Never any."""
        return []
