"""What every conversation with the broker needs: settings, a client made from them, errors in plain words, short visits."""

from __future__ import annotations

import socket
import ssl
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, TypeVar

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from sensord.model import Arrival
from sensord.ports import Transient

AnyClient = TypeVar("AnyClient", bound=Client)
MOST_HEARD = 10_000
"""Messages that a visit listens to."""


class Unreachable(Transient, OSError):
    """The broker can't be spoken to at the moment; the text says why, and what to look at."""


@dataclass(frozen=True, slots=True)
class BrokerAccess:
    """How to reach the broker, who we are to it, and what we want of it."""

    host: str = "localhost"
    port: int = 1883
    client_id: str = "sensord"
    user: str = ""
    password: str = ""
    tls: bool = False
    ca_file: str = ""  # "" with TLS: the authorities that the system trusts
    certificate_file: str = ""
    key_file: str = ""
    protocol: str = "3.1.1"  # or "5"
    session_expiry_s: int = 7 * 24 * 3600  # how long the broker keeps our messages while we are away; MQTT 5 only
    keepalive_s: int = 60
    topics: tuple[str, ...] = ()

    @property
    def address(self) -> str:
        """For messages to people."""
        return f"{self.host}:{self.port}"


def make_client(settings: BrokerAccess, session: bool, kind: type[AnyClient]) -> AnyClient:
    """A paho client that keeps a session under our name, or a nameless one; OSError and ValueError name unusable files."""
    version5 = settings.protocol == "5"
    client = kind(
        CallbackAPIVersion.VERSION2,
        client_id=settings.client_id if session else "",
        clean_session=None if version5 else not session,
        protocol=MQTTProtocolVersion.MQTTv5 if version5 else MQTTProtocolVersion.MQTTv311,
        manual_ack=session,
        reconnect_on_failure=False,  # the supervisor reconnects
    )
    if settings.user:
        client.username_pw_set(settings.user, settings.password or None)
    if settings.tls:
        client.tls_set_context(_tls_context(settings))
    return client


def _tls_context(settings: BrokerAccess) -> ssl.SSLContext:
    for key in ("ca_file", "certificate_file", "key_file"):
        name = getattr(settings, key)
        if name and not Path(name).is_file():
            raise FileNotFoundError(f"{key} {name} is not there")
    try:
        context = ssl.create_default_context(cafile=settings.ca_file or None)
        if settings.certificate_file:
            context.load_cert_chain(settings.certificate_file, settings.key_file or None)
    except ssl.SSLError as error:
        raise ValueError(f"ca_file, certificate_file or key_file is no usable PEM file: {error.reason}") from None
    return context


def connect(client: Client, settings: BrokerAccess, session: bool, receive_maximum: int = 65535) -> None:
    """Open the connection and ask for the session; raises OSError. The broker's answer comes to `on_connect`."""
    if settings.protocol != "5":
        client.connect(settings.host, settings.port, settings.keepalive_s)
        return
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]  # paho has left it untyped
    if session:
        properties.SessionExpiryInterval = min(settings.session_expiry_s, 0xFFFFFFFF)
        properties.ReceiveMaximum = max(1, min(receive_maximum, 65535))
    client.connect(settings.host, settings.port, settings.keepalive_s, clean_start=not session, properties=properties)


_REFUSALS = {
    "Unsupported protocol version": "the broker does not speak MQTT {protocol}",
    "Client identifier not valid": "the broker does not accept the client_id {client_id!r}",
    "Bad user name or password": "the broker does not accept the user name {user!r} or its password",
    "Not authorized": "the broker does not let {who} in; are the user name and the password right?",
    "Server unavailable": "the broker says that it is not available",
    "Session taken over": "another program has connected with the same client_id {client_id!r}; is a second one running?",
}


def refused_because(code: ReasonCode, settings: BrokerAccess) -> str:
    """A reason code of CONNACK or DISCONNECT in plain words."""
    who = f"user {settings.user!r}" if settings.user else "anybody without a user name"
    words = _REFUSALS.get(str(code), "the broker says: {code}")
    return words.format(
        protocol=settings.protocol, client_id=settings.client_id, user=settings.user, who=who, code=code
    )


def lost_because(code: ReasonCode, said_so: bool, settings: BrokerAccess) -> str:
    """How an established connection ended; MQTT 5 brokers say why, older ones just go."""
    if said_so:
        return refused_because(code, settings)
    if str(code) == "Keep alive timeout":
        return f"{settings.address} has not answered for {settings.keepalive_s} s"
    return (
        f"{settings.address} closed the connection; if that goes on, look for another program "
        f"with the same client_id {settings.client_id!r}"
    )


