"""The paced clock: as fast as asked, but never past where it was sent, and never back."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from simulators.pace import CATCHES_UP_S, PacedClock

START = datetime(2026, 8, 20, tzinfo=UTC)
HOUR = timedelta(hours=1)


class Seconds:
    """A monotonic clock that is set by hand [s]."""

    def __init__(self) -> None:
        self.value = 0.0

    def __call__(self) -> float:
        return self.value


def test_it_goes_at_its_speed_to_where_it_is_sent_and_stands_there() -> None:
    """One real second is an hour; it was sent two hours on."""
    real = Seconds()
    clock = PacedClock(START, 3600.0, real)
    clock.go_to(START + 2 * HOUR)
    real.value = 1.0
    assert clock.now() == START + HOUR
    assert clock.seconds_until(START + 3 * HOUR) == 2.0
    real.value = 10.0
    assert clock.now() == START + 2 * HOUR


def test_a_little_delay_is_made_up_for_and_a_long_one_is_not() -> None:
    """The pace is kept where the machine can; it never runs after a machine that can't."""
    real = Seconds()
    clock = PacedClock(START, 3600.0, real)
    real.value = 1.0
    assert clock.now() == START
    clock.go_to(START + HOUR)
    assert clock.now() == START + HOUR  # at once: it was due
    real.value = 100.0
    clock.go_to(START + 99 * HOUR)
    assert clock.now() == START + HOUR + CATCHES_UP_S * HOUR
    real.value = 101.0
    assert clock.now() == START + HOUR + (CATCHES_UP_S + 1) * HOUR


def test_it_never_goes_back() -> None:
    """Being sent to an earlier instant changes nothing."""
    real = Seconds()
    clock = PacedClock(START, 3600.0, real)
    clock.go_to(START + 2 * HOUR)
    real.value = 5.0
    assert clock.now() == START + 2 * HOUR
    clock.go_to(START + HOUR)
    assert clock.now() == START + 2 * HOUR
    assert clock.is_set
    assert clock.steps() == []
