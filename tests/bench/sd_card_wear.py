#!/usr/bin/env python3
"""What a season does to an SD card: bytes written a day, and how the store grows. A measurement, not a test.

    python tests/bench/sd_card_wear.py [--probes 20] [--days 2] [--every 60] [--device]

A garden of enclosures with a probe each and an ambient post runs through the real loop and the real, durable store, without
waiting: every probe sends temperature and humidity in one message, spread over its interval, and every message is a commit
of its own, as it nearly is live (the loop gathers what comes within 50 ms). Only the broker is left out.

`process` is what the kernel charges this process for (/proc/self/io, write_bytes). `--device` (as root) puts the store on an
ext4 file system of its own on a loop device and counts what reaches the device, journal and all: the figure that wears a
card, before what the card itself adds by erasing larger blocks.

Measured (x86_64, SQLite 3.40, ext4 with its defaults on a loop device, one message of two quantities a minute a probe):

    probes  written a day, process / device   store grows a day   a probe and season of 90 days
         4             118 MB / 128 MB                 0.42 MB          9.4 MB
        20             587 MB / 598 MB                 1.53 MB          6.9 MB

So twenty probes write about 54 GB a season, and leave 138 MB. For scale: a card of 32 GB that stands 500 erasures of each cell
(a figure from memory for cheap cards, no source) takes 16 TB; small writes cost a card several times their size. Almost all of
it is the commit that makes each message durable before it is acknowledged, about 20 kB; gathering for longer would save it.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import random
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import ExitStack
from datetime import UTC, datetime, timedelta
from pathlib import Path

from sensord.adapters.clock import SteppedClock
from sensord.adapters.feed import FeedInbox
from sensord.adapters.sender import InlineSender
from sensord.commands import _build, _house
from sensord.loop import Loop
from sensord.model import Arrival, Message
from tests.kept import opened, read

START = datetime(2026, 8, 20, 5, tzinfo=UTC)
SECTOR = 512
SEASON_DAYS = 90


class Nobody:
    """A phone that takes everything."""

    name = "nobody"

    def send(self, message: Message) -> None:
        """Taken."""


class OneByOne(FeedInbox):
    """Hands over a message at a time, so that each is a commit."""

    def next_batch(self, until: datetime, limit: int) -> list[Arrival]:
        """The next message."""
        return super().next_batch(until, min(limit, 1))


def configuration(probes: int, every_s: float) -> str:
    """A garden with that many probes, one of them at the post."""
    text = '[site]\nname = "bench"\nlatitude_deg = 41.5\nlongitude_deg = -83.5\ntime_zone = "America/Detroit"\n'
    for number in range(probes):
        place = "ambient" if number == 0 else f"e{number}"
        if number:
            text += f'[[enclosure]]\nname = "{place}"\nwidth_m = 0.6\ndepth_m = 0.6\nheight_m = 0.9\nown_mass_kg = 5\n'
        text += (
            f'[[probe]]\nname = "p{number}"\nplace = "{place}"\ntopic = "garden/p{number}"\nevery_s = {every_s}\nreads = ['
            '{ quantity = "temperature", pointer = "/t", unit = "°C" },'
            '{ quantity = "relative_humidity", pointer = "/h", unit = "%" }]\n'
        )
    return text


def feed(probes: int, every_s: float, days: float) -> Iterator[str]:
    """A day like another: 14 to 28 °C, each probe with its noise and offset, in steps of 0.01."""
    dice = random.Random(7)
    for interval in range(int(days * 86400 / every_s)):
        for probe in range(probes):
            at_s = (interval + probe / probes) * every_s
            warmth = -math.cos((at_s / 3600 - 1) / 24 * 2 * math.pi)
            payload = json.dumps(
                {
                    "t": round(21 + 7 * warmth + 0.05 * probe + dice.gauss(0, 0.05), 2),
                    "h": round(65 - 20 * warmth + dice.gauss(0, 0.3), 1),
                }
            )
            at = (START + timedelta(seconds=at_s)).isoformat(timespec="milliseconds").replace("+00:00", "Z")
            yield json.dumps({"received_at": at, "topic": f"garden/p{probe}", "payload": payload})


def charged() -> int:
    """Bytes that this process caused to be written."""
    lines = dict(line.split(": ") for line in Path("/proc/self/io").read_text().splitlines())
    return int(lines["write_bytes"])


def on_device(mount: Path) -> int:
    """Bytes that reached the device of a mount."""
    number = os.stat(mount).st_dev
    os.sync()
    stat = Path(f"/sys/dev/block/{os.major(number)}:{os.minor(number)}/stat").read_text().split()
    return int(stat[6]) * SECTOR


def loop_device(stack: ExitStack, size: int = 1 << 30) -> Path:
    """An ext4 file system of its own, gone afterwards."""
    directory = Path(stack.enter_context(tempfile.TemporaryDirectory()))
    image, mount = directory / "card", directory / "mount"
    mount.mkdir()
    with image.open("wb") as file:
        file.truncate(size)
    subprocess.run(["mkfs.ext4", "-q", "-F", "-E", "lazy_itable_init=0,lazy_journal_init=0", image], check=True)
    subprocess.run(["mount", "-o", "loop", image, mount], check=True)
    stack.callback(subprocess.run, ["umount", mount], check=True)
    return mount


def main() -> None:
    """Run the garden, then say what it wrote."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--probes", type=int, default=20)
    parser.add_argument("--days", type=float, default=2)
    parser.add_argument("--every", type=float, default=60, help="seconds between a probe's messages")
    parser.add_argument("--device", action="store_true", help="count on a device of its own (root)")
    chosen = parser.parse_args()
    with ExitStack() as stack:
        work = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        card = loop_device(stack) if chosen.device else work
        config = work / "sensord.toml"
        config.write_text(configuration(chosen.probes, chosen.every))
        built = _house.garden_in(config)
        clock = SteppedClock(START)
        inbox = OneByOne(feed(chosen.probes, chosen.every, chosen.days), clock)
        store = opened(built, card / "store.sqlite3")
        loop = _build.loop(built, clock, inbox, store, InlineSender({"phone": Nobody()}))
        before, device, begun = charged(), on_device(card) if chosen.device else 0, time.monotonic()
        loop.run(until=START + timedelta(days=chosen.days))
        store.close()
        os.sync()
        took_s = time.monotonic() - begun
        report(chosen, card, charged() - before, on_device(card) - device if chosen.device else None, took_s, loop)


def report(chosen: argparse.Namespace, card: Path, process: int, device: int | None, took_s: float, loop: Loop) -> None:
    """Per day, and per probe and season."""
    size = (card / "store.sqlite3").stat().st_size
    reader = read(card / "store.sqlite3", "larkfield")
    rows = reader.accounts.counters()["readings"]
    reader.close()
    days, probes = chosen.days, chosen.probes
    print(f"{probes} probes, every {chosen.every:g} s, {days:g} days in {took_s:.0f} s; {loop.counts}")
    print(f"readings stored            {rows}")
    print(f"written a day, process     {process / days / 1e6:8.1f} MB")
    if device is not None:
        print(f"written a day, device      {device / days / 1e6:8.1f} MB")
    print(f"growth a day               {size / days / 1e6:8.2f} MB, {size / rows:.1f} bytes a reading")
    print(f"growth a probe and season  {size / days / probes * SEASON_DAYS / 1e6:8.1f} MB")


if __name__ == "__main__":
    main()
