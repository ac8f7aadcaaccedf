"""What shipping costs, as ratios within one run where it can be: they travel between machines, times do not.

    python -m pytest -s tests/bench/bench_influx.py

Measured (x86_64, 2 cores, CPython 3.11, influxdb-client 1.50, VictoriaMetrics 1.79, InfluxDB 1.6):
points shipped per second against prepared lines by a bare client, medians: 0.69 to InfluxDB, 0.34 to VictoriaMetrics; a week
of 20 probes is caught up in 3.5 s, while the loop waits for it 8 ms at most; ingest pays 0.3 to 2 µs a reading more; memory of
the daemon 67 MiB without and 100 MiB with InfluxDB (the client's library is 23 of it).
"""

from __future__ import annotations

import http.client
import os
import random
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from statistics import median

import psutil
import pytest

from sensord.adapters.influx_lines import LineMaker
from sensord.adapters.sqlite_unshipped import backlog
from sensord.config import InfluxSettings
from sensord.model import Quantity, Reading, Site
from sensord.ports import Commit
from sensord.ports.tail import Position
from tests.adapters.broker import Mosquitto
from tests.adapters.influx_servers import Front, Influxd, Victoria
from tests.adapters.shipped import PER, shipper_of
from tests.kept import Kept, kept, to_ship

SITE = Site("larkfield", 41.5, -83.5, 190.0, "America/New_York")
START = datetime(2026, 8, 1, tzinfo=UTC)
PROBES, QUANTITIES = 20, (Quantity.TEMPERATURE, Quantity.HUMIDITY)
LEAST_RATIO = {"influxd behind the proxy": 0.5, "victoria": 0.2}
"""VictoriaMetrics answers as fast as a body can be copied, faster than rows can be read from any store: no bar, a baseline."""

ROUNDS = 7
AT_ONCE = 5000


def garden(minutes: int) -> Iterator[list[Reading]]:
    """What twenty probes send in each quarter of an hour."""
    dice = random.Random(1)
    for first in range(0, minutes, 15):
        yield [
            Reading("larkfield", f"probe-{p}", q, at := START + timedelta(minutes=m, seconds=2 * p), at, value)
            for m in range(first, min(first + 15, minutes))
            for p in range(PROBES)
            for q, value in ((QUANTITIES[0], round(dice.gauss(24, 4), 2)), (QUANTITIES[1], round(dice.random(), 3)))
        ]


def filled(path: Path, days: float, ships_to: str) -> Kept:
    """A store with so many days of it."""
    store = kept(path, SITE, durable=False, ships_to=ships_to)
    for readings in garden(int(days * 1440)):
        store.journal.commit(Commit(START, readings))
    store.journal.summarise(START + timedelta(days=days))
    return store


def bare(port: int, bodies: list[bytes]) -> float:
    """Seconds to post prepared lines with the standard library's client, on one connection."""
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=60)
    begin = time.perf_counter()
    for body in bodies:
        connection.request("POST", "/api/v2/write?bucket=bare&org=-&precision=ms", body)
        answer = connection.getresponse()
        answer.read()
        assert answer.status == 204
    seconds = time.perf_counter() - begin
    connection.close()
    return seconds


@pytest.mark.parametrize("kind", list(LEAST_RATIO))
def test_points_shipped_per_second(tmp_path: Path, kind: str) -> None:
    """Reading the store, writing lines, sending and striking off, against prepared lines alone to the same server."""
    server = Victoria(tmp_path / "server") if kind == "victoria" else Influxd(tmp_path / "server")
    with server, Front(server.port) as front:
        if isinstance(server, Influxd):
            server.make("bare")
            server.make("ours")
        port = server.port if kind == "victoria" else int(front.url.rpartition(":")[2])
        settings = InfluxSettings(url=f"http://127.0.0.1:{port}", bucket="ours", points_at_once=AT_ONCE)
        path = tmp_path / "garden.sqlite3"
        with closing(filled(path, 2, settings.destination)) as store, closing(to_ship(path)) as reader:
            maker, place, bodies, points = LineMaker(reader.series, {}, PER), Position(), [], 0
            while (window := reader.window(place, AT_ONCE)) is not None:
                texts = maker.lines(window).texts
                bodies.append("\n".join(texts).encode())
                points, place = points + len(texts), window.after
            ratios = []
            for _ in range(1 + ROUNDS):  # the first is for loading the client and opening files
                theirs = points / bare(port, bodies)
                shipper = shipper_of(path, store, settings)
                begin = time.perf_counter()
                shipper._catch_up()
                ours = points / (time.perf_counter() - begin)
                ratios.append(ours / theirs)
                assert shipper.points == points
                assert shipper._tail is not None
                shipper._tail.close()
                shipper._writer.close()
                print(f"{kind}: {ours:,.0f} points/s, bare client {theirs:,.0f}, ratio {ratios[-1]:.2f}")
            ratio = median(ratios[1:])
            print(f"{kind}: median ratio {ratio:.2f}")
            begin = time.perf_counter()
            shipper.settle(START)
            print(f"striking off {points:,} at once: {time.perf_counter() - begin:.2f} s")
    assert ratio >= LEAST_RATIO[kind]


