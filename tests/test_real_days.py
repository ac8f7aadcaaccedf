"""The rules under air that was measured: a gust front is met at once, and wind alone foretells no storm."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from sensord.__main__ import app
from tests import real_days

# Source of both days: ARM user facility, datastream MET, level b1, doi 10.5439/1786358; tests/data/README.md says more.


def messages(day: str, folder: Path) -> list[dict[str, Any]]:
    """What the phone gets on that day."""
    feed, config, out = (folder / name for name in ("feed.jsonl", "garden.toml", "messages.jsonl"))
    feed.write_text("".join(real_days.feed(day)), encoding="utf-8")
    config.write_text(real_days.configuration(day), encoding="utf-8")
    done = CliRunner().invoke(app, ["replay", str(feed), "--config", str(config), "--messages", str(out)])
    assert done.exit_code == 0, done.output
    assert "5760 readings, 0 repeated, 0 refused" in done.output  # 1,440 minutes of four quantities
    return [json.loads(line) for line in out.read_text(encoding="utf-8").splitlines()]


@pytest.mark.outside
def test_the_gust_front_of_a_real_storm_is_told_within_ten_minutes(tmp_path: Path) -> None:
    """At the station where the front came at 10:05 UTC, the keeper is told to stay in, and nothing was told of a storm
    before: there the pressure did not fall."""
    found = [m for m in messages("2025-06-19-s20", tmp_path) if m["rule"] == "storm"]
    assert "2025-06-19T10:05" <= found[0]["at"] <= "2025-06-19T10:15"
    assert (found[0]["severity"], found[0]["action"]) == ("Severe", "stay in")


@pytest.mark.outside
def test_on_a_windy_day_no_storm_is_foretold(tmp_path: Path) -> None:
    """Up to 13.8 m/s in the one-minute mean and no storm: every call is about wind that was measured."""
    found = messages("2019-01-06", tmp_path)
    assert "wind" in {m["rule"] for m in found}
    assert {m["certainty"] for m in found if m["rule"] in ("wind", "storm")} == {"Observed"}
