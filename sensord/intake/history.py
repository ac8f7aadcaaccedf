"""The course of one series: what it shows by itself, a jump, standing still, wetness; and the little that is remembered.

Limits of change follow the checks that the WMO recommends for automatic weather stations (Zahumenský I (2004) Guidelines
on quality control procedures for data from automatic weather stations, WMO CBS/OPAG-IOS (ET AWS-3) document 4(1): a
temperature that changes by more than 3 °C in a minute is suspect, one that does not change by 0.1 °C in an hour is too;
figures from memory), widened for small probes that people take in their hands and that sun and rain reach.
"""

from __future__ import annotations

from typing import NamedTuple

from sensord.intake.sensors import POWER_ON_C, Ability, ability
from sensord.model import Kind, Probe, Quantity

FRESH_S = 900.0
"""What is older says nothing about now."""


class CoursePace(NamedTuple):
    """How fast a quantity may change, in its unit: at once, with every minute since, and at most. Chosen, see above."""

    at_once: float
    per_minute: float
    at_most: float = float("inf")  # where the sensor's range does not end it


PACES = {
    Quantity.TEMPERATURE: CoursePace(
        4.0, 3.0, 30.0
    ),  # a gust front takes up to 10 K in some minutes; a hand gives as much
    Quantity.HUMIDITY: CoursePace(0.3, 0.15),
    Quantity.PRESSURE: CoursePace(300.0, 100.0, 6000.0),  # a gust front brings up to 4 hPa
    Quantity.WIND_SPEED: CoursePace(20.0, 10.0),
    Quantity.WIND_GUST: CoursePace(35.0, 10.0),
}
BELIEVED_AFTER, BELIEVED_AFTER_S = 3, 60.0
"""A new level that this many readings in a row confirm, over this long, is believed."""

STUCK_AFTER_S = {
    Quantity.TEMPERATURE: (2 * 3600.0, 0.1),
    Quantity.HUMIDITY: (3 * 3600.0, 0.01),
    Quantity.PRESSURE: (3 * 3600.0, 10.0),
    Quantity.WIND_SPEED: (3600.0, 0.1),
    Quantity.WIND_GUST: (3600.0, 0.1),
    Quantity.IRRADIANCE: (3600.0, 1.0),
}
"""How long exactly the same value may last by day [s] for a sensor that shows such steps; a coarser one may take longer in
proportion, a finer one less, to a quarter. At night an hour counts for a third: much may stand still then. Chosen."""
FINEST = 0.25
NIGHT_COUNTS = 1 / 3
LONGEST_STILL_S = 24 * 3600.0
STUCK_READINGS = 10
MOVED = {Quantity.TEMPERATURE: 1.5, Quantity.HUMIDITY: 0.10, Quantity.PRESSURE: 100.0}
"""The others have moved by this much and three steps of the sensor, and it has not: then `LEFT_BEHIND_S` suffice."""
LEFT_BEHIND_S = 20 * 60.0

SATURATED, DRY_AGAIN, WET_AFTER_S = 0.995, 0.97, 3600.0
"""Humidity pinned at saturation for so long comes from water on the sensor; it is wet until it reads dry again. Chosen."""


class Rejected(NamedTuple):
    """Readings in a row that are too far from what is believed, and near each other."""

    first_s: float
    last_s: float
    value: float
    readings: int