def in_plain_words(error: BaseException, settings: BrokerAccess) -> str:
    """What went wrong on the way to the broker, and what to look at."""
    where = settings.address
    if isinstance(error, ssl.SSLCertVerificationError):
        right = "ca_file must name the authority that signed it"
        return f"the certificate of {where} is not trusted: {error.verify_message}; {right}"
    if isinstance(error, ssl.SSLError):
        return f"no TLS with {where}: {error.reason or error}; is this the broker's TLS port?"
    if isinstance(error, socket.gaierror):
        return f"the name {settings.host!r} is not known in this network"
    if isinstance(error, ConnectionRefusedError):
        return f"nothing listens at {where}; is the broker running there?"
    if isinstance(error, TimeoutError):
        return f"{where} does not answer; is that its address, and is it switched on?"
    if isinstance(error, OSError):
        return f"{where}: {error.strerror or error}"
    return f"unexpected trouble with {where}: {error!r}"


def closed_before_answering(settings: BrokerAccess) -> str:
    """A connection that ended, or hung, before the broker's greeting."""
    kind = "does it speak MQTT without TLS there?" if settings.tls else "does it want TLS there?"
    return f"{settings.address} did not answer the greeting; is it an MQTT broker, and {kind}"


# --- short visits -----------------------------------------------------------------------------------------------------


@contextmanager
def _visit(settings: BrokerAccess, timeout_s: float) -> Iterator[Client]:
    """A nameless client that the broker has greeted; Unreachable says why it has not."""
    greeting: list[str] = []
    greeted = threading.Event()

    def on_connect(_client: Client, _userdata: Any, _flags: Any, code: ReasonCode, _properties: Any) -> None:
        greeting.append(refused_because(code, settings) if code.is_failure else "")
        greeted.set()

    client = make_client(settings, session=False, kind=Client)
    client.on_connect = on_connect
    try:
        connect(client, settings, session=False)
    except OSError as error:
        raise Unreachable(in_plain_words(error, settings)) from None
    client.loop_start()
    try:
        if not greeted.wait(timeout_s):
            raise Unreachable(closed_before_answering(settings))
        if greeting[0]:
            raise Unreachable(greeting[0])
        yield client
    finally:
        client.disconnect()
        client.loop_stop()


def publish(
    settings: BrokerAccess, topic: str, payload: bytes | str, retain: bool = False, timeout_s: float = 10.0
) -> None:
    """Publish one message with QoS 1 and wait until the broker has taken it; Unreachable says why it has not."""
    refused: list[str] = []

    def on_publish(_client: Client, _userdata: Any, _mid: int, code: ReasonCode, _properties: Any) -> None:
        if code.is_failure:
            refused.append(f"the broker does not take messages on {topic!r}: {code}")

    with _visit(settings, timeout_s) as client:
        client.on_publish = on_publish
        info = client.publish(topic, payload, qos=1, retain=retain)
        if info.rc == MQTTErrorCode.MQTT_ERR_SUCCESS:
            info.wait_for_publish(timeout_s)
        if refused or not info.is_published():
            late = f"{settings.address} did not confirm the message within {timeout_s:g} s"
            raise Unreachable(refused[0] if refused else late)


def listen(settings: BrokerAccess, seconds: float, timeout_s: float = 10.0) -> list[Arrival]:
    """What comes on our topics within `seconds`, without touching our session; Unreachable, or where we may not read."""
    heard: list[Arrival] = []
    refused: list[str] = []

    def on_message(_client: Client, _userdata: Any, message: MQTTMessage) -> None:
        if len(heard) < MOST_HEARD:
            heard.append(Arrival(datetime.now(UTC), topic_of(message), bytes(message.payload), message.retain))

    def on_subscribe(_client: Client, _userdata: Any, _mid: int, codes: list[ReasonCode], _props: Any) -> None:
        refused.extend(topic for topic, code in zip(settings.topics, codes, strict=False) if code.is_failure)

    with _visit(settings, timeout_s) as client:
        client.on_message, client.on_subscribe = on_message, on_subscribe
        if settings.topics:
            client.subscribe([(topic, 1) for topic in settings.topics])
        time.sleep(seconds)
    if refused:
        raise Unreachable(may_not_read(refused))
    return heard


def topic_of(message: MQTTMessage) -> str:
    """The topic, even where a broker lets one through that is not UTF-8."""
    try:
        return message.topic
    except UnicodeDecodeError as error:
        return error.object.decode("utf-8", "backslashreplace")


def may_not_read(topics: list[str]) -> str:
    """The broker's access list is against us."""
    return f"the broker does not let us read {', '.join(topics)}; see its access list"
