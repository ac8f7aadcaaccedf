"""The three clocks: real, scaled (demonstration) and stepped (replay). None of them ever goes back.

A Raspberry Pi has no battery clock, so wall time may be absurd after a power cut and jump when the network time arrives.
`RealClock` therefore keeps its own timeline, anchored to the wall and carried by the monotonic clock:

* the wall is ahead of it (a jump forward): it jumps along, and reports the step;
* the wall is behind by up to `SLEW_LIMIT`: it runs at half speed until the wall has caught up;
* the wall is behind by more: the timeline was wrong, it has been living in the future. It reports the step and starts
  afresh at the wall: the one case in which `now` goes back, because every later reading would otherwise be misdated.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import NamedTuple

STEP = timedelta(seconds=30)
"""A difference between wall and timeline that is called a step rather than drift."""
SLEW_LIMIT = timedelta(minutes=10)


class ClockStep(NamedTuple):
    """The wall clock stepped: the timeline left `before` and went on at `after`."""

    before: datetime
    after: datetime


class RealClock:
    """Wall time on a monotonic timeline; `floor` is an instant that is certainly past (the last receipt stored)."""

    def __init__(
        self,
        floor: datetime,
        wall: Callable[[], float] = time.time,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        self._wall, self._monotonic = wall, monotonic
        self._lock = threading.Lock()
        self._floor = floor
        self._steps: list[ClockStep] = []
        self._mark = monotonic()
        start = self._wall_now()
        self.is_set = floor - start <= STEP  # receipts of a burst run ahead of the wall by moments
        self._now = max(start, floor)

    def _wall_now(self) -> datetime:
        return datetime.fromtimestamp(self._wall(), UTC)

    def now(self) -> datetime:
        """The instant; also notices steps of the wall clock."""
        with self._lock:
            mark = self._monotonic()
            elapsed = timedelta(seconds=mark - self._mark)
            self._mark = mark
            expected = self._now + elapsed
            wall = self._wall_now()
            lead = expected - wall
            if not self.is_set:
                self.is_set = wall >= self._floor
                if self.is_set:
                    self._steps.append(ClockStep(expected, wall))
                    self._now = max(wall, expected)
                else:
                    self._now = expected
            elif lead > SLEW_LIMIT:
                self._steps.append(ClockStep(expected, wall))
                self._now = wall
            elif lead > timedelta():
                self._now += min(elapsed, max(elapsed / 2, elapsed - lead))
            else:
                if -lead > STEP:
                    self._steps.append(ClockStep(expected, wall))
                self._now = wall
            return self._now

    def seconds_until(self, instant: datetime) -> float:
        """Real seconds to wait until `instant` [s], to be waited by a monotonic clock."""
        return (instant - self.now()).total_seconds()

    def steps(self) -> list[ClockStep]:
        """The steps noticed since the last call."""
        with self._lock:
            steps, self._steps = self._steps, []
            return steps


class ScaledClock:
    """Starts at `start` and runs `speed` times as fast as real time."""

    is_set = True

    def __init__(self, start: datetime, speed: float, monotonic: Callable[[], float] = time.monotonic) -> None:
        self._start, self._speed, self._monotonic = start, speed, monotonic
        self._zero = monotonic()

    def now(self) -> datetime:
        """The garden's instant."""
        return self._start + timedelta(seconds=(self._monotonic() - self._zero) * self._speed)

    def seconds_until(self, instant: datetime) -> float:
        """Real seconds until the garden's `instant` [s]."""
        return (instant - self.now()).total_seconds() / self._speed

    def steps(self) -> list[ClockStep]:
        """Never any."""
        return []


class SteppedClock:
    """Stands still until it is advanced: replay and tests."""

    is_set = True

    def __init__(self, start: datetime) -> None:
        self._now = start

    def now(self) -> datetime:
        """The instant that it was advanced to."""
        return self._now

    def advance_to(self, instant: datetime) -> None:
        """Go on to `instant`; going back is refused by staying."""
        self._now = max(self._now, instant)

    def seconds_until(self, instant: datetime) -> float:
        """Nothing is ever waited for."""
        return 0.0

    def steps(self) -> list[ClockStep]:
        """Never any."""
        return []
