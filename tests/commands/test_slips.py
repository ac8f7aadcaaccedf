"""A slip of the pen at the terminal gets one plain line and ends with 2: no traceback, and nothing is harmed."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from sensord.__main__ import main

MINIMAL = Path(__file__).parents[2] / "config" / "minimal.toml"
Slip = Callable[..., str]


@pytest.fixture
def slip(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Slip:
    """A command line that is wrong use → the one line that says why."""

    def line(*arguments: str | Path) -> str:
        monkeypatch.setattr(sys, "argv", ["sensord", *map(str, arguments)])
        with pytest.raises(SystemExit) as end:
            main()
        assert end.value.code == 2
        (said,) = capsys.readouterr().err.splitlines()
        return said

    return line


@pytest.mark.parametrize("at", ["0001-01-01T00:00:00+14:00", "9999-12-31T23:59:59-14:00", "1970-01-01T00:00:00Z"])
def test_what_was_done_was_done_within_reason(slip: Slip, at: str) -> None:
    """`--at` is no time before there were probes, nor one that no calendar of UTC has."""
    said = slip("answer", "shaded", "north", "--at", at, "--config", MINIMAL)
    assert said.startswith(
        f"entry/at: {at.replace('Z', '+00:00')} can't be when it was done; right is a time between 2001"
    )
