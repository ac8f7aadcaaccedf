"""The house keeps its walls: who may use whom, a core without clock or I/O, every rule and command in its list."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

import sensord
import simulators

HOUSE = Path(sensord.__file__).parent
CORE = sorted(
    [
        *(HOUSE / "science").glob("*.py"),
        *(HOUSE / "rules").glob("*.py"),
        *(HOUSE / "review").glob("*.py"),
        *(HOUSE / "ports").glob("*.py"),
        *(HOUSE / "engine").glob("*.py"),
        *(HOUSE / "language").glob("*.py"),
        *(HOUSE / "intake").glob("*.py"),
        *(
            HOUSE / f"{name}.py"
            for name in [
                "model",
                "judge",
                "postman",
                "letters",
                "timetable",
                "payload",
                "senml",
                "units",
                "wire",
                "quality",
                "entries",
                "ledger",
                "garden",
                "lookback",
            ]
        ),
    ]
)
WORLD = {
    "time", "os", "sys", "socket", "sqlite3", "subprocess", "threading", "asyncio", "random", "logging", "pathlib", "shutil",
    "tempfile", "urllib", "http", "ssl", "paho", "apscheduler", "apprise", "influxdb_client", "starlette",
}  # fmt: skip
MAY_READ_FILES = {
    "catalogue.py",
    "exchange.py",
}  # what loads sentences, and the translators' tool; filling them is pure
CLOCKS = {"now", "utcnow", "today"}


def _imports(tree: ast.Module) -> set[str]:
    found = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            found.add(node.module.split(".")[0])
    return found


@pytest.mark.parametrize("path", CORE, ids=lambda p: str(p.relative_to(HOUSE)))
def test_the_core_has_no_clock_and_no_io(path: Path) -> None:
    """No module of the core imports anything that touches the world, calls a clock, or opens a file."""
    tree = ast.parse(path.read_text())
    allowed = {"random", "sys"} if path.parent.name == "science" or path.name == "wire.py" else set()
    touched = _imports(tree) & WORLD - allowed - ({"pathlib"} if path.name in MAY_READ_FILES else set())
    assert not touched, f"{path.name} imports {sorted(touched)}"
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
            owner = ast.unparse(node.func.value)
            assert not (node.func.attr in CLOCKS and owner in ("datetime", "date", "datetime.datetime")), (
                f"{path.name}:{node.lineno} reads the clock"
            )
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and path.name not in MAY_READ_FILES:
            assert node.func.id not in ("open", "print", "input"), f"{path.name}:{node.lineno} does I/O"


@pytest.mark.parametrize("path", CORE, ids=lambda p: str(p.relative_to(HOUSE)))
def test_the_core_keeps_no_state_in_its_modules(path: Path) -> None:
    """No function of the core assigns a global."""
    assert not [n for n in ast.walk(ast.parse(path.read_text())) if isinstance(n, ast.Global)]


def test_every_command_is_in_the_list() -> None:
    """A file in `commands` without underscore is a command, and every command is such a file."""
    from sensord.__main__ import COMMANDS

    files = {p.stem for p in (HOUSE / "commands").glob("*.py") if not p.name.startswith("_")}
    assert files == set(COMMANDS)


def test_every_rule_file_defines_its_rule() -> None:
    """A file in `rules` without underscore defines RULE under the file's own name."""
    from sensord.rules import all_rules

    files = {p.stem.replace("_", " ") for p in (HOUSE / "rules").glob("*.py") if not p.name.startswith("_")}
    assert {name.replace("_", " ") for name in all_rules()} == files


def test_nothing_but_the_demonstration_uses_the_simulators() -> None:
    """The product never imports the simulated garden."""
    users = {
        p.relative_to(HOUSE).as_posix()
        for p in HOUSE.rglob("*.py")
        if "simulators" in _imports(ast.parse(p.read_text()))
    }
    assert users <= {"commands/demo.py"}
    assert Path(simulators.__file__).parent.parent == HOUSE.parent
