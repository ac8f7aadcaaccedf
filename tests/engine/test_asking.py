"""What is remembered of a series between turns changes no verdict: each is what it would be, were all computed afresh."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from sensord.adapters.clock import SteppedClock
from sensord.adapters.feed import FeedInbox
from sensord.adapters.sender import InlineSender
from sensord.commands import _build, _house
from sensord.engine import turns
from sensord.engine.asking import Outcome, Windows, ask
from sensord.engine.windows import Window
from sensord.model import EPOCH, Probe
from sensord.rules import Seen
from simulators import feed as feeds
from simulators import scenario


class Afresh:
    """A window that remembers nothing: a rule is handed lists of its own."""

    def __init__(self, window: Window) -> None:
        self._window = window

    def seen(self, probe: Probe, start_s: float, end_s: float) -> Seen:
        """As `Window.seen`."""
        part = self._window.between(start_s, end_s)
        return Seen.of(probe, list(part.times_s), list(part.values), list(part.doubts))


class Nowhere:
    """A channel that takes everything."""

    def send(self, message: Any) -> None:
        """Taken."""


@pytest.mark.slow
def test_no_verdict_depends_on_what_is_remembered(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Two days of the demonstration, with its heat, its storm and its faults: at every turn both ways agree in everything."""
    turns_taken = 0

    def both(garden: Any, plan: Any, names: Any, windows: Windows, *more: Any) -> Outcome:
        nonlocal turns_taken
        asked = list(names)
        found = ask(garden, plan, asked, windows, *more)
        afresh: Any = {key: Afresh(window) for key, window in windows.items()}
        assert found == ask(garden, plan, asked, afresh, *more)
        turns_taken += 1
        return found

    monkeypatch.setattr(turns, "ask", both)
    feeds.main(["--days", "2", "--out", str(tmp_path / "feed.jsonl")])
    built = _house.understood(scenario.configuration("larkfield"), scenario.HERE / "larkfield.toml")
    clock = SteppedClock(EPOCH)
    with (
        closing(FeedInbox(tmp_path / "feed.jsonl", clock)) as inbox,
        closing(_build.open_store(built, tmp_path / "s.sqlite3", durable=False, together=1000)) as store,
    ):
        loop = _build.loop(built, clock, inbox, _build.share(built, store), InlineSender({"phone": Nowhere()}))
        loop.run(stopped=lambda: inbox.exhausted)
    assert turns_taken > 1000