class RememberedSeries:
    """What is remembered of one probe's quantity: a few numbers, never more."""

    def __init__(self, probe: Probe, quantity: Quantity, kind: Kind | None) -> None:
        self.probe, self.quantity, self.place = probe.name, quantity, probe.place
        self.ability: Ability = ability(probe.sensor, quantity)
        self.power_on = POWER_ON_C.get(probe.sensor, ()) if quantity is Quantity.TEMPERATURE else ()
        self.pace = PACES.get(quantity)
        self.still = STUCK_AFTER_S.get(quantity)
        self.kind = kind  # of the enclosure; None: at the ambient post
        self.is_humidity, self.is_temperature = quantity is Quantity.HUMIDITY, quantity is Quantity.TEMPERATURE
        self.others: list[RememberedSeries] = []  # of the same quantity, elsewhere or here
        self.peers: list[RememberedSeries] = []  # of the same quantity in the same place
        self.measures: list[
            RememberedSeries
        ] = []  # what its warmth is compared with: ambient, or the cages where it is ambient
        self.forget()

    def forget(self) -> None:
        """Begin anew."""
        self.newest_s = float("-inf")  # when the newest reading was measured, believed or not
        self.believed_s = float("-inf")  # when the value that is believed was measured
        self.value = 0.0
        self.rejected: Rejected | None = None
        self.step: float | None = None  # the smallest difference seen
        self.same_count, self.same_s = 0, 0.0  # the value has stood still for so many readings, and so long
        self.stood_since_s = 0.0
        self.stood: dict[str, float] = {}  # what the others said when it came to stand still
        self.changes: list[float] = []  # the last differences from reading to reading
        self.wet, self.saturated_since_s = False, float("inf")
        self.sunlit_since_s = self.disagrees_since_s = float("inf")

    def is_fresh(self, at_s: float) -> bool:
        """Whether what is believed speaks of about that time."""
        return abs(at_s - self.believed_s) <= FRESH_S


def reach(pace: CoursePace, elapsed_s: float) -> float:
    """How far a quantity can get within the time."""
    return min(pace.at_most, pace.at_once + pace.per_minute * elapsed_s / 60.0)


def leads_there(series: RememberedSeries, value: float, at_s: float) -> bool:
    """Whether what was believed before makes this value possible."""
    if series.pace is None or at_s <= series.believed_s:
        return False
    return abs(value - series.value) <= reach(series.pace, at_s - series.believed_s) and series.same_count > 0


def jumps(series: RememberedSeries, value: float, at_s: float) -> bool:
    """Faster than physics, unless enough readings in a row confirm the new level."""
    pace = series.pace
    if pace is None or series.same_count == 0:
        return False
    change = abs(value - series.value)
    if change <= pace.at_once or change <= reach(pace, at_s - series.believed_s):  # nearly always the first
        series.rejected = None
        return False
    before = series.rejected
    if before is None or abs(value - before.value) > reach(pace, at_s - before.last_s):
        series.rejected = Rejected(at_s, at_s, value, 1)
        return True
    series.rejected = Rejected(before.first_s, at_s, value, before.readings + 1)
    if series.rejected.readings < BELIEVED_AFTER or at_s - before.first_s < BELIEVED_AFTER_S:
        return True
    series.rejected = None
    series.changes.clear()
    return False


def note_change(series: RememberedSeries, value: float, elapsed_s: float) -> None:
    """The size of the last steps, and the smallest ever."""
    changes = series.changes
    if series.same_count == 0 or elapsed_s > 180.0:
        changes.clear()
        return
    change = abs(value - series.value)
    if change > 0.0 and (series.step is None or change < series.step):
        series.step = change
    changes.append(change)
    if len(changes) > 12:
        del changes[0]


def may_stand_still(quantity: Quantity, value: float) -> bool:
    """Values that last by nature: saturation, calm, night."""
    if quantity is Quantity.HUMIDITY:
        return value >= DRY_AGAIN
    if quantity in (Quantity.WIND_SPEED, Quantity.WIND_GUST):
        return value < 0.5  # below the starting speed of many gauges
    return quantity is Quantity.IRRADIANCE and value < 5.0


def is_wet(series: RememberedSeries, value: float, at_s: float) -> bool:
    if value >= SATURATED:
        series.saturated_since_s = min(series.saturated_since_s, at_s)
        series.wet |= at_s - series.saturated_since_s >= WET_AFTER_S
    elif value < DRY_AGAIN or not series.wet:
        series.wet, series.saturated_since_s = False, float("inf")
    return series.wet
