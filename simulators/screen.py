"""What the demonstration shows: messages as the phone would, above a small live picture of the temperatures."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from textwrap import wrap
from types import TracebackType
from typing import TYPE_CHECKING

from rich.console import Console
from rich.live import Live
from rich.markup import escape
from rich.table import Table

from sensord.model import AMBIENT, AMOUNTS, Message, Route
from simulators.garden import Event, Garden, Truth

if TYPE_CHECKING:
    from sensord.commands._house import OneGarden

BARS = "▁▂▃▄▅▆▇█"
INDENT = 21
"""Where the words of a message begin, after day, time and severity [characters]."""
DRAWN_EVERY = timedelta(minutes=15)
A_DAY = 96
"""Values of the picture in a day."""
TALLIED_ABOVE_C = 11.5
STYLES = {"Minor": "cyan", "Moderate": "yellow", "Severe": "bold red", "Extreme": "bold white on red"}


class Screen:
    """Messages as they come, above the picture; plain lines where nobody looks."""

    def __init__(self, built: OneGarden, days: int, says: Callable[[str, datetime], float | None]) -> None:
        self.console = Console(highlight=False, soft_wrap=True)
        self.days, self._says = days, says
        self._zone = built.settings.zone
        self._titles = {e.name: e.title for e in built.garden.enclosures} | {AMBIENT: "Shaded post"}
        self._us = built.settings.keeper.units == "us"
        self._tiers = next(iter(built.garden.species.values())).heat_tiers
        self._history: dict[str, list[float | None]] = {name: [] for name in self._titles}
        self._next: datetime | None = None
        self._live: Live | None = None

    def __enter__(self) -> Screen:
        self.console.print(
            "[bold]Larkfield Lane Community Garden[/bold] (made-up), three enclosures, "
            f"{self.days} days of August. What the phone shows, as it happens:\n"
        )
        if self.console.is_terminal:
            self._live = Live(console=self.console, refresh_per_second=8, transient=True)
            self._live.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()

    def stop(self) -> None:
        """Leave the picture."""
        if self._live is not None:
            self._live.stop()
            self._live = None

    def message(self, message: Message) -> None:
        """One push, as the phone would show it."""
        at, word = message.at.astimezone(self._zone), message.severity.word
        to = "" if message.route == Route.PHONE else f"  (to the {message.route})"
        title, *more = self._folded(f"{message.title}{to}")
        self.console.print(f"{at:%a %H:%M}  [{STYLES.get(word, '')}]{word:8}[/]  [bold]{escape(title)}[/bold]")
        for line in more:
            self.console.print(f"{' ' * INDENT}[bold]{escape(line)}[/bold]")
        for line in self._folded(message.text):
            self.console.print(f"{' ' * INDENT}{line}", markup=False)

    def _folded(self, text: str) -> list[str]:
        """The lines of a text, on a terminal broken between words where they would not fit beside the indent."""
        if not self.console.is_terminal:
            return text.splitlines()
        width = max(20, self.console.width - INDENT)
        return [part for line in text.splitlines() for part in wrap(line, width, break_on_hyphens=False) or [""]]

    def show(self, now: datetime, garden: Garden) -> bool:
        """Bring the picture up to date, four times in a garden hour; the garden goes on: False."""
        if garden.now > garden.start and (self._next is None or now >= self._next):
            self._next = now + DRAWN_EVERY
            for name, values in self._history.items():
                values.append(self._says(name, now))
                del values[:-A_DAY]
            if self._live is not None:
                self._live.update(self._picture(now, garden.truth(min(now, garden.now))))
            elif now.minute < 15 and now.astimezone(self._zone).hour % 6 == 0:
                self.console.print(self.line(now))
        return False

    def line(self, now: datetime) -> str:
        """What every place says at this instant."""
        inside = ", ".join(f"{t} {self._temperature(self._says(n, now))}" for n, t in self._titles.items())
        return f"{now.astimezone(self._zone):%a %H:%M}  [dim]{inside}[/dim]"

    def heat(self, title: str, hottest_at: datetime, hottest_c: float, degree_days: float) -> str:
        """How warm it was in an enclosure."""
        tally = f"{degree_days * 1.8:.1f} °F-days" if self._us else f"{degree_days:.1f} °C-days"
        return (
            f"  {title}: hottest hour {hottest_at.astimezone(self._zone):%A %H:00} with "
            f"{self._temperature(hottest_c)} on average, {tally} above {self._temperature(TALLIED_ABOVE_C)}"
        )

    def event(self, event: Event) -> str:
        """One entry of the garden's log."""
        title = self._titles.get(event.subject, event.subject)
        return f"  [dim]{event.at.astimezone(self._zone):%a %H:%M}  {title}: {happened(event)}[/dim]"

    def _temperature(self, celsius: float | None) -> str:
        if celsius is None:
            return "–"
        return f"{celsius * 1.8 + 32:.0f} °F" if self._us else f"{celsius:.1f} °C"

    def _picture(self, now: datetime, truth: Truth) -> Table:
        table = Table(box=None, padding=(0, 2), title=f"{now.astimezone(self._zone):%A %H:%M}", title_justify="left")
        for heading in ("", "now", "the last day", "above"):
            table.add_column(heading)
        for name, title in self._titles.items():
            value = self._history[name][-1]
            over = [t for t in self._tiers if value is not None and value >= t.temperature_c]
            above = self._temperature(over[-1].temperature_c) if over else "–"
            table.add_row(title, self._temperature(value), course(self._history[name]), above)
        wind = truth.wind_gust_m_s
        table.add_row("Gusts", f"{wind * 2.23694:.0f} mph" if self._us else f"{wind * 3.6:.0f} km/h", "", "")
        return table


def course(values: list[float | None], low: float = 10.0, high: float = 42.0) -> str:
    """The course of a temperature as bars, 48 characters at most, on one scale for all."""
    shown = values[::-2][::-1]
    return "".join(" " if v is None else BARS[max(0, min(7, int((v - low) / (high - low) * 8)))] for v in shown)


def happened(event: Event) -> str:
    """What happened, with the unit of its amount."""
    if event.what.startswith("fault"):
        return str(event.what)
    unit = AMOUNTS.get(event.what, "") if event.detail else ""  # type: ignore[call-overload]
    detail = " ".join(filter(None, (event.detail, unit)))
    return f"{event.what}: {detail}" if "," in detail else f"{event.what} {detail}".rstrip()
