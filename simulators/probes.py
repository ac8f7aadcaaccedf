"""Probes: what a sensor makes of the air around it, with lag, noise, resolution, sunlight, and the faults of its fate."""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from enum import Enum
from typing import NamedTuple

from sensord.model import Form, Probe, Quantity, Recipe
from simulators.chance import stream
from simulators.faults import Fate, Fault, Faults, Mishap, Spell
from simulators.payloads import writers


class Sent(NamedTuple):
    """A message on its way: when the broker gets it, its topic, its payload."""

    at: datetime
    topic: str
    payload: bytes


class Air(NamedTuple):
    """What surrounds a probe."""

    temperature_c: float
    relative_humidity: float
    pressure_pa: float
    wind_speed_m_s: float
    wind_gust_m_s: float
    irradiance_w_m2: float  # over the garden, for a probe that measures it
    sunlight_w_m2: float  # on the probe itself
    airflow_m_s: float  # at the probe
    rain_mm_h: float  # on the probe


class Shield(Enum):
    """How a probe is kept out of the sun; the value scales by how much sunlight warms it.

    A good shield leaves a mean error of about 0.2 °C, one of the makeshift kind 0.8–3.0 °C (Terando et al. 2017, Ecology
    and Evolution, abstract); without any, errors reach 25 °C (Maclean et al. 2021, Methods in Ecology and Evolution,
    abstract).
    """

    GOOD = 0.35
    MAKESHIFT = 3.0
    NONE = 9.0


def radiation_error_c(shield: Shield, sunlight_w_m2: float, airflow_m_s: float) -> float:
    """By how much sunlight warms a probe above the air; moving air cools it. The form is a plausible choice."""
    return shield.value * sunlight_w_m2 / 1000.0 / (0.35 + math.sqrt(airflow_m_s))


class Make(NamedTuple):
    """What a type of sensor does to the truth. Datasheet figures, housing lag by guess."""

    bias_c: float  # standard deviation among pieces
    noise_c: float
    step_c: float
    lag_s: float
    bias_humidity: float
    power_on_c: float | None = None


MAKES = {
    "SHT4x": Make(0.08, 0.03, 0.01, 75.0, 0.010),
    "SHT3x": Make(0.10, 0.04, 0.01, 75.0, 0.015),
    "BME280": Make(0.25, 0.02, 0.01, 90.0, 0.020),
    "DHT22": Make(0.25, 0.08, 0.1, 120.0, 0.015),
    "DS18B20": Make(0.15, 0.02, 0.0625, 60.0, 0.0, power_on_c=85.0),
}
OTHER = Make(0.1, 0.05, 0.1, 60.0, 0.02)
UNPLUGGED_C = -127.0
LARGEST_BACKLOG = 5000
CLOCK_SET_EVERY_S = 7 * 86400.0
"""A probe's clock drifts until it is set again."""
MENDED = (Fault.SILENCE, Fault.STUCK, Fault.UNPLUGGED, Fault.SUNLIT, Fault.CLOCK_STEP, Fault.FLAT_BATTERY)
GARBLED = (b"", b"nan", b"ERR", b'{"air":{"celsius":', b'[{"bn":"x","v":', b"\xff\xfe\x00", b"24.1 C", b"null")


