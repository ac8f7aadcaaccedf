"""A store whose readings and summaries are asked of InfluxDB: everything else is the SQLite store's."""

from __future__ import annotations

from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

from sensord.config import InfluxSettings
from sensord.edges.influx import Shipper
from sensord.edges.influx_reads import InfluxStore
from sensord.edges.influx_writer import InfluxWriter
from sensord.edges.sqlite import SqliteStore
from sensord.model import Quantity, Reading
from sensord.ports import Day, Hour, Series, TallyHour
from sensord.rules import all_rules
from tests.store_promises import ALDER, BIRCH

SPECIES = {ALDER: "monarch", BIRCH: "monarch"}
PER = {name: rule.per for name, rule in all_rules().items()}
SOON = datetime(2026, 9, 1, tzinfo=UTC)


def shipper_of(path: Path, store: SqliteStore, settings: InfluxSettings, **options: Any) -> Shipper:
    """A shipper of the promises' garden; not started."""
    usual: dict[str, Any] = {"wake": lambda: None, "every_s": 0.05, "first_pause_s": 0.02, "longest_pause_s": 0.2}
    return Shipper(path, store, InfluxWriter(settings), SPECIES, PER, **{**usual, **options})


class ShippedStore:
    """Ships before every answer, on the thread that asks."""

    def __init__(self, path: Path, store: SqliteStore, settings: InfluxSettings) -> None:
        self.local, self.remote = store, InfluxStore(settings)
        self.shipper = shipper_of(path, store, settings)

    def ship(self) -> InfluxStore:
        """Everything that waits; returns what it can be asked of."""
        self.shipper._catch_up()
        self.shipper.settle(SOON)
        return self.remote

    def readings(self, site: str, probe: str, quantity: Quantity, start: datetime, end: datetime) -> Series:
        return self.ship().readings(site, probe, quantity, start, end)

    def latest(self, site: str, probe: str, quantity: Quantity, before: datetime | None = None) -> Reading | None:
        return self.ship().latest(site, probe, quantity, before)

    def hours(self, site: str, probe: str, quantity: Quantity, start: datetime, end: datetime) -> list[Hour]:
        return self.ship().hours(site, probe, quantity, start, end)

    def days(self, site: str, probe: str, quantity: Quantity, first: date, last: date) -> list[Day]:
        return self.ship().days(site, probe, quantity, first, last)

    def tally(self, site: str, enclosure: str, start: datetime, end: datetime) -> list[TallyHour]:
        return self.ship().tally(site, enclosure, start, end)

    def close(self) -> None:
        self.shipper._writer.close()
        if self.shipper._reader is not None:
            self.shipper._reader.close()
        self.remote.close()
        self.local.close()

    def __getattr__(self, name: str) -> Any:
        return getattr(self.local, name)
