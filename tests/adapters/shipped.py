"""A store whose readings and summaries are asked of InfluxDB: everything else is the SQLite store's."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from sensord.adapters.influx import Shipper
from sensord.adapters.influx_reads import InfluxRecords, InfluxStore
from sensord.adapters.influx_writer import InfluxWriter
from sensord.adapters.sqlite_unshipped import SqliteTail
from sensord.config import InfluxSettings
from sensord.rules import all_rules
from tests.kept import Kept
from tests.store_promises import ALDER, BIRCH, SITE

ENCLOSURES = {(SITE, ALDER), (SITE, BIRCH)}
PER = {name: rule.per for name, rule in all_rules().items()}
SOON = datetime(2026, 9, 1, tzinfo=UTC)


def shipper_of(path: Path, store: Kept, settings: InfluxSettings, **options: Any) -> Shipper:
    """A shipper of the promises' garden; not started."""
    usual: dict[str, Any] = {"wake": lambda: None, "every_s": 0.05, "first_pause_s": 0.02, "longest_pause_s": 0.2}
    return Shipper(
        lambda: SqliteTail.open(path), store, InfluxWriter(settings), ENCLOSURES, PER, **{**usual, **options}
    )


class ShippedStore:
    """Ships before every answer, on the thread that asks."""

    def __init__(self, path: Path, store: Kept, settings: InfluxSettings) -> None:
        self.local, self.remote = store, InfluxStore(settings)
        self.shipper = shipper_of(path, store, settings)

    def ship(self) -> InfluxRecords:
        """Everything that waits; returns what can be asked then."""
        self.shipper._catch_up()
        self.shipper.settle(SOON)
        return self.remote.of(SITE)

    @property
    def readings(self) -> Any:
        """Of InfluxDB but for gaps, which the promises also ask for what is shipped otherwise."""
        remote = self.ship().readings
        return SimpleNamespace(
            series=remote.series, latest=remote.latest, slots=remote.slots, gaps=self.local.readings.gaps
        )

    @property
    def summaries(self) -> Any:
        """Of InfluxDB."""
        return self.ship().summaries

    def close(self) -> None:
        self.shipper._writer.close()
        if self.shipper._tail is not None:
            self.shipper._tail.close()
        self.remote.close()
        self.local.close()

    def __getattr__(self, name: str) -> Any:
        return getattr(self.local, name)
