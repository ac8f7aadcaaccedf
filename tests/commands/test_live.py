"""The daemon's sign of life: given only while the loop of every garden goes round."""

from __future__ import annotations

import logging
from collections.abc import Mapping
from threading import Event
from types import SimpleNamespace

import pytest

from sensord.adapters.systemd import Heart
from sensord.commands import _live

FRESH = {"loop": 1.0, "inbox": 0.0, "scheduler": 0.0, "outbox": 0.0}


class Watch:
    """A garden whose parts have been silent for so long."""

    def __init__(self, name: str, ages: Mapping[str, float]) -> None:
        self.built, self._ages = SimpleNamespace(name=name), ages

    def ages(self) -> Mapping[str, float]:
        return self._ages


class Rounds(Event):
    """Is set after so many waits."""

    def __init__(self, left: int) -> None:
        super().__init__()
        self._left = left

    def wait(self, timeout: float | None = None) -> bool:
        self._left -= 1
        return self._left < 0


class Beats(Heart):
    """Remembers what was stale."""

    def __init__(self) -> None:
        super().__init__(environment={})
        self.stale: list[tuple[str, ...]] = []

    def beat(self, fresh: Mapping[str, float]) -> tuple[str, ...]:
        self.stale.append(super().beat(fresh))
        return self.stale[-1]


def test_all_loops_going_round_is_a_sign_of_life(caplog: pytest.LogCaptureFixture) -> None:
    """Nothing is stale, nothing is logged."""
    heart = Beats()
    _live._beat(heart, [Watch("larkfield", FRESH), Watch("school", FRESH)], Rounds(3))  # type: ignore[list-item]
    assert heart.stale == [(), (), ()]
    assert caplog.text == ""


def test_one_loop_that_hangs_is_none_and_is_named_once(caplog: pytest.LogCaptureFixture) -> None:
    """The service manager is not fed, whatever the others do; the log says which garden it is."""
    heart = Beats()
    hangs = Watch("school", {**FRESH, "loop": 75.0})
    with caplog.at_level(logging.ERROR, "sensord"):
        _live._beat(heart, [Watch("larkfield", FRESH), hangs], Rounds(3))  # type: ignore[list-item]
    assert heart.stale == [("loop silent for 75 s",)] * 3
    (line,) = caplog.messages
    assert line.startswith("no sign of life: loop silent for 75 s; of school.")


def test_the_garden_is_named_whose_part_is_stale(caplog: pytest.LogCaptureFixture) -> None:
    """Also where another's loop is older, but fresh enough."""
    quiet = Watch("larkfield", {**FRESH, "loop": 30.0})
    hangs = Watch("school", {**FRESH, "inbox": 500.0})
    with caplog.at_level(logging.ERROR, "sensord"):
        _live._beat(Beats(), [quiet, hangs], Rounds(1))  # type: ignore[list-item]
    assert "of school." in caplog.text
