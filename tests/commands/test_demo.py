"""The demonstration's own bookkeeping and what it shows; that it runs is tried with the page."""

from __future__ import annotations

import re
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from typer.testing import CliRunner

from sensord.__main__ import app
from sensord.commands import _build, demo
from sensord.model import Arrival, Certainty, Message, Quantity, Reading, Severity, Urgency
from sensord.ports import Batch
from simulators import scenario
from simulators.garden import Event
from simulators.probes import Sent

AT = datetime(2026, 8, 20, 16, tzinfo=UTC)


def arrival(payload: bytes, connection: int = 1) -> Arrival:
    return Arrival(AT, "a", payload, connection=connection)


class Quiet:
    """An inbox that is only told."""

    def __init__(self) -> None:
        self.acknowledged: list[Arrival] = []

    def next_batch(self, until: datetime, limit: int) -> list[Arrival]:
        return []

    def acknowledge(self, batch: list[Arrival]) -> None:
        self.acknowledged += batch

    def gaps(self) -> list[object]:
        return []

    def close(self) -> None:
        """Nothing to close."""


def test_what_the_page_says_is_neither_lost_nor_hides_a_loss() -> None:
    """Only what came by the broker counts, message by message: an entry of the page, or a repeat, makes up for nothing."""
    inbox = Quiet()
    came = demo.Came(inbox)  # type: ignore[arg-type]
    for payload in (b"1", b"2", b"2"):
        came.note(Sent(AT, "a", payload))
    assert came.missing() == 3
    came.acknowledge([arrival(b"1"), arrival(b"seen", connection=0)])
    assert (came.count, came.missing()) == (1, 2)
    came.acknowledge([arrival(b"1"), arrival(b"2")])
    assert (came.count, came.missing()) == (3, 1)
    came.acknowledge([arrival(b"2")])
    assert came.missing() == 0
    assert len(inbox.acknowledged) == 5


def built() -> _build.OneGarden:
    return _build.understood(scenario.configuration("larkfield"), scenario.HERE / "larkfield.toml")


def test_a_probe_that_is_silent_shows_no_temperature(tmp_path: Path) -> None:
    """What a probe says is shown, with a dash where it says nothing to be believed, whatever it truly is there."""
    house = built()
    with closing(_build.open_store(house, tmp_path / "s.sqlite3")) as store:
        store.add(
            Batch(
                readings=[
                    Reading("larkfield", "alder-1", Quantity.TEMPERATURE, AT, AT, 21.5),
                    Reading("larkfield", "birch-1", Quantity.TEMPERATURE, AT - timedelta(hours=2), AT, 30.0),
                ]
            )
        )
        screen = demo._Screen(house, 1)
        screen.says = lambda name, now: demo._said(house, store, name, now)
        line = re.sub(r"\[/?dim\]", "", screen._line(AT + timedelta(minutes=50)))
    assert line == "Thu 12:50  Alder 21.5 °C, Birch –, Cedar –, Shaded post –"


def test_long_lines_break_between_words_and_keep_the_indent(capsys: pytest.CaptureFixture[str]) -> None:
    """On a terminal of 60 columns nothing is cut in a word, and all but the first line begin under the words."""
    from rich.console import Console

    screen = demo._Screen(built(), 1)
    screen.console = Console(width=60, force_terminal=True, no_color=True, highlight=False, soft_wrap=True)
    text = "Clear the netting, lift it off the ground, or set it where the wind goes; a battery fan helps [a lot]."
    screen.message(
        Message(
            "k", "larkfield", AT, "overheating", "birch", Severity.MODERATE, Urgency.EXPECTED, Certainty.OBSERVED,
            "Give Birch, and Alder beside it, more air", text, "", (), None,
        )
    )  # fmt: skip
    lines = [re.sub(r"\x1b\[[0-9;]*m", "", line) for line in capsys.readouterr().out.splitlines()]
    assert all(len(line) <= 60 for line in lines)
    assert all(line.startswith(" " * demo.INDENT) for line in lines[1:])
    said = " ".join(" ".join(lines).split())
    assert said == f"Thu 12:00 Moderate Give Birch, and Alder beside it, more air {text}"


def test_the_log_at_the_end_has_units_and_no_trailing_spaces() -> None:
    """What was added has its unit."""
    assert demo._happened(Event(AT, "birch", "ballast added", "14")) == "ballast added 14 kg"
    assert demo._happened(Event(AT, "birch", "headcount", "9")) == "headcount 9 animals"
    assert demo._happened(Event(AT, "birch", "shaded", "")) == "shaded"


def test_unknown_units_are_wrong_use() -> None:
    """There are two kinds."""
    done = CliRunner().invoke(app, ["demo", "--units", "furlongs"])
    assert done.exit_code == 2
