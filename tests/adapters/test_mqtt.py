"""The live inbox against a real mosquitto: what is kept, what comes again, what is lost and said to be lost."""

from __future__ import annotations

import contextlib
import gc
import random
import socket
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

from sensord.adapters import mqtt
from sensord.adapters.broker import Unreachable, connect, make_client
from sensord.adapters.clock import RealClock
from sensord.adapters.mqtt import BrokerAccess, MqttInbox, publish
from sensord.model import Arrival, GapKind
from tests.adapters.broker import Mosquitto, free_port

FLOOR = datetime(2026, 1, 1, tzinfo=UTC)
FAR = timedelta(days=1)
PROTOCOLS = pytest.mark.parametrize("protocol", ["3.1.1", "5"])


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    with Mosquitto(tmp_path / "broker") as running:
        yield running


@pytest.fixture(autouse=True)
def _short_pauses(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(mqtt, "FIRST_PAUSE_S", 0.1)
    monkeypatch.setattr(mqtt, "LONGEST_PAUSE_S", 0.3)


def settings_for(broker: Mosquitto, **changes: object) -> BrokerAccess:
    values: dict[str, object] = {"host": "127.0.0.1", "port": broker.port, "topics": ("garden/#",)}
    return BrokerAccess(**(values | changes))  # type: ignore[arg-type]


@contextmanager
def inbox_for(settings: BrokerAccess, **arguments: object) -> Iterator[MqttInbox]:
    inbox = MqttInbox(settings, "lane", RealClock(FLOOR), **arguments)  # type: ignore[arg-type]
    try:
        yield inbox
    finally:
        inbox.close()


def until(condition: Callable[[], object], what: str, seconds: float = 10.0) -> None:
    deadline = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < deadline, f"not within {seconds} s: {what}"
        time.sleep(0.01)


def connected(inbox: MqttInbox) -> MqttInbox:
    until(lambda: inbox.status().connected, f"connected ({inbox.status().trouble})")
    return inbox


def receive(inbox: MqttInbox, count: int, seconds: float = 10.0) -> list[Arrival]:
    """Exactly `count` arrivals; fails when fewer come in time."""
    got: list[Arrival] = []
    deadline = datetime.now(UTC) + timedelta(seconds=seconds)
    while len(got) < count:
        batch = inbox.next_batch(deadline, count - len(got))
        got += batch
        assert batch or datetime.now(UTC) < deadline, f"{len(got)} of {count} came: {inbox.status()}"
    return got


def nothing_more(inbox: MqttInbox, seconds: float = 0.3) -> None:
    assert inbox.next_batch(datetime.now(UTC) + timedelta(seconds=seconds), 10) == []


class Sender:
    """Publishes with QoS 1 and waits until the broker has everything."""

    def __init__(self, settings: BrokerAccess) -> None:
        self._settings = settings

    def __enter__(self) -> Sender:
        self._client = make_client(self._settings, session=False, kind=Client)
        self._client.max_inflight_messages_set(1000)
        connect(self._client, self._settings, session=False)
        self._client.loop_start()
        return self

    def send_numbers(self, numbers: Iterable[int], topics: int = 5) -> None:
        self.send((f"garden/{n % topics}", str(n).encode()) for n in numbers)

    def send(self, messages: Iterable[tuple[str, bytes]]) -> None:
        infos = [self._client.publish(topic, payload, qos=1) for topic, payload in messages]
        for info in infos:
            info.wait_for_publish(20)
            assert info.is_published()

    def __exit__(self, *_: object) -> None:
        self._client.disconnect()
        self._client.loop_stop()


class Wire:
    """A cable to the broker that can be cut (and works again at once) or blocked until it is unblocked."""

    def __init__(self, port: int) -> None:
        self._to = port
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port = self._server.getsockname()[1]
        self._ends: list[socket.socket] = []
        self._threads: list[threading.Thread] = []
        self._blocked = False

    def __enter__(self) -> Wire:
        self._run(self._serve)
        return self

    def _run(self, target: Callable[..., None], *arguments: object) -> None:
        thread = threading.Thread(target=target, args=arguments)
        self._threads.append(thread)
        thread.start()

    def _serve(self) -> None:
        while True:
            try:
                near, _ = self._server.accept()
            except OSError:
                return
            if self._blocked:
                near.close()
                continue
            far = socket.create_connection(("127.0.0.1", self._to))
            self._ends += [near, far]
            for a, b in ((near, far), (far, near)):
                self._run(self._carry, a, b)

    @staticmethod
    def _carry(source: socket.socket, sink: socket.socket) -> None:
        with contextlib.suppress(OSError):
            while data := source.recv(65536):
                sink.sendall(data)
        for end in (source, sink):
            with contextlib.suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)

    def cut(self) -> None:
        for end in self._ends:
            with contextlib.suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)

    def block(self) -> None:
        self._blocked = True
        self.cut()

    def unblock(self) -> None:
        self._blocked = False

    def __exit__(self, *_: object) -> None:
        self._server.shutdown(socket.SHUT_RDWR)
        self.cut()
        for thread in self._threads:
            thread.join()
        for end in [self._server, *self._ends]:
            end.close()


