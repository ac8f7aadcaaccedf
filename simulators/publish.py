"""Publish a garden's messages to a broker over MQTT: at the pace of a clock, or message by message."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable, Collection
from datetime import datetime
from typing import Any, NamedTuple, Protocol

from simulators.garden import Garden
from simulators.probes import Sent

CONNECTS_WITHIN_S = 10.0
ACKNOWLEDGED_WITHIN_S = 30.0
SHORTEST_WAIT_S, LONGEST_WAIT_S = 0.004, 0.25
WINDOW = 200
"""Most messages on their way to the broker at a time; beyond that, publishing waits for it."""


class PaceMaker(Protocol):
    """The clock that sets the pace: see sensord.adapters.clock."""

    def now(self) -> datetime:
        """The garden's instant."""

    def seconds_until(self, instant: datetime) -> float:
        """Real seconds until the garden's `instant`."""


class NotPublished(RuntimeError):
    """The broker is not there, went away, or did not acknowledge."""


class Connection:
    """The garden's connection to a broker, from now on until `close`; NotPublished where there is none."""

    def __init__(
        self, host: str, port: int, client_id: str = "simulated-garden", retained: Collection[str] = ()
    ) -> None:
        from paho.mqtt.client import Client
        from paho.mqtt.enums import CallbackAPIVersion

        self._retained = frozenset(retained)
        self._connected = threading.Event()
        self._room = threading.Semaphore(WINDOW)
        self._all_acknowledged = threading.Condition()
        self._problem = ""
        self.sent = self.acknowledged = 0
        self._client = Client(CallbackAPIVersion.VERSION2, client_id=client_id, reconnect_on_failure=True)
        self._client.max_inflight_messages_set(WINDOW)
        self._client.on_connect = self._on_connect
        self._client.on_publish = self._on_publish
        try:
            self._client.connect(host, port, keepalive=60)
        except OSError as error:
            raise NotPublished(f"no broker at {host}:{port}: {error}") from error
        self._client.loop_start()
        if not self._connected.wait(CONNECTS_WITHIN_S):
            self.close()
            raise NotPublished(f"the broker at {host}:{port} did not let the garden in: {self._problem or 'no answer'}")

    def publish(self, message: Sent) -> None:
        """Send it with QoS 1; waits while too many are on their way."""
        if not self._room.acquire(timeout=ACKNOWLEDGED_WITHIN_S):
            raise NotPublished(f"the broker has acknowledged nothing for {ACKNOWLEDGED_WITHIN_S:g} s")
        self.sent += 1
        self._client.publish(message.topic, message.payload, qos=1, retain=message.topic in self._retained)

    def settle(self) -> None:
        """Wait until the broker has acknowledged everything."""
        with self._all_acknowledged:
            if not self._all_acknowledged.wait_for(lambda: self.acknowledged >= self.sent, ACKNOWLEDGED_WITHIN_S):
                raise NotPublished(f"{self.sent - self.acknowledged} messages were not acknowledged by the broker")

    def close(self) -> None:
        """Leave."""
        self._client.disconnect()
        self._client.loop_stop()

    def _on_connect(self, _client: Any, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        if reason.is_failure:
            self._problem = str(reason)
        else:
            self._connected.set()

    def _on_publish(self, _client: Any, _data: Any, _number: int, _reason: Any, _properties: Any) -> None:
        with self._all_acknowledged:
            self.acknowledged += 1
            self._all_acknowledged.notify_all()
        self._room.release()


class Published(NamedTuple):
    """What became of a run."""

    sent: int
    acknowledged: int
    longest_lag_s: float  # by how much of the garden's time a message was late at worst: was the pace too fast?


class Publisher:
    """Publishes one garden, with QoS 1; `stop` ends a run from another thread."""

    def __init__(self, client_id: str = "simulated-garden", retained: Collection[str] = ()) -> None:
        self._client_id, self._retained = client_id, retained
        self._stopped = threading.Event()

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
    ) -> Published:
        """Publish what the garden sends until `until`; raises NotPublished unless the broker has acknowledged all of it.

        The garden is kept one step ahead of the clock, so that each message leaves at its own instant.
        """
        connection = Connection(host, port, self._client_id, self._retained)
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
                    connection.publish(message)
                    lag_s = max(lag_s, (clock.now() - message.at).total_seconds())
                if now >= until:
                    break
                ahead = queue[0].at if queue else garden.now
                self._stopped.wait(min(LONGEST_WAIT_S, max(SHORTEST_WAIT_S, clock.seconds_until(ahead))))
            connection.settle()
        finally:
            connection.close()
        return Published(connection.sent, connection.acknowledged, lag_s)
