"""The live inbox: one MQTT session that outlives connections, daemons and brokers.

One thread talks to the broker, and only it touches the client: it reads, acknowledges, connects again with growing
pauses. The daemon's thread takes from a bounded queue and hands back what it has committed; nothing is acknowledged
before. What is not acknowledged comes again: a message that is still held here, or was committed while nobody was there
to tell, is recognised by its packet identifier, and nobody gets it twice. After a restart the store recognises them.

When the queue is full, nothing is read any more, and the broker keeps what comes. If that lasts until the connection is
lost, it is not opened before half the queue is free, and the time is reported as a gap: what was sent with QoS 0
meanwhile is gone, everything else comes again.
"""

from __future__ import annotations

import contextlib
import json
import random
import select
import socket
import threading
import time
from collections import deque
from collections.abc import Sequence
from datetime import datetime
from typing import Any, NamedTuple

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import MQTTErrorCode
from paho.mqtt.reasoncodes import ReasonCode

from sensord.adapters.broker import (
    BrokerAccess,
    Unreachable,
    closed_before_answering,
    connect,
    in_plain_words,
    listen,
    lost_because,
    make_client,
    may_not_read,
    publish,
    refused_because,
    topic_of,
)
from sensord.adapters.broker_log import BrokerLog
from sensord.adapters.bulk_client import SwiftClient
from sensord.adapters.receipts import Intake, WaitingClock
from sensord.adapters.unacknowledged import Unacknowledged
from sensord.model import EPOCH, Arrival, Gap, GapKind
from sensord.ports import Transient

__all__ = ["BrokerAccess", "BrokerStatus", "MqttInbox", "Unreachable", "listen", "publish"]

QUEUE_LIMIT = 10_000
FIRST_PAUSE_S, LONGEST_PAUSE_S = 1.0, 30.0
STEADY_S = 20.0
"""A connection that lasted this long was a good one: the next pause is short again."""
LOOK_AROUND_S = 1.0
MOST_READS = 100
SUBSCRIBED = "subscribed"


class BrokerStatus(NamedTuple):
    """How the inbox stands with the broker."""

    connected: bool  # and subscribed: what is sent now comes
    since: datetime  # connected, or not, since then
    trouble: str  # the last thing that went wrong, in plain words; "" if nothing has
    connections: int
    received: int
    redelivered: int  # of messages that were still held here
    acknowledged: int
    waiting: int  # received, not yet handed over