def forget_session(settings: BrokerAccess) -> None:
    """What an administrator would do: connect with our name and a clean session."""
    client = Client(CallbackAPIVersion.VERSION2, settings.client_id, clean_session=True)
    client.connect(settings.host, settings.port)
    client.loop_start()
    until(client.is_connected, "connected with a clean session")
    client.disconnect()
    client.loop_stop()


@PROTOCOLS
def test_what_was_sent_while_the_daemon_was_away_comes_when_it_is_back(broker: Mosquitto, protocol: str) -> None:
    """The broker keeps a persistent session: 500 messages of the absence come, in order, none twice."""
    settings = settings_for(broker, protocol=protocol)
    with inbox_for(settings) as inbox:
        connected(inbox)
    with Sender(settings) as sender:
        sender.send_numbers(range(500))
    with inbox_for(settings, subscribed=()) as inbox:
        got = receive(inbox, 500)
        assert [int(a.payload) for a in got] == list(range(500))
        inbox.acknowledge(got)
        nothing_more(inbox)
        assert inbox.gaps() == []
        until(lambda: inbox.status().acknowledged == 500, "acknowledged")


@PROTOCOLS
def test_what_was_not_acknowledged_comes_again_marked(broker: Mosquitto, protocol: str) -> None:
    """A daemon that dies between receiving and committing loses nothing; the second copy says that it is one."""
    settings = settings_for(broker, protocol=protocol)
    with inbox_for(settings) as inbox:
        connected(inbox)
        publish(settings, "garden/alder", b"1")
        publish(settings, "garden/alder", b"2")
        first, second = receive(inbox, 2)
        assert not first.redelivered
        inbox.acknowledge([first])
        until(lambda: inbox.status().acknowledged == 1, "acknowledged")
    with inbox_for(settings, subscribed=()) as inbox:
        (again,) = receive(inbox, 1)
        assert (again.payload, again.redelivered, again.packet) == (b"2", True, second.packet)
        nothing_more(inbox)


def test_a_message_held_here_over_a_broken_connection_stays_one(tmp_path: Path) -> None:
    """Redelivered while it still waits, it is not queued twice, keeps its receipt, and is acknowledged where it came last."""
    with Mosquitto(tmp_path / "broker") as broker, Wire(broker.port) as wire:
        settings = settings_for(broker, port=wire.port)
        with inbox_for(settings) as inbox:
            connected(inbox)
            with Sender(settings_for(broker)) as sender:
                sender.send_numbers(range(20))
            until(lambda: inbox.status().waiting == 20, "received")
            taken = receive(inbox, 5)  # handed over, not yet committed
            wire.cut()
            until(lambda: inbox.status().redelivered == 20, "redelivered")
            rest = receive(inbox, 15)
            assert [int(a.payload) for a in [*taken, *rest]] == list(range(20))
            inbox.acknowledge(taken)
            inbox.acknowledge(rest)
            inbox.acknowledge(rest)  # twice does no harm
            until(lambda: inbox.status().acknowledged == 20, "acknowledged")
            nothing_more(inbox)
        with inbox_for(settings, subscribed=()) as inbox:
            connected(inbox)
            nothing_more(inbox)


