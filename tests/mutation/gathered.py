"""The quick tests, gathered and imported once; then asked about one changed function after another, each in a fork.

Most changes stand in the body of a function that nothing calls at import. Such a function is given its changed code in
place, wherever it has been imported to, so that a change costs its tests and nothing else: a tenth of a second.
"""

from __future__ import annotations

import gc
import inspect
import os
import shutil
import tempfile
from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from functools import partial
from multiprocessing import Pipe
from multiprocessing.connection import Connection
from pathlib import Path
from types import CodeType, FunctionType, TracebackType
from typing import NamedTuple, Self

import pytest

from tests.mutation.touching import ARGUMENTS, ROOT, function_of, silence
from tests.mutation.trial import ended

NOT_IN_PLACE, BROKEN = 2, 3
RUN_AT_ONCE = ("<listcomp>", "<setcomp>", "<dictcomp>", "<genexpr>")


def bodies(path: Path, before: str, after: str) -> tuple[CodeType, CodeType] | None:
    """The one function that a change stands in, as it was and as it is; none where something outside of functions changed."""
    return _differing(*(compile(code, str(path), "exec", dont_inherit=True) for code in (before, after)))


def _differing(old: CodeType, new: CodeType) -> tuple[CodeType, CodeType] | None:
    if old.co_code != new.co_code or len(old.co_consts) != len(new.co_consts):
        return None
    within = None
    for a, b in zip(old.co_consts, new.co_consts, strict=True):
        if a == b and type(a) is type(b):
            continue
        if within or not (isinstance(a, CodeType) and isinstance(b, CodeType)):
            return None
        of_a_function = a.co_flags & inspect.CO_OPTIMIZED and a.co_name not in RUN_AT_ONCE
        within = (a, b) if of_a_function else _differing(a, b)
        if within is None:
            return None
    return within


def functions() -> dict[Path, list[FunctionType]]:
    """Every function there is, by the file that it was written in."""
    found = defaultdict(list)
    for thing in gc.get_objects():
        if isinstance(thing, FunctionType):
            found[Path(thing.__code__.co_filename)].append(thing)
    return found


def replace(there: Iterable[FunctionType], old: CodeType, new: CodeType) -> bool:
    """Give every function that runs the old code the new; whether there is any."""
    meant = [function for function in there if function.__code__ == old]
    for function in meant:
        function.__code__ = new
    return bool(meant)


class Question(NamedTuple):
    """A change, if any, and the tests that are to notice it."""

    tests: Sequence[str]
    path: Path = ROOT
    before: str = ""
    after: str = ""


class _Asked:
    """Answers, in the place of pytest's own loop, whether tests pass with a function changed."""

    def __init__(self, line: Connection) -> None:
        self._line = line
        self._items: dict[str, list[pytest.Item]] = defaultdict(list)
        self._functions: dict[Path, list[FunctionType]] = {}

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        """Until nothing more is asked."""
        if session.testsfailed:  # each question would seem to fail
            raise session.Interrupted(f"{session.testsfailed} files of tests can't be gathered")
        for item in session.items:
            self._items[function_of(item.nodeid)].append(item)
        self._functions = functions()
        gc.freeze()  # forks share what is not looked at
        self._line.send(list(self._items))
        while True:
            try:
                run = partial(self._run, session, self._line.recv())
            except EOFError:
                return True
            self._line.send(_ended_in_fork(run))

    def _run(self, session: pytest.Session, question: Question) -> int:
        if question.before != question.after:
            found = bodies(question.path, question.before, question.after)
            if found is None or not replace(self._functions.get(question.path, ()), *found):
                return NOT_IN_PLACE
        items = [item for test in question.tests for item in self._items[test]]
        for item, following in zip(items, [*items[1:], None], strict=True):
            item.config.hook.pytest_runtest_protocol(item=item, nextitem=following)
            if session.testsfailed:
                return 1
        return 0


def _ended_in_fork(run: Callable[[], int]) -> int:
    scratch = tempfile.mkdtemp(prefix="mutation-")
    child = os.fork()
    if child == 0:
        status = BROKEN
        try:
            os.setsid()
            os.environ["PYTEST_DEBUG_TEMPROOT"] = scratch
            status = run()
        finally:
            os._exit(status)
    status = ended(child)
    shutil.rmtree(scratch, ignore_errors=True)
    return status


class Gathered:
    """A process that has all quick tests at hand."""

    def __init__(self, where: str = "tests") -> None:
        self._line, theirs = Pipe()
        self._child = os.fork()
        if self._child == 0:
            status = 1
            try:
                self._line.close()
                os.chdir(ROOT)
                with silence():
                    status = int(pytest.main([*ARGUMENTS, "-s", where], plugins=[_Asked(theirs)]))
            finally:
                os._exit(status)
        theirs.close()
        try:
            self.tests: list[str] = self._line.recv()
        except EOFError:
            raise RuntimeError("the tests can't be gathered: pytest --collect-only says why") from None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: type[BaseException] | BaseException | TracebackType | None) -> None:
        self._line.close()
        os.waitpid(self._child, 0)

    def passed(self, question: Question) -> bool | None:
        """Whether the tests pass; nothing where the change can't be made in place."""
        self._line.send(question)
        return {0: True, 1: False}.get(self._line.recv())
