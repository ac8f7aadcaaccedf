"""Open what the gardens share, begin to watch each on a thread of its own, and take everything down in order."""

from __future__ import annotations

import logging
import signal
import threading
from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING

from sensord.adapters.clock import RealClock
from sensord.adapters.sqlite import SqliteStore
from sensord.adapters.systemd import Heart
from sensord.commands import _build, _house, _page, _unwatched
from sensord.commands._watch import Around, GardenWatch
from sensord.config import Mistakes
from sensord.ports import Transient

if TYPE_CHECKING:
    from sensord.adapters.influx import Shipper

log = logging.getLogger("sensord")

BEAT_S = 1.0
OF_SEVERAL = "%(levelname)s %(name)s (%(threadName)s): %(message)s"
"""How a line of the log is written where there are several gardens: each one's threads are named after it."""


def run(config: Path, secrets: Path | None, record: Path | None) -> None:
    """Run until SIGTERM or SIGINT."""
    house = _house.house(config, secrets, tries_push=True)
    if house.is_shared:
        for handler in logging.getLogger().handlers:
            handler.setFormatter(logging.Formatter(OF_SEVERAL))
    for line in (line for garden in house.unsound for line in garden.mistakes):
        log.error("not watched: %s", line)
    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop.set())
    path = _build.store_path(house.found.store, config)
    with ExitStack() as stack:
        store = _opened(house, path)
        stack.callback(store.close)
        watches: list[GardenWatch] = []
        stack.callback(_end, watches, stop)
        shipper = _build.shipper(house.gardens, path, store, lambda: _wake(watches))
        around = Around(config, secrets, record, store, path, shipper, stop, house.is_shared)
        for built in house.gardens:
            watches.append(GardenWatch(built, around))
        if shipper is not None:
            shipper.start()
            stack.callback(_last_shipment, shipper, watches[0].clock)
        page = _page.serve(path, watches, house.unsound, house.is_shared)
        if page is not None:
            stack.callback(page.close)
            log.info("the page is at %s", page.address)
        telling = _unwatched.UnwatchedTelling(house.found, house.unsound, store, stop)
        stack.callback(telling.close)
        heart = Heart()
        heart.ready()
        for watch in watches:
            _unwatched.forget(watch.share)
            watch.start()
        _beat(heart, watches, stop)
        heart.stopping()
    for watch in watches:
        if watch.failure is not None:
            raise watch.failure
    log.info("stopped")


def _opened(house: _house.House, path: Path) -> SqliteStore:
    """The store; Mistakes where it is no store or another sensord has it, an end with 1 where the disk is in the way."""
    try:
        return _build.open_store(house.gardens[0], path)
    except ValueError as wrong:
        raise Mistakes([str(wrong)]) from None
    except Transient as trouble:
        log.error("the store can't be opened: %s", trouble)
        raise SystemExit(1) from None


def _beat(heart: Heart, watches: Sequence[GardenWatch], stop: threading.Event) -> None:
    """Tell the service manager that every loop goes round, until the end."""
    told: tuple[str, ...] = ()
    while not stop.wait(BEAT_S):
        ages = {watch.built.name: watch.ages() for watch in watches}
        oldest = {part: max(of_one[part] for of_one in ages.values()) for part in next(iter(ages.values()))}
        stale = heart.beat(oldest)
        if stale and not told:
            part = stale[0].split()[0]
            log.error(
                "no sign of life: %s; of %s. The service manager will start the daemon anew",
                "; ".join(stale),
                max(ages, key=lambda name: ages[name][part]),
            )
        told = stale


def _end(watches: Sequence[GardenWatch], stop: threading.Event) -> None:
    """Let all loops end, at the same time."""
    stop.set()
    _wake(watches)
    for watch in watches:
        watch.close()


def _wake(watches: Sequence[GardenWatch]) -> None:
    for watch in watches:
        watch.wake()


def _last_shipment(shipper: Shipper, clock: RealClock) -> None:
    """Begin nothing more, and strike off what was delivered: what isn't is sent again after the next start."""
    shipper.close(timeout_s=3.0)
    try:
        shipper.settle(clock.now())
    except Transient as trouble:
        log.error("the store can't be used at the moment: %s", trouble)
