"""The paced clock: as fast as asked, but never past what is allowed, and never back."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from simulators.pace import PacedClock

START = datetime(2026, 8, 20, tzinfo=UTC)
HOUR = timedelta(hours=1)


class Seconds:
    """A monotonic clock that is set by hand [s]."""

    def __init__(self) -> None:
        self.value = 0.0

    def __call__(self) -> float:
        return self.value


def test_it_runs_at_its_speed_up_to_the_limit_and_waits_there() -> None:
    """One real second is an hour; the limit is two hours ahead."""
    real = Seconds()
    clock = PacedClock(START, 3600.0, START + 2 * HOUR, real)
    real.value = 1.0
    assert clock.now() == START + HOUR
    assert clock.seconds_until(START + 3 * HOUR) == 2.0
    real.value = 10.0
    assert clock.now() == START + 2 * HOUR
    assert clock.waited_s == 8.0


def test_after_a_wait_it_goes_on_where_it_stood() -> None:
    """The time it waited is not made up for: it would run away again."""
    real = Seconds()
    clock = PacedClock(START, 3600.0, START, real)
    real.value = 100.0
    assert clock.now() == START
    clock.allow(START + 5 * HOUR)
    real.value = 101.0
    assert clock.now() == START + HOUR
    clock.allow(START + HOUR)  # less than before changes nothing
    real.value = 200.0
    assert clock.now() == START + 5 * HOUR


def test_released_it_runs_freely() -> None:
    """When nobody holds it up any more."""
    real = Seconds()
    clock = PacedClock(START, 3600.0, START, real)
    real.value = 5.0
    clock.release()
    real.value = 7.0
    assert clock.now() == START + 2 * HOUR
    clock.allow(START)
    real.value = 8.0
    assert clock.now() == START + 3 * HOUR
    assert clock.is_set
    assert clock.steps() == []
