"""APScheduler wakes the loop at each turn.

The pitfalls of a scheduler on a machine whose clock jumps are designed out: the trigger answers from `now` alone, so a
jump of a year yields one firing and not half a million; the job only sets a flag, so it can neither be slow nor misfire;
after a step of the clock the job is laid anew; and were the scheduler to fall silent, the loop's own wait, which is
monotonic, still ends at the next turn.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any

from apscheduler.executors.pool import ThreadPoolExecutor
from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.base import BaseTrigger

from sensord.engine import timetable


class TurnTrigger(BaseTrigger):  # type: ignore[misc]  # APScheduler 3 is not typed
    """Fires at the next turn of the grid after `now`, whatever was missed."""

    def __init__(self, cadences: tuple[timedelta, ...]) -> None:
        self.cadences = cadences

    def get_next_fire_time(self, previous_fire_time: datetime | None, now: datetime) -> datetime:
        """Later than `now`, even where the previous firing was long ago."""
        return timetable.next_turn(now, self.cadences)


class TurnScheduler:
    """Calls `wake` at every turn, from a thread of its own."""

    def __init__(self, cadences: tuple[timedelta, ...], wake: Callable[[], Any]) -> None:
        self._trigger, self._wake = TurnTrigger(cadences), wake
        self._fired = time.monotonic()
        self._scheduler = BackgroundScheduler(
            timezone="UTC",
            executors={"default": ThreadPoolExecutor(1)},
            job_defaults={"coalesce": True, "misfire_grace_time": None, "max_instances": 1},
        )

    def _fire(self) -> None:
        self._fired = time.monotonic()
        self._wake()

    def age_s(self) -> float:
        """Since it last woke the loop [s]: a sign of life for the service manager."""
        return time.monotonic() - self._fired

    def start(self) -> None:
        """Begin to wake the loop."""
        self._scheduler.add_job(self._fire, self._trigger, id="turn", replace_existing=True)
        self._scheduler.start()

    def lay_anew(self) -> None:
        """After a step of the clock: forget when the next turn was to be, and ask again."""
        self._scheduler.reschedule_job("turn", trigger=self._trigger)
        self._scheduler.wakeup()

    def stop(self) -> None:
        """Stop waking."""
        self._scheduler.shutdown(wait=False)
