"""Who reads a message, where and when: instants as that person tells them, masses in their bricks. Pure."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from sensord.language.measure import Measure
from sensord.language.template import TEXT_LIMIT, Filled, Template, cut, fill
from sensord.model import Number


@dataclass(frozen=True, slots=True)
class Reader(Measure):
    """Who reads, where and when: what decides how an instant is told."""

    now: datetime  # the moment of reading: "tomorrow" is counted from here
    brick_kg: float

    def figure(self, name: str, numbers: Mapping[str, Number]) -> str | None:
        """As for every reader; and instants, and masses in bricks."""
        value = numbers.get(name)
        if value is None and name.endswith("_bricks"):
            return self._bricks(numbers.get(name.removesuffix("_bricks") + "_kg"))
        if name.endswith("_at") and value is not None and not isinstance(value, bool):
            return self._instant(value)
        return Measure.figure(self, name, numbers)

    def fill(self, text: Template, numbers: Mapping[str, Number], limit: int = TEXT_LIMIT) -> Filled:
        """The template with its numbers written, cut to `limit` characters."""
        filled = fill(text, lambda name: self.figure(name, numbers))
        return Filled(cut(filled.text, limit), filled.missing)

    def at(self, instant: datetime, seconds: bool = False) -> str:
        """13:05 or 1:05 pm, with the day where it is not today's."""
        local, today = instant.astimezone(self.zone), self.now.astimezone(self.zone).date()
        time = self.clock(instant, seconds)
        match (local.date() - today).days:
            case 0:
                return time
            case 1:
                return self.phrase("tomorrow", time=time)
            case -1:
                return self.phrase("yesterday", time=time)
            case days if -7 < days < 7:
                return self.phrase("weekday", time=time, day=self.weekday(instant))
        return self.phrase("weekday", time=time, day=local.date().isoformat())

    def _bricks(self, mass_kg: Number | None) -> str | None:
        """How many bricks make up a mass; never too few."""
        if isinstance(mass_kg, bool) or not isinstance(mass_kg, int | float) or not math.isfinite(mass_kg):
            return None
        count = max(0, math.ceil(mass_kg / self.brick_kg - 1e-9))
        return self.phrase("brick" if count == 1 else "bricks", count=count)

    def _instant(self, value: Number) -> str | None:
        try:
            instant = datetime.fromisoformat(str(value))
            return self.at(instant) if instant.tzinfo else None
        except (ValueError, OverflowError):
            return None
