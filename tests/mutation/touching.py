"""Which tests touch which line, and how long each takes: found by one run of the quick tests under coverage."""

from __future__ import annotations

import ast
import contextlib
import json
import os
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator
from functools import cached_property
from pathlib import Path
from typing import Any

import coverage
import pytest

ROOT = Path(__file__).parents[2]
KEPT = ROOT / ".mutation"
LINES, DURATIONS = KEPT / "lines", KEPT / "durations.json"
NEXT_TO_NOTHING, LOOKED_WITHIN_S = 12, 1.0
"""Lines of ours that a test runs, and how long it takes, which merely looks at what import has made."""
ARGUMENTS = [
    "--quick",
    "-q",
    "-p",
    "no:cacheprovider",
    "-p",
    "no:xdist",
    "-W",
    "ignore::pytest.PytestAssertRewriteWarning",
]


def function_of(node_id: str) -> str:
    """A test without its parameters."""
    return node_id.split("[", 1)[0]


class _Watcher:
    """Tells coverage which test runs, and times it."""

    def __init__(self, watch: coverage.Coverage) -> None:
        self._watch = watch
        self.durations: dict[str, float] = defaultdict(float)
        self.failed: set[str] = set()

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Iterator[None]:
        """While a test runs, lines are its own."""
        self._watch.switch_context(function_of(item.nodeid))
        result: Any = yield
        self._watch.switch_context("")
        return result  # a wrapper hands on what it got

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        """Set-up, call and tear-down together."""
        self.durations[function_of(report.nodeid)] += report.duration
        if report.failed:
            self.failed.add(function_of(report.nodeid))


def look() -> None:
    """Run the quick tests and write down what they touch."""
    KEPT.mkdir(exist_ok=True)
    watch = coverage.Coverage(data_file=str(LINES), source_pkgs=["sensord"], config_file=False, messages=False)
    watch.set_option("run:relative_files", True)
    watch.erase()
    watcher = _Watcher(watch)
    watch.start()
    os.chdir(ROOT)
    ended = pytest.main([*ARGUMENTS, str(ROOT / "tests")], plugins=[watcher])
    watch.stop()
    watch.save()
    if ended not in (pytest.ExitCode.OK, pytest.ExitCode.TESTS_FAILED):
        raise SystemExit(f"the quick tests ended with {ended}")
    known = {test: None if test in watcher.failed else seconds for test, seconds in watcher.durations.items()}
    DURATIONS.write_text(json.dumps(known, indent=0))


class Touching:
    """What was found."""

    def __init__(self) -> None:
        self._data = coverage.CoverageData(str(LINES))
        self._data.read()
        durations: dict[str, float | None] = json.loads(DURATIONS.read_text())
        self._durations = {test: seconds for test, seconds in durations.items() if seconds is not None}
        self._failing = durations.keys() - self._durations.keys()
        self._of: dict[Path, dict[int, list[str]]] = {}

    def at_import(self, module: Path, first_line: int, last_line: int) -> bool:
        """Whether any of these lines runs while the tests are gathered."""
        lines = self._lines(module)
        return any("" in lines.get(line, ()) for line in range(first_line, last_line + 1))

    @cached_property
    def onlookers(self) -> list[str]:
        """Tests that run next to nothing of ours: they look at what import has made (tables, defaults, what is declared)."""
        lines: Counter[str] = Counter()
        for file in self._data.measured_files():
            for tests in self._data.contexts_by_lineno(file).values():
                lines.update(tests)
        quick = (test for test, seconds in self._durations.items() if seconds <= LOOKED_WITHIN_S)
        return [test for test in quick if lines[test] <= NEXT_TO_NOTHING and not test.startswith("tests/mutation/")]

    def own(self, module: Path) -> list[str]:
        """The tests of the file that mirrors the module: what runs at import they look at without running it."""
        return [test for test in self._durations if self._own(test, module)]

    def unknown(self, tests: Iterable[str]) -> list[str]:
        """Those that have come since it was looked."""
        return [test for test in tests if test not in self._durations and test not in self._failing]

    def tests(self, module: Path, first_line: int, last_line: int, budget_s: float) -> list[str]:
        """The tests that run any of these lines, the module's own first, then the quickest, within the budget; none that failed
        when they were looked at: it would seem to notice everything.

        Lines that run at import belong to those that run what uses the name they give, and to all tests that touch the
        module; where nothing in it runs later (a module of mere settings), to those that touch its folder.
        """
        lines = self._lines(module)
        found = {test for line in range(first_line, last_line + 1) for test in lines.get(line, ())} - {""}
        users = set() if found else self._users(module, first_line)
        if not found:
            found = {test for tests in lines.values() for test in tests} - {""}
        if not found:
            beside = (self._lines(path) for path in module.parent.glob("*.py"))
            found = {test for lines in beside for tests in lines.values() for test in tests} - {""}
        chosen: list[str] = []
        spent_s = 0.0
        for test in sorted(
            (found | users) - self._failing,
            key=lambda test: (test not in users, not self._own(test, module), self._durations.get(test, 0.0)),
        ):
            spent_s += self._durations.get(test, 0.0)
            if chosen and spent_s > budget_s:
                break
            chosen.append(test)
        return chosen

    def _users(self, module: Path, line: int) -> set[str]:
        """The tests that run any line where a name is used that this line of a module gives."""
        names = {
            node.id
            for statement in ast.parse(module.read_text()).body
            if isinstance(statement, ast.Assign | ast.AnnAssign)
            and statement.lineno <= line <= (statement.end_lineno or line)
            for node in ast.walk(statement)
            if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store)
        }
        used = [place for name in names for place in self._used.get(name, ())]
        return {test for path, at in used for test in self._lines(path).get(at, ())} - {""}

    @cached_property
    def _used(self) -> dict[str, list[tuple[Path, int]]]:
        """Where each name is used, in what was looked at."""
        found: dict[str, list[tuple[Path, int]]] = defaultdict(list)
        for path in (ROOT / file for file in self._data.measured_files()):
            for node in ast.walk(ast.parse(path.read_text())):
                if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Load):
                    found[node.id].append((path, node.lineno))
        return found

    def _lines(self, module: Path) -> dict[int, list[str]]:
        if module not in self._of:
            self._of[module] = self._data.contexts_by_lineno(module.relative_to(ROOT).as_posix())
        return self._of[module]

    @staticmethod
    def _own(test: str, module: Path) -> bool:
        """Whether it stands in the file that mirrors the module."""
        name = test.split("::", 1)[0].rsplit("/", 1)[-1].removeprefix("test_").removesuffix(".py")
        return name == module.stem.lstrip("_") or (module.stem == "__init__" and name == module.parent.name)


@contextlib.contextmanager
def silence() -> Iterator[None]:
    """Nothing of what happens inside is printed."""
    with open(os.devnull, "w") as nowhere:
        os.dup2(nowhere.fileno(), 1)
        os.dup2(nowhere.fileno(), 2)
        yield
