"""Publish a garden's messages to a broker over MQTT, at the pace of a clock: live, or as fast as a scaled clock runs."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable, Collection
from datetime import datetime, timedelta
from typing import Any, NamedTuple, Protocol

from simulators.garden import Garden
from simulators.pace import PacedClock
from simulators.probes import Sent

CONNECTS_WITHIN_S = 10.0
ACKNOWLEDGED_WITHIN_S = 30.0
SHORTEST_WAIT_S, LONGEST_WAIT_S = 0.004, 0.25
WINDOW = 200
"""Most messages on their way to the broker at a time; beyond that, publishing waits for it."""
MOST_BEHIND = 40
FREE_RUN_S = 0.06
"""How far a PacedClock may run at a time before the publisher has looked again [real s]."""


class PaceMaker(Protocol):
    """The clock that sets the pace: see sensord.edges.clock."""

    def now(self) -> datetime:
        """The garden's instant."""

    def seconds_until(self, instant: datetime) -> float:
        """Real seconds until the garden's `instant`."""


class NotPublished(RuntimeError):
    """The broker is not there, went away, or did not acknowledge."""


class Published(NamedTuple):
    """What became of a run."""

    sent: int
    acknowledged: int
    longest_lag_s: float  # by how much of the garden's time a message was late at worst: was the pace too fast?


class Publisher:
    """Publishes one garden, with QoS 1; `stop` ends a run from another thread."""

    def __init__(self, client_id: str = "simulated-garden", retained: Collection[str] = ()) -> None:
        self._client_id, self._retained = client_id, frozenset(retained)
        self._stopped, self._connected = threading.Event(), threading.Event()
        self._room = threading.Semaphore(WINDOW)
        self._sent = self._acknowledged = 0
        self._all_acknowledged = threading.Condition()
        self._problem = ""

    def stop(self) -> None:
        """End the run soon; what was sent is still waited for."""
        self._stopped.set()

    def run(
        self,
        garden: Garden,
        clock: PaceMaker,
        host: str,
        port: int,
        until: datetime,
        on_step: Callable[[Garden], None] | None = None,
        taken: Callable[[], int] | None = None,
        on_sent: Callable[[Sent], None] | None = None,
    ) -> Published:
        """Publish what the garden sends until `until`; raises NotPublished unless the broker has acknowledged all of it.

        The garden is kept one step ahead of the clock, so that each message leaves at its own instant. A PacedClock is
        held up while more than `MOST_BEHIND` messages have not been taken in yet: by the broker, or by whoever `taken`
        counts for. `on_sent` is told of each message before it leaves.
        """
        client = self._connect(host, port)
        queue: deque[Sent] = deque()
        lag_s = 0.0
        try:
            while not self._stopped.is_set():
                now = min(clock.now(), until)
                stepped = garden.now
                queue.extend(garden.step(now + garden.step_length))
                if on_step is not None and garden.now > stepped:
                    on_step(garden)
                while queue and queue[0].at <= now and not self._stopped.is_set():
                    message = queue.popleft()
                    if on_sent is not None:
                        on_sent(message)
                    self._publish(client, message)
                    lag_s = max(lag_s, (clock.now() - message.at).total_seconds())
                if now >= until:
                    break
                if isinstance(clock, PacedClock) and self._sent - self._followed(taken) <= MOST_BEHIND:
                    clock.allow(now + timedelta(seconds=FREE_RUN_S * clock.speed))
                ahead = queue[0].at if queue else garden.now
                self._stopped.wait(min(LONGEST_WAIT_S, max(SHORTEST_WAIT_S, clock.seconds_until(ahead))))
            self._wait_for_acknowledgements()
        finally:
            client.disconnect()
            client.loop_stop()
            if isinstance(clock, PacedClock):
                clock.release()
        return Published(self._sent, self._acknowledged, lag_s)

    def _followed(self, taken: Callable[[], int] | None) -> int:
        return self._acknowledged if taken is None else taken()

    # --- the connection -----------------------------------------------------------------------------------------------

    def _connect(self, host: str, port: int) -> Any:
        from paho.mqtt.client import Client
        from paho.mqtt.enums import CallbackAPIVersion

        client = Client(CallbackAPIVersion.VERSION2, client_id=self._client_id, reconnect_on_failure=True)
        client.max_inflight_messages_set(WINDOW)
        client.on_connect = self._on_connect
        client.on_publish = self._on_publish
        try:
            client.connect(host, port, keepalive=60)
        except OSError as error:
            raise NotPublished(f"no broker at {host}:{port}: {error}") from error
        client.loop_start()
        if not self._connected.wait(CONNECTS_WITHIN_S):
            client.loop_stop()
            raise NotPublished(f"the broker at {host}:{port} did not let the garden in: {self._problem or 'no answer'}")
        return client

    def _on_connect(self, _client: Any, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        if reason.is_failure:
            self._problem = str(reason)
        else:
            self._connected.set()

    def _on_publish(self, _client: Any, _data: Any, _number: int, _reason: Any, _properties: Any) -> None:
        with self._all_acknowledged:
            self._acknowledged += 1
            self._all_acknowledged.notify_all()
        self._room.release()

    def _publish(self, client: Any, message: Sent) -> None:
        if not self._room.acquire(timeout=ACKNOWLEDGED_WITHIN_S):
            raise NotPublished(f"the broker has acknowledged nothing for {ACKNOWLEDGED_WITHIN_S:g} s")
        self._sent += 1
        client.publish(message.topic, message.payload, qos=1, retain=message.topic in self._retained)

    def _wait_for_acknowledgements(self) -> None:
        with self._all_acknowledged:
            if not self._all_acknowledged.wait_for(lambda: self._acknowledged >= self._sent, ACKNOWLEDGED_WITHIN_S):
                raise NotPublished(f"{self._sent - self._acknowledged} messages were not acknowledged by the broker")
