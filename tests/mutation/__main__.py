"""Change the core a little, wrongly, and see whether the tests notice.

    tests/mutate                       every change of the whole core (hours); goes on where it was stopped
    tests/mutate sensord/science       of a folder, or of one module
    tests/mutate --sample 100          of so many changes, drawn at random by --seed
    tests/mutate --again               those that survived and are not excused, after tests were added
    tests/mutate --budget 10           of tests for a change: the nearest and quickest decide (default 60 s)
    tests/mutate --report              only say what is known

What a change touches is asked of a run under coverage (made anew with --look), and only tests that run the changed lines
are tried, the module's own first, up to the first that fails. Results are kept in .mutation/, by the module's content. A
change that nothing can notice, or that no promise speaks of, is excused in excuses.toml, with the reason. Why a tool of our
own: half of what survives are bounds in the bodies of classes and in constants, which tools that wrap functions leave
alone; and a fork that has the tests gathered tries a change in a tenth of a second, without touching the working tree (in
two where the change runs at import).
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import random
import sys
import time
import tomllib
from collections import Counter
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any, NamedTuple

from tests.mutation.changes import Change, changes
from tests.mutation.gathered import Gathered, Question
from tests.mutation.touching import DURATIONS, KEPT, ROOT, Touching, look
from tests.mutation.trial import Outcome, prepare, tried

RESULTS = KEPT / "results.jsonl"
EXCUSES = Path(__file__).with_name("excuses.toml")
NEAREST = 80
"""So many of the nearest tests are asked before those that only look at what import has made, and before all others."""
NOT_CORE = ("__main__.py", "adapters", "commands", "loop.py", "report", "web")


class Key(NamedTuple):
    """One change of one content of a module."""

    module: str
    content: str
    number: int


def core() -> Iterator[Path]:
    """The modules of the core."""
    house = ROOT / "sensord"
    return (
        p for p in sorted(house.rglob("*.py")) if p.relative_to(house).parts[0] not in NOT_CORE and p.stat().st_size
    )


def chosen(names: Iterable[str]) -> list[Path]:
    """The modules that are named, or all."""
    wanted = [(ROOT / name).resolve() for name in names]
    for path in wanted:
        if not path.exists():
            raise SystemExit(f"there is no {path.relative_to(ROOT)}")
    return [p for p in core() if not wanted or any(p == w or w in p.parents for w in wanted)]


def _content(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()[:16]


def known() -> dict[Key, dict[str, Any]]:
    """The results so far; of a change that was tried twice, the last."""
    lines = RESULTS.read_text().splitlines() if RESULTS.exists() else []
    rows = map(json.loads, lines)
    return {Key(row["module"], row["content"], row["number"]): row for row in rows}


class Asking(NamedTuple):
    """What tells whether a change is noticed."""

    touching: Touching
    gathered: Gathered
    budget_s: float

    def tests(self, path: Path, first_line: int, last_line: int) -> list[str]:
        """Those to be asked, what has come since it was looked at the end."""
        there = set(self.gathered.tests)
        beside = (
            f"tests/{path.relative_to(ROOT / 'sensord').parent.as_posix()}".removesuffix("/.") + "/",
            "tests/test_",
        )
        known = self.touching.tests(path, first_line, last_line, self.budget_s)
        if self.touching.at_import(path, first_line, last_line):
            own, others = self.touching.own(path), self.touching.onlookers
            nearest = [*own, *(test for test in others if test.startswith(beside[0])), *known[:NEAREST]]
            known = list(dict.fromkeys([*nearest, *others, *known[NEAREST:]]))
        new = [test for test in self.touching.unknown(self.gathered.tests) if test.startswith(beside)]
        return [test for test in known if test in there] + new

    def outcome(self, path: Path, change: Change, tests: list[str]) -> Outcome:
        """In place where that can be; with everything imported anew where it can't, or where it matters at import too."""
        passed = self.gathered.passed(Question(tests, path, path.read_text(), change.code)) if tests else None
        if passed is False:
            return Outcome.NOTICED
        if passed and not self.touching.at_import(path, change.first_line, change.last_line):
            return Outcome.SURVIVED
        parts = [part for part in (tests[:NEAREST], tests[NEAREST:]) if part]  # the first few need few files
        outcomes = (tried(path, change.code, part) for part in parts or [tests])
        return next((outcome for outcome in outcomes if outcome is not Outcome.SURVIVED), Outcome.SURVIVED)


def _tried(path: Path, change: Change, asking: Asking) -> dict[str, Any]:
    began = time.monotonic()
    tests = asking.tests(path, change.first_line, change.last_line)
    return {
        "module": path.relative_to(ROOT).as_posix(),
        "content": _content(path),
        "number": change.number,
        "line": change.first_line,
        "before": change.before,
        "after": change.after,
        "text": path.read_text().splitlines()[change.first_line - 1].strip(),
        "outcome": str(asking.outcome(path, change, tests)),
        "tests": len(tests),
        "seconds": round(time.monotonic() - began, 1),
    }


