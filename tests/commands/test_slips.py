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


FEED = '{"received_at": "%s", "topic": "garden/north", "payload": "21.5"}\n'


@pytest.mark.parametrize("at", ["9999-12-31T23:59:59Z", "2100-01-01T00:00:00Z", "0001-01-01T00:00:00Z"])
def test_a_feed_was_received_within_reason(slip: Slip, tmp_path: Path, at: str) -> None:
    """A receipt that no computer's clock can have shown is a mistake of its line."""
    feed = tmp_path / "feed.jsonl"
    feed.write_text(FEED % at)
    said = slip("replay", feed, "--config", MINIMAL)
    assert said.startswith(f"{feed}, line 1 (the last): received_at must be of 1970 to 2099")


def test_a_replay_writes_messages_and_store_into_two_files(slip: Slip, tmp_path: Path) -> None:
    """One file can't be both; none is made."""
    feed, both = tmp_path / "feed.jsonl", tmp_path / "x"
    feed.write_text(FEED % "2026-08-20T14:03:05Z")
    said = slip("replay", feed, "--config", MINIMAL, "--messages", both, "--store", tmp_path / "." / "x")
    assert said == f"{both}: belongs to a store; name another file for the messages"
    assert not both.exists()


def test_a_recording_is_a_file_that_can_be_made(slip: Slip, tmp_path: Path) -> None:
    """A directory in its place, or in which it can't be, is said before the watch begins."""
    config = tmp_path / "sensord.toml"
    config.write_text(f'[store]\npath = "{tmp_path}/store.sqlite3"\n{MINIMAL.read_text()}')
    assert (
        slip("run", "--config", config, "--record", tmp_path)
        == f"--record: {tmp_path} is a directory; name a file in it"
    )
    nowhere = tmp_path / "none" / "feed.jsonl"
    said = slip("run", "--config", config, "--record", nowhere)
    assert said == f"--record: {nowhere}: its directory is not there; make it, or name another file"


def test_the_store_of_a_demonstration_is_a_file_that_can_be_made(slip: Slip, tmp_path: Path) -> None:
    """Said before the garden begins."""
    nowhere = tmp_path / "none" / "store.sqlite3"
    said = slip("demo", "--store", nowhere)
    assert said == f"--store: {nowhere}: its directory is not there; make it, or name another file"
