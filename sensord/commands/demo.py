"""`sensord demo`: the main job on a simulated garden, over real MQTT, three days in about a minute."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager, suppress
from datetime import datetime, timedelta
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from sensord.daemon import Daemon
    from sensord.model import Arrival, Gap, Message
    from sensord.ports import Inbox
    from simulators.probes import Sent

LEAD = timedelta(seconds=1.5)
"""Real time before the garden's first moment, for the daemon to connect."""
SETTLE = timedelta(minutes=30)
"""Garden time after the last message, for what is still under way to arrive."""
HEIGHT = 8
BARS = "▁▂▃▄▅▆▇█"
INDENT = 21
"""Where the words of a message begin, after day, time and severity [characters]."""
SHOWN_FOR = timedelta(minutes=20)
"""So much older than what others said last may be what a probe said, to be shown. Chosen."""


class Units(StrEnum):
    """Units of what is shown."""

    METRIC = "metric"
    US = "us"


def command(
    days: Annotated[int, typer.Option(min=1, max=14, help="Garden days.")] = 3,
    seconds: Annotated[float, typer.Option(min=10, help="About how long it takes [s].")] = 66.0,
    seed: Annotated[int, typer.Option(help="Another seed, another garden.")] = 7,
    units: Annotated[Units, typer.Option(help="Units of what is shown.")] = Units.METRIC,
    store: Annotated[Path | None, typer.Option(help="Keep the store here.")] = None,
    page: Annotated[
        bool,
        typer.Option("--page", help="Show the page meanwhile, on this computer; --seconds 900 gives time to look."),
    ] = False,
) -> None:
    """Watch a made-up garden for three summer days: what the phone would show, as it happens."""
    import logging

    from sensord.commands import _build, _page
    from simulators import scenario
    from simulators.broker import EmbeddedBroker
    from simulators.pace import PacedClock

    logging.basicConfig(level=logging.ERROR, format="%(levelname)s %(name)s: %(message)s")
    chosen = scenario.configuration("larkfield")
    with ExitStack() as stack:
        broker = stack.enter_context(EmbeddedBroker())
        chosen = chosen.model_copy(
            update={
                "broker": chosen.broker.model_copy(update={"host": broker.host, "port": broker.port}),
                "keeper": chosen.keeper.model_copy(update={"units": units.value}),
                "page": chosen.page.model_copy(update={"enabled": page, "port": _free_port(chosen.page.port)}),
            }
        )
        built = _build.understood(chosen, scenario.HERE / "larkfield.toml")
        garden = scenario.larkfield(seed, settings=chosen)
        end = garden.start + timedelta(days=days)
        path = store or Path(stack.enter_context(_scratch())) / "demo.sqlite3"
        kept = _build.open_store(built, path)
        stack.callback(kept.close)
        speed = (end - garden.start).total_seconds() / seconds
        clock = PacedClock(garden.start - LEAD * speed, speed, garden.start)
        inbox = _build.inbox(built, clock, kept)
        stack.callback(inbox.close)
        screen = stack.enter_context(_Screen(built, days))
        screen.says = lambda name, now: _said(built, kept, name, now)
        came = Came(inbox)
        daemon = _daemon(built, clock, came, kept, _Phone(screen, garden.keeper))
        _wait_until_connected(inbox)
        served = _page.serve(built, path, clock, daemon, inbox)
        if served is not None:
            stack.callback(served.close)
            screen.console.print(f"The page: {served.address}\n")

        def play(publisher: Any) -> Any:
            at = (broker.host, broker.port)
            return publisher.run(garden, clock, *at, end, taken=lambda: came.count, on_sent=came.note)

        outdoors = stack.enter_context(_Outdoors(play))

        def stopped() -> bool:
            screen.show(clock.now(), garden)
            if outdoors.trouble is not None:
                return True
            return 0 < outdoors.published <= came.count and not came.missing()

        daemon.run(until=end + SETTLE, stopped=stopped)
        screen.stop()
        if outdoors.trouble is not None:
            typer.echo(f"the simulated garden stopped: {outdoors.trouble}", err=True)
            raise typer.Exit(1)
        lost = came.missing()
        _summary(screen, daemon, kept, garden, outdoors.published, lost, built)
        if lost:
            raise typer.Exit(1)