def excused(row: dict[str, Any], excuses: list[dict[str, str]]) -> bool:
    """Whether a survivor is excused: by line and, if named, module and what it was changed to."""
    return any(
        (row["module"], row["text"]) == (excuse.get("module", row["module"]), excuse["line"])
        and excuse.get("after", row["after"]) == row["after"]
        for excuse in excuses
    )


def report(modules: Iterable[Path]) -> bool:
    """Print the share noticed by module, and the survivors; whether 95 of 100 are noticed."""
    excuses = tomllib.loads(EXCUSES.read_text())["excuse"]
    done, total, left = known(), Counter[str](), 0
    for path in modules:
        module, content = path.relative_to(ROOT).as_posix(), _content(path)
        keys = [Key(module, content, change.number) for change in changes(path.read_text())]
        rows = [done[key] for key in keys if key in done]
        counts = Counter(
            "excused" if r["outcome"] != Outcome.NOTICED and excused(r, excuses) else r["outcome"] for r in rows
        )
        total += counts
        left += len(keys) - len(rows)
        if not keys:
            continue
        print(f"{_share(counts):>7}  {module}: {len(rows)} of {len(keys)} tried, {counts['excused']} excused")
        for row in sorted(rows, key=lambda r: r["line"]):
            if row["outcome"] != Outcome.NOTICED and not excused(row, excuses):
                print(f"           {row['line']}: {row['before']} → {row['after']}  ({row['outcome']})")
    print(f"{_share(total):>7}  of {total.total()} changes, {total['excused']} excused, {left} not tried yet")
    judged = total.total() - total["excused"]
    return total[Outcome.NOTICED] >= 0.95 * judged


def _share(counts: Counter[str]) -> str:
    judged = counts.total() - counts["excused"]
    return f"{100 * counts[Outcome.NOTICED] / judged:.1f} %" if judged else "–"


def main() -> int:
    """Try what is asked for and not known yet; ends with 1 where fewer than 95 of 100 are noticed."""
    parser = argparse.ArgumentParser(prog="tests/mutate", description=__doc__.splitlines()[0])
    parser.add_argument("modules", nargs="*", metavar="MODULE")
    parser.add_argument("--sample", type=int, metavar="N", help="only so many changes, drawn at random")
    parser.add_argument("--seed", type=int, default=7, help="of the drawing (default 7)")
    parser.add_argument("--again", action="store_true", help="try what survived once more")
    parser.add_argument("--look", action="store_true", help="find anew which tests touch which lines")
    parser.add_argument(
        "--budget", type=float, default=60, metavar="S", help="seconds of tests for a change (default 60)"
    )
    parser.add_argument("--report", action="store_true", help="try nothing")
    options = parser.parse_args()
    os.environ["HYPOTHESIS_PROFILE"] = "first"
    modules = chosen(options.modules)
    if not options.report:
        if options.look or not DURATIONS.exists():  # in a process of its own: nothing of ours may be imported here
            child = os.fork()
            if child == 0:
                look()
                os._exit(0)
            if os.waitpid(child, 0)[1]:
                return 2
        prepare()
        with Gathered() as gathered:
            asking = Asking(Touching(), gathered, options.budget)
            _try_all(modules, options.sample, options.seed, options.again, asking)
    return 0 if report(modules) else 1


def _must_pass_unchanged(asking: Asking) -> None:
    """Tests that fail anyway notice nothing: those that have come since it was looked must pass."""
    new = asking.touching.unknown(asking.gathered.tests)
    if new and not asking.gathered.passed(Question(new)):
        raise SystemExit("tests fail without any change; look anew with --look when they pass")


def _try_all(modules: list[Path], sample: int | None, seed: int, again: bool, asking: Asking) -> None:
    done, excuses = known(), tomllib.loads(EXCUSES.read_text())["excuse"]
    _must_pass_unchanged(asking)
    ahead = [(path, change) for path in modules for change in changes(path.read_text())]
    if sample is not None:
        ahead = random.Random(seed).sample(ahead, min(sample, len(ahead)))
    with RESULTS.open("a") as out:
        for i, (path, change) in enumerate(ahead, 1):
            before = done.get(Key(path.relative_to(ROOT).as_posix(), _content(path), change.number))
            if before is not None and not (
                again and before["outcome"] != Outcome.NOTICED and not excused(before, excuses)
            ):
                continue
            row = _tried(path, change, asking)
            out.write(json.dumps(row, ensure_ascii=False) + "\n")
            out.flush()
            print(
                f"{i}/{len(ahead)}  {row['outcome']:9} {row['seconds']:5} s  {row['module']}:{row['line']}",
                file=sys.stderr,
            )


if __name__ == "__main__":
    sys.exit(main())
