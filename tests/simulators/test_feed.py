"""Feeds: their form, their order, and that the same seed gives the same bytes."""

from __future__ import annotations

import io
import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from simulators import faults, feed
from simulators.probes import Sent
from simulators.scenario import larkfield


def test_each_line_is_one_message_as_received(tmp_path: Path) -> None:
    """JSON objects with exactly three keys, times in RFC 3339 UTC, ascending, payloads as they were."""
    out = tmp_path / "feed.jsonl"
    assert feed.main(["--days", "0.25", "--seed", "7", "--out", str(out)]) == 0
    lines = [json.loads(line) for line in out.read_text(encoding="utf-8").splitlines()]
    assert len(lines) > 2000
    assert all(list(line) == ["received_at", "topic", "payload"] for line in lines)
    times = [line["received_at"] for line in lines]
    assert times == sorted(set(times))
    assert all(t.endswith("Z") and datetime.fromisoformat(t).tzinfo is not None for t in times)
    messages = larkfield(7).step(datetime(2026, 8, 20, 10, tzinfo=UTC))
    assert [line["payload"].encode() for line in lines] == [m.payload for m in messages]


def test_same_seed_same_bytes(tmp_path: Path) -> None:
    """Twice the same file, and another one from another seed."""
    files = [tmp_path / name for name in "abc"]
    for file, seed in zip(files, ("7", "7", "8"), strict=True):
        assert feed.main(["--days", "0.1", "--seed", seed, "--faults", "rough", "--out", str(file)]) == 0
    assert files[0].read_bytes() == files[1].read_bytes()
    assert files[0].read_bytes() != files[2].read_bytes()


def test_progress_goes_to_standard_error_and_lines_to_standard_output(capsys: pytest.CaptureFixture[str]) -> None:
    """A feed can be piped."""
    assert feed.main(["--days", "0.01", "--out", "-"]) == 0
    said = capsys.readouterr()
    assert all(json.loads(line) for line in said.out.splitlines())
    assert "messages" in said.err


def test_the_typical_year_from_and_to(tmp_path: Path) -> None:
    """Days of the year in local time, the last one included."""
    out = tmp_path / "feed.jsonl"
    arguments = ["--weather", "typical-year", "--from", "06-30", "--to", "06-30", "--faults", "none", "--out", str(out)]
    assert feed.main(arguments) == 0
    lines = out.read_text().splitlines()
    assert json.loads(lines[0])["received_at"].startswith("2026-06-30T04:0")
    assert json.loads(lines[-1])["received_at"].startswith("2026-07-01T03:59")
    assert len([line for line in lines if "entry" not in line]) == pytest.approx(6 * 1440, abs=8)


@pytest.mark.parametrize(
    ("arguments", "said"),
    [(["--from", "06-31"], "is not a day of 2026"), (["--from", "08-20", "--to", "08-01"], "before it begins")],
)
def test_a_wrong_day_is_said_plainly(arguments: list[str], said: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Exit code 2 and what would be right."""
    assert feed.main(arguments) == 2
    assert said in capsys.readouterr().err


def test_bytes_that_are_no_text_are_kept_readable() -> None:
    """A garbled payload does not break the feed."""
    line = feed.line(Sent(datetime(2026, 8, 20, tzinfo=UTC), "a/b", b"\xff\x0021\n"))
    assert json.loads(line) == {"received_at": "2026-08-20T00:00:00.000Z", "topic": "a/b", "payload": "\ufffd\x0021\n"}
    assert "\n" not in line


def test_the_writer_reports_how_far_it_is() -> None:
    """Every six garden hours, and at the end."""
    garden, out = larkfield(7, faults=faults.NONE), io.StringIO()
    steps = list(feed.write(garden, garden.start + timedelta(hours=9), out))
    assert [at - garden.start for at, _ in steps] == [timedelta(hours=6), timedelta(hours=9)]
    assert steps[-1][1] == len(out.getvalue().splitlines())