def _free_port(wished: int) -> int:
    """That port of this computer, or another where somebody has it: two demonstrations do not disturb each other."""
    import socket

    for port in (wished, 0):
        with socket.socket() as trial, suppress(OSError):
            trial.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            trial.bind(("127.0.0.1", port))
            found: int = trial.getsockname()[1]
            return found
    return wished


class Came:
    """An inbox that counts what came by the broker and became durable, against what was published, message by message.

    What came by another way (the page), or twice, makes up for nothing that did not come.
    """

    def __init__(self, inbox: Inbox) -> None:
        from threading import Lock

        self._inbox, self.count = inbox, 0
        self._due: Counter[tuple[str, bytes]] = Counter()  # published, not come yet
        self._lock = Lock()  # the garden publishes on a thread of its own

    def note(self, message: Sent) -> None:
        """This is published."""
        with self._lock:
            self._due[message.topic, bytes(message.payload)] += 1

    def missing(self) -> int:
        """Of what was published, so many messages did not come."""
        with self._lock:
            return self._due.total()

    def next_batch(self, until: datetime, limit: int) -> list[Arrival]:
        """As the inbox."""
        return self._inbox.next_batch(until, limit)

    def acknowledge(self, batch: Sequence[Arrival]) -> None:
        """As the inbox; these are durable."""
        heard = [arrival for arrival in batch if arrival.connection]
        with self._lock:
            for key in ((arrival.topic, arrival.payload) for arrival in heard):
                if self._due[key] > 1:
                    self._due[key] -= 1
                else:
                    del self._due[key]
            self.count += len(heard)
        self._inbox.acknowledge(batch)

    def gaps(self) -> list[Gap]:
        """As the inbox."""
        return self._inbox.gaps()

    def close(self) -> None:
        """As the inbox."""
        self._inbox.close()


def _said(built: Any, store: Any, place: str, now: datetime) -> float | None:
    """What the first probe of a place that is to be believed says of the temperature [°C]; None where none does."""
    from sensord.model import Doubt, Quantity

    newest = {
        probe: reading
        for probe in built.garden.probes
        if Quantity.TEMPERATURE in probe.quantities
        and (reading := store.latest(built.garden.site.name, probe.name, Quantity.TEMPERATURE, now))
    }
    last = max((reading.measured_at for reading in newest.values()), default=now)  # at this pace, well behind the clock
    for probe in built.garden.probes_at(place, Quantity.TEMPERATURE):
        reading = newest.get(probe)
        if reading is not None and last - reading.measured_at <= SHOWN_FOR and not reading.doubts & Doubt.UNUSABLE:
            return float(reading.value)
    return None


class _Outdoors:
    """The garden and its probes, on a thread of their own, publishing over MQTT."""

    def __init__(self, run: Callable[[Any], Any]) -> None:
        import threading

        from simulators.publish import Publisher

        self._publisher, self._run = Publisher(), run
        self.published = 0
        self.trouble: Exception | None = None
        self._thread = threading.Thread(target=self._work, name="garden", daemon=True)

    def _work(self) -> None:
        try:
            self.published = self._run(self._publisher).sent
        except Exception as error:  # noqa: BLE001  # whatever it is, the main thread says it and ends
            self.trouble = error

    def __enter__(self) -> _Outdoors:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._publisher.stop()
        self._thread.join(10)


@contextmanager
def _scratch() -> Iterator[str]:
    from tempfile import TemporaryDirectory

    with TemporaryDirectory(prefix="sensord-demo-") as directory:
        yield directory


