"""Where what comes in gets its receipt and waits, bounded and in order, until the daemon takes it."""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Protocol

from sensord.model import Arrival

MILLISECOND = timedelta(milliseconds=1)
QUIET_S, LINGER_S = 0.005, 0.05
"""A batch is handed over when nothing came for `QUIET_S`, and at the latest after `LINGER_S`: fewer, larger commits."""
RECHECK_S = 1.0
"""Waits look at the clock again after this long, because it may have been set."""
WRONG_FUTURE = timedelta(minutes=10)
"""Receipts that are this far ahead of the clock were stamped by a clock that has since been put right."""


class WaitingClock(Protocol):
    """What waiting needs of a clock."""

    def now(self) -> datetime:
        """The instant [UTC, aware]."""

    def seconds_until(self, instant: datetime) -> float:
        """Real seconds to wait until `instant` [s]."""


def whole_milliseconds(at: datetime) -> datetime:
    """The instant, cut to the millisecond."""
    beyond = at.microsecond % 1000
    return at.replace(microsecond=at.microsecond - beyond) if beyond else at


class Receipts:
    """Stamps what comes in, so that a reading without a time of its own still has one that no other reading has.

    A receipt is a whole number of milliseconds, never goes back, and is never the same twice for one topic: a topic that
    sends more than one message a millisecond runs ahead of the clock, and takes the others along.
    """

    def __init__(self, not_before: datetime) -> None:
        self.latest = whole_milliseconds(not_before)
        self._at_latest: set[str] = set()  # the topics stamped with `latest`

    def stamp(self, topic: str, now: datetime) -> datetime:
        """The receipt of a message on this topic."""
        if now >= self.latest + MILLISECOND:
            self.latest = whole_milliseconds(now)
            self._at_latest = {topic}
        elif topic in self._at_latest:
            self.latest += MILLISECOND
            self._at_latest = {topic}
        else:
            self._at_latest.add(topic)
        return self.latest

    def rise_to(self, instant: datetime) -> None:
        """From now on nothing is stamped earlier than `instant`."""
        floor = whole_milliseconds(instant)
        floor += MILLISECOND if floor < instant else timedelta()
        if floor > self.latest:
            self.latest, self._at_latest = floor, set()

    def start_afresh(self, now: datetime) -> None:
        """The clock has left a wrong future: follow it back."""
        self.latest, self._at_latest = whole_milliseconds(now), set()


class Intake:
    """A bounded queue from any thread to the daemon's; `on_room` is called when a full one has room again."""

    def __init__(
        self, clock: WaitingClock, not_before: datetime, limit: int, on_room: Callable[[], None] = lambda: None
    ) -> None:
        self.limit = limit
        self._clock, self._on_room = clock, on_room
        self._changed = threading.Condition()
        self._queue: deque[Arrival] = deque()
        self._receipts = Receipts(not_before)
        self.latest_receipt = not_before
        """When the last one was received."""
        self._wanted = 1  # the waiting thread wants to be told from this many arrivals on
        self._woken = False

    def __len__(self) -> int:
        return len(self._queue)

    @property
    def is_full(self) -> bool:
        """Whether nothing more should be put."""
        return len(self._queue) >= self.limit

    def put(
        self,
        topic: str,
        payload: bytes,
        retained: bool,
        redelivered: bool,
        packet: int | None,
        connection: int,
        at: datetime | None = None,
    ) -> Arrival:
        """Stamp and queue what came at that instant, or now. To read the clock takes as long as all the rest of this."""
        with self._changed:
            receipt = self._receipts.stamp(topic, at or self._clock.now())
            self.latest_receipt = receipt
            arrival = Arrival(receipt, topic, payload, retained, redelivered, packet, connection)
            self._queue.append(arrival)
            if len(self._queue) >= self._wanted:
                self._changed.notify()
        return arrival

    def wake(self) -> None:
        """Make `next_batch` return early."""
        with self._changed:
            self._woken = True
            self._changed.notify()

    def next_batch(self, until: datetime, limit: int) -> list[Arrival]:
        """What was received before `until`, in order, at most `limit`; empty when `until` is reached, or when woken."""
        with self._changed:
            while True:
                now = self._clock.now()
                self._follow_clock_back(now)
                if limit and self._queue and self._queue[0].received_at < until:
                    self._linger(until, limit)
                    return self._hand_over(until, limit)
                if now >= until:
                    self._receipts.rise_to(until)  # whatever comes later was not received before `until`
                    return []
                if self._woken:
                    self._woken = False
                    return []
                self._changed.wait(max(0.0, min(self._clock.seconds_until(until), RECHECK_S)))

    def _linger(self, until: datetime, limit: int) -> None:
        """More may be on the way: wait a moment for it."""
        deadline = time.monotonic() + LINGER_S
        self._wanted = limit
        while len(self._queue) < limit and not self._woken:
            waiting = len(self._queue)
            seconds = min(QUIET_S, deadline - time.monotonic(), self._clock.seconds_until(until))
            if seconds <= 0 or (not self._changed.wait(seconds) and len(self._queue) == waiting):
                break
        self._wanted = 1

    def _hand_over(self, until: datetime, limit: int) -> list[Arrival]:
        queue, was_full = self._queue, self.is_full
        batch: list[Arrival] = []
        while queue and len(batch) < limit and queue[0].received_at < until:
            batch.append(queue.popleft())
        if was_full:
            self._on_room()
        return batch

    def _follow_clock_back(self, now: datetime) -> None:
        """The clock was in a wrong future and has been put right: what was stamped there is stamped anew."""
        if self._receipts.latest - now > WRONG_FUTURE:
            self._receipts.start_afresh(now)
            again = [a._replace(received_at=self._receipts.stamp(a.topic, now)) for a in self._queue]
            self._queue = deque(again)