def test_an_acknowledgement_of_an_older_connection_is_not_sent(tmp_path: Path) -> None:
    """Packet identifiers mean nothing on a new session: an old one must not acknowledge another message."""
    with Mosquitto(tmp_path / "broker") as broker, Wire(broker.port) as wire:
        settings = settings_for(broker, port=wire.port)
        with inbox_for(settings) as inbox:
            connected(inbox)
            publish(settings_for(broker), "garden/alder", b"old")
            (old,) = receive(inbox, 1)
            wire.block()
            until(lambda: not inbox.status().connected, "the loss is noticed")
            forget_session(settings_for(broker))
            wire.unblock()
            connected(inbox)
            publish(settings_for(broker), "garden/alder", b"new")
            (new,) = receive(inbox, 1)
            assert new.packet == old.packet
            inbox.acknowledge([old])
            time.sleep(0.3)
            assert inbox.status().acknowledged == 0
        with inbox_for(settings, subscribed=()) as inbox:
            (again,) = receive(inbox, 1)
            assert (again.payload, again.redelivered) == (b"new", True)


def test_a_broker_that_restarts_in_order_loses_nothing(broker: Mosquitto) -> None:
    """The inbox connects again by itself, and what was queued before the restart comes after it."""
    settings = settings_for(broker)
    with inbox_for(settings) as inbox:
        connected(inbox)
    with Sender(settings) as sender:
        sender.send_numbers(range(50))
    with inbox_for(settings, subscribed=()) as inbox:
        connected(inbox)
        until(lambda: inbox.status().waiting == 50, "received")
        broker.stop()
        until(lambda: not inbox.status().connected, "the loss is noticed")
        broker.start()
        connected(inbox)
        with Sender(settings) as sender:
            sender.send_numbers(range(50, 60))
        got = receive(inbox, 60)
        assert [int(a.payload) for a in got] == list(range(60))
        assert inbox.gaps() == []
        assert inbox.status().connections == 2


def test_a_killed_broker_costs_at_most_what_it_had_not_saved(broker: Mosquitto) -> None:
    """After kill -9 the inbox is back by itself; what the broker had saved comes again, and nothing comes as new twice."""
    settings = settings_for(broker)
    with inbox_for(settings) as inbox:
        connected(inbox)
        with Sender(settings) as sender:
            sender.send_numbers(range(50))
        time.sleep(2.5)  # the broker saves every second
        first = receive(inbox, 50)
        broker.kill()
        until(lambda: not inbox.status().connected, "the loss is noticed")
        broker.start()
        connected(inbox)
        until(lambda: inbox.status().redelivered == 50, "the saved ones come again and are known")
        inbox.acknowledge(first)
        with Sender(settings) as sender:
            sender.send_numbers(range(50, 55))
        assert [int(a.payload) for a in receive(inbox, 5)] == list(range(50, 55))
        nothing_more(inbox)
        assert inbox.gaps() == []


@PROTOCOLS
def test_a_lost_session_is_a_gap_from_the_last_receipt_on(broker: Mosquitto, protocol: str) -> None:
    """Session present = 0 after we had one: messages may be lost, and that is said; the subscription is made again."""
    settings = settings_for(broker, protocol=protocol)
    last = datetime(2026, 8, 20, 14, 0, 0, 123000, tzinfo=UTC)
    with inbox_for(settings, subscribed=(), not_before=last) as inbox:
        connected(inbox)
        (gap,) = inbox.gaps()
        assert (gap.site, gap.kind, gap.subject, gap.started_at) == ("lane", GapKind.SESSION, "", last)
        assert gap.ended_at is not None
        assert gap.ended_at > last
        assert inbox.gaps() == []
        publish(settings, "garden/alder", b"21.5")
        receive(inbox, 1)


