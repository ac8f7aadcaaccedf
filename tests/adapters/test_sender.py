"""The sender: the loop never waits for a channel, and hears what became of every message."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime

import pytest

from sensord.adapters.push import RecordingChannel
from sensord.adapters.sender import LIMIT, InlineSender, Result, ThreadSender
from sensord.model import Certainty, Message, Severity, Urgency
from sensord.ports import Transient


def message(key: str, route: str = "phone") -> Message:
    return Message(
        key=key,
        site="larkfield",
        at=datetime(2026, 8, 20, 16, 0, tzinfo=UTC),
        rule="overheating",
        subject="alder",
        severity=Severity.MODERATE,
        urgency=Urgency.EXPECTED,
        certainty=Certainty.OBSERVED,
        title="Shade Alder",
        text="36 °C.",
        action="shade",
        concerns=("overheating/alder",),
        holds_until=None,
        route=route,
    )


class Gate:
    """A channel that holds every message until it is opened."""

    name = "gate"

    def __init__(self) -> None:
        self.open, self.sent = threading.Event(), list[str]()

    def send(self, message: Message) -> None:
        self.open.wait(20)
        self.sent.append(message.key)


def until(condition: Callable[[], bool], within_s: float = 10.0) -> None:
    end = time.monotonic() + within_s
    while not condition():
        assert time.monotonic() < end, "it did not happen in time"
        time.sleep(0.005)


def collect(sender: ThreadSender, count: int) -> list[Result]:
    found: list[Result] = []
    until(lambda: (found.extend(sender.results()), len(found) >= count)[1])
    return found


def test_what_became_of_each_message() -> None:
    """Delivered, failed for now, undeliverable, defective, without a channel: the loop hears of each, and is woken."""
    woken = threading.Semaphore(0)
    phone = RecordingChannel([None, Transient("no answer"), ValueError("too long"), KeyError("oops"), None])
    sender = ThreadSender({"phone": phone}, wake=woken.release)
    for key in ("a", "b", "c", "d", "e"):
        assert sender.offer(message(key))
    assert sender.offer(message("f", route="stand-in"))
    assert collect(sender, 6) == [
        ("a", None),
        ("b", "no answer"),
        ("c", "too long"),
        ("d", "defect in the channel: KeyError"),
        ("e", None),
        ("f", 'no channel is configured for "stand-in"'),
    ]
    assert all(woken.acquire(timeout=5) for _ in range(6))
    assert sender.close()


def test_the_loop_never_waits() -> None:
    """While the channel hangs, offering takes no time, and no more is taken than the limit."""
    gate = Gate()
    sender = ThreadSender({"phone": gate}, wake=lambda: None)
    assert sender.offer(message("first"))
    until(lambda: sender.age_s() > 0)
    start = time.monotonic()
    taken = [sender.offer(message(str(i))) for i in range(LIMIT + 5)]
    assert time.monotonic() - start < 0.5
    assert taken == [True] * LIMIT + [False] * 5
    assert sender.results() == []
    gate.open.set()
    assert len(collect(sender, LIMIT + 1)) == LIMIT + 1
    assert sender.close()


def test_closing_ends_the_attempt_under_way_and_begins_no_other() -> None:
    """What was offered but not begun is left for the outbox; afterwards nothing is taken."""
    gate = Gate()
    sender = ThreadSender({"phone": gate}, wake=lambda: None)
    sender.offer(message("under way"))
    until(lambda: sender.age_s() > 0)
    sender.offer(message("not begun"))
    assert not sender.close(timeout_s=0.05)
    gate.open.set()
    assert sender.close(timeout_s=5)
    assert gate.sent == ["under way"]
    assert not sender.offer(message("too late"))
    assert sender.results() == [("under way", None)]


def test_a_channel_that_hangs_is_given_up() -> None:
    """Beyond every time-out the message counts as not delivered, and a new thread goes on; nothing is told twice."""
    gate, fast = Gate(), RecordingChannel()
    sender = ThreadSender({"phone": gate, "stand-in": fast}, wake=lambda: None, hangs_after_s=0.2)
    sender.offer(message("hangs"))
    until(lambda: sender.age_s() > 0)
    sender.offer(message("goes on", route="stand-in"))
    assert collect(sender, 2) == [("hangs", "the channel hangs for more than 0.2 s"), ("goes on", None)]
    gate.open.set()
    until(lambda: gate.sent == ["hangs"])
    time.sleep(0.05)
    assert sender.results() == []
    assert sender.close()


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")  # the thread dies on purpose
def test_a_thread_that_died_is_replaced() -> None:
    """Even a defect in what the loop handed in does not end the sending."""
    threads: list[threading.Thread] = []

    def wake() -> None:
        threads.append(threading.current_thread())
        if len(threads) == 1:
            raise SystemExit  # ends the thread without a word

    sender = ThreadSender({"phone": RecordingChannel()}, wake=wake)
    sender.offer(message("a"))
    assert collect(sender, 1) == [("a", None)]
    threads[0].join(5)
    sender.offer(message("b"))
    assert collect(sender, 1) == [("b", None)]
    until(lambda: len(threads) == 2)
    assert threads[0] is not threads[1]
    assert sender.close()


def test_closing_what_never_began() -> None:
    """A sender that sent nothing closes at once."""
    assert ThreadSender({}, wake=lambda: None).close()


def test_inline_is_the_same_at_once() -> None:
    """In replay the same messages have the same results, without a thread."""
    sender = InlineSender({"phone": RecordingChannel([None, Transient("no answer")])})
    assert sender.offer(message("a"))
    assert sender.offer(message("b"))
    assert sender.offer(message("c", route="stand-in"))
    assert sender.results() == [
        ("a", None),
        ("b", "no answer"),
        ("c", 'no channel is configured for "stand-in"'),
    ]
    assert sender.results() == []
    sender.close()
