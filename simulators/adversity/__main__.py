"""python -m simulators.adversity --seeds 1000: as many seeds as one likes; the first one that fails is told."""

from __future__ import annotations

import argparse
import logging
import sys
import tempfile
import time
from pathlib import Path

from simulators.adversity.trial import SETTLING, SITES, Failed, trial


def _tell(line: str) -> None:
    sys.stdout.write(f"{line}\n")


def main(arguments: list[str] | None = None) -> int:
    """0: every promise was kept; 1: a seed failed; its number is printed."""
    parser = argparse.ArgumentParser(prog="python -m simulators.adversity", description=__doc__)
    parser.add_argument("--seeds", type=int, default=100, help="how many seeds (default 100)")
    parser.add_argument("--first", type=int, default=1, help="the first of them (default 1)")
    parser.add_argument("--seed", type=int, help="only this one")
    parser.add_argument("--hours", type=int, default=8, help="garden hours of each site (default 8)")
    parser.add_argument("--tell", action="store_true", help="tell every event")
    chosen = parser.parse_args(arguments)
    quiet = logging.getLogger("sensord")
    before, quiet.disabled = quiet.disabled, True  # the world fails on purpose
    try:
        return _try_all(chosen)
    finally:
        quiet.disabled = before


def _try_all(chosen: argparse.Namespace) -> int:
    seeds = range(chosen.first, chosen.first + chosen.seeds) if chosen.seed is None else [chosen.seed]
    began, steps, done = time.monotonic(), 0, 0
    with tempfile.TemporaryDirectory() as scratch:
        for seed in seeds:
            try:
                steps += trial(seed, chosen.hours, Path(scratch), _tell if chosen.tell else lambda line: None)
            except Failed as failed:
                again = f"python -m simulators.adversity --seed {seed} --hours {chosen.hours} --tell"
                sys.stdout.write(f"\n{failed}\nagain: {again}\n")
                return 1
            done += 1
            hours = done * len(SITES) * (chosen.hours + SETTLING.total_seconds() / 3600)
            sys.stderr.write(
                f"\r{done} seeds, {hours:.0f} garden hours, {steps} steps, {time.monotonic() - began:.0f} s "
            )
            sys.stderr.flush()
    sys.stderr.write("\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
