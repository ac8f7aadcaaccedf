"""Reads back from InfluxDB what was shipped there, of one site or of many, by InfluxQL at /query (InfluxDB 1, 2 and 3).

`ports.Records`, as far as a remote store can answer. It differs from the store on the Pi in this:

    it is behind by what is still to be shipped
    a value that is not a finite number comes back as not a number, whichever it was
    an hour of degree-days that a change of thresholds or probes has left without figures keeps its old ones
    concerns come back with times, severities, what was advised and whether shade helped, not with all their numbers;
    those that never opened are not there
    entries come back without text and author; of those of one kind about one subject in the same millisecond, one
    messages come back without their words, one for each concern that they speak of
    verdicts, refusals and counters are not there
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from sensord.adapters.influx_measured import InfluxReadings, InfluxSummaries
from sensord.adapters.influx_query import InfluxQL, equal
from sensord.adapters.influx_said import InfluxConcerns, InfluxEntries, InfluxSent
from sensord.config import InfluxSettings


class InfluxStore:
    """What was shipped to the bucket that [influx] names. Raises Transient when the server can't be asked."""

    def __init__(self, settings: InfluxSettings) -> None:
        self._influx = InfluxQL(settings)

    def close(self) -> None:
        """Close the connections."""
        self._influx.close()

    def of(self, site: str) -> InfluxRecords:
        """What was shipped of a site, by its name."""
        return InfluxRecords(
            InfluxReadings(self._influx, site),
            InfluxSummaries(self._influx, site),
            InfluxEntries(self._influx, site),
            InfluxConcerns(self._influx, site),
            InfluxSent(self._influx, site),
        )

    # --- which there are

    def sites(self) -> list[str]:
        """Every site that has shipped here."""
        return self._values("site", {})

    def probes(self, site: str) -> list[str]:
        """Every probe of a site that has shipped."""
        return self._values("probe", {"site": site})

    def enclosures(self, site: str) -> list[str]:
        """Every enclosure of a site whose degree-days were shipped."""
        return self._values("enclosure", {"site": site}, "tally")

    def _values(self, tag: str, tags: Mapping[str, str], measurement: str = "hour") -> list[str]:
        where = f" WHERE {equal(tags)}" if tags else ""
        (result,) = self._influx.ask(f'SHOW TAG VALUES FROM "{measurement}" WITH KEY = "{tag}"{where}')
        return sorted({row[1] for series in result.get("series", ()) for row in series["values"]})


class InfluxRecords(NamedTuple):
    """`ports.Records`."""

    readings: InfluxReadings
    summaries: InfluxSummaries
    entries: InfluxEntries
    concerns: InfluxConcerns
    outbox: InfluxSent
