"""The real clock on a machine whose wall clock can't be trusted."""

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sensord.adapters.clock import SLEW_LIMIT, STEP, RealClock, ScaledClock, SteppedClock

FLOOR = datetime(2026, 8, 1, tzinfo=UTC)


class World:
    """A wall clock and a monotonic clock that the test moves."""

    def __init__(self, wall: datetime) -> None:
        self.wall, self.mono = wall.timestamp(), 1000.0

    def clock(self) -> RealClock:
        return RealClock(FLOOR, lambda: self.wall, lambda: self.mono)

    def pass_time(self, seconds: float, step: float = 0.0) -> None:
        self.mono += seconds
        self.wall += seconds + step


def test_from_1970_it_starts_at_the_floor_and_says_it_is_not_set() -> None:
    """Before the network time arrives nothing is dated 1970, and readings can be marked."""
    world = World(datetime(1970, 1, 1, tzinfo=UTC))
    clock = world.clock()
    assert clock.now() >= FLOOR
    assert not clock.is_set
    world.pass_time(60)
    assert clock.now() >= FLOOR + timedelta(seconds=60)
    world.pass_time(1, step=(datetime(2026, 8, 20, tzinfo=UTC) - datetime(1970, 1, 1, tzinfo=UTC)).total_seconds())
    assert clock.now() >= datetime(2026, 8, 20, tzinfo=UTC)
    assert clock.is_set
    assert len(clock.steps()) == 1


def test_a_last_receipt_that_ran_ahead_by_moments_is_slewed_and_no_step() -> None:
    """Begun anew within a burst, whose receipts run ahead of the clock: it is set all the same, and does not go back."""
    world = World(FLOOR - STEP)
    clock = world.clock()
    assert clock.is_set
    assert clock.now() == FLOOR
    world.pass_time(60)
    assert clock.now() == FLOOR + timedelta(seconds=30)
    assert clock.steps() == []
    assert not World(FLOOR - STEP - timedelta(seconds=1)).clock().is_set


@pytest.mark.parametrize("jump", [3600, 86400, 365 * 86400])
def test_a_jump_forward_is_followed_and_reported_once(jump: float) -> None:
    """Hours, days or a year: the timeline goes along, and the step is reported once."""
    world = World(datetime(2026, 8, 20, tzinfo=UTC))
    clock = world.clock()
    clock.now()
    world.pass_time(1, step=jump)
    assert clock.now().timestamp() == pytest.approx(world.wall)
    assert len(clock.steps()) == 1
    assert clock.steps() == []


def test_a_small_step_back_is_slewed() -> None:
    """Five minutes back: now goes on at half speed until the wall has caught up, and never goes back."""
    world = World(datetime(2026, 8, 20, tzinfo=UTC))
    clock = world.clock()
    before = clock.now()
    world.pass_time(0, step=-300)
    for _ in range(700):
        world.pass_time(1)
        assert clock.now() >= before
        before = clock.now()
    assert before.timestamp() == pytest.approx(world.wall, abs=1)
    assert clock.steps() == []


def test_a_large_step_back_starts_afresh() -> None:
    """An hour back means that the timeline was wrong: it goes on at the wall, and says so."""
    world = World(datetime(2026, 8, 20, tzinfo=UTC))
    clock = world.clock()
    clock.now()
    world.pass_time(1, step=-3600)
    assert clock.now().timestamp() == pytest.approx(world.wall)
    assert len(clock.steps()) == 1


@given(st.lists(st.tuples(st.floats(0, 100), st.floats(-500, 1e6)), max_size=30))
def test_now_never_goes_back_but_for_a_large_step(moves: list[tuple[float, float]]) -> None:
    """Whatever the wall does, a step back of now is always reported, and larger than the slewing limit."""
    world = World(datetime(2026, 8, 20, tzinfo=UTC))
    clock = world.clock()
    before = clock.now()
    for seconds, step in moves:
        world.pass_time(seconds, step)
        after = clock.now()
        steps = clock.steps()
        if after < before:
            assert steps
            assert steps[-1].before - steps[-1].after > SLEW_LIMIT
        before = after


def test_scaled_and_stepped_clocks_only_go_on() -> None:
    """The demonstration's clock runs at its speed; the replay's goes where it is sent, never back."""
    ticks = iter([0.0, 1.0, 2.0, 2.0])
    scaled = ScaledClock(FLOOR, 3600, lambda: next(ticks))
    assert scaled.now() == FLOOR + timedelta(hours=1)
    assert scaled.now() == FLOOR + timedelta(hours=2)
    stepped = SteppedClock(FLOOR)
    stepped.advance_to(FLOOR + timedelta(hours=1))
    stepped.advance_to(FLOOR)
    assert stepped.now() == FLOOR + timedelta(hours=1)
