"""The command line in the pseudo-language: help, wrong use and what commands find come from the catalogue.

Allowed are names of options and of what stands in them, the words of the library that reads the command line (it has
catalogues of its own), and what a configuration or a file is called.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from sensord.__main__ import COMMANDS
from sensord.language import terminal
from sensord.language.terminal import language_of
from simulators import scenario
from tests.language.prose import prose

LARKFIELD = str(scenario.HERE / "larkfield.toml")
CAGE = ("--width", "0.6", "--height", "0.9", "--mass", "3")
HERE = ("--latitude", "41.5", "--longitude=-83.5", "--year", "2026")
LIBRARY = (
    *(
        "Show this message and exit.",
        "Usage:",
        "Options:",
        "Commands:",
        "Arguments:",
        "[OPTIONS]",
        "COMMAND [ARGS]...",
        "Error:",
    ),
    *(
        "Try",
        "for help.",
        "[required]",
        "Missing option",
        "Missing argument",
        "Invalid value for",
        "Invalid value",
        "default:",
    ),
    *(
        "TEXT",
        "PATH",
        "FLOAT RANGE",
        "INTEGER RANGE",
        "FLOAT",
        "INTEGER",
        "RANGE",
        "WHAT",
        "SUBJECT",
        "FEED",
        "python",
        "sensord",
    ),
)
"""What typer and click say in their own words."""
TAKEN = (
    *(
        "metric",
        "us",
        "dry",
        "wet",
        "covered",
        "unsure",
        "monarch",
        "seen",
        "done",
        "not now",
        "2kg",
        "20kg",
        "kg",
        "cm",
        "what",
        "subject",
        "amount",
        "feed",
        "x",
        "ft",
        "m",
        "in",
    ),
    *(
        "Beaufort",
        "Taylor et al. 2019",
        "JSON",
        "ISO",
        "HTML",
        "PNG",
        "CSV",
        "SI",
        "RFC",
        "InfluxDB",
        "TOML",
        "SIGTERM",
        "Ctrl-C",
    ),
)
"""What may be written in options and is shown as such, and names."""


def said(*arguments: str) -> str:
    """What the command says in the pseudo-language, without names of options, of commands and of files."""
    environment = {**os.environ, "LC_ALL": "en_XA.UTF-8", "COLUMNS": "400", "PYTHONIOENCODING": "utf-8"}
    done = subprocess.run(
        [sys.executable, "-m", "sensord", *arguments], capture_output=True, text=True, env=environment, timeout=120
    )
    text = done.stdout + done.stderr
    text = re.sub(
        r"/[\w./-]+|--?[a-z][a-z-]*|\[default: [^\]]*\]|<[^>]*>|`[^`]*`|'sensord\[\w+\]'|<=|x>=?[^\]]*", " ", text
    )
    for known in sorted((*LIBRARY, *TAKEN, *COMMANDS), key=len, reverse=True):
        text = re.sub(rf"(?<![A-Za-z]){re.escape(known)}(?![A-Za-z])", " ", text)
    return text


@pytest.mark.parametrize("command", ["", *COMMANDS])
def test_help(command: str) -> None:
    """Of the program and of each command: what it does, and each option."""
    text = said(*([command] if command else []), "--help")
    assert prose(text) == []
    assert "⟦" in text


@pytest.mark.parametrize(
    "arguments",
    [
        ("check", "--offline", "--config", LARKFIELD),
        ("anchor", *CAGE),
        ("anchor", *CAGE, "--gust", "15"),
        ("anchor", *CAGE, "--gust", "24"),
        ("anchor", *CAGE, "--gust", "40"),
        ("anchor", *CAGE, "--gust", "5-6", "--ballast", "20"),
        ("anchor", "--width", "x", "--height", "1-2", "--mass", "3"),
        ("season", *HERE),
        ("season", "--latitude", "41.5"),
        ("season", *HERE, "--mean-temperature", "99"),
        ("season", *HERE, "--mean-temperature", "20", "--development-days", "20"),
        ("replay", "/nonexistent", "--config", LARKFIELD, "--store", LARKFIELD),
        ("backup", "--to", LARKFIELD, "--config", LARKFIELD),
        ("restore", "--from", "/nonexistent", "--config", LARKFIELD),
        ("review", "--config", LARKFIELD, "--html", "/"),
        ("review", "--config", LARKFIELD, "--shipped"),
    ],
    ids=" ".join,
)
def test_what_commands_say(arguments: tuple[str, ...]) -> None:
    """What they found, and what was wrong with how they were used."""
    text = said(*arguments)
    assert prose(text) == []
    assert "⟦" in text


@pytest.mark.parametrize(
    ("environment", "language"),
    [
        ({}, "en"),
        ({"LANG": "C.UTF-8"}, "en"),
        ({"LANG": "en_XA.UTF-8"}, "en-XA"),
        ({"LANG": "en_XA", "LC_ALL": "C"}, "en"),
        ({"LC_MESSAGES": "en_GB.UTF-8"}, "en"),
        ({"LANG": "xx_YY"}, "en"),
    ],
)
def test_the_language_of_a_session(environment: dict[str, str], language: str) -> None:
    """LC_ALL before LC_MESSAGES before LANG, as everywhere; what is not there is English."""
    assert language_of(environment) == language


def test_the_language_of_a_country_is_the_language(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where that country has none of its own."""
    monkeypatch.setattr(terminal, "languages", lambda: ("en", "de", "pt-BR"))
    found = [language_of({"LANG": f"{tag}.UTF-8"}) for tag in ("de_AT", "de", "pt_BR", "pt_PT")]
    assert found == ["de", "de", "pt-BR", "en"]


def test_the_catalogue_is_used_by_a_fresh_process(tmp_path: Path) -> None:
    """Without a wish, everything is English."""
    done = subprocess.run(
        [sys.executable, "-m", "sensord", "--help"], capture_output=True, text=True, cwd=tmp_path, timeout=120,
        env={**os.environ, "LC_ALL": "C.UTF-8"},
    )  # fmt: skip
    assert "Watches outdoor rearing enclosures" in done.stdout


def test_a_store_that_is_not_there_yet_is_told(tmp_path: Path) -> None:
    """Asking what stands before anything was ever watched is wrong use, said in plain words, no defect."""
    config = tmp_path / "sensord.toml"
    config.write_bytes((scenario.HERE / "larkfield.toml").read_bytes())
    done = subprocess.run(
        [sys.executable, "-m", "sensord", "answer", "--config", str(config)],
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert done.returncode == 2
    assert done.stderr.startswith("what stands can't be read: ")
    assert "Traceback" not in done.stderr
