"""Named faults of probes, with their probabilities, and when each begins. One seed, one stream for each probe and fault."""

from __future__ import annotations

import random
from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from typing import NamedTuple

from simulators.chance import stream


class Fault(StrEnum):
    """What can befall a probe for a while; the value is its name in the garden's log."""

    RESTART = "restart"  # power-on values, and a clock that counts from 1970 until it is set
    UNPLUGGED = "unplugged"  # a one-wire probe without contact: −127
    SILENCE = "silence"
    STUCK = "stuck"  # goes on sending the same value
    HELD_BACK = "held back"  # readings are kept and sent later in one go
    OLD_COPY = "old copy"  # an old message once more, as a broker hands out a retained one
    CLOCK_STEP = "clock step"
    SUNLIT = "sunlit"  # its shield fell off
    FLAT_BATTERY = "flat battery"  # drains within a day and a half, then silence
    FAILURE = "failure"  # for good


@dataclass(frozen=True, slots=True)
class Faults:
    """How often what happens; 0 is never. Rates are per probe and day, where nothing else is said."""

    restart: float = 0.0
    unplugged: float = 0.0
    silence: float = 0.0
    stuck: float = 0.0
    held_back: float = 0.0
    old_copy: float = 0.0
    clock_step: float = 0.0
    sunlit: float = 0.0
    flat_battery: float = 0.0
    failure: float = 0.0
    dropout: float = 0.0  # per message: never arrives
    duplicate: float = 0.0  # per message: arrives twice
    garbled: float = 0.0  # per message: arrives unreadable
    wet: float = 0.0  # per spell of rain that reaches the probe: humidity sticks at 100 % until it has dried
    clock_drift_s_per_day: float = 0.0  # standard deviation among probes
    battery_per_day: float = 0.004  # share of a full one that an ordinary day takes

    def rate(self, fault: Fault) -> float:
        """Of one that begins by chance [1/day]."""
        return float(getattr(self, fault.name.lower()))


NONE = Faults()
"""Sound probes: noise, lag and resolution only."""

USUAL = Faults(
    restart=0.03,
    unplugged=0.02,
    silence=0.015,
    stuck=0.004,
    held_back=0.03,
    old_copy=0.02,
    clock_step=0.004,
    sunlit=0.004,
    flat_battery=0.002,
    dropout=0.001,
    duplicate=0.001,
    garbled=0.0001,
    wet=0.2,
    clock_drift_s_per_day=1.0,
)
"""What a season in a garden brings: something small every few days, something serious now and then."""

ROUGH = Faults(
    restart=1.0,
    unplugged=0.7,
    silence=0.5,
    stuck=0.3,
    held_back=1.0,
    old_copy=1.0,
    clock_step=0.3,
    sunlit=0.2,
    flat_battery=0.05,
    failure=0.01,
    dropout=0.02,
    duplicate=0.02,
    garbled=0.01,
    wet=0.6,
    clock_drift_s_per_day=10.0,
)
"""Everything, often: for tests of what must survive it."""

LASTS_MINUTES = {
    Fault.RESTART: (1.0, 3.0),
    Fault.UNPLUGGED: (1.0, 20.0),
    Fault.SILENCE: (20.0, 180.0),
    Fault.STUCK: (90.0, 480.0),
    Fault.HELD_BACK: (10.0, 90.0),
    Fault.OLD_COPY: (0.0, 0.0),
    Fault.CLOCK_STEP: (60.0, 600.0),
    Fault.SUNLIT: (600.0, 2880.0),
    Fault.FLAT_BATTERY: (2160.0, 2160.0),
}
"""From the shortest to the longest; what is not here never ends."""


class Mishap(NamedTuple):
    """A fault that is planned: from when, and for how long (None: as long as such a fault lasts by chance)."""

    probe: str
    fault: Fault
    at: datetime
    lasts: timedelta | None = None


class Spell(NamedTuple):
    """A fault while it lasts."""

    fault: Fault
    since: datetime
    until: datetime | None


class Fate:
    """Which faults befall one probe, and when: drawn as waiting times, so that the step does not matter."""

    def __init__(
        self,
        seed: int,
        probe: str,
        faults: Faults,
        start: datetime,
        mishaps: list[Mishap],
        spared: Collection[Fault] = (),  # what can't befall such a probe by chance
    ) -> None:
        self._chance: dict[Fault, random.Random] = {}
        self._next: dict[Fault, datetime] = {}
        self._faults = faults
        for fault in Fault:
            if faults.rate(fault) > 0.0 and fault not in spared:
                self._chance[fault] = stream(seed, "probe", probe, "fault", fault)
                self._next[fault] = self._wait(fault, start)
        self._mishaps = sorted((m for m in mishaps if m.probe == probe), key=lambda m: m.at)
        self._lengths = stream(seed, "probe", probe, "how long")
        self._soonest = self._next_at()
        self.spells: dict[Fault, Spell] = {}

    def _wait(self, fault: Fault, since: datetime) -> datetime:
        return since + timedelta(days=self._chance[fault].expovariate(self._faults.rate(fault)))

    def _next_at(self) -> datetime | None:
        """When something begins or ends next."""
        instants = [*self._next.values(), *(m.at for m in self._mishaps[:1])]
        instants += [s.until for s in getattr(self, "spells", {}).values() if s.until]
        return min(instants, default=None)

    def turn(self, now: datetime) -> list[Spell]:
        """Let what is due begin and end; returns what began. A fault that lasts already does not begin again."""
        if self._soonest is None or now < self._soonest or Fault.FAILURE in self.spells:
            return []
        self.spells = {f: s for f, s in self.spells.items() if s.until is None or s.until > now}
        began = []
        for fault in [f for f, at in self._next.items() if at <= now]:
            chance = self._chance[fault]
            began.append(self._begin(fault, now, None, chance))
            self._next[fault] = self._wait(fault, now)
        while self._mishaps and self._mishaps[0].at <= now:
            mishap = self._mishaps.pop(0)
            began.append(self._begin(mishap.fault, now, mishap.lasts, self._lengths))
        self._soonest = self._next_at()
        return began

    def _begin(self, fault: Fault, now: datetime, lasts: timedelta | None, chance: random.Random) -> Spell:
        if lasts is None and fault in LASTS_MINUTES:
            lasts = timedelta(minutes=chance.uniform(*LASTS_MINUTES[fault]))
        spell = Spell(fault, now, now + lasts if lasts is not None else None)
        if fault not in self.spells and spell.until != now:
            self.spells[fault] = spell
        return spell