@PROTOCOLS
def test_a_topic_taken_out_of_the_configuration_is_not_collected_any_more(broker: Mosquitto, protocol: str) -> None:
    """What the session was subscribed to is remembered over a restart, and given up where it is not wanted."""
    settings = settings_for(broker, protocol=protocol, topics=("garden/#", "shed/+"))
    with inbox_for(settings) as inbox:
        connected(inbox)
        facts = inbox.facts()
    assert facts == {"subscribed": '["garden/#", "shed/+"]'}
    fewer = settings_for(broker, protocol=protocol)
    with inbox_for(fewer, subscribed=("garden/#", "shed/+")) as inbox:
        connected(inbox)
        publish(settings, "shed/door", b"1")
        publish(settings, "garden/alder", b"2")
        assert [a.topic for a in receive(inbox, 1)] == ["garden/alder"]
        nothing_more(inbox)
        assert inbox.facts() == {"subscribed": '["garden/#"]'}


def test_a_broker_never_reached_before_has_lost_no_session(broker: Mosquitto) -> None:
    """The daemon may have run for days before the broker was set up: that is no gap of the broker's."""
    with inbox_for(settings_for(broker, port=free_port())) as inbox:
        until(lambda: inbox.status().trouble, "it was tried")
        assert inbox.facts() == {}
    with inbox_for(settings_for(broker), subscribed=None) as inbox:
        connected(inbox)
        assert inbox.gaps() == []


def test_a_session_lost_while_we_watch_is_a_gap_from_the_last_receipt_on(tmp_path: Path) -> None:
    """However long nothing came and however often the daemon looked: the gap begins where the last message came."""
    with (
        Mosquitto(tmp_path / "broker") as broker,
        Wire(broker.port) as wire,
        inbox_for(settings_for(broker, port=wire.port)) as inbox,
    ):
        connected(inbox)
        publish(settings_for(broker), "garden/alder", b"21.5")
        (last,) = receive(inbox, 1)
        wire.block()
        until(lambda: not inbox.status().connected, "the loss is noticed")
        nothing_more(inbox, 0.7)  # the promise of `until` must not be taken for a receipt
        forget_session(settings_for(broker))
        wire.unblock()
        connected(inbox)
        (gap,) = inbox.gaps()
        assert (gap.kind, gap.started_at) == (GapKind.SESSION, last.received_at)


@PROTOCOLS
def test_the_first_connection_ever_is_no_gap(broker: Mosquitto, protocol: str) -> None:
    """Without an earlier session there is nothing to have lost."""
    with inbox_for(settings_for(broker, protocol=protocol)) as inbox:
        connected(inbox)
        assert inbox.gaps() == []


@PROTOCOLS
def test_tls_with_a_known_authority(tmp_path: Path, protocol: str) -> None:
    """TLS works with the authority's file, for publishing and for the inbox, also when records are larger than messages."""
    with Mosquitto(tmp_path / "broker", password=("watch", "s3cret"), tls=True) as broker:
        settings = settings_for(
            broker, tls=True, ca_file=str(broker.ca_file), protocol=protocol, user="watch", password="s3cret"
        )
        with inbox_for(settings) as inbox:
            connected(inbox)
            publish(settings, "garden/alder", b"x" * 60_000)
            with Sender(settings) as sender:
                sender.send_numbers(range(300))
            got = receive(inbox, 301)
            inbox.acknowledge(got)
            until(lambda: inbox.status().acknowledged == 301, "acknowledged")


