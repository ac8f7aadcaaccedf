"""Ships everything to InfluxDB, on a thread of its own: from the store, in order, again until it is delivered.

    reader's thread    reads what is next (its own read-only connection) → writes lines, while the last ones are on their way
    shipper's thread   delivers → remembers its position
    loop's thread      `settle`: strikes off in the store what was delivered, keeps what was refused

The loop never waits for the network: it hands nothing over and only collects. With the server away the thread tries again
at growing intervals; the store keeps what waits, so an outage, a crash or a power cut costs nothing but time. What was
delivered but not yet struck off is sent once more, and overwrites itself.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Collection, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from datetime import datetime

from sensord.adapters.influx_lines import LineMaker, Lines
from sensord.adapters.influx_writer import InfluxWriter, Later
from sensord.adapters.sqlite_shipping import PARKED_KEPT
from sensord.config import InfluxSettings
from sensord.ports import Backlog, Parked, Position, Settles, Tail, Transient
from sensord.rules import Per

FIRST_PAUSE_S = 5.0
LONGEST_PAUSE_S = 300.0
WAKE_EVERY_S = 1.0
"""While catching up, the store is told this often what was delivered."""


def try_out(
    tail: Tail, settings: InfluxSettings, enclosures: Collection[tuple[str, str]], per: Mapping[str, Per]
) -> str:
    """Ship the newest reading of the store at once, again if it was shipped: that changes nothing, and proves the way.

    Returns what was shipped, "" where there is nothing yet. Raises Transient with what is wrong.
    """
    with closing(tail), closing(InfluxWriter(settings)) as writer:
        lines = LineMaker(tail.series, enclosures, per).lines(tail.newest())
        if refused := writer.deliver(lines):
            raise Transient(refused[0].words)
    return lines[0].text if lines else ""


class Shipper:
    """Begins with `start`, ends with `close`.

    Args:
        open_tail: how the thread gets at what is to be shipped; called on that thread, again until it succeeds.
        store: the store's writer; `settle` alone uses it, and only a loop's thread may call that.
        writer: the connection to the server.
        enclosures: each by its site and its name.
        per: of each rule, what it is asked about.
        wake: called from the thread when there is something to settle, or to tell.
        every_s: how often to look for something new [s].
        first_pause_s, longest_pause_s: how long to wait after a failure; doubled with each [s].
    """

    def __init__(
        self,
        open_tail: Callable[[], Tail],
        store: Settles,
        writer: InfluxWriter,
        enclosures: Collection[tuple[str, str]],
        per: Mapping[str, Per],
        wake: Callable[[], object],
        every_s: float,
        first_pause_s: float = FIRST_PAUSE_S,
        longest_pause_s: float = LONGEST_PAUSE_S,
    ) -> None:
        self._open_tail, self._store, self._writer, self._wake = open_tail, store, writer, wake
        self._enclosures, self._per = enclosures, per
        self._every_s, self._first_pause_s, self._longest_pause_s = every_s, first_pause_s, longest_pause_s
        self._tail: Tail | None = None
        self._maker: LineMaker | None = None
        self._position = Position()
        self._lock = threading.Lock()
        self._settling = threading.Lock()  # of several gardens, each loop may come to it
        self._delivered = 0  # all changes up to this one
        self._settled = 0
        self._refused: list[Parked] = []
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="shipper", daemon=True)
        self.points = 0
        self.trouble = ""
        self.waiting = Backlog(0, None, None)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def close(self, timeout_s: float = 15.0) -> bool:
        """Begin nothing more; False if what is under way did not end in time."""
        self._stop.set()
        self._thread.join(timeout_s)
        return not self._thread.is_alive()

    @property
    def unshipped_since(self) -> datetime | None:
        """Receipt of the oldest reading that waits to be shipped."""
        return self.waiting.oldest

    def settle(self, now: datetime) -> None:
        """Tell the store what was delivered; for a loop's thread. Raises Transient, and then it is to be called again."""
        with self._settling:
            self._settle(now)

    def _settle(self, now: datetime) -> None:
        with self._lock:
            delivered, refused = self._delivered, self._refused
            if delivered == self._settled and not refused:
                return
            self._refused = []
        try:
            self._store.settle(delivered, refused, now)
        except BaseException:
            with self._lock:
                self._refused = (refused + self._refused)[-PARKED_KEPT:]
            raise
        self._settled = delivered

    # --- the thread

    def _run(self) -> None:
        failures = 0
        while not self._stop.is_set():
            pause_s = self._every_s
            try:
                self._catch_up()
                failures = 0
                self._say("")
            except Transient as trouble:
                failures += 1
                pause_s = min(self._first_pause_s * 2.0 ** min(failures - 1, 30), self._longest_pause_s)
                if isinstance(trouble, Later):
                    pause_s = max(pause_s, trouble.after_s)
                self._look_back()
                self._say(str(trouble) or type(trouble).__name__)
            except Exception as defect:  # noqa: BLE001 (told like any trouble, and stops nothing else)
                pause_s = self._longest_pause_s
                self._say(f"defect in shipping: {type(defect).__name__}: {defect}")
            self._stop.wait(pause_s)
        self._writer.close()
        if self._tail is not None:
            self._tail.close()

    def _say(self, trouble: str) -> None:
        """What is wrong now; the loop hears of it at once where that is news."""
        is_news = trouble != self.trouble
        self.trouble = trouble
        if is_news:
            self._wake()

    def _catch_up(self) -> None:
        """Deliver until nothing waits."""
        if self._tail is None or self._maker is None:
            self._tail = self._open_tail()
            self._maker = LineMaker(self._tail.series, self._enclosures, self._per)
        woken_s = time.monotonic()
        with ThreadPoolExecutor(1, "shipping-reader") as ahead:
            coming = ahead.submit(self._prepare, self._position)
            while (prepared := coming.result()) is not None and not self._stop.is_set():
                after, lines = prepared
                coming = ahead.submit(self._prepare, after)
                refused = self._writer.deliver(lines)
                with self._lock:
                    self._delivered = after.change - 1
                    self._refused = (self._refused + refused)[-PARKED_KEPT:]
                self._position = after
                self.points += len(lines) - len(refused)
                if time.monotonic() - woken_s >= WAKE_EVERY_S:
                    woken_s = time.monotonic()
                    ahead.submit(self._look_back).result()
                    self._wake()
        self._look_back()
        if self._delivered != self._settled:
            self._wake()

    def _prepare(self, position: Position) -> tuple[Position, Lines] | None:
        """What comes next; None where nothing waits."""
        assert self._tail is not None
        assert self._maker is not None
        window = self._tail.window(position, self._writer.at_once)
        return None if window is None else (window.after, self._maker.lines(window))

    def _look_back(self) -> None:
        """What waits now."""
        if self._tail is not None:
            try:
                self.waiting = self._tail.backlog(self._position)
            except Transient:  # the store is what is in trouble, and the loop says so
                return
