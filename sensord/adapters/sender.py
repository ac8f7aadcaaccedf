"""Carries messages to their channels: on a thread of its own (live), or at once (replay). It decides nothing.

The loop offers a message that it has just judged again, goes on with its readings, and collects what became of it. There
is at most one thread at work; one that hangs beyond every time-out is given up, its message counts as not delivered, and
a new thread takes over.
"""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from sensord.model import Message
from sensord.ports import Channel, Transient

LIMIT = 16
"""Messages in hand; the others wait in the outbox, where they are safe."""

Result = tuple[str, str | None]
"""(key, None) for what was delivered, (key, why) for what was not."""


def _attempt(channels: Mapping[str, Channel], message: Message) -> Result:
    channel = channels.get(message.route)
    if channel is None:
        return message.key, f'no channel is configured for "{message.route}"'
    try:
        channel.send(message)
    except (Transient, ValueError) as trouble:
        return message.key, str(trouble) or type(trouble).__name__
    return message.key, None


class InlineSender:
    """Sends within `offer`: in replay there is nothing to wait for."""

    def __init__(self, channels: Mapping[str, Channel]) -> None:
        self._channels, self._results = channels, list[Result]()

    def offer(self, message: Message) -> bool:
        """Send it; always takes it."""
        self._results.append(_attempt(self._channels, message))
        return True

    def results(self) -> list[Result]:
        """What became of the messages since the last call."""
        results, self._results = self._results, []
        return results

    def close(self) -> None:
        """There is nothing to close."""


@dataclass(slots=True)
class _Worker:
    """One thread and what it has in hand."""

    thread: threading.Thread
    message: Message | None = None
    since_s: float = 0.0  # monotonic
    given_up: bool = False


@dataclass(slots=True)
class ThreadSender:
    """Sends on a thread of its own. `wake` is called, from that thread, after every attempt."""

    channels: Mapping[str, Channel]
    wake: Callable[[], object]
    hangs_after_s: float = 120.0
    _waiting: queue.Queue[Message | None] = field(default_factory=lambda: queue.Queue(LIMIT), init=False)
    _results: queue.SimpleQueue[Result] = field(default_factory=queue.SimpleQueue, init=False)
    _lock: threading.Lock = field(default_factory=threading.Lock, init=False)
    _worker: _Worker | None = field(default=None, init=False)
    _closed: bool = field(default=False, init=False)

    def offer(self, message: Message) -> bool:
        """Take the message for one attempt; False while too many are in hand, or after `close`."""
        if self._closed:
            return False
        self._supervise()
        try:
            self._waiting.put_nowait(message)
        except queue.Full:
            return False
        return True

    def results(self) -> list[Result]:
        """What became of the messages since the last call."""
        self._supervise()
        results: list[Result] = []
        while not self._results.empty():
            results.append(self._results.get_nowait())
        return results

    def age_s(self) -> float:
        """For how long the attempt under way has been going on [s]; 0 while there is none."""
        with self._lock:
            worker = self._worker
            return time.monotonic() - worker.since_s if worker is not None and worker.message is not None else 0.0

    def close(self, timeout_s: float = 15.0) -> bool:
        """Begin nothing more and wait for the attempt that is under way; False if it did not end in time.

        What was offered but not begun stays in the outbox.
        """
        self._closed = True
        worker = self._worker
        if worker is None:
            return True
        while True:
            try:
                self._waiting.get_nowait()
            except queue.Empty:
                break
        self._waiting.put(None)
        worker.thread.join(timeout_s)
        return not worker.thread.is_alive()

    def _supervise(self) -> None:
        """A thread that is not there is started; one that hangs is given up and another started."""
        if self._closed:
            return
        worker = self._worker
        if worker is not None:
            with self._lock:
                stuck = worker.message
                hangs = stuck is not None and time.monotonic() - worker.since_s > self.hangs_after_s
                worker.given_up = hangs
            if hangs and stuck is not None:
                self._results.put((stuck.key, f"the channel hangs for more than {self.hangs_after_s:g} s"))
            elif worker.thread.is_alive():
                return
        self._worker = worker = _Worker(threading.Thread(target=self._run, name="sender", daemon=True))
        worker.thread.start()

    def _run(self) -> None:
        worker = self._worker
        assert worker is not None
        while not self._closed and (message := self._waiting.get()) is not None:
            with self._lock:
                worker.message, worker.since_s = message, time.monotonic()
            try:
                result = _attempt(self.channels, message)
            except Exception as defect:  # noqa: BLE001  # a channel's defect is told like any failure and stops nothing else
                result = message.key, f"defect in the channel: {type(defect).__name__}"
            with self._lock:
                worker.message = None
                if worker.given_up:
                    return  # it was counted as failed; another thread is at work
            self._results.put(result)
            self.wake()
