"""The house keeps its walls: who may use whom, a core without clock or I/O, every rule and command in its list."""

from __future__ import annotations

import ast
import os
import re
import shutil
import subprocess
import sys
from functools import cache
from pathlib import Path

import grimp
import pytest

import sensord
import simulators

HOUSE = Path(sensord.__file__).parent
OUTSIDE_THE_CORE = {
    "__main__": "the command line",
    "adapters": "what touches the world, beside its ports",
    "commands": "what a person starts",
    "loop": "carries effects out in order, and logs",
    "report": "the review on paper, in pictures and for programs",
    "web": "the page",
}
"""Everything else in the house is core: a new module is, by itself."""
CORE = sorted(
    p for p in HOUSE.rglob("*.py") if p.relative_to(HOUSE).parts[0].removesuffix(".py") not in OUTSIDE_THE_CORE
)
WORLD = {
    "apprise", "apscheduler", "asyncio", "concurrent", "http", "influxdb_client", "io", "jinja2", "locale",
    "logging", "matplotlib", "multiprocessing", "os", "paho", "pathlib", "platform", "queue", "random", "secrets",
    "select", "shutil", "signal", "socket", "sqlite3", "ssl", "starlette", "subprocess", "sys", "tempfile",
    "threading", "time", "urllib.request", "uvicorn",
}  # fmt: skip
IN_AND_OUT = {
    "glob", "iterdir", "mkdir", "open", "read_bytes", "read_text", "rglob", "unlink", "write_bytes", "write_text",
}  # fmt: skip
EXCUSED = {
    "config/house.py": "reads the files and the environment that a configuration names",
    "config/sources.py": "reads the files that a configuration names",
    "language/catalogue.py": "reads the keeper's own sentences, and those of rules from elsewhere",
    "language/sentences.py": "loads the sentences that are shipped; filling them is pure",
    "science/development.py": "draws from a generator that it is handed",
    "species/__init__.py": "loads the species that are shipped, and those of the configuration",
    "intake/wire.py": "interns the names of probes and quantities",
}
"""Modules of the core that may name something of the world, and why."""
CLOCKS = {"now", "utcnow", "today"}


@cache
def _parsed(path: Path) -> ast.Module:
    return ast.parse(path.read_text())


def _imports(tree: ast.Module) -> set[str]:
    """What a module imports: each name, and each package that the name is in."""
    found: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            found.add(node.module)
    return found | {name.rsplit(".", part)[0] for name in found for part in range(name.count(".") + 1)}


def _of_the_world(tree: ast.Module) -> set[str]:
    """What a module names that touches the world."""
    found = _imports(tree) & WORLD
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr in IN_AND_OUT:
            found.add(f".{node.func.attr}()")
        if (
            isinstance(node, ast.Call)
            and isinstance(node.func, ast.Name)
            and node.func.id in ("open", "print", "input")
        ):
            found.add(f"{node.func.id}()")
    return found


def _clock_read(tree: ast.Module) -> set[int]:
    """The lines that ask a clock."""
    return {
        node.lineno
        for node in ast.walk(tree)
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr in CLOCKS
        if ast.unparse(node.func.value) in ("datetime", "date", "datetime.datetime", "datetime.date")
    }


@pytest.mark.parametrize("path", CORE, ids=lambda p: str(p.relative_to(HOUSE)))
def test_the_core_has_no_clock_and_no_io(path: Path) -> None:
    """No module of the core names anything that touches the world, calls a clock, or opens a file."""
    tree = _parsed(path)
    assert not _clock_read(tree)
    if path.relative_to(HOUSE).as_posix() not in EXCUSED:
        assert not _of_the_world(tree)


def test_every_excuse_is_still_needed() -> None:
    """A module that is pure, or gone, leaves the list of those that may name something of the world."""
    assert all(_of_the_world(_parsed(HOUSE / name)) for name in EXCUSED)


def test_the_check_itself_notices() -> None:
    """A clock, a file and a socket are found, however they are imported."""
    assert _clock_read(ast.parse("import datetime\ndatetime.datetime.now()")) == {2}
    assert _of_the_world(ast.parse("from os.path import join\nimport urllib.request\nopen('a')")) == {
        "os", "urllib.request", "open()",
    }  # fmt: skip
    assert _of_the_world(ast.parse("from urllib.parse import urlsplit\npath.read_text()")) == {".read_text()"}


@pytest.mark.parametrize("path", CORE, ids=lambda p: str(p.relative_to(HOUSE)))
def test_the_core_keeps_no_state_in_its_modules(path: Path) -> None:
    """No function of the core assigns a global."""
    assert not [n for n in ast.walk(_parsed(path)) if isinstance(n, ast.Global)]


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
    users = {p.relative_to(HOUSE).as_posix() for p in HOUSE.rglob("*.py") if "simulators" in _imports(_parsed(p))}
    assert users <= {"commands/demo.py"}
    assert Path(simulators.__file__).parent.parent == HOUSE.parent


# --- shape ------------------------------------------------------------------------------------------------------------

ABOUT_300 = 330


def test_no_file_is_too_long_to_be_read_in_one_sitting() -> None:
    """About 300 lines, for the house and for the simulated garden."""
    packages = HOUSE, Path(simulators.__file__).parent
    long = {
        path.relative_to(package).as_posix()
        for package in packages
        for path in package.rglob("*.py")
        if len(path.read_text().splitlines()) > ABOUT_300
    }
    assert not long, f"too long: {sorted(long)}"