def test_a_week_is_caught_up(tmp_path: Path) -> None:
    """A week of twenty probes, a reading a minute of two quantities each, goes after the server has come back."""
    with Influxd(tmp_path / "influxd") as server, Front(server.port) as front:
        settings = InfluxSettings(url=front.url, bucket=server.make("week"))
        path = tmp_path / "garden.sqlite3"
        begin = time.perf_counter()
        with closing(filled(path, 7, settings.destination)) as store:
            built_s = time.perf_counter() - begin
            waiting = backlog(store.connection).changes
            size = path.stat().st_size
            shipper = shipper_of(path, store, settings)
            begin, longest_s = time.perf_counter(), 0.0
            shipper.start()
            while shipper.points < 7 * 1440 * PROBES * 2 or backlog(store.connection).changes:
                time.sleep(0.2)
                settling = time.perf_counter()
                shipper.settle(START)
                longest_s = max(longest_s, time.perf_counter() - settling)
                assert not shipper.trouble
            seconds = time.perf_counter() - begin
            shipper.close()
            print(f"a week: {shipper.points:,} points in {seconds:.1f} s (filling the store: {built_s:.1f} s),"
                  f" {waiting:,} notes, longest settling {longest_s * 1000:.0f} ms, store {size / 1e6:.0f} MB")  # fmt: skip
            time.sleep(12)  # until the server has written its first files
            there = sum(p.stat().st_size for p in (tmp_path / "influxd" / "data").rglob("*") if p.is_file())
            print(f"InfluxDB 1.6 on disk, before it packs older files: {there / shipper.points:.1f} bytes a point")
    assert seconds < 300


def test_ingest_is_not_slowed(tmp_path: Path) -> None:
    """Processor time of adding with and without noting what is to be shipped; the whole way in costs some 100 µs a message."""
    batches = list(garden(1440))
    best: dict[tuple[int, str], float] = {}
    for round_ in range(3):
        for size in (1, 12):
            for ships_to in ("", "somewhere"):
                store = kept(tmp_path / f"{round_}-{size}-{ships_to}", SITE, durable=False, ships_to=ships_to)
                parts = [b[i : i + 40 * size] for b in batches for i in range(0, len(b), 40 * size)]
                begin = time.process_time()
                for part in parts:
                    store.journal.commit(Commit(START, part))
                spent = (time.process_time() - begin) / sum(map(len, parts)) * 1e6
                best[size, ships_to] = min(spent, best.get((size, ships_to), 1e9))
                store.close()
    for size in (1, 12):
        without, with_it = best[size, ""], best[size, "somewhere"]
        print(f"{40 * size} a commit: {without:.1f} µs a reading without, {with_it:.1f} µs with shipping")
        assert with_it - without < 20


@pytest.mark.timeout(120)
def test_memory(tmp_path: Path) -> None:
    """Resident memory of the daemon with a day to ship, against the same daemon without InfluxDB."""
    found = {}
    with Mosquitto(tmp_path / "broker") as broker, Influxd(tmp_path / "influxd") as server, Front(server.port) as front:
        for name, url in (("without", ""), ("with", front.url)):
            folder = tmp_path / name
            folder.mkdir()
            config = folder / "sensord.toml"
            text = (Path(__file__).parents[2] / "config" / "minimal.toml").read_text().replace("ntfy://", "json://")
            broker_table = f'[broker]\nhost = "127.0.0.1"\nport = {broker.port}\n'
            config.write_text(f'{text}\n{broker_table}[influx]\nurl = "{url}"\nbucket = "{server.make("memory")}"\n')
            with closing(kept(folder / "sensord.sqlite3", SITE, durable=False)) as store:
                for readings in garden(1440):
                    store.journal.commit(Commit(START, readings))
            environment = {k: v for k, v in os.environ.items() if not k.startswith("SENSORD_")}
            command = [sys.executable, "-m", "sensord", "run", "--config", str(config)]
            with (folder / "log").open("wb") as log:
                process = subprocess.Popen(command, stdout=log, stderr=log, env=environment)
            try:
                deadline = time.monotonic() + 40
                while time.monotonic() < deadline:
                    time.sleep(1)
                    done = url == "" or server.rows("SELECT count(value) FROM reading", "memory") == [[0, 1440 * 40]]
                    if done and time.monotonic() > deadline - 30:
                        break
                assert process.poll() is None, (folder / "log").read_text()
                found[name] = psutil.Process(process.pid).memory_info().rss / 2**20
            finally:
                process.kill()
                process.wait()
    print(f"memory: {found['without']:.0f} MiB without InfluxDB, {found['with']:.0f} MiB with it")
    assert found["with"] - found["without"] < 60