class MqttInbox:
    """ports.Inbox over MQTT; connects at once in its own thread, until `close`.

    Args:
        settings: of the broker, and what to subscribe to.
        site: whose gaps these are.
        clock: dates what comes.
        not_before: when something was received last, before this start.
        subscribed: what the session was subscribed to then; None if the broker was never reached.
        limit: so many wait at most [messages].
    """

    def __init__(
        self,
        settings: BrokerAccess,
        site: str,
        clock: WaitingClock,
        not_before: datetime | None = None,
        subscribed: Sequence[str] | None = None,
        limit: int = QUEUE_LIMIT,
    ) -> None:
        if not settings.client_id:
            raise ValueError("client_id must not be empty: by it the broker knows whose messages it keeps")
        self._settings, self._site, self._clock = settings, site, clock
        self._intake = Intake(clock, not_before or EPOCH, limit, on_room=self._ring)
        self._bell, self._rope = socket.socketpair()
        self._bell.setblocking(False)
        self._rope.setblocking(False)
        self._closing = False
        self._unacknowledged = Unacknowledged()
        self._gaps: deque[Gap] = deque()
        self._thread = threading.Thread(target=self._run, name=f"mqtt {site}", daemon=True)
        # From here on only the network thread writes:
        self._connection = 0
        self._connected, self._since, self._trouble = False, clock.now(), ""
        self._connections = self._received = self._redelivered = self._acknowledged = 0
        self._subscribed = None if subscribed is None else frozenset(subscribed)
        self._log = BrokerLog(settings.address)
        self._greeted = self._open = False  # the broker has answered; it has let us in
        self._full_since: datetime | None = None
        self._overflow_since: datetime | None = None
        self._came_at = self._since
        self._pulse = time.monotonic()
        self._thread.start()

    # --- the daemon's side ------------------------------------------------------------------------------------------

    def next_batch(self, until: datetime, limit: int) -> list[Arrival]:
        """What was received before `until`, in order, at most `limit`; empty when `until` is reached, or when woken."""
        return self._intake.next_batch(until, limit)

    def acknowledge(self, batch: Sequence[Arrival]) -> None:
        """Let the broker forget these; only on the connection that they came by."""
        if self._unacknowledged.committed(batch):
            self._ring()

    def gaps(self) -> list[Gap]:
        """Sessions lost and overflows that became known since the last call."""
        return [self._gaps.popleft() for _ in range(len(self._gaps))]

    def put_local(self, topic: str, payload: bytes) -> None:
        """Something that comes from this program itself (the page, a command) takes its place in the queue."""
        if self._intake.is_full:
            raise Transient("too much is waiting to be stored; try again in a minute")
        self._intake.put(topic, payload, False, False, None, 0)

    def wake(self) -> None:
        """Make `next_batch` return early, from any thread."""
        self._intake.wake()

    def status(self) -> BrokerStatus:
        """How it stands at the moment."""
        counts = self._connections, self._received, self._redelivered, self._acknowledged, len(self._intake)
        return BrokerStatus(self._connected, self._since, self._trouble, *counts)

    def facts(self) -> dict[str, str]:
        """What should be known after a restart: what the session is subscribed to, once there is one."""
        if self._subscribed is None:
            return {}
        return {SUBSCRIBED: json.dumps(sorted(self._subscribed), ensure_ascii=False)}

    def connected(self) -> tuple[bool, datetime | None]:
        """Whether the broker is there, and else since when it is not."""
        return self._connected, None if self._connected else self._since

    def age_s(self) -> float:
        """How long ago the network thread was last seen alive [s]; connecting to a mute address may take a minute."""
        return time.monotonic() - self._pulse

    def close(self) -> None:
        """Leave; the session stays with the broker, and what was not acknowledged comes again."""
        self._closing = True
        self._ring()
        self.wake()
        if self._thread.is_alive():
            self._thread.join(timeout=10)
        self._bell.close()
        self._rope.close()

    def _ring(self) -> None:
        """Call the network thread; it may be ringing already, or gone."""
        with contextlib.suppress(OSError):
            self._rope.send(b"\0")

    # --- the network thread -----------------------------------------------------------------------------------------

    def _run(self) -> None:
        pause_s = FIRST_PAUSE_S / 2
        while not self._closing:
            started = time.monotonic()
            try:
                self._converse()
            except Exception as error:  # noqa: BLE001  # whatever it is: say it, and connect again
                self._lost(in_plain_words(error, self._settings))
            if not self._closing:
                self._log.lost(self._trouble)
            steady = time.monotonic() - started > STEADY_S
            pause_s = FIRST_PAUSE_S if steady else min(pause_s * 2, LONGEST_PAUSE_S)
            self._pause(pause_s * random.uniform(0.5, 1.0))  # noqa: S311  # so that many clients don't come at once

    def _converse(self) -> None:
        """One connection, from the greeting until it is lost."""
        self._connection += 1
        self._greeted = self._open = False
        self._unacknowledged.new_connection()
        client = make_client(self._settings, session=True, kind=SwiftClient)
        client.on_connect, client.on_disconnect = self._on_connect, self._on_disconnect
        client.on_subscribe, client.on_message = self._on_subscribe, self._on_message
        connect(client, self._settings, session=True, receive_maximum=self._intake.limit)
        try:
            while not self._closing and (sock := client.socket()) is not None:
                self._pulse = time.monotonic()
                self._settle(client)
                full = self._is_full()
                pending = not full and client.unread
                readers = [self._bell] if full else [self._bell, sock]
                writers = [sock] if client.want_write() else []
                readable, writable, _ = select.select(readers, writers, [], 0 if pending else LOOK_AROUND_S)
                if self._bell in readable:
                    self._bell.recv(4096)
                if pending or sock in readable:
                    self._read(client)
                if sock in writable:
                    client.loop_write()
                client.loop_misc()
        finally:
            client.disconnect()
            self._lost("")

    def _read(self, client: SwiftClient) -> None:
        """Take what is there, but look after the rest now and then. What is read at one go came at one instant."""
        self._came_at = self._clock.now()
        for _ in range(MOST_READS):
            if client.loop_read() != MQTTErrorCode.MQTT_ERR_SUCCESS or not client.unread or self._is_full():
                return

    def _is_full(self) -> bool:
        full = self._intake.is_full
        if not full:
            self._full_since = None
        elif self._full_since is None:
            self._full_since = self._clock.now()
        return full

    def _settle(self, client: SwiftClient | None) -> None:
        """Acknowledge what has become durable, where this connection owns it."""
        due = self._unacknowledged.due(self._connection if client is not None and self._open else None)
        if due and client is not None:
            client.acknowledge(due)
            self._unacknowledged.acknowledged(due)
            self._acknowledged += len(due)

    def _pause(self, seconds: float) -> None:
        """Wait before the next attempt, and until there is room for what will come."""
        deadline = time.monotonic() + seconds
        while not self._closing:
            self._pulse = time.monotonic()
            self._settle(None)
            left = deadline - time.monotonic()
            if left <= 0 and len(self._intake) <= self._intake.limit // 2:
                return
            if select.select([self._bell], [], [], min(left, LOOK_AROUND_S) if left > 0 else LOOK_AROUND_S)[0]:
                self._bell.recv(4096)

    def _lost(self, trouble: str) -> None:
        if self._full_since is not None:
            self._overflow_since = self._overflow_since or self._full_since
            self._full_since = None
        self._open = False
        if self._connected:
            self._connected, self._since = False, self._clock.now()
        if trouble:
            self._trouble = trouble

    # --- what the client calls back -----------------------------------------------------------------------------------

    def _on_connect(self, client: Client, _userdata: Any, flags: Any, code: ReasonCode, _properties: Any) -> None:
        self._greeted = True
        if code.is_failure:
            self._lost(refused_because(code, self._settings))
            return
        now = self._clock.now()
        if not flags.session_present:
            self._unacknowledged.new_session()
        if self._subscribed is not None and not flags.session_present:
            last = min(self._intake.latest_receipt, now)
            detail = "the broker did not know our session any more: what was sent meanwhile is lost"
            self._gaps.append(Gap(self._site, GapKind.SESSION, "", last, now, detail))
        if self._overflow_since is not None:
            detail = "too much came at once: what was sent with QoS 0 meanwhile is lost, the rest comes again"
            self._gaps.append(Gap(self._site, GapKind.OVERFLOW, "", self._overflow_since, now, detail))
            self._overflow_since = None
        if forgotten := sorted((self._subscribed or frozenset()).difference(self._settings.topics)):
            client.unsubscribe(forgotten)  # the session would go on collecting what is no longer in the configuration
        self._open = True
        self._subscribed = frozenset(self._settings.topics)
        self._connections += 1
        if self._settings.topics:  # always: the broker may have forgotten them
            client.subscribe([(topic, 1) for topic in self._settings.topics])
        else:
            self._connected, self._since = True, now
            self._log.connected([])
        self._intake.wake()  # so that a gap is recorded at once

    def _on_subscribe(self, _client: Client, _userdata: Any, _mid: int, codes: list[ReasonCode], _props: Any) -> None:
        refused = [topic for topic, code in zip(self._settings.topics, codes, strict=False) if code.is_failure]
        if refused:
            self._trouble = may_not_read(refused)
        self._connected, self._since = True, self._clock.now()
        self._log.connected(refused)

    def _on_disconnect(self, _client: Client, _userdata: Any, flags: Any, code: ReasonCode, _properties: Any) -> None:
        if self._closing:
            self._lost("")
        elif not self._greeted:
            self._lost(closed_before_answering(self._settings))
        elif self._open:
            self._lost(lost_because(code, flags.is_disconnect_packet_from_server, self._settings))

    def _on_message(self, _client: Client, _userdata: Any, message: MQTTMessage) -> None:
        topic = topic_of(message)
        packet = message.mid if message.qos else None
        payload = bytes(message.payload)
        again = packet is not None and message.dup
        if again and self._unacknowledged.is_known(message.mid, topic, payload, self._connection):
            self._redelivered += 1
            return
        at, by = self._came_at, self._connection
        arrival = self._intake.put(topic, payload, message.retain, message.dup, packet, by, at)
        self._received += 1
        if packet is not None:
            self._unacknowledged.hold(packet, arrival, by)
