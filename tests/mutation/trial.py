"""One changed module against its tests, in a forked process: nothing on the disk is touched."""

from __future__ import annotations

import importlib.abc
import importlib.machinery
import importlib.util
import os
import signal
import sys
import time
from collections.abc import Sequence
from enum import StrEnum
from pathlib import Path
from types import ModuleType

import pytest

from tests.mutation.touching import ARGUMENTS, ROOT, silence

LONGEST_S = 120.0
TELLING = (0, 1, 2, 4)
"""How pytest may end: all passed, one failed, or the changed module could not be imported, by a test or by a conftest."""


class Outcome(StrEnum):
    """What became of a change."""

    NOTICED = "noticed"
    SURVIVED = "survived"
    UNTOUCHED = "untouched"  # no quick test runs it


def prepare() -> None:
    """Import, once for all forks, what the tests need and what is not ours."""
    import _hypothesis_pytestplugin
    import hypothesis.strategies
    import numpy
    import psychrolib
    import pydantic_settings
    import rich.console
    import typer.testing

    assert all((_hypothesis_pytestplugin, hypothesis, numpy, psychrolib, pydantic_settings, rich, typer))
    ours = [name for name in sys.modules if name.split(".")[0] in ("sensord", "simulators")]
    assert not ours, f"imported before any change: {ours}"


class _Instead(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Gives one module other code than its file has."""

    def __init__(self, path: Path, code: str) -> None:
        parts = path.relative_to(ROOT).with_suffix("").parts
        self._package = parts[-1] == "__init__"
        self._name = ".".join(parts[:-1] if self._package else parts)
        self._path, self._code = path, code

    def find_spec(
        self, fullname: str, path: Sequence[str] | None, target: ModuleType | None = None
    ) -> importlib.machinery.ModuleSpec | None:
        if fullname != self._name:
            return None
        where = [str(self._path.parent)] if self._package else None
        return importlib.util.spec_from_file_location(
            fullname, self._path, loader=self, submodule_search_locations=where
        )

    def exec_module(self, module: ModuleType) -> None:
        exec(compile(self._code, str(self._path), "exec", dont_inherit=True), module.__dict__)


def tried(path: Path, code: str, tests: Sequence[str]) -> Outcome:
    """Whether any of the tests fails with this code in the place of the module's own."""
    if not tests:
        return Outcome.UNTOUCHED
    missing = [test for test in tests if not (ROOT / test.split("::")[0]).exists()]
    if missing:
        raise RuntimeError(f"there is no {missing[0]}")
    child = os.fork()
    if child == 0:
        os.setsid()
        status = 1
        try:
            with silence():
                sys.meta_path.insert(0, _Instead(path, code))
                os.chdir(ROOT)
                status = int(pytest.main([*ARGUMENTS, "-x", "--no-header", *tests]))
        finally:
            os._exit(status)
    status = ended(child)
    if status not in TELLING:
        raise RuntimeError(f"the tests of {path.name} could not be run: pytest ended with {status}")
    return Outcome.SURVIVED if status == 0 else Outcome.NOTICED


def ended(child: int) -> int:
    """How the tests ended; what never ends counts as failed."""
    deadline = time.monotonic() + LONGEST_S
    pause_s = 0.01
    while time.monotonic() < deadline:
        ended, status = os.waitpid(child, os.WNOHANG)
        if ended:
            return os.waitstatus_to_exitcode(status)
        time.sleep(pause_s)
        pause_s = min(0.2, pause_s * 1.5)
    os.killpg(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return 1