def _daemon(built: Any, clock: Any, inbox: Any, store: Any, phone: Any) -> Daemon:
    from sensord.daemon import Daemon
    from sensord.edges.sender import InlineSender

    sender = InlineSender({"phone": phone, "stand-in": phone})
    return Daemon(built.settings, built.garden, built.texts, clock, inbox, store, sender)


def _wait_until_connected(inbox: Any, within_s: float = 15) -> None:
    import time

    deadline = time.monotonic() + within_s
    while not inbox.status().connected:
        if time.monotonic() > deadline:
            raise typer.Exit(1)
        time.sleep(0.02)


class _Phone:
    """The phone of the demonstration: shows the message, and the simulated keeper reads it."""

    name = "phone"

    def __init__(self, screen: _Screen, keeper: Any) -> None:
        self._screen, self._keeper = screen, keeper

    def send(self, message: Message) -> None:
        self._screen.message(message)
        self._keeper.read(message)


class _Screen:
    """Messages as they come, above a small live picture of the temperatures; plain lines where nobody looks."""

    def __init__(self, built: Any, days: int) -> None:
        from rich.console import Console

        self.console = Console(highlight=False, soft_wrap=True)
        self.zone = built.settings.zone
        self.titles = {e.name: e.title for e in built.garden.enclosures} | {"ambient": "Shaded post"}
        self._us = built.settings.keeper.units == "us"
        self._tiers = next(iter(built.garden.species.values())).heat_tiers
        self.says: Callable[[str, datetime], float | None] = lambda name, now: None
        self._history: dict[str, list[float | None]] = {name: [] for name in self.titles}
        self._next: datetime | None = None
        self._days = days
        self._live: Any = None

    def __enter__(self) -> _Screen:
        from rich.live import Live

        self.console.print(
            "[bold]Larkfield Lane Community Garden[/bold] (made-up), three enclosures, "
            f"{self._days} days of August. What the phone shows, as it happens:\n"
        )
        if self.console.is_terminal:
            self._live = Live(console=self.console, refresh_per_second=8, transient=True)
            self._live.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    def stop(self) -> None:
        """Leave the picture."""
        if self._live is not None:
            self._live.stop()
            self._live = None

    def message(self, message: Message) -> None:
        """One push, as the phone would show it."""
        at = message.at.astimezone(self.zone)
        style = {"Minor": "cyan", "Moderate": "yellow", "Severe": "bold red", "Extreme": "bold white on red"}
        word = message.severity.word
        to = "" if message.route == "phone" else f"  (to the {message.route})"
        title, *more = self._folded(f"{message.title}{to}")
        from rich.markup import escape

        self.console.print(f"{at:%a %H:%M}  [{style.get(word, '')}]{word:8}[/]  [bold]{escape(title)}[/bold]")
        for line in more:
            self.console.print(f"{' ' * INDENT}[bold]{escape(line)}[/bold]")
        for line in self._folded(message.text):
            self.console.print(f"{' ' * INDENT}{line}", markup=False)

    def _folded(self, text: str) -> list[str]:
        """The lines of a text, on a terminal broken between words where they would not fit beside the indent."""
        if not self.console.is_terminal:
            return text.splitlines()
        from textwrap import wrap

        width = max(20, self.console.width - INDENT)
        return [part for line in text.splitlines() for part in wrap(line, width, break_on_hyphens=False) or [""]]

    def show(self, now: datetime, garden: Any) -> None:
        """Bring the picture up to date, four times in a garden hour."""
        if garden.now <= garden.start or (self._next is not None and now < self._next):
            return
        self._next = now + timedelta(minutes=15)
        truth = garden.truth(min(now, garden.now))
        for name, values in self._history.items():
            values.append(self.says(name, now))
            del values[:-96]
        if self._live is not None:
            self._live.update(self._picture(now, truth))
        elif now.minute < 15 and now.astimezone(self.zone).hour % 6 == 0:
            self.console.print(self._line(now))

    def _temperature(self, celsius: float | None) -> str:
        if celsius is None:
            return "–"
        return f"{celsius * 1.8 + 32:.0f} °F" if self._us else f"{celsius:.1f} °C"

    def _line(self, now: datetime) -> str:
        inside = ", ".join(f"{t} {self._temperature(self.says(n, now))}" for n, t in self.titles.items())
        return f"{now.astimezone(self.zone):%a %H:%M}  [dim]{inside}[/dim]"

    def _picture(self, now: datetime, truth: Any) -> Any:
        from rich.table import Table

        table = Table(box=None, padding=(0, 2), title=f"{now.astimezone(self.zone):%A %H:%M}", title_justify="left")
        for heading in ("", "now", "the last day", "above"):
            table.add_column(heading)
        for name, title in self.titles.items():
            value = self._history[name][-1]
            over = [t for t in self._tiers if value is not None and value >= t.temperature_c]
            above = self._temperature(over[-1].temperature_c) if over else "–"
            table.add_row(title, self._temperature(value), _spark(self._history[name]), above)
        wind = truth.wind_gust_m_s
        gust = f"{wind * 2.23694:.0f} mph" if self._us else f"{wind * 3.6:.0f} km/h"
        table.add_row("Gusts", gust, "", "")
        return table


