"""A garden as an inbox: the loop lives in it at full speed, without a broker, and the keeper's answers come back."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from datetime import datetime, timedelta

from sensord.adapters.clock import SteppedClock
from sensord.adapters.receipts import Receipts
from sensord.model import EPOCH, Arrival, Gap
from simulators.garden import Garden

STRIDE = timedelta(minutes=1)
"""The garden is stepped so far at a time, so that what the keeper reads now is answered soon."""


class GardenInbox:
    """ports.Inbox on a garden: the clock is stepped from message to message."""

    def __init__(self, garden: Garden, clock: SteppedClock) -> None:
        self._garden, self._clock = garden, clock
        self._receipts = Receipts(EPOCH)
        self._queue: deque[Arrival] = deque()

    def next_batch(self, until: datetime, limit: int) -> list[Arrival]:
        """What the garden sends before `until`."""
        while not self._queue and self._garden.now < until:
            for at, topic, payload in self._garden.step(min(until, self._garden.now + STRIDE)):
                self._queue.append(Arrival(self._receipts.stamp(topic, at), topic, payload))
        batch: list[Arrival] = []
        while self._queue and len(batch) < limit and self._queue[0].received_at < until:
            batch.append(self._queue.popleft())
        self._clock.advance_to(batch[-1].received_at if batch else until)
        return batch

    def acknowledge(self, batch: Sequence[Arrival]) -> None:
        """Nobody waits for it."""

    def gaps(self) -> list[Gap]:
        """A garden knows of none."""
        return []

    def close(self) -> None:
        """There is nothing to close."""
