"""Receipts and the queue: order, the promise of `until`, waking, and a clock that was wrong."""

from __future__ import annotations

import threading
import time
from datetime import UTC, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from sensord.adapters.clock import RealClock, ScaledClock
from sensord.adapters.receipts import Intake, Receipts

START = datetime(2026, 8, 20, 14, 0, tzinfo=UTC)
MS = timedelta(milliseconds=1)


def put(intake: Intake, topic: str = "t") -> datetime:
    return intake.put(topic, b"1", False, False, None, 0).received_at


@given(st.lists(st.tuples(st.integers(-5, 5), st.sampled_from("abc")), min_size=1))
def test_receipts_never_go_back_and_are_unique_for_a_topic(moves: list[tuple[int, str]]) -> None:
    """Whatever the clock does by milliseconds: order of receipt is kept, and a topic never has the same one twice."""
    receipts = Receipts(START)
    now, stamps, last = START, [], {}
    for step, topic in moves:
        now += step * MS / 2
        stamp = receipts.stamp(topic, now)
        assert stamp.microsecond % 1000 == 0
        assert stamp >= now - MS
        assert topic not in last or stamp >= last[topic] + MS
        last[topic] = stamp
        stamps.append(stamp)
    assert stamps == sorted(stamps)
    assert stamps[0] >= START


def test_a_single_topic_runs_ahead_and_others_follow() -> None:
    """Five messages of one topic in one instant take five milliseconds; a message of another topic comes after them."""
    receipts = Receipts(START)
    assert [receipts.stamp("a", START) for _ in range(5)] == [START + i * MS for i in range(5)]
    assert receipts.stamp("b", START) == START + 4 * MS
    assert receipts.stamp("b", START) == START + 5 * MS


class World:
    """A wall clock that the test can set; time itself is real."""

    def __init__(self, start: datetime) -> None:
        self._off = start.timestamp() - time.time()

    def wall(self) -> float:
        return time.time() + self._off

    def set(self, by: timedelta) -> None:
        self._off += by.total_seconds()


def test_until_is_a_promise() -> None:
    """Once `next_batch` has come back empty for an instant, nothing is ever stamped earlier, whatever other threads do."""
    clock = ScaledClock(START, 200.0)
    intake = Intake(clock, START, 100_000)
    stop = threading.Event()

    def sender() -> None:
        while not stop.is_set():
            put(intake, "a")
            put(intake, "b")

    threads = [threading.Thread(target=sender) for _ in range(2)]
    for thread in threads:
        thread.start()
    passed, got = START, []
    try:
        for _ in range(100):
            until = passed + timedelta(seconds=0.7131)
            while batch := intake.next_batch(until, 500):
                assert all(passed <= arrival.received_at < until for arrival in batch)
                got += [arrival.received_at for arrival in batch]
            passed = until
    finally:
        stop.set()
        for thread in threads:
            thread.join()
    assert got == sorted(got)
    assert got


def test_a_batch_is_limited_and_lingers_only_shortly() -> None:
    """At most `limit` come; a few that come together are one batch; nobody waits long for more."""
    intake = Intake(RealClock(START), START, 1000)
    for _ in range(12):
        put(intake)
    started = time.monotonic()
    assert len(intake.next_batch(datetime.now(UTC) + timedelta(hours=1), 10)) == 10
    assert len(intake.next_batch(datetime.now(UTC) + timedelta(hours=1), 10)) == 2
    assert time.monotonic() - started < 0.5


def test_what_is_stamped_after_until_waits() -> None:
    """Receipts that ran ahead of the clock are not handed over before their time."""
    clock = ScaledClock(START, 1.0)
    intake = Intake(clock, START, 1000)
    stamps = [put(intake) for _ in range(200)]
    until = stamps[0] + 50 * MS
    got = []
    while batch := intake.next_batch(until, 500):
        got += batch
    assert [a.received_at for a in got] == [s for s in stamps if s < until]
    assert len(intake) == 200 - len(got)


def test_with_no_limit_left_it_only_waits() -> None:
    """Nothing is taken while nothing can be stored, and the wait is no busy loop."""
    intake = Intake(RealClock(START), START, 10)
    put(intake)
    used = time.process_time()
    assert intake.next_batch(datetime.now(UTC) + timedelta(seconds=0.3), 0) == []
    assert time.process_time() - used < 0.1
    assert len(intake) == 1


def test_waking_is_not_forgotten() -> None:
    """A wake that comes before the wait ends it too, once."""
    intake = Intake(RealClock(START), START, 10)
    intake.wake()
    started = time.monotonic()
    assert intake.next_batch(datetime.now(UTC) + timedelta(hours=1), 10) == []
    assert time.monotonic() - started < 0.2
    assert intake.next_batch(datetime.now(UTC) + timedelta(seconds=0.2), 10) == []
    assert time.monotonic() - started >= 0.2


def test_room_is_reported_once_it_is_there() -> None:
    """Whoever stopped because it was full is told."""
    told: list[int] = []
    intake = Intake(RealClock(START), START, 3, on_room=lambda: told.append(1))
    for _ in range(3):
        put(intake)
    assert intake.is_full
    intake.next_batch(datetime.now(UTC) + timedelta(hours=1), 2)
    assert (intake.is_full, told) == (False, [1])


def test_a_clock_that_was_in_the_future_does_not_block_the_queue() -> None:
    """Two days ahead and then put right: what waited is stamped anew and handed over now, not in two days."""
    world = World(START + timedelta(days=2))
    clock = RealClock(START, wall=world.wall)
    intake = Intake(clock, START, 100)
    put(intake, "a")
    put(intake, "b")
    world.set(-timedelta(days=2))
    put(intake, "a")
    batch = intake.next_batch(START + timedelta(hours=1), 10)
    assert [a.topic for a in batch] == ["a", "b", "a"]
    assert all(START <= a.received_at < START + timedelta(minutes=1) for a in batch)


def test_a_clock_that_is_set_forward_ends_the_wait() -> None:
    """Waiting is by the monotonic clock, but an instant that the wall has reached by a jump is noticed soon."""
    world = World(START)
    clock = RealClock(START, wall=world.wall)
    intake = Intake(clock, START, 100)
    threading.Timer(0.1, world.set, [timedelta(hours=3)]).start()
    started = time.monotonic()
    assert intake.next_batch(START + timedelta(hours=1), 10) == []
    assert time.monotonic() - started < 3