def trouble_with(settings: BrokerAccess) -> str:
    """What the inbox says, and the short visits too, in the same words."""
    with pytest.raises(Unreachable) as raised:
        publish(settings, "garden/alder", b"1", timeout_s=1)
    with inbox_for(settings) as inbox:
        until(lambda: inbox.status().trouble, "trouble is said")
        assert not inbox.status().connected
        assert inbox.connected()[1] is not None
        assert inbox.status().trouble == str(raised.value)
        return inbox.status().trouble


# The client library leaves a socket whose TLS handshake failed to the garbage collector.
@pytest.mark.filterwarnings("ignore:Exception ignored in. <ssl.SSLSocket:pytest.PytestUnraisableExceptionWarning")
def test_trouble_is_said_in_plain_words(tmp_path: Path) -> None:
    """Each way of not reaching the broker says what is wrong and what to look at."""
    with Mosquitto(tmp_path / "broker", password=("watch", "s3cret")) as broker:
        wrong = settings_for(broker, user="watch", password="wrong")
        assert "does not let user 'watch' in; are the user name and the password right?" in trouble_with(wrong)
        assert "anybody without a user name" in trouble_with(settings_for(broker))
        assert "anybody without a user name" in trouble_with(settings_for(broker, protocol="5"))
    with Mosquitto(tmp_path / "secure", tls=True) as broker:
        assert "ca_file must name the authority that signed it" in trouble_with(settings_for(broker, tls=True))
        assert "does it want TLS there?" in trouble_with(settings_for(broker))
    assert "nothing listens at 127.0.0.1" in trouble_with(BrokerAccess("127.0.0.1", free_port()))
    assert "is not known in this network" in trouble_with(BrokerAccess("no-such-host.invalid"))
    gc.collect()  # now, where its warning is expected


def test_unusable_certificate_files_are_named(tmp_path: Path) -> None:
    """A missing or broken file is said by its key and name; connecting goes on, in case it appears."""
    missing, broken = tmp_path / "nowhere.pem", tmp_path / "broken.pem"
    broken.write_text("no certificate")
    for file, words in ((missing, f"ca_file {missing} is not there"), (broken, "no usable PEM file")):
        with inbox_for(BrokerAccess(tls=True, ca_file=str(file))) as inbox:
            until(lambda inbox=inbox: inbox.status().trouble, "trouble is said")
            assert words in inbox.status().trouble


def test_a_mute_listener_is_left_at_once_when_closing() -> None:
    """Something that takes connections and never answers neither blocks nor looks like a broker."""
    with socket.create_server(("127.0.0.1", 0)) as mute:
        settings = BrokerAccess("127.0.0.1", mute.getsockname()[1])
        with inbox_for(settings) as inbox:
            until(lambda: inbox.age_s() < 1, "alive")
            time.sleep(0.3)
            assert not inbox.status().connected
            started = time.monotonic()
        assert time.monotonic() - started < 3
        with pytest.raises(Unreachable, match="did not answer the greeting"):
            publish(settings, "garden/alder", b"1", timeout_s=0.5)


def test_a_topic_that_the_access_list_forbids_is_said(tmp_path: Path) -> None:
    """Connected, but not allowed to read: the status and the visit say so."""
    acl = "user watch\ntopic read other/#\n"
    with Mosquitto(tmp_path / "broker", password=("watch", "s3cret"), acl=acl) as broker:
        settings = settings_for(broker, user="watch", password="s3cret", protocol="5")
        with pytest.raises(Unreachable, match="does not take messages on 'garden/alder'"):
            publish(settings, "garden/alder", b"1")


def test_another_program_with_our_name_is_said(broker: Mosquitto) -> None:
    """Two daemons with one client_id push each other out; both the new and the old protocol give a hint."""
    for protocol, words in (("5", "client_id 'sensord'"), ("3.1.1", "another program with the same client_id")):
        settings = settings_for(broker, protocol=protocol)
        with inbox_for(settings) as first:
            connected(first)
            with inbox_for(settings):
                until(lambda first=first: first.status().trouble, "trouble is said")
                assert words in first.status().trouble


