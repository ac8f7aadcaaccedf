"""The bulk-reading client: that it still does read in bulk, and that its acknowledgements are whole."""

from __future__ import annotations

import select
import socket
import struct
import threading
from pathlib import Path
from typing import Any

import pytest
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

from sensord.adapters.broker import BrokerAccess, connect, make_client
from sensord.adapters.bulk_client import SwiftClient
from tests.adapters.broker import Mosquitto


class Counting(SwiftClient):
    """Counts the system calls that reading takes."""

    calls = 0

    def _sock_recv(self, bufsize: int) -> bytes:
        if self._at >= len(self._chunk):
            self.calls += 1
        return super()._sock_recv(bufsize)


@pytest.mark.parametrize("protocol", ["3.1.1", "5"])
def test_the_library_still_reads_through_the_chunk(tmp_path: Path, protocol: str) -> None:
    """The one place where paho's inside is leaned on: 500 messages take far fewer reads than packets, and all come."""
    with Mosquitto(tmp_path / "broker") as broker:
        settings = BrokerAccess("127.0.0.1", broker.port, protocol=protocol)
        client = make_client(settings, session=True, kind=Counting)
        got: list[int] = []
        packets: list[int] = []

        def on_message(_client: Client, _userdata: Any, message: Any) -> None:
            got.append(int(message.payload))
            packets.append(message.mid)

        client.on_message = on_message
        client.on_connect = lambda *_: client.subscribe("garden/#", 1)
        client.on_subscribe = lambda *_: [client.publish("garden/a", str(n), qos=1) for n in range(500)]
        connect(client, settings, session=True)
        while len(got) < 500:
            assert client.unread or select.select([client.socket()], [], [], 10)[0]
            client.loop_read()
            if client.want_write():
                client.loop_write()
        client.acknowledge(packets)
        client.disconnect()
        assert got == list(range(500))
        assert client.calls < 250


def test_acknowledgements_are_whole_even_when_the_line_is_slow() -> None:
    """20,000 of them through a socket that takes a few bytes at a time: every one arrives, in order, unbroken."""
    near, far = socket.socketpair()
    near.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, 2048)
    near.setblocking(False)
    client = SwiftClient(CallbackAPIVersion.VERSION2, "x", clean_session=False, manual_ack=True)
    client.socket = lambda: near  # type: ignore[method-assign]
    received = bytearray()

    def read() -> None:
        while data := far.recv(1000):
            received.extend(data)

    reader = threading.Thread(target=read)
    reader.start()
    packets = [n % 65535 + 1 for n in range(20_000)]
    client.acknowledge(packets)
    near.close()
    reader.join()
    far.close()
    assert bytes(received) == b"".join(struct.pack(">HH", 0x4002, packet) for packet in packets)


def test_a_line_that_takes_nothing_is_lost(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nobody reads at the other end: after some patience that is an error, not a hang."""
    monkeypatch.setattr("sensord.adapters.bulk_client.PATIENCE_S", 0.1)
    near, far = socket.socketpair()
    near.setblocking(False)
    client = SwiftClient(CallbackAPIVersion.VERSION2, "x", clean_session=False, manual_ack=True)
    client.socket = lambda: near  # type: ignore[method-assign]
    with pytest.raises(TimeoutError):
        client.acknowledge([1] * 1_000_000)
    near.close()
    far.close()
