"""The scheduler wakes the loop at each turn, and no jump of the clock makes a backlog."""

from __future__ import annotations

import threading
from datetime import UTC, datetime, timedelta

import pytest
from apscheduler.triggers.base import BaseTrigger

from sensord.adapters.scheduler import TurnScheduler, TurnTrigger

NOW = datetime(2026, 8, 20, 12, 0, 30, tzinfo=UTC)
MINUTE = timedelta(minutes=1)


@pytest.mark.parametrize("jump", [timedelta(hours=3), timedelta(days=30), timedelta(days=20_000)])
def test_after_a_jump_there_is_one_firing_and_no_backlog(jump: timedelta) -> None:
    """Walking the trigger from before a jump, as the scheduler does for missed firings, ends after a single step."""
    trigger = TurnTrigger((MINUTE, 5 * MINUTE))
    assert isinstance(trigger, BaseTrigger)
    planned = trigger.get_next_fire_time(None, NOW)
    later = NOW + jump
    missed = 0
    while planned <= later and missed < 10:
        missed += 1
        planned = trigger.get_next_fire_time(planned, later)
    assert missed == 1
    assert later < planned <= later + MINUTE


def test_after_a_step_back_the_next_turn_is_near() -> None:
    """An hour back: the following firing is within the minute, not in an hour."""
    trigger = TurnTrigger((MINUTE,))
    planned = trigger.get_next_fire_time(None, NOW)
    back = NOW - timedelta(hours=1)
    assert trigger.get_next_fire_time(planned, back) <= back + MINUTE


def test_it_wakes_the_loop_again_and_again_and_shows_life() -> None:
    """Real firings arrive, also after it was laid anew, and its age is that of the last one."""
    woken = threading.Semaphore(0)
    scheduler = TurnScheduler((timedelta(seconds=1),), woken.release)
    scheduler.start()
    try:
        assert woken.acquire(timeout=10)
        scheduler.lay_anew()
        assert woken.acquire(timeout=10)
        assert scheduler.age_s() < 5
    finally:
        scheduler.stop()
