"""What the demonstration shows; that it runs is tried with the page, that it is true in simulators/test_brokered."""

from __future__ import annotations

import re
import sys
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from typer.testing import CliRunner

from sensord.__main__ import app, main
from sensord.commands import _house
from sensord.model import Certainty, Message, Quantity, Reading, Severity, Urgency
from sensord.ports import Commit
from simulators import demonstration, scenario
from simulators.garden import Event
from simulators.screen import INDENT, Screen, happened
from tests.kept import opened

AT = datetime(2026, 8, 20, 16, tzinfo=UTC)


def built() -> _house.OneGarden:
    return _house.understood(scenario.configuration("larkfield"), scenario.HERE / "larkfield.toml")


def test_a_probe_that_is_silent_shows_no_temperature(tmp_path: Path) -> None:
    """What a probe says is shown, with a dash where it says nothing to be believed, whatever it truly is there."""
    house = built()
    with closing(opened(house, tmp_path / "s.sqlite3")) as store:
        store.journal.commit(
            Commit(
                AT,
                readings=[
                    Reading("larkfield", "alder-1", Quantity.TEMPERATURE, AT, AT, 21.5),
                    Reading("larkfield", "birch-1", Quantity.TEMPERATURE, AT - timedelta(hours=2), AT, 30.0),
                ],
            )
        )
        screen = Screen(house, 1, lambda place, now: demonstration._said(house, store, place, now))
        line = re.sub(r"\[/?dim\]", "", screen.line(AT + timedelta(minutes=15)))
    assert line == "Thu 12:15  Alder 21.5 °C, Birch –, Cedar –, Shaded post –"


def test_long_lines_break_between_words_and_keep_the_indent(capsys: pytest.CaptureFixture[str]) -> None:
    """On a terminal of 60 columns nothing is cut in a word, and all but the first line begin under the words."""
    from rich.console import Console

    screen = Screen(built(), 1, lambda place, now: None)
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
    assert all(line.startswith(" " * INDENT) for line in lines[1:])
    said = " ".join(" ".join(lines).split())
    assert said == f"Thu 12:00 Moderate Give Birch, and Alder beside it, more air {text}"


def test_the_log_at_the_end_has_units_and_no_trailing_spaces() -> None:
    """What was added has its unit."""
    assert happened(Event(AT, "birch", "ballast added", "14")) == "ballast added 14 kg"
    assert happened(Event(AT, "birch", "headcount", "9")) == "headcount 9 animals"
    assert happened(Event(AT, "birch", "shaded", "")) == "shaded"


def test_unknown_units_are_wrong_use() -> None:
    """There are two kinds."""
    done = CliRunner().invoke(app, ["demo", "--units", "furlongs"])
    assert done.exit_code == 2


def test_where_the_simulators_are_not_installed_it_says_where_they_are(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """What is installed holds no demonstration; the command says so in plain words, and where there is one."""
    monkeypatch.setitem(sys.modules, "simulators", None)
    monkeypatch.setattr(sys, "argv", ["sensord", "demo"])
    with pytest.raises(SystemExit) as end:
        main()
    assert end.value.code == 2
    said = capsys.readouterr().err
    assert "not installed" in said
    assert "run deploy/demonstrate" in said
