"""Batches that show by themselves whether all of them was stored; also a program that writes them until it is killed."""

from __future__ import annotations

import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

from sensord.adapters.sqlite import Place
from sensord.model import Arrival, Entry, Quantity, Reading, Refusal, Site, What
from sensord.ports import Commit
from tests.kept import kept

SITE = Site("larkfield", 41.5, -83.5, 190.0, "America/New_York")
PLACES = (Place("alder", ("probe-0", "probe-1"), 11.5, 33.0),)
START = datetime(2026, 8, 20, 4, tzinfo=UTC)
PER_BATCH = 40
FILE = "garden.sqlite3"


def batch(number: int) -> Commit:
    """Forty readings of five probes, one a second, an entry, a refusal and an arrival that all bear the number."""
    moments = [START + timedelta(seconds=number * PER_BATCH + i) for i in range(PER_BATCH)]
    return Commit(
        START,
        readings=[
            Reading(SITE.name, f"probe-{i % 5}", Quantity.TEMPERATURE, moment, moment, number % 300 / 10)
            for i, moment in enumerate(moments)
        ],
        refusals=[Refusal(START, "x", b"", str(number))],
        entries=[Entry(SITE.name, START, START, "alder", What.NOTE, text=str(number))],
        undated=[Arrival(START, "x", str(number).encode(), packet=number % 65_535 + 1)],
    )


def write_for_ever(folder: Path, number: int) -> None:
    """Add batch after batch, and say the number of the next once one is committed."""
    store = kept(folder / FILE, SITE, PLACES)
    print("open", flush=True)
    while True:
        store.journal.commit(batch(number))
        number += 1
        print(number, flush=True)
        if number % 7 == 0:
            store.journal.summarise(START + timedelta(days=99))


if __name__ == "__main__":
    write_for_ever(Path(sys.argv[1]), int(sys.argv[2]))