class Device:
    """One probe of the garden."""

    def __init__(
        self,
        probe: Probe,
        recipes: Sequence[Recipe],
        seed: int,
        start: datetime,
        faults: Faults,
        mishaps: Sequence[Mishap] = (),
        shield: Shield = Shield.GOOD,
    ) -> None:
        self.probe, self.shield = probe, shield
        self.make = MAKES.get(probe.sensor, OTHER)
        self._faults = faults
        one_wire = self.make.power_on_c is not None and Quantity.TEMPERATURE in probe.quantities
        dated = any(r.form is Form.SENML or r.time_pointer is not None for r in recipes)
        spared = {Fault.UNPLUGGED} if not one_wire else set()
        spared |= {Fault.CLOCK_STEP} if not dated else set()
        spared |= {Fault.RESTART} if not (one_wire or dated) else set()
        spared |= {Fault.SUNLIT} if Quantity.TEMPERATURE not in probe.quantities else set()
        self._fate = Fate(seed, probe.name, faults, start, list(mishaps), spared)
        self._quantities = sorted(probe.quantities)
        pieces = stream(seed, "probe", probe.name, "piece")
        self._bias_c = _piece(pieces, self.make.bias_c)
        self._bias_humidity = _piece(pieces, self.make.bias_humidity)
        self._drift = pieces.gauss(0.0, faults.clock_drift_s_per_day) / 86400.0
        self._battery = pieces.uniform(0.8, 1.0)
        self._noise = stream(seed, "probe", probe.name, "noise")
        self._way = stream(seed, "probe", probe.name, "way")
        self._wires = writers(recipes)
        self._start, self._last = start, start
        self._next_due = start + timedelta(milliseconds=int(pieces.uniform(50.0, 950.0) * probe.interval_s))
        self._interval = timedelta(seconds=probe.interval_s)
        self._lagged_c: float | None = None
        self._rained = False
        self._wet_until: datetime | None = None
        self._stuck: dict[Quantity, float] | None = None
        self._backlog: list[Sent] = []
        self._old: list[Sent] = []
        self._clock_off = timedelta()

    # --- time passes --------------------------------------------------------------------------------------------------

    def turn(self, now: datetime, air: Air) -> tuple[list[Sent], list[Spell]]:
        """Everything since the last turn: what it sends, in the order of sending, and which faults began."""
        step_s = (now - self._last).total_seconds()
        self._last = now
        began = self._fate.turn(now)
        for spell in began:
            self._struck(spell)
        self._feel(air, step_s, now)
        sent: list[Sent] = []
        while self._next_due <= now:
            sent += self._take(self._next_due, air)
            self._next_due += self._interval
        if self._backlog and Fault.HELD_BACK not in self._fate.spells:
            sent += self._release(now)
        for spell in began:
            if spell.fault is Fault.OLD_COPY and self._old:
                sent.append(self._old[0]._replace(at=now + timedelta(seconds=0.4)))
        return sent, began

    @property
    def dead(self) -> bool:
        """It will never send again."""
        return Fault.FAILURE in self._fate.spells

    def mend(self) -> bool:
        """The keeper looks after it: fresh battery, shield back on, plug pushed in; False if it is past mending."""
        self._battery = 1.0
        for fault in MENDED:
            self._fate.spells.pop(fault, None)
        return not self.dead

    def _struck(self, spell: Spell) -> None:
        if spell.fault is Fault.STUCK:
            self._stuck = None  # the next values are the ones that it sticks at
        elif spell.fault is Fault.CLOCK_STEP:
            self._clock_off = timedelta(seconds=self._way.choice((-86400, -3600, -900, 600, 3600)))

    def _feel(self, air: Air, step_s: float, now: datetime) -> None:
        """Follow the air with lag; get wet and dry; use the battery."""
        spells = self._fate.spells
        shield = Shield.NONE if spells and Fault.SUNLIT in spells else self.shield
        felt = air.temperature_c
        if air.sunlight_w_m2 > 0.0:
            felt += radiation_error_c(shield, air.sunlight_w_m2, air.airflow_m_s)
        if self._lagged_c is None:
            self._lagged_c = felt
        self._lagged_c = felt + (self._lagged_c - felt) * math.exp(-step_s / self.make.lag_s)
        raining = air.rain_mm_h > 1.0
        if raining and not self._rained and self._way.random() < self._faults.wet:
            self._wet_until = now + timedelta(hours=self._way.uniform(2.0, 6.0))
        self._rained = raining
        drain = 0.65 if spells and Fault.FLAT_BATTERY in spells else self._faults.battery_per_day
        self._battery = max(0.0, self._battery - drain * step_s / 86400.0)

    # --- one reading --------------------------------------------------------------------------------------------------

    def _take(self, due: datetime, air: Air) -> list[Sent]:
        spells = self._fate.spells
        if self._battery <= 0.02 or (spells and (Fault.SILENCE in spells or self.dead)):
            return []
        values = self._values(due, air)
        taken = self._by_its_clock(due)
        sent = []
        for topic, write in self._wires:
            at = due + timedelta(milliseconds=150 + int(self._way.expovariate(0.002)))
            message = Sent(at, topic, write(values, taken))
            luck = self._way.random()
            if luck < self._faults.dropout:
                continue
            if luck > 1.0 - self._faults.garbled:
                message = message._replace(payload=self._way.choice(GARBLED))
            sent.append(message)
            if luck < self._faults.dropout + self._faults.duplicate:
                sent.append(message._replace(at=at + timedelta(milliseconds=self._way.randrange(50, 5000))))
        if sent and (not self._old or (due - self._old[0].at) > timedelta(hours=1)):
            self._old = sent[:1]
        if spells and Fault.HELD_BACK in spells:
            self._backlog = [*self._backlog, *sent][-LARGEST_BACKLOG:]
            return []
        return sent

    def _values(self, due: datetime, air: Air) -> dict[Quantity, float]:
        """What it would send now, in the product's own units."""
        spells = self._fate.spells
        values: dict[Quantity, float] = {}
        noise = self._noise.gauss
        assert self._lagged_c is not None  # it has felt the air before
        for quantity in self._quantities:
            if quantity is Quantity.TEMPERATURE:
                exact = self._lagged_c + self._bias_c + noise(0.0, self.make.noise_c)
                values[quantity] = _stepped(exact, self.make.step_c)
            elif quantity is Quantity.HUMIDITY:
                exact = air.relative_humidity + self._bias_humidity + noise(0.0, 0.003)
                if self._wet_until is not None and due < self._wet_until:
                    exact = 1.0
                values[quantity] = _stepped(min(1.0, max(0.0, exact)), 0.001)
            elif quantity is Quantity.PRESSURE:
                values[quantity] = air.pressure_pa + 20.0 * self._bias_c + noise(0.0, 1.5)
            elif quantity is Quantity.WIND_SPEED:
                values[quantity] = max(0.0, air.wind_speed_m_s * (1.0 + noise(0.0, 0.02)))
            elif quantity is Quantity.WIND_GUST:
                values[quantity] = max(air.wind_speed_m_s, air.wind_gust_m_s)
            elif quantity is Quantity.IRRADIANCE:
                values[quantity] = max(0.0, air.irradiance_w_m2 * (1.0 + noise(0.0, 0.02)))
            elif quantity is Quantity.BATTERY:
                values[quantity] = round(self._battery, 2)
            elif quantity is Quantity.VOLTAGE:
                values[quantity] = 3.0 + 1.2 * self._battery
        return self._falsified(values) if spells else values

    def _falsified(self, values: dict[Quantity, float]) -> dict[Quantity, float]:
        """What faults make of the values."""
        spells = self._fate.spells
        if Fault.STUCK in spells:
            if self._stuck is None:
                self._stuck = {q: v for q, v in values.items() if q not in (Quantity.BATTERY, Quantity.VOLTAGE)}
            values |= self._stuck
        if Quantity.TEMPERATURE in values and self.make.power_on_c is not None:
            if Fault.UNPLUGGED in spells:
                values[Quantity.TEMPERATURE] = UNPLUGGED_C
            elif Fault.RESTART in spells:
                values[Quantity.TEMPERATURE] = self.make.power_on_c
        return values

    def _by_its_clock(self, due: datetime) -> datetime:
        spells = self._fate.spells
        since_set_s = (due - self._start).total_seconds() % CLOCK_SET_EVERY_S
        own = due + timedelta(seconds=since_set_s * self._drift) if self._drift else due
        if not spells:
            return own
        if Fault.RESTART in spells:
            return datetime(1970, 1, 1, tzinfo=UTC) + (due - spells[Fault.RESTART].since) + timedelta(seconds=61)
        return own + (self._clock_off if Fault.CLOCK_STEP in spells else timedelta())

    def _release(self, now: datetime) -> list[Sent]:
        """Send at once what was held back."""
        late = [m._replace(at=now + timedelta(seconds=0.5 + 0.02 * i)) for i, m in enumerate(self._backlog)]
        self._backlog = []
        return late


def _piece(chance: random.Random, spread: float) -> float:
    """The error of one piece: pieces beyond twice the spread have not left the factory."""
    return min(2.0 * spread, max(-2.0 * spread, chance.gauss(0.0, spread)))


def _stepped(value: float, step: float) -> float:
    return round(value / step) * step
