"""A clock for demonstrations that waits for slow machines: time in the garden runs no faster than it can be followed."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from datetime import datetime, timedelta


class PacedClock:
    """Runs `speed` times as fast as real time, but never past what has been allowed.

    A scaled clock alone runs away from a machine that can't keep up: readings then arrive hours of garden time late, and
    everything that is judged by time goes wrong. This one stands still meanwhile; the run takes longer, and stays true.
    """

    is_set = True

    def __init__(
        self, start: datetime, speed: float, limit: datetime, monotonic: Callable[[], float] = time.monotonic
    ) -> None:
        self.speed = speed
        self._now, self._monotonic, self._mark = start, monotonic, monotonic()
        self._limit: datetime | None = max(start, limit)
        self._lock = threading.Lock()
        self.waited_s = 0.0
        """Real time for which it stood still [s]."""

    def now(self) -> datetime:
        """The garden's instant."""
        with self._lock:
            mark = self._monotonic()
            ahead = self._now + timedelta(seconds=(mark - self._mark) * self.speed)
            self._mark = mark
            self._now = ahead if self._limit is None else min(ahead, self._limit)
            self.waited_s += (ahead - self._now).total_seconds() / self.speed
            return self._now

    def allow(self, until: datetime) -> None:
        """Let it run on to `until`; it never goes back."""
        self.now()
        with self._lock:
            if self._limit is not None:
                self._limit = max(self._limit, until)

    def release(self) -> None:
        """Let it run freely from now on."""
        self.now()
        with self._lock:
            self._limit = None

    def seconds_until(self, instant: datetime) -> float:
        """Real seconds until the garden's `instant` [s], if nothing holds it up."""
        return (instant - self.now()).total_seconds() / self.speed

    def steps(self) -> list[object]:
        """Never any."""
        return []
