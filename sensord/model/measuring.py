"""What is measured: readings, their doubts and their gaps; what came in, and what of it was refused."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from enum import IntFlag, StrEnum
from typing import NamedTuple

AMBIENT = "ambient"
"""The place of the shaded post that the enclosures are compared with; also of the wind gauge and the barometer."""

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
FAR = datetime(9999, 1, 1, tzinfo=UTC)
"""After everything."""
MILLISECOND = timedelta(milliseconds=1)


def milliseconds(instant: datetime) -> int:
    """Unix time of an aware instant [ms], exact (no float rounding)."""
    return (instant - EPOCH) // MILLISECOND


def instant(unix_milliseconds: int) -> datetime:
    """The UTC instant of a Unix time [ms]."""
    return EPOCH + timedelta(milliseconds=unix_milliseconds)


class Quantity(StrEnum):
    """What a reading is of; the unit is fixed by the quantity."""

    TEMPERATURE = "temperature"  # °C
    HUMIDITY = "relative_humidity"  # 0–1
    PRESSURE = "pressure"  # Pa, at the station (not reduced to sea level)
    WIND_SPEED = "wind_speed"  # m/s, mean
    WIND_GUST = "wind_gust"  # m/s, peak
    IRRADIANCE = "irradiance"  # W/m², on a horizontal surface
    BATTERY = "battery"  # 0–1 of full
    VOLTAGE = "voltage"  # V, of the probe's supply


UNIT = {
    Quantity.TEMPERATURE: "°C",
    Quantity.HUMIDITY: "1",
    Quantity.PRESSURE: "Pa",
    Quantity.WIND_SPEED: "m/s",
    Quantity.WIND_GUST: "m/s",
    Quantity.IRRADIANCE: "W/m²",
    Quantity.BATTERY: "1",
    Quantity.VOLTAGE: "V",
}


class Doubt(IntFlag):
    """Why a reading is not simply good; 0 is good. Doubtful readings are stored, and the rules decide what to use."""

    NONE = 0
    IMPOSSIBLE = 1  # outside what the sensor can measure, or not a number
    POWER_ON = 2  # the value a sensor shows when it has not measured yet (85.000 °C, −127)
    JUMP = 4  # changed faster than physics allows
    STUCK = 8  # exactly the same for too long
    WET = 16  # humidity pinned at saturation: the sensor is wet
    SUNLIT = 32  # the probe itself is in the sun
    DISAGREES = 64  # two probes of one place tell different stories
    CLOCK = 128  # dated by a clock that was not set
    FUTURE = 256  # dated after its receipt
    LATE = 512  # received long after it was measured
    RETAINED = 1024  # the broker's stored copy: an old reading

    UNUSABLE = IMPOSSIBLE | POWER_ON | JUMP | CLOCK | FUTURE
    """Doubts that keep a reading out of every computation."""


class Reading(NamedTuple):
    """One value of one quantity. Identity: (site, probe, quantity, measured_at to the millisecond)."""

    site: str
    probe: str
    quantity: Quantity
    measured_at: datetime
    received_at: datetime
    value: float
    doubts: int = 0


STEPS_PER_UNIT: dict[str, float] = {
    Quantity.TEMPERATURE: 1e4,  # 0.0001 °C: a 12-bit step of 0.0625 °C comes back exactly
    Quantity.HUMIDITY: 1e5,  # 0.001 % RH
    Quantity.PRESSURE: 10.0,  # 0.1 Pa
    Quantity.WIND_SPEED: 1e4,  # 0.0001 m/s
    Quantity.WIND_GUST: 1e4,
    Quantity.IRRADIANCE: 1e3,  # 0.001 W/m²
    Quantity.BATTERY: 1e5,
    Quantity.VOLTAGE: 1e4,  # 0.1 mV
}
"""A value is kept as a whole number of steps, so a decimal with no finer digits comes back equal, any other one to half a
step; every step is finer than the resolution of the sensors that measure the quantity."""

LARGEST_STEPS = 1e14
"""Beyond this a value is kept as it came: it is no measurement, but it must not be lost either."""


def as_kept(reading: Reading) -> Reading:
    """The reading with its value as every store gives it back."""
    site, probe, quantity, measured_at, received_at, value, doubts = reading
    scale = STEPS_PER_UNIT[quantity]
    steps = value * scale
    if not abs(steps) < LARGEST_STEPS:
        return reading
    kept = round(steps) / scale
    return reading if kept == value else Reading(site, probe, quantity, measured_at, received_at, kept, doubts)


class Arrival(NamedTuple):
    """One message as it came from outside, before anyone has understood it."""

    received_at: datetime
    topic: str
    payload: bytes
    retained: bool = False
    redelivered: bool = False
    packet: int | None = None  # the broker's packet identifier, where there is one to acknowledge
    connection: int = 0  # which connection it came by; acknowledging is only valid on the same one


class Refusal(NamedTuple):
    """A message that could not be understood, kept for inspection."""

    received_at: datetime
    topic: str
    payload: bytes  # cut to the settings' limit
    reason: str  # what was wrong, where in the payload, and what would be right


class GapKind(StrEnum):
    """Why readings may be missing."""

    SESSION = "session"  # the broker had no session for us: what was sent meanwhile is gone
    OVERFLOW = "overflow"  # our own queue was full; unacknowledged messages come again after reconnecting
    SILENCE = "silence"  # nothing came from a probe that should have reported
    STOPPED = "stopped"  # the daemon was not running
    CLOCK = "clock"  # the clock stepped


class Gap(NamedTuple):
    """From when to when readings may be missing, and why. `ended_at` None: still open."""

    site: str
    kind: GapKind
    subject: str  # a probe, or "" for the whole site
    started_at: datetime
    ended_at: datetime | None
    detail: str = ""
