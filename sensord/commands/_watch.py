"""One garden's loop on a thread of its own, with its edges around it. Nothing of it reaches another garden.

A loop that fails, by a defect, is begun anew: its edges are taken down, and what it had not made durable comes again. The
store has everything else. Where the garden is the only one, the daemon ends instead, and the service manager begins anew.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Mapping
from contextlib import ExitStack
from datetime import datetime
from pathlib import Path
from typing import NamedTuple

from sensord.adapters.clock import RealClock
from sensord.adapters.mqtt import MqttInbox
from sensord.adapters.push import AppriseChannel, LogChannel, Pictures
from sensord.adapters.scheduler import TurnScheduler
from sensord.adapters.sender import ThreadSender
from sensord.adapters.sqlite import SqliteStore
from sensord.commands import _build, _house, _page
from sensord.loop import Loop
from sensord.model import EPOCH, Route
from sensord.ports import Channel, Inbox, Share, Shipping, Transient

log = logging.getLogger("sensord")

FIRST_PAUSE_S, LONGEST_PAUSE_S = 15.0, 300.0
"""How long to wait before a loop that failed is begun anew; doubled with each failure that follows soon."""
SOON_S = 3600.0
ASKED_AFTER_S = 20.0
"""A loop that has not gone round for so long is woken to show that it is alive."""


class Around(NamedTuple):
    """What all gardens of a house share."""

    config: Path
    secrets: Path | None
    record: Path | None
    store: SqliteStore
    path: Path  # of the store
    shipping: Shipping | None
    stop: threading.Event
    is_shared: bool


class GardenEdges(NamedTuple):
    """What stands around a loop, and is taken down with it."""

    inbox: MqttInbox
    sender: ThreadSender
    scheduler: TurnScheduler
    loop: Loop
    stack: ExitStack


class GardenWatch:
    """Opened when it is made; the thread begins with `start`."""

    def __init__(self, built: _house.OneGarden, around: Around) -> None:
        self.built, self._around = built, around
        self.share: Share = _build.share(built, around.store)
        self.clock = RealClock(floor=max(_build.RELEASED, _build.last_receipt(built, self.share) or _build.RELEASED))
        self.failure: Exception | None = None  # what ended the only garden's loop
        self._pause_s, self._round = FIRST_PAUSE_S, time.monotonic()
        self._edges: GardenEdges | None = None  # None while it is down
        self._thread = threading.Thread(target=self._run, name=built.name, daemon=True)
        try:
            self._edges = self._open()
        except Exception:
            if not around.is_shared:
                raise
            log.exception("%s: its watch can't be begun", built.name)

    def heartbeat(self) -> datetime:
        """Until when the loop has taken in and judged everything."""
        edges = self._edges
        return edges.loop.heartbeat if edges else EPOCH

    def running_since(self) -> datetime:
        """When the loop began."""
        edges = self._edges
        return (edges.loop.state.started_at if edges else None) or EPOCH

    def connected(self) -> tuple[bool, datetime | None]:
        """Whether its broker is there, and since when not."""
        edges = self._edges
        return edges.inbox.connected() if edges else (False, None)

    def put(self, topic: str, payload: bytes) -> None:
        """Hand in what was said on the page; Transient where it can't be taken at the moment."""
        edges = self._edges
        if edges is None:
            raise Transient(f"the watch over {self.built.name} is being begun anew")
        edges.inbox.put_local(topic, payload)

    def start(self) -> None:
        """Begin to watch."""
        self._thread.start()

    def wake(self) -> None:
        """Let the loop go round."""
        edges = self._edges
        if edges is not None:
            edges.inbox.wake()

    def ages(self) -> Mapping[str, float]:
        """How old the last sign of life of each part is [s]."""
        edges, age_s = self._edges, time.monotonic() - self._round
        if edges is None:
            return {"loop": age_s, "inbox": 0.0, "scheduler": 0.0, "outbox": 0.0}
        if age_s > ASKED_AFTER_S:
            self.wake()
        ages = edges.inbox.age_s(), edges.scheduler.age_s(), edges.sender.age_s()
        return {"loop": age_s, "inbox": ages[0], "scheduler": ages[1], "outbox": ages[2]}

    def close(self, timeout_s: float = 30.0) -> None:
        """Wait for the loop, which has been told to stop, and take everything down."""
        if self._thread.ident is None:
            if self._edges is not None:
                self._edges.stack.close()
            return
        self.wake()
        self._thread.join(timeout_s)
        if self._thread.is_alive():
            log.error("%s: the loop does not end; what is not durable comes again", self.built.name)

    # --- the thread

    def _run(self) -> None:
        begun = time.monotonic()
        while True:
            edges = self._edges
            if edges is not None and self._has_ended(edges):
                return
            self._edges = None
            if time.monotonic() - begun > SOON_S:
                self._pause_s = FIRST_PAUSE_S
            if not self._is_begun_anew():
                return
            begun = time.monotonic()

    def _has_ended(self, edges: GardenEdges) -> bool:
        """Watch, until the daemon ends; False where the loop met a defect and is to be begun anew."""
        try:
            with edges.stack:
                edges.loop.run(stopped=self._stopped)
        except Exception as defect:
            if not self._around.is_shared:
                self.failure = defect
                self._around.stop.set()
                return True
            log.exception("%s: its watch failed, and is begun anew in %d s", self.built.name, self._pause_s)
            return False
        return True

    def _is_begun_anew(self) -> bool:
        """Open everything again, after a pause; False where the daemon ends meanwhile."""
        while True:
            until = time.monotonic() + self._pause_s
            self._pause_s = min(2 * self._pause_s, LONGEST_PAUSE_S)
            while (left_s := until - time.monotonic()) > 0:
                if self._stopped() or self._around.stop.wait(min(1.0, left_s)):
                    return False
            try:
                self._edges = self._open()
            except Exception:
                log.exception("%s: its watch can't be begun anew", self.built.name)
            else:
                return True

    def _stopped(self) -> bool:
        """Asked at each round, so it also shows that the loop goes round."""
        self._round = time.monotonic()
        return self._around.stop.is_set()

    def _open(self) -> GardenEdges:
        built, share = self.built, self.share
        with ExitStack() as stack:
            inbox = _build.inbox(built, self.clock, share)
            stack.callback(inbox.close)
            pictures = self._pictures(stack)
            sender = ThreadSender(channels(built, pictures, self._around.is_shared), wake=inbox.wake)
            stack.callback(sender.close)
            scheduler = TurnScheduler(tuple(built.garden.cadences.values()), inbox.wake)
            scheduler.start()
            stack.callback(scheduler.stop)
            loop = _build.loop(
                built,
                self.clock,
                self._recorded(inbox),
                share,
                sender,
                connected=inbox.connected,
                facts=inbox.facts,
                on_step=scheduler.lay_anew,
                shipping=self._around.shipping,
            )
            return GardenEdges(inbox, sender, scheduler, loop, stack.pop_all())

    def _recorded(self, inbox: MqttInbox) -> Inbox:
        """The inbox, recorded where that is wanted: of several gardens, each into a file of its own."""
        record = self._around.record
        if record is None:
            return inbox
        from sensord.adapters.feed import Recorder, RecordingInbox

        if self._around.is_shared:
            record = record.with_name(f"{record.stem}-{self.built.name}{record.suffix}")
        return RecordingInbox(inbox, Recorder(record), on_trouble=log.error)

    def _pictures(self, stack: ExitStack) -> Pictures | None:
        """What draws the week's picture; None where no week is pushed."""
        if not self.built.settings.review.at:
            return None
        from sensord.report.charts import PictureMaker as Drawn

        around = self._around
        pictures = Drawn(around.config, around.path, around.secrets, site=self.built.name)
        stack.callback(pictures.close)
        return pictures


def channels(built: _house.OneGarden, pictures: Pictures | None = None, is_shared: bool = False) -> dict[str, Channel]:
    """The ways to the phone and to the stand-in; without one, messages go to the log and say so."""
    push = built.settings.push
    found: dict[str, Channel] = {}
    link, of = _page.links(built, is_shared), built.name if is_shared else ""
    for route, urls in ((Route.PHONE, push.phone), (Route.STAND_IN, push.stand_in)):
        if urls:
            found[route] = AppriseChannel(urls, push.timeout_s, name=route, pictures=pictures, link=link, of=of)
    if Route.PHONE not in found:
        log.warning("no [push] phone is configured: messages go to this log alone")
        found[Route.PHONE] = LogChannel()
    return found
