"""The main job on a simulated garden, over real MQTT: garden, broker and daemon in one process, shown on a screen."""

from __future__ import annotations

import logging
import socket
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from datetime import datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, NamedTuple

from sensord.adapters.sender import InlineSender
from sensord.commands import _build, _house, _page
from sensord.config import Settings
from sensord.loop import Loop
from sensord.model import Doubt, Message, Quantity, Route
from sensord.ports import Share
from simulators import scenario
from simulators.broker import EmbeddedBroker
from simulators.brokered import BrokeredInbox
from simulators.garden import Garden, Resident
from simulators.pace import PacedClock
from simulators.publish import Connection, NotPublished
from simulators.screen import Screen

CONNECTS_WITHIN_S = 15.0
SHOWN_FOR = timedelta(minutes=20)
"""What a probe said up to so long ago is shown as what it says. Chosen."""


class Wishes(NamedTuple):
    """What can be chosen about a demonstration."""

    days: int = 3
    seconds: float = 66.0
    seed: int = 7
    units: str = "metric"
    store: Path | None = None
    page: bool = False


def demonstrate(wishes: Wishes) -> None:
    """Play the garden from its first midnight on.

    Raises:
        NotPublished, NotCarried, BrokerDidNotStart: why the garden could not go on.
    """
    logging.basicConfig(level=logging.ERROR, format="%(levelname)s %(name)s: %(message)s")
    with ExitStack() as stack:
        broker = stack.enter_context(EmbeddedBroker())
        chosen = _chosen(wishes, broker)
        built = _house.understood(chosen, scenario.HERE / "larkfield.toml")
        garden = scenario.larkfield(wishes.seed, settings=chosen)
        end = garden.start + timedelta(days=wishes.days)
        path = wishes.store or Path(stack.enter_context(_scratch())) / "demo.sqlite3"
        opened = _build.open_store(built, path)
        stack.callback(opened.close)
        kept = _build.share(built, opened)
        clock = PacedClock(garden.start, (end - garden.start).total_seconds() / wishes.seconds)
        live = _build.inbox(built, clock, kept)
        _wait_until_connected(live)
        inbox = BrokeredInbox(garden, clock, live, Connection(broker.host, broker.port))
        stack.callback(inbox.close)
        screen = stack.enter_context(Screen(built, wishes.days, lambda place, now: _said(built, kept, place, now)))
        assert garden.keeper is not None  # the scenario has one
        phone = _Phone(screen, garden.keeper)
        sender = InlineSender(dict.fromkeys(Route, phone))
        loop = _build.loop(built, clock, inbox, kept, sender)
        served = _page.serve(path, [_page.Alone(built, clock, loop, live.connected, live.put_local)])
        if served is not None:
            stack.callback(served.close)
            screen.console.print(f"The page: {served.address}\n")
        loop.run(until=end, stopped=lambda: screen.show(clock.now(), garden))
        screen.stop()
        _summary(screen, loop, kept, garden, inbox.carried)


def _chosen(wishes: Wishes, broker: EmbeddedBroker) -> Settings:
    """The garden's configuration with this broker and these wishes."""
    chosen = scenario.configuration("larkfield")
    return chosen.model_copy(
        update={
            "broker": chosen.broker.model_copy(update={"host": broker.host, "port": broker.port}),
            "keeper": chosen.keeper.model_copy(update={"units": wishes.units}),
            "page": chosen.page.model_copy(update={"enabled": wishes.page, "port": _free_port(chosen.page.port)}),
        }
    )


def _free_port(wished: int) -> int:
    """That port of this computer, or another where somebody has it: two demonstrations do not disturb each other."""
    for port in (wished, 0):
        with socket.socket() as trial, suppress(OSError):
            trial.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            trial.bind(("127.0.0.1", port))
            found: int = trial.getsockname()[1]
            return found
    return wished


@contextmanager
def _scratch() -> Iterator[str]:
    with TemporaryDirectory(prefix="sensord-demo-") as directory:
        yield directory


def _wait_until_connected(inbox: Any) -> None:
    deadline = time.monotonic() + CONNECTS_WITHIN_S
    while not inbox.status().connected:
        if time.monotonic() > deadline:
            raise NotPublished(f"the daemon did not reach the broker: {inbox.status().trouble or 'no answer'}")
        time.sleep(0.02)


class _Phone:
    """The phone of the demonstration: shows the message, and the simulated keeper reads it."""

    name = "phone"

    def __init__(self, screen: Screen, keeper: Resident) -> None:
        self._screen, self._keeper = screen, keeper

    def send(self, message: Message) -> None:
        self._screen.message(message)
        self._keeper.read(message)


def _said(built: _house.OneGarden, store: Share, place: str, now: datetime) -> float | None:
    """What the first probe of a place that is to be believed says of the temperature [°C]; None where none does."""
    for probe in built.garden.probes_at(place, Quantity.TEMPERATURE):
        reading = store.readings.latest(probe.name, Quantity.TEMPERATURE, now)
        if reading is not None and now - reading.measured_at <= SHOWN_FOR and not reading.doubts & Doubt.UNUSABLE:
            return float(reading.value)
    return None


def _summary(screen: Screen, loop: Loop, store: Share, garden: Garden, published: int) -> None:
    """What came in, what was said, and what the heat was."""
    counts, say = loop.counts, screen.console.print
    say("\n[bold]Three days in the garden[/bold]" if screen.days == 3 else f"\n[bold]{screen.days} days[/bold]")
    say(
        f"  {published} messages published, {counts.readings} readings stored, {counts.duplicates} repeated, "
        f"{counts.refused} refused, [bold]{published - counts.arrivals} lost[/bold]"
    )
    say(f"  {counts.sent} messages sent to the phone, {counts.turns} turns of the rules")
    end = loop.clock.now()
    for place in loop.given.garden.enclosures:
        probe = loop.given.garden.probes_at(place.name, Quantity.TEMPERATURE)[0]
        hours = store.summaries.hours(probe.name, Quantity.TEMPERATURE, garden.start, end)
        tally = sum(t.degree_days for t in store.summaries.tally(place.name, garden.start, end))
        hottest = max(hours, key=lambda h: h.mean, default=None)
        if hottest is not None:
            say(screen.heat(place.title, hottest.start, hottest.mean, tally))
    for event in garden.events:
        say(screen.event(event))
