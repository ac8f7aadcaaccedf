"""Build the live edges around the loop, start it, and take it down in order."""

from __future__ import annotations

import logging
import signal
import threading
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING

from sensord.commands import _build, _page
from sensord.config import Mistakes
from sensord.edges.clock import RealClock
from sensord.edges.push import AppriseChannel, LogChannel, Pictures
from sensord.edges.scheduler import TurnScheduler
from sensord.edges.sender import Sender
from sensord.edges.sqlite import SqliteStore
from sensord.edges.systemd import Heart
from sensord.model import Route
from sensord.ports import Channel, Inbox, Transient

if TYPE_CHECKING:
    from sensord.edges.charts import Pictures as Drawn
    from sensord.edges.influx import Shipper

log = logging.getLogger("sensord")


def channels(built: _build.OneGarden, pictures: Pictures | None = None) -> dict[str, Channel]:
    """The ways to the phone and to the stand-in; without one, messages go to the log and say so."""
    push = built.settings.push
    found: dict[str, Channel] = {}
    link = _page.links(built)
    for route, urls in ((Route.PHONE, push.phone), (Route.STAND_IN, push.stand_in)):
        if urls:
            found[route] = AppriseChannel(urls, push.timeout_s, name=route, pictures=pictures, link=link)
    if Route.PHONE not in found:
        log.warning("no [push] phone is configured: messages go to this log alone")
        found[Route.PHONE] = LogChannel()
    return found


def _pictures(built: _build.OneGarden, config: Path, secrets: Path | None) -> Drawn | None:
    """What draws the week's picture; None where no week is pushed."""
    if not built.settings.review.at:
        return None
    from sensord.edges.charts import Pictures as Drawn

    return Drawn(config, _build.store_path(built.settings.store, config), secrets)


def _last_shipment(shipper: Shipper, clock: RealClock) -> None:
    """Begin nothing more, and strike off what was delivered: what isn't is sent again after the next start."""
    shipper.close(timeout_s=3.0)
    try:
        shipper.settle(clock.now())
    except Transient as trouble:
        log.error("the store can't be used at the moment: %s", trouble)


def _open(built: _build.OneGarden, config: Path) -> SqliteStore:
    """The store; Mistakes where it is no store or another sensord has it, an end with 1 where the disk is in the way."""
    try:
        return _build.open_store(built, _build.store_path(built.settings.store, config))
    except ValueError as wrong:
        raise Mistakes([str(wrong)]) from None
    except Transient as trouble:
        log.error("the store can't be opened: %s", trouble)
        raise SystemExit(1) from None


def run(config: Path, secrets: Path | None, record: Path | None) -> None:
    """Run until SIGTERM or SIGINT."""
    house = _build.house(config, secrets, tries_push=True)
    if house.is_shared:
        raise Mistakes([f"{config}: gardens: `sensord run` watches the garden of one file"])
    (built,) = house.gardens
    stop = threading.Event()
    with ExitStack() as stack:
        store = _open(built, config)
        stack.callback(store.close)
        share = _build.share(built, store)
        clock = RealClock(floor=max(_build.RELEASED, _build.last_receipt(built, share) or _build.RELEASED))
        inbox = _build.inbox(built, clock, share)
        stack.callback(inbox.close)
        source: Inbox = inbox
        if record is not None:
            from sensord.edges.feed import Recorder, RecordingInbox

            source = RecordingInbox(inbox, Recorder(record), on_trouble=log.error)
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, lambda *_: stop.set() or inbox.wake())  # type: ignore[func-returns-value]
        pictures = _pictures(built, config, secrets)
        if pictures is not None:
            stack.callback(pictures.close)
        sender = Sender(channels(built, pictures), wake=inbox.wake)
        stack.callback(sender.close)
        scheduler = TurnScheduler(tuple(built.garden.cadences.values()), inbox.wake)
        scheduler.start()
        stack.callback(scheduler.stop)
        shipper = _build.shipper(built, _build.store_path(built.settings.store, config), store, inbox.wake)
        if shipper is not None:
            shipper.start()
            stack.callback(_last_shipment, shipper, clock)
        heart = Heart()
        loop = _build.loop(
            built,
            clock,
            source,
            share,
            sender,
            connected=inbox.connected,
            facts=inbox.facts,
            on_step=scheduler.lay_anew,
            shipping=shipper,
        )

        page = _page.serve(built, _build.store_path(built.settings.store, config), clock, loop, inbox)
        if page is not None:
            stack.callback(page.close)
            log.info("the page is at %s", page.address)

        told: list[str] = []

        def stopped() -> bool:
            """Asked at each round of the loop, so it also tells the service manager that the loop goes round."""
            ages = {"inbox": inbox.age_s(), "scheduler": scheduler.age_s(), "outbox": sender.age_s()}
            stale = heart.beat({"loop": 0.0, **ages})
            if stale and not told:
                log.error("no sign of life: %s; the service manager will start the daemon anew", "; ".join(stale))
            told[:] = stale
            return stop.is_set()

        heart.ready()
        log.info(
            "watching %s: %s, %s",
            built.garden.site.title,
            _build.counted(len(built.garden.enclosures), "enclosure"),
            _build.counted(len(built.garden.probes), "probe"),
        )
        loop.run(stopped=stopped)
        heart.stopping()
        log.info("stopped")
