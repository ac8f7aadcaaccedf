"""A garden as an inbox over a real broker: in lockstep, so that what is decided depends on no machine and no pace.

The garden is stepped, what it sends is published, and the clock goes on only when all of it has come back by the live
inbox. Each message then has the receipt that the garden gave it, whatever the network took. So a run over a broker says
the same as one without (simulators.inbox), byte for byte, on a fast and on a slow machine.
"""

from __future__ import annotations

import threading
import time
from collections import Counter, defaultdict, deque
from collections.abc import Sequence
from datetime import datetime, timedelta

from sensord.adapters.mqtt import MqttInbox
from sensord.adapters.receipts import Receipts
from sensord.model import EPOCH, Arrival, Gap
from simulators.garden import Garden
from simulators.inbox import STRIDE
from simulators.pace import PacedClock
from simulators.probes import Sent
from simulators.publish import Connection

COMES_BACK_WITHIN_S = 60.0
"""Most time that a message may take through the broker [real s], on a machine that is busy with other things."""
LOOK_AROUND_S = 1.0
A_WHILE = timedelta(days=1)


class NotCarried(RuntimeError):
    """What the garden sent did not come back from the broker."""


class BrokeredInbox:
    """ports.Inbox on a garden whose messages go through a broker; what others put into `inbox` meanwhile comes along."""

    def __init__(self, garden: Garden, clock: PacedClock, inbox: MqttInbox, connection: Connection) -> None:
        self._garden, self._clock, self._inbox, self._connection = garden, clock, inbox, connection
        self._receipts = Receipts(EPOCH)
        self._queue: deque[Arrival] = deque()
        self._others: list[Arrival] = []
        self.carried = 0
        """Messages that went through the broker."""
        self._closing = threading.Event()
        self._rouser = threading.Thread(target=self._rouse, name="garden's patience", daemon=True)
        self._rouser.start()

    def _rouse(self) -> None:
        """Have the waiting look up now and then: the clock by which it waits stands still."""
        while not self._closing.wait(LOOK_AROUND_S):
            self._inbox.wake()

    def next_batch(self, until: datetime, limit: int) -> list[Arrival]:
        """What the garden sends before `until`, all of it, by the broker."""
        while not self._queue and self._garden.now + self._garden.step_length <= until:
            self._carry(self._garden.step(min(until, self._garden.now + max(STRIDE, self._garden.step_length))))
        due = [arrival for arrival in self._queue if arrival.received_at < until][:limit]
        others = self._wait_for(due[-1].received_at if due else until, limit)
        if others:
            return others
        for _ in due:
            self._queue.popleft()
        return due

    def _wait_for(self, instant: datetime, limit: int) -> list[Arrival]:
        """Let the clock come to `instant`; ends early with what somebody else has said meanwhile."""
        self._clock.go_to(instant)
        while self._clock.now() < instant and not (limit and self._others):
            self._others += self._inbox.next_batch(instant, limit)
        others, self._others = self._others[:limit], self._others[limit:]
        return others

    def _carry(self, messages: Sequence[Sent]) -> None:
        """Through the broker and back; the clock stands meanwhile."""
        missing = Counter((message.topic, message.payload) for message in messages)
        came: defaultdict[tuple[str, bytes], deque[Arrival]] = defaultdict(deque)
        for message in messages:
            self._connection.publish(message)
        deadline = time.monotonic() + COMES_BACK_WITHIN_S
        while left := missing.total():
            for arrival in self._inbox.next_batch(self._clock.now() + A_WHILE, left):
                key = arrival.topic, arrival.payload
                if arrival.connection and missing[key]:
                    came[key].append(arrival)
                    missing[key] -= 1
                else:
                    self._others.append(arrival)
            if missing.total() and time.monotonic() > deadline:
                raise NotCarried(f"{left} messages did not come back from the broker within {COMES_BACK_WITHIN_S:g} s")
        for message in messages:
            arrival = came[message.topic, message.payload].popleft()
            self._queue.append(arrival._replace(received_at=self._receipts.stamp(message.topic, message.at)))
        self.carried += len(messages)

    def acknowledge(self, batch: Sequence[Arrival]) -> None:
        """These are durable."""
        self._inbox.acknowledge(batch)

    def gaps(self) -> list[Gap]:
        """As the live inbox."""
        return self._inbox.gaps()

    def close(self) -> None:
        """Leave the broker, by both connections."""
        self._closing.set()
        self._rouser.join()
        self._connection.close()
        self._inbox.close()
