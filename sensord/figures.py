"""Numbers as a person reads them: the name's ending says the unit, the keeper's settings say which one to write. Pure.

Conversions by definition: °F = °C × 9/5 + 32; 1 mi = 1609.344 m; 1 lb = 0.45359237 kg (international yard and pound
agreement, 1959); conventional inch of mercury 3386.389 Pa (NIST SP 811, 2008, appendix B.8).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo

from sensord.model import Number

Words = Mapping[str, str | tuple[str, ...]]


@dataclass(frozen=True, slots=True)
class Reader:
    """Who reads, where and when: what decides how a number is written."""

    units: str  # "metric" or "us"
    zone: tzinfo
    now: datetime  # the moment of reading: "tomorrow" is counted from here
    brick_kg: float
    words: Words

    @property
    def us(self) -> bool:
        """Whether the keeper reads °F, mph, inHg, lb and am/pm."""
        return self.units == "us"

    def phrase(self, name: str, **parts: object) -> str:
        """One of the small words, filled in."""
        return str(self.words[name]).format(**parts)


def figure(name: str, numbers: Mapping[str, Number], reader: Reader) -> str | None:
    """How the number `name` is written; None where there is none (absent, None, False, not finite); "" for True."""
    value = numbers.get(name)
    if value is None and name.endswith("_bricks"):
        return _bricks(numbers.get(name.removesuffix("_bricks") + "_kg"), reader)
    if value is None or isinstance(value, bool):
        return "" if value else None
    if name.endswith("_at"):
        return _instant(value, reader)
    if isinstance(value, str):
        return value
    if not math.isfinite(value):
        return None
    for ending, write in WRITERS.items():
        if name.endswith(ending):
            return write(float(value), reader)
    return str(value) if isinstance(value, int) else f"{value:.3g}"


def listed(names: Sequence[str], reader: Reader) -> str:
    """Alder; Alder and Birch; Alder, Birch and Cedar."""
    if len(names) < 2:
        return "".join(names)
    return reader.phrase("and", first=str(reader.words["comma"]).join(names[:-1]), last=names[-1])


def counted(count: int, reader: Reader) -> str:
    """A small number as a word."""
    words = reader.words["numbers"]
    return words[count] if 0 <= count < len(words) else str(count)


def clock_time(instant: datetime, reader: Reader) -> str:
    """13:05 or 1:05 pm, with the day where it is not today's."""
    local, today = instant.astimezone(reader.zone), reader.now.astimezone(reader.zone).date()
    time = f"{local.hour % 12 or 12}:{local:%M} {'am' if local.hour < 12 else 'pm'}" if reader.us else f"{local:%H:%M}"
    match (local.date() - today).days:
        case 0:
            return time
        case 1:
            return reader.phrase("tomorrow", time=time)
        case -1:
            return reader.phrase("yesterday", time=time)
        case days if -7 < days < 7:
            return reader.phrase("weekday", time=time, day=reader.words["weekdays"][local.weekday()])
    return reader.phrase("weekday", time=time, day=local.date().isoformat())


def _fixed(value: float, digits: int) -> str:
    """Rounded, without a minus zero."""
    return f"{round(value, digits) + 0.0:.{digits}f}"


def _short(value: float) -> str:
    """One decimal, left out where it is zero."""
    return _fixed(value, 1).removesuffix(".0")


def _temperature(value: float, reader: Reader) -> str:
    return f"{_fixed(value * 9 / 5 + 32, 0)} °F" if reader.us else f"{_fixed(value, 0)} °C"


def _difference(value: float, reader: Reader) -> str:
    return f"{_fixed(value * 9 / 5, 1)} °F" if reader.us else f"{_fixed(value, 1)} °C"


def _wind(value: float, reader: Reader) -> str:
    return f"{_fixed(value * 3600 / 1609.344, 0)} mph" if reader.us else f"{_fixed(value * 3.6, 0)} km/h"


def _pressure(value: float, reader: Reader) -> str:
    return f"{_fixed(value / 3386.389, 2)} inHg" if reader.us else f"{_fixed(value / 100, 1)} hPa"


def _mass(value: float, reader: Reader) -> str:
    if not reader.us:
        return f"{_short(value)} kg"
    pounds = value / 0.45359237
    return f"{_short(pounds) if abs(pounds) < 9.95 else _fixed(pounds, 0)} lb"


def _direction(value: float, reader: Reader) -> str:
    points = reader.words["directions"]
    return points[math.floor(value % 360 / 45 + 0.5) % 8]


def _bricks(mass_kg: Number, reader: Reader) -> str | None:
    """How many bricks make up a mass; never too few."""
    if isinstance(mass_kg, bool) or not isinstance(mass_kg, int | float) or not math.isfinite(mass_kg):
        return None
    count = max(0, math.ceil(mass_kg / reader.brick_kg - 1e-9))
    return reader.phrase("brick" if count == 1 else "bricks", count=count)


def _instant(value: Number, reader: Reader) -> str | None:
    try:
        instant = datetime.fromisoformat(str(value))
        return clock_time(instant, reader) if instant.tzinfo else None
    except (ValueError, OverflowError):
        return None


WRITERS: Mapping[str, Callable[[float, Reader], str]] = {
    "_elevation_deg": lambda value, _: f"{_fixed(value, 0)}°",
    "_percent": lambda value, _: f"{_fixed(value, 0)} %",
    "_ratio": lambda value, _: f"{_fixed(100 * value, 0)} %",
    "_deg": _direction,
    "_m_s": _wind,
    "_min": lambda value, _: f"{_fixed(value, 0)} min",
    "_pa": _pressure,
    "_kg": _mass,
    "_c": _temperature,
    "_k": _difference,
    "_h": lambda value, _: f"{_short(value)} h",
}
"""Ending of a number's name → how it is written; the first that fits counts."""
