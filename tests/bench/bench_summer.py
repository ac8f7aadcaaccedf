"""What a summer costs: processor time of a replay of the typical year, three enclosures, a reading a minute.

    python -m tests.bench.bench_summer [DAYS]

A fortnight by default, or all 122 days from June to September. The figure for the summer is scaled from the days that were
replayed. The ratio is to a bare load in the same run: read every line of the feed as JSON, and insert the rows that the
replay left into a table of the same shape, in one transaction. Processor time, because a busy machine changes it little.
"""

from __future__ import annotations

import json
import resource
import sqlite3
import subprocess
import sys
import tempfile
import time
from datetime import date, timedelta
from pathlib import Path

from simulators import feed as feeds

GARDEN = Path(__file__).parent.parent.parent / "simulators" / "typical.toml"
FIRST = date(2026, 6, 1)
SUMMER_DAYS = 122


def replay_s(feed: Path, store: Path) -> float:
    """Processor time of a replay, start of the interpreter included [s]."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    command = [sys.executable, "-m", "sensord", "replay", str(feed), "--config", str(GARDEN), "--store", str(store)]
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def bare_s(feed: Path, store: Path, bare: Path) -> tuple[float, int]:
    """Processor time of the bare load [s], and how many rows it inserted."""
    with sqlite3.connect(store) as source:
        rows = source.execute("SELECT * FROM reading").fetchall()
    began = time.process_time()
    with feed.open() as lines:
        for line in lines:
            json.loads(line)
    database = sqlite3.connect(bare)
    database.execute(f"CREATE TABLE reading ({', '.join(f'c{n}' for n in range(len(rows[0])))}, PRIMARY KEY (c0, c1))")
    with database:
        database.executemany(f"INSERT INTO reading VALUES ({', '.join('?' * len(rows[0]))})", rows)
    database.close()
    return time.process_time() - began, len(rows)


def main(days: int) -> None:
    """Make the feed, replay it, load it barely, and say what it took."""
    with tempfile.TemporaryDirectory() as scratch:
        feed, store = Path(scratch) / "feed.jsonl", Path(scratch) / "store.sqlite3"
        last = FIRST + timedelta(days=days - 1)
        feeds.main(
            ["--weather", "typical-year", "--from", f"{FIRST:%m-%d}", "--to", f"{last:%m-%d}", "--out", str(feed)]
        )
        ours = replay_s(feed, store)
        bare, rows = bare_s(feed, store, Path(scratch) / "bare.sqlite3")
        print(
            f"{days} days, {rows} readings: {ours:.1f} s of a processor, the summer {ours * SUMMER_DAYS / days:.0f} s"
        )
        print(f"bare load {bare:.2f} s: ratio {ours / bare:.1f}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 14)
