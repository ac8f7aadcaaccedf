"""What the whole house costs: replay against a bare bulk load of the same rows, and the memory of the running daemon.

    python -m tests.bench.bench_house [DAYS]

The ratio is of rows per second in the same run: replay decodes, judges quality, stores, summarises, asks every rule at every
turn and writes the messages; the bare load only inserts the rows it left, with executemany into a table of the same shape.
Memory is the resident set of `sensord run` after a minute of a live garden of six probes, without push, page and InfluxDB.
"""

from __future__ import annotations

import sqlite3
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from simulators import feed as feeds
from tests.adapters.broker import Mosquitto

GARDEN = Path(__file__).parent.parent.parent / "simulators" / "larkfield.toml"


def replay_ratio(directory: Path, days: int) -> tuple[float, float]:
    """Rows per second of the replay, and of the bare load."""
    feed, store = directory / "feed.jsonl", directory / "store.sqlite3"
    feeds.main(["--days", str(days), "--out", str(feed)])
    began = time.perf_counter()
    command = [sys.executable, "-m", "sensord", "replay", str(feed), "--config", str(GARDEN), "--store", str(store)]
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    whole = time.perf_counter() - began
    source = sqlite3.connect(store)
    rows = source.execute("SELECT * FROM reading").fetchall()
    source.close()
    bare = sqlite3.connect(directory / "bare.sqlite3")
    columns = ", ".join(f"c{n}" for n in range(len(rows[0])))
    bare.execute(f"CREATE TABLE reading ({columns}, PRIMARY KEY (c0, c1)) WITHOUT ROWID")
    began = time.perf_counter()
    with bare:
        bare.executemany(f"INSERT INTO reading VALUES ({', '.join('?' * len(rows[0]))})", rows)
    load = time.perf_counter() - began
    bare.close()
    return len(rows) / whole, len(rows) / load


def memory_mb(directory: Path, seconds: float = 60) -> float:
    """Resident set of the daemon [MB] with probes reporting each second."""
    import psutil
    from paho.mqtt import publish

    with Mosquitto(directory / "broker") as broker:
        config = directory / "sensord.toml"
        head = f'[broker]\nhost = "127.0.0.1"\nport = {broker.port}\n[store]\npath = "{directory}/live.sqlite3"\n'
        config.write_text(head + GARDEN.read_text())
        daemon = subprocess.Popen([sys.executable, "-m", "sensord", "run", "--config", str(config)])
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            publish.single("larkfield/cedar/temperature", "21.5", qos=1, hostname="127.0.0.1", port=broker.port)
            time.sleep(1)
        resident = psutil.Process(daemon.pid).memory_info().rss / 1e6
        daemon.terminate()
        daemon.wait(20)
    return resident


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as scratch:
        ours, bare = replay_ratio(Path(scratch), int(sys.argv[1]) if len(sys.argv) > 1 else 3)
        print(f"replay {ours:.0f} rows/s, bare load {bare:.0f} rows/s: ratio {ours / bare:.4f}")
        print(f"memory of the daemon: {memory_mb(Path(scratch)):.0f} MB")