def test_no_modules_import_one_another_in_a_circle() -> None:
    """Taking away, again and again, what uses nothing that is left, takes everything away; imports for types count."""
    graph = grimp.build_graph("sensord", "simulators", cache_dir=None)
    left = {name: graph.find_modules_directly_imported_by(name) for name in graph.modules}
    while done := [name for name, uses in left.items() if not uses & left.keys()]:
        for name in done:
            del left[name]
    assert not left, f"in a circle, or above one: {sorted(left)}"


@pytest.mark.parametrize("newcomer", ["sensord/newcomer.py", "simulators/newcomer.py"])
def test_a_module_without_a_floor_is_refused(newcomer: str, tmp_path: Path) -> None:
    """The list of floors is complete: whoever adds a module must say on which it stands."""
    root = HOUSE.parent
    for package in ("sensord", "simulators"):
        shutil.copytree(root / package, tmp_path / package, ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copy(root / "pyproject.toml", tmp_path)
    (tmp_path / newcomer).write_text('"""Just moved in."""\n')
    linter = [Path(sys.executable).with_name("lint-imports"), "--no-cache", "--no-logo"]
    environment = {**os.environ, "PYTHONPATH": str(tmp_path)}
    done = subprocess.run(linter, cwd=tmp_path, env=environment, capture_output=True, text=True, check=False)
    assert done.returncode == 1
    assert "newcomer" in done.stdout


def test_nouns_of_the_core_can_not_be_changed() -> None:
    """Every dataclass of the core is frozen and has slots: what was handed to another stays what it was, misspelt or not."""
    loose = [
        f"{path.relative_to(HOUSE)}: {ast.unparse(mark)}"
        for path in CORE
        for node in ast.walk(_parsed(path))
        if isinstance(node, ast.ClassDef)
        for mark in node.decorator_list
        if ast.unparse(mark).startswith("dataclass") and "(frozen=True, slots=True" not in ast.unparse(mark)
    ]
    assert not loose


# --- science that waits -----------------------------------------------------------------------------------------------


def _functions_used(tree: ast.AST, module: str = "") -> set[tuple[str, str]]:
    """The names of science that a piece of code uses, as (module, name); `module` is the one that it stands in."""
    modules: dict[str, str] = {}
    names: dict[str, tuple[str, str]] = {}
    whole = _parsed(HOUSE / "science" / f"{module}.py") if module else tree
    for node in ast.walk(whole):
        if isinstance(node, ast.ImportFrom) and node.module == "sensord.science":
            modules |= {alias.asname or alias.name: alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module and node.module.startswith("sensord.science."):
            home = node.module.rsplit(".", 1)[1]
            names |= {alias.asname or alias.name: (home, alias.name) for alias in node.names}
    found = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id in modules:
            found.add((modules[node.value.id], node.attr))
        elif isinstance(node, ast.Name):
            found.add(names.get(node.id, (module, node.id)))
    return found


def _science() -> dict[tuple[str, str], ast.stmt]:
    """Whatever the modules of science define at their top, by (module, name)."""
    found: dict[tuple[str, str], ast.stmt] = {}
    for path in (HOUSE / "science").glob("*.py"):
        for node in _parsed(path).body:
            if isinstance(node, ast.FunctionDef | ast.ClassDef):
                found[path.stem, node.name] = node
            elif isinstance(node, ast.Assign | ast.AnnAssign):
                targets = node.targets if isinstance(node, ast.Assign) else [node.target]
                found |= {(path.stem, n.id): node for t in targets for n in ast.walk(t) if isinstance(n, ast.Name)}
    return found


def test_science_that_nothing_uses_is_listed_with_what_it_waits_for() -> None:
    """DEVELOPERS.md lists just the public functions of science that no other part of the house comes to, directly or through
    other functions: one that is used leaves the list, one that nothing uses enters it, or goes."""
    defined = _science()
    reached: set[tuple[str, str]] = set()
    ahead = {
        name
        for path in HOUSE.rglob("*.py")
        if path.parent != HOUSE / "science"
        for name in _functions_used(_parsed(path))
    }
    while ahead:
        reached |= ahead
        ahead = {n for name in ahead & defined.keys() for n in _functions_used(defined[name], name[0])} - reached
    waiting = {
        f"{module}.{name}"
        for (module, name), node in defined.items()
        if isinstance(node, ast.FunctionDef) and not name.startswith("_") and (module, name) not in reached
    }
    text = (HOUSE.parent / "DEVELOPERS.md").read_text()
    section = text.split("## Science that waits\n", 1)[1].split("\n## ", 1)[0]
    assert set(re.findall(r"`(\w+\.\w+)`", section)) == waiting


EACH_RULES_OWN = frozenset({"Reason", "Thresholds"})
"""What every rule file defines of its own and nobody else names: short, so that a rule file reads as the others do."""


def test_a_name_of_a_type_stands_for_one_thing() -> None:
    """No class, and no alias of a type, has the name of another one: whoever reads the name knows what is meant."""
    found: dict[str, list[str]] = {}
    for path in sorted(HOUSE.rglob("*.py")):
        for node in ast.parse(path.read_text()).body:
            names = [node.name] if isinstance(node, ast.ClassDef) else []
            targets = (
                node.targets
                if isinstance(node, ast.Assign)
                else [node.target]
                if isinstance(node, ast.AnnAssign)
                else []
            )
            names += [t.id for t in targets if isinstance(t, ast.Name) and t.id[0].isupper() and not t.id.isupper()]
            for name in names:
                found.setdefault(name, []).append(path.relative_to(HOUSE).as_posix())
    twice = {name: places for name, places in found.items() if len(places) > 1}
    for name in EACH_RULES_OWN:
        assert all(place.startswith("rules/") for place in twice.pop(name))
    assert not twice
