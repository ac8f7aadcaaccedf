"""Write what a garden sends as a feed: JSON Lines {"received_at", "topic", "payload"}, in order of receipt.

python -m simulators.feed --days 3 --seed 7 --out demo.jsonl
python -m simulators.feed --weather typical-year --from 06-01 --to 09-30 --out summer.jsonl
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Iterator
from contextlib import nullcontext
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TextIO

from simulators import faults
from simulators.garden import Garden
from simulators.probes import Sent

TABLES = {"none": faults.NONE, "usual": faults.USUAL, "rough": faults.ROUGH}
AT_A_TIME = timedelta(hours=6)


def line(message: Sent) -> str:
    """One line of a feed, without its end. Bytes that are no UTF-8 are kept as U+FFFD: a feed's payload is text."""
    at = message.at.astimezone(UTC).isoformat(timespec="milliseconds").removesuffix("+00:00") + "Z"
    topic, payload = _quoted(message.topic), _quoted(message.payload.decode("utf-8", "replace"))
    return f'{{"received_at": "{at}", "topic": {topic}, "payload": {payload}}}'


_quoted = json.JSONEncoder(ensure_ascii=False).encode


def write(garden: Garden, until: datetime, out: TextIO) -> Iterator[tuple[datetime, int]]:
    """Write a garden's feed up to `until`; yields how far it is and how many lines it has, every few garden hours."""
    written = 0
    while garden.now + garden.step_length <= until:
        messages = garden.step(min(until, garden.now + AT_A_TIME))
        out.writelines(line(message) + "\n" for message in messages)
        written += len(messages)
        yield garden.now, written


def _arguments(arguments: list[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m simulators.feed", description=__doc__.split("\n", 1)[0])
    parser.add_argument("--days", type=float, default=3.0, help="length of the feed [days] (default 3)")
    parser.add_argument("--seed", type=int, default=7, help="the same seed gives the same bytes (default 7)")
    parser.add_argument("--out", default="-", help="file to write, - for standard output (default)")
    parser.add_argument("--weather", choices=("invented", "typical-year"), default="invented")
    parser.add_argument("--from", dest="first", metavar="MM-DD", help="first day (default 08-20; typical year 06-01)")
    parser.add_argument("--to", dest="last", metavar="MM-DD", help="last day, included; instead of --days")
    parser.add_argument("--faults", choices=tuple(TABLES), default="usual", help="what befalls the probes")
    return parser.parse_args(arguments)


def garden_for(options: argparse.Namespace) -> tuple[Garden, datetime]:
    """The garden that the options ask for, and when its feed ends; ValueError says what is wrong with a date."""
    from simulators import scenario

    name = "typical" if options.weather == "typical-year" else "larkfield"
    settings = scenario.configuration(name)
    default = "06-01" if name == "typical" else "08-20"
    start = scenario.midnight(_day(options.first or default), settings)
    if options.last:
        until = scenario.midnight(_day(options.last) + timedelta(days=1), settings)
    else:
        until = start + timedelta(days=options.days)
    if until <= start:
        raise ValueError(f"the feed would end {until.isoformat()}, before it begins {start.isoformat()}")
    make = scenario.typical if name == "typical" else scenario.larkfield
    return make(options.seed, start, TABLES[options.faults], settings), until


def _day(text: str) -> datetime:
    try:
        return datetime.strptime(f"2026-{text}", "%Y-%m-%d").replace(tzinfo=UTC)
    except ValueError:
        raise ValueError(f'"{text}" is not a day of 2026; write it as month and day, like 06-01') from None


def main(arguments: list[str] | None = None) -> int:
    """Write a feed; progress goes to standard error."""
    options = _arguments(arguments)
    try:
        garden, until = garden_for(options)
    except (ValueError, ImportError) as error:
        sys.stderr.write(f"simulators.feed: {error}\n")
        return 2
    began = time.monotonic()
    target = nullcontext(sys.stdout) if options.out == "-" else Path(options.out).open("w", encoding="utf-8")  # noqa: SIM115
    with target as out:
        for now, written in write(garden, until, out):
            sys.stderr.write(f"\r{now:%Y-%m-%d %H:%M}Z  {written:,} messages  {time.monotonic() - began:.0f} s ")
            sys.stderr.flush()
    sys.stderr.write("\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
