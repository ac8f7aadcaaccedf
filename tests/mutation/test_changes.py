"""The tool that changes the core a little: each change is one, compiles, and is noticed where a test speaks of it."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

from tests.mutation.__main__ import excused
from tests.mutation.changes import changes
from tests.mutation.gathered import bodies
from tests.mutation.trial import Outcome

SOURCE = '''
def f(a: int | None = 3) -> int | str:
    """Of 5 things."""
    if a is not None and a < 4.0 or not a in (1,):
        return -a + 2
    return f"{a + 1}" if True else 0
'''


def found() -> list[tuple[str, str]]:
    return [(c.before, c.after) for c in changes(SOURCE)]


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ("a < 4.0", "(a <= 4.0)"),
        ("a < 4.0", "(a >= 4.0)"),
        ("a is not None", "(a is None)"),
        ("a is not None and a < 4.0", "(a is not None or a < 4.0)"),
        ("not a in (1,)", "(a in (1,))"),
        ("a in (1,)", "(a not in (1,))"),
        ("4.0", "(5.0)"),
        ("4.0", "(3.6)"),
        ("3", "(4)"),
        ("-a + 2", "(-a - 2)"),
        ("-a", "(a)"),
        ("True", "False"),
        ("0", "(1)"),
    ],
)
def test_a_comparison_an_operator_a_number_a_not(before: str, after: str) -> None:
    """Each kind of small mistake is made, at its place."""
    assert (before, after) in found()


def test_what_does_not_run_is_left_alone() -> None:
    """Annotations, docstrings and what stands in an f-string are not changed: nothing could notice."""
    before = [b for b, _ in found()]
    assert "int | None" not in before
    assert "5" not in before
    assert "a + 1" not in before


@pytest.mark.parametrize("module", ["science/heat.py", "intake/units.py"])
def test_every_change_is_another_module_that_can_be_read(module: str) -> None:
    """Each parses, and differs from the original and from every other change."""
    source = (Path(__file__).parents[2] / "sensord" / module).read_text()
    codes = [change.code for change in changes(source)]
    assert len(codes) > 20
    trees = {ast.dump(ast.parse(code)) for code in codes}
    assert len(trees) == len(codes)
    assert ast.dump(ast.parse(source)) not in trees


def test_an_excuse_holds_for_its_line_and_where_it_names_one_for_its_change_alone() -> None:
    """Another line, another module, or another change of the line, is not excused by it; without a module, it is of all."""
    row = {"module": "sensord/a.py", "text": "x = 1", "after": "(2)", "outcome": Outcome.SURVIVED}
    excuse = {"module": "sensord/a.py", "line": "x = 1", "reason": "chosen"}
    assert excused(row, [excuse])
    assert not excused(row, [excuse | {"after": "(0)"}])
    assert not excused(row, [excuse | {"line": "x = 3"}])
    assert not excused(row, [excuse | {"module": "sensord/b.py"}])
    assert excused(row, [{"line": "x = 1", "reason": "chosen"}])


def test_the_tool_tells_right_from_wrong() -> None:
    """In a process of its own: as it stands a module passes its tests, changed wrongly it does not, and a test that can't be
    found is a mistake of the tool, not something noticed."""
    words = """
from tests.mutation.touching import ROOT
from tests.mutation.gathered import bodies
from tests.mutation.trial import prepare, tried
prepare()
path = ROOT / "sensord" / "ledger.py"
code, tests = path.read_text(), ["tests/test_ledger.py"]
assert tried(path, code, tests) == "survived"
assert tried(path, code.replace("+", "-"), tests) == "noticed"
assert tried(path, "import nowhere", tests) == "noticed"
assert tried(path, code, []) == "untouched"
try:
    tried(path, code, ["tests/test_nothing_here.py"])
except RuntimeError:
    print("all as it should be")
"""
    root = Path(__file__).parents[2]
    done = subprocess.run([sys.executable, "-c", words], cwd=root, capture_output=True, text=True, check=False)
    assert done.stdout == "all as it should be\n", done.stderr


LINES = """
LIMIT = 3
class C:
    def f(self):
        return [a + 1 for a in ()] if (
            LIMIT < 4) else 5
def g(a=6):
    return lambda: 7
"""


@pytest.mark.parametrize(
    ("before", "name"),
    [("3", None), ("6", None), ("a + 1", "f"), ("LIMIT < 4", "f"), ("5", "f"), ("7", "g")],
)
def test_a_change_within_a_function_is_found_to_be_its_own(before: str, name: str | None) -> None:
    """What runs at import is nobody's: constants, defaults; a lambda or a comprehension is of the function around it."""
    change = next(c for c in changes(LINES) if c.before == before)
    found = bodies(Path("lines.py"), LINES, change.code)
    assert (found[1].co_name if found else None) == name


def test_a_change_moves_no_other_line() -> None:
    """However many lines an expression takes, what follows stays where it was."""
    assert {c.code.count("\n") for c in changes(LINES)} == {LINES.count("\n")}


def test_tests_that_are_gathered_once_tell_right_from_wrong() -> None:
    """In a process of its own: a wrong change of a function is noticed, one of a constant is not made in place, and nothing of
    either is left for the next question."""
    words = """
from tests.mutation.gathered import Gathered, Question
from tests.mutation.touching import ROOT
path = ROOT / "sensord" / "ledger.py"
code = path.read_text()
with Gathered("tests/test_ledger.py") as gathered:
    of = [test for test in gathered.tests if test.startswith("tests/test_ledger.py")]
    assert gathered.passed(Question(of, path, code, code.replace("told <= 0", "told > 0"))) is False
    assert gathered.passed(Question(of, path, code, code + "A = 3")) is None
    assert gathered.passed(Question(of)) is True
print("all as it should be")
"""
    root = Path(__file__).parents[2]
    done = subprocess.run([sys.executable, "-c", words], cwd=root, capture_output=True, text=True, check=False)
    assert done.stdout == "all as it should be\n", done.stderr