def test_a_full_queue_stops_reading_and_nothing_is_lost(broker: Mosquitto) -> None:
    """With room for 50, 2,000 messages wait at the broker and all come, in order, once."""
    settings = settings_for(broker)
    with inbox_for(settings, limit=50) as inbox:
        connected(inbox)
        with Sender(settings) as sender:
            sender.send_numbers(range(2000))
        until(lambda: inbox.status().waiting == 50, "full")
        time.sleep(0.2)
        assert inbox.status().waiting == 50
        got: list[Arrival] = []
        while len(got) < 2000:
            batch = receive(inbox, 1) + inbox.next_batch(datetime.now(UTC) + FAR, 40)
            inbox.acknowledge(batch)
            got += batch
        assert [int(a.payload) for a in got] == list(range(2000))
        assert inbox.gaps() == []


@PROTOCOLS
def test_an_overflow_that_outlasts_the_connection_is_a_gap(broker: Mosquitto, protocol: str) -> None:
    """Nobody takes for longer than the keepalive: the connection goes, comes back when there is room, and the gap is said."""
    settings = settings_for(broker, keepalive_s=1, protocol=protocol)
    with inbox_for(settings, limit=20) as inbox:
        connected(inbox)
        with Sender(settings) as sender:
            sender.send_numbers(range(100))
            until(lambda: not inbox.status().connected, "the connection is lost")
            time.sleep(0.5)
            assert not inbox.status().connected, "it must not come back before there is room"
            got: list[Arrival] = []
            while len(got) < 100:
                batch = inbox.next_batch(datetime.now(UTC) + timedelta(seconds=5), 7)
                inbox.acknowledge(batch)
                got += batch
        assert sorted(int(a.payload) for a in got) == list(range(100))
        until(lambda: inbox.status().acknowledged == 100, "acknowledged, also what was committed while disconnected")
        (gap,) = inbox.gaps()
        assert gap.kind is GapKind.OVERFLOW
        assert gap.ended_at is not None
        assert gap.ended_at > gap.started_at


