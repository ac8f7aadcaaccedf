"""Mistakes of a configuration in the pseudo-language: but for the file and the key before it, each comes from the catalogue."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

from sensord.intake.sensors import SENSORS
from tests.language.prose import prose

WRONG = """
species_directory = "nowhere"
[site]
name = "Bad Name"
latitude_deg = 100
longitude_deg = 83.5
time_zone = "America/Nowhere"
[keeper]
units = "imperial"
texts = "none.toml"
quiet_from = "25:00"
colour = 3
morning_line_at = 7
[[enclosure]]
name = "alder"
width_m = "x"
[[probe]]
name = "p1"
place = "nowhere"
sensor = "zzz"
"""
VALUES = {"metric", "us", "none", "toml", "zzz", "nowhere", "x"}
"""What is quoted from the file, and what may stand there."""


def test_mistakes_of_a_configuration(tmp_path: Path) -> None:
    """Kinds of values, bounds, choices, names that are not there."""
    file = tmp_path / "wrong.toml"
    file.write_text(WRONG, encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-m", "sensord", "check", "--offline", "--config", str(file)],
        capture_output=True, text=True, timeout=120, env={**os.environ, "LC_ALL": "en_XA.UTF-8"},
    )  # fmt: skip
    assert done.returncode == 2
    lines = done.stderr.splitlines()
    assert len(lines) > 12
    for line in lines:
        _, key, words = line.split(": ", 2)
        assert "⟦" in words
        if key != "keeper.colour":  # lists all keys of its table
            assert set(prose(words.replace(str(tmp_path), ""), *SENSORS)) <= VALUES, line