def _spark(values: list[float | None], low: float = 10.0, high: float = 42.0) -> str:
    """The course of a temperature as bars, 48 characters at most, on one scale for all."""
    shown = values[::-2][::-1]
    return "".join(" " if v is None else BARS[max(0, min(7, int((v - low) / (high - low) * 8)))] for v in shown)


def _summary(screen: _Screen, daemon: Daemon, store: Any, garden: Any, published: int, lost: int, built: Any) -> None:
    """What came in, what was said, and what the heat was."""
    from sensord.model import Quantity

    counts, say = daemon.counts, screen.console.print
    say("\n[bold]Three days in the garden[/bold]" if screen._days == 3 else f"\n[bold]{screen._days} days[/bold]")
    say(
        f"  {published} messages published, {counts.readings} readings stored, {counts.duplicates} repeated, "
        f"{counts.refused} refused, [bold]{lost} lost[/bold]"
    )
    say(f"  {counts.sent} messages sent to the phone, {counts.turns} turns of the rules")
    end = daemon.clock.now()
    for place in daemon.garden.enclosures:
        probe = daemon.garden.probes_at(place.name, Quantity.TEMPERATURE)[0]
        hours = store.hours(built.garden.site.name, probe.name, Quantity.TEMPERATURE, garden.start, end)
        tally = sum(t.degree_days for t in store.tally(built.garden.site.name, place.name, garden.start, end))
        hottest = max(hours, key=lambda h: h.mean, default=None)
        if hottest is None:
            continue
        at = hottest.start.astimezone(screen.zone)
        degree_days = f"{tally * 1.8:.1f} °F-days" if screen._us else f"{tally:.1f} °C-days"
        say(
            f"  {place.title}: hottest hour {at:%A %H:00} with {screen._temperature(hottest.mean)} on average, "
            f"{degree_days} above {screen._temperature(11.5)}"
        )
    for event in garden.events:
        title = screen.titles.get(event.subject, event.subject)
        say(f"  [dim]{event.at.astimezone(screen.zone):%a %H:%M}  {title}: {_happened(event)}[/dim]")


def _happened(event: Any) -> str:
    """One entry of the garden's log, with the unit of its amount."""
    from sensord.model import AMOUNTS

    if event.what.startswith("fault"):
        return str(event.what)
    unit = AMOUNTS.get(event.what, "") if event.detail else ""
    detail = " ".join(filter(None, (event.detail, unit)))
    return f"{event.what}: {detail}" if "," in detail else f"{event.what} {detail}".rstrip()