def test_a_failure_while_taking_a_message_kills_neither_thread_nor_message(
    broker: Mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whatever is raised in a callback: it is said, the connection is made again, and the message comes again."""
    settings = settings_for(broker)
    with inbox_for(settings) as inbox:
        connected(inbox)
        put, calls = inbox._intake.put, []

        def fail_once(*arguments: object) -> object:
            calls.append(arguments)
            if len(calls) == 1:
                raise RuntimeError("a defect")
            return put(*arguments)  # type: ignore[arg-type]

        monkeypatch.setattr(inbox._intake, "put", fail_once)
        publish(settings, "garden/alder", b"21.5")
        (arrival,) = receive(inbox, 1)
        assert (arrival.payload, arrival.redelivered) == (b"21.5", True)
        assert "a defect" in inbox.status().trouble
        assert inbox.status().connections == 2


def test_any_bytes_on_any_topic_come_through_unchanged(broker: Mosquitto) -> None:
    """What a broker takes, the inbox hands over: hostile payloads, long ones, strange topics."""
    chance = random.Random(5)
    payloads = [
        b"",
        b"\0",
        b"\xff\xfe",
        b"[" * 5000,
        b"9" * 60_000,
        *(chance.randbytes(chance.randrange(300)) for _ in range(500)),
    ]
    topics = [
        "garden/é",
        "garden//",
        "garden/ ",
        "garden/\u202e",
        "garden/" + "x" * 5000,
        "garden/\U0001f98b",
    ]
    sent = [(topics[i % len(topics)], payload) for i, payload in enumerate(payloads)]
    settings = settings_for(broker)
    with inbox_for(settings) as inbox:
        connected(inbox)
        with Sender(settings) as sender:
            sender.send(sent)
        got = receive(inbox, len(sent))
        assert [(a.topic, a.payload) for a in got] == sent
        inbox.acknowledge(got)
        until(lambda: inbox.status().acknowledged == len(sent), "acknowledged")
        assert inbox.status().trouble == ""


def test_a_retained_message_says_so(broker: Mosquitto) -> None:
    """The broker's stored copy comes with the subscription, marked."""
    settings = settings_for(broker)
    publish(settings, "garden/alder", b"21.5", retain=True)
    with inbox_for(settings) as inbox:
        (stored,) = receive(inbox, 1)
        publish(settings, "garden/alder", b"22.5", retain=True)
        (fresh,) = receive(inbox, 1)
        assert (stored.retained, fresh.retained) == (True, False)


def test_a_visit_hears_what_comes_and_leaves_the_session_alone(broker: Mosquitto) -> None:
    """Listening to check the configuration neither takes nor acknowledges anything of the daemon's."""
    settings = settings_for(broker)
    with inbox_for(settings) as inbox:
        connected(inbox)
    with Sender(settings) as sender:
        sender.send_numbers(range(3))
        timer = threading.Timer(0.3, sender.send_numbers, [range(3, 6)])
        timer.start()
        heard = mqtt.listen(settings, 1.0)
        timer.join()
    assert [int(a.payload) for a in heard] == [3, 4, 5]
    with inbox_for(settings, subscribed=()) as inbox:
        assert [int(a.payload) for a in receive(inbox, 6)] == list(range(6))


def test_local_arrivals_and_waking(broker: Mosquitto) -> None:
    """What the program itself puts in comes like the rest, needs no acknowledgement; waking returns early."""
    with inbox_for(settings_for(broker)) as inbox:
        connected(inbox)
        inbox.next_batch(datetime.now(UTC) + timedelta(milliseconds=50), 10)
        threading.Timer(0.1, inbox.wake).start()
        started = time.monotonic()
        assert inbox.next_batch(datetime.now(UTC) + FAR, 10) == []
        assert time.monotonic() - started < 2
        inbox.put_local("sensord/entry", b"{}")
        (arrival,) = inbox.next_batch(datetime.now(UTC) + FAR, 10)
        assert (arrival.topic, arrival.packet, arrival.redelivered) == ("sensord/entry", None, False)
        inbox.acknowledge([arrival])


def test_a_client_without_a_name_is_refused() -> None:
    """Without a client id the broker could keep nothing for us."""
    with pytest.raises(ValueError, match="client_id must not be empty"):
        MqttInbox(BrokerAccess(client_id=""), "lane", RealClock(FLOOR))


def test_the_log_says_each_change_once_with_its_reason(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    """Not there, connected, lost, back: one line each, however often it is tried meanwhile."""
    caplog.set_level("INFO", "sensord.broker")

    def said() -> list[tuple[str, str]]:
        return [(r.levelname, r.getMessage()) for r in caplog.records if r.name == "sensord.broker"]

    broker = Mosquitto(tmp_path / "broker")
    where = f"127.0.0.1:{broker.port}"
    with inbox_for(settings_for(broker)) as inbox:
        until(lambda: len(said()) == 1, "it says that nobody is there")
        time.sleep(1.0)  # several attempts
        nobody = f"the broker can't be reached: nothing listens at {where}; is the broker running there?"
        assert said() == [("WARNING", nobody)]
        with broker:
            connected(inbox)
            until(lambda: len(said()) == 2, "connected")
            assert said()[1] == ("INFO", f"connected to the broker at {where}")
            broker.stop()
            until(lambda: len(said()) >= 4, "lost, and not there")
            assert said()[2][0] == "WARNING"
            assert said()[2][1].startswith("the broker is lost: ")
            assert said()[3] == ("WARNING", nobody)
            broker.start()
            connected(inbox)
            until(lambda: len(said()) == 5, "back")
            assert said()[4] == ("INFO", f"connected to the broker at {where} again")
