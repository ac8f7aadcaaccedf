"""Numbers, units and times as a person reads them: the one place that writes them, by language and the reader's units. Pure.

Conversions by definition: °F = °C × 9/5 + 32; 1 mi = 1609.344 m; 1 lb = 0.45359237 kg (international yard and pound
agreement, 1959); conventional inch of mercury 3386.389 Pa (NIST SP 811, 2008, appendix B.8).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, tzinfo

from sensord.language.catalogue import Catalogue
from sensord.language.template import fill, parsed
from sensord.model import Number

POUND_KG = 0.45359237
MILE_M = 1609.344
INCH_OF_MERCURY_PA = 3386.389


@dataclass(frozen=True, slots=True)
class Measure:
    """How one reader wants numbers written, and in which language."""

    catalogue: Catalogue
    units: str  # "metric" or "us"
    zone: tzinfo

    @property
    def us(self) -> bool:
        """Whether the reader wants °F, mph, inHg, lb and am/pm."""
        return self.units == "us"

    # --- words

    def say(self, key: str, /, **parts: Number | None) -> str:
        """The sentence of that key, with its numbers written; `count` chooses between one and many."""
        count = parts.get("count")
        text = self.catalogue.sentence(key, count if isinstance(count, int) else None)
        numbers: Mapping[str, Number] = {name: value for name, value in parts.items() if value is not None}
        return fill(parsed(text), lambda name: self.figure(name, numbers)).text

    def phrase(self, name: str, **parts: object) -> str:
        """One of the small words, filled in."""
        return str(self.catalogue.words[name]).format(**parts)

    def joined(self, name: str, texts: Sequence[str]) -> str:
        """Texts in a row, with one of the small words between them."""
        return str(self.catalogue.words[name]).join(texts)

    def listed(self, names: Sequence[str]) -> str:
        """Alder; Alder and Birch; Alder, Birch and Cedar."""
        if len(names) < 2:
            return "".join(names)
        return self.phrase("and", first=self.joined("comma", names[:-1]), last=names[-1])

    def counted(self, count: int) -> str:
        """A small number as a word."""
        words = self.catalogue.words["numbers"]
        return words[count] if 0 <= count < len(words) else str(count)

    def times(self, count: int) -> str:
        """once, twice, 3 times"""
        return self.say("numbers.twice") if count == 2 else self.say("numbers.times", count=count)

    # --- numbers

    def number(self, value: float, digits: int) -> str:
        """Rounded, without a minus zero."""
        return self._marked(f"{round(value, digits) + 0.0:.{digits}f}")

    def signed(self, value: float) -> str:
        """One decimal, with its sign."""
        return self._marked(f"{value:+.1f}")

    def short(self, value: float) -> str:
        """One decimal, left out where it is zero."""
        return self.number(value, 0 if self.number(value, 1)[-1] == "0" else 1)

    def plain(self, value: float) -> str:
        """With as many decimals as it has: 33, 33.25"""
        return self._marked(f"{value:g}")

    def _marked(self, text: str) -> str:
        return text.replace(".", self.catalogue.sentence("numbers.decimal"))

    def amount(self, number: str, unit: str) -> str:
        """A number and its unit."""
        return self.catalogue.say("numbers.amount", number=number, unit=self.unit(unit))

    def unit(self, name: str) -> str:
        """How a unit is written."""
        return self.catalogue.sentence(f"numbers.unit.{name}")

    def percent(self, share: float) -> str:
        """A share of 0–1: 45 %"""
        return self.catalogue.say("numbers.percent", number=self.number(100 * share, 0))

    def degrees(self, number: str) -> str:
        """57°: of the sun, of the Earth"""
        return self.catalogue.say("numbers.degrees", number=number)

    @property
    def degree(self) -> str:
        """The unit of temperatures."""
        return self.unit(self._degree)

    @property
    def _degree(self) -> str:
        return "fahrenheit" if self.us else "celsius"

    def value(self, celsius: float) -> float:
        """A temperature in the reader's unit."""
        return celsius * 9 / 5 + 32 if self.us else celsius

    def span(self, kelvin: float) -> float:
        """A difference, degree-hours or degree-days in the reader's unit."""
        return kelvin * 9 / 5 if self.us else kelvin

    def temperature(self, celsius: float, digits: int = 1) -> str:
        """33.4 °C"""
        return self.amount(self.number(self.value(celsius), digits), self._degree)

    def shown(self, value: float) -> str:
        """A temperature that is in the reader's unit already."""
        return self.amount(self.number(value, 1), self._degree)

    def difference(self, kelvin: float, digits: int = 1) -> str:
        """0.8 °C"""
        return self.amount(self.number(self.span(kelvin), digits), self._degree)

    def level(self, celsius: float) -> str:
        """33 °C: a tier, in °F to the degree."""
        value = self.value(celsius)
        return self.amount(self.number(value, 0) if self.us else self.plain(value), self._degree)

    def wind_value(self, speed_m_s: float) -> float:
        """A wind in the reader's unit."""
        return speed_m_s * 3600 / MILE_M if self.us else speed_m_s * 3.6

    def wind(self, speed_m_s: float) -> str:
        """23 km/h"""
        return self.amount(self.number(self.wind_value(speed_m_s), 0), self._speed)

    def metres_a_second(self, speed: float) -> str:
        """6.4 m/s: as forecasts give it"""
        return self.amount(self.number(speed, 1), "m_s")

    @property
    def wind_unit(self) -> str:
        """The unit of winds."""
        return self.unit(self._speed)

    @property
    def _speed(self) -> str:
        return "mph" if self.us else "km_h"

    def mass_value(self, kilograms: float) -> float:
        """A mass in the reader's unit."""
        return kilograms / POUND_KG if self.us else kilograms

    def mass(self, kilograms: float) -> str:
        """4 kg, 4.5 lb"""
        return self.amount(self.short(self.mass_value(kilograms)), self._mass)

    @property
    def mass_unit(self) -> str:
        """The unit of masses."""
        return self.unit(self._mass)

    @property
    def _mass(self) -> str:
        return "lb" if self.us else "kg"

    def load(self, kilograms: float) -> str:
        """4 kg, 4.5 lb, 33 lb: as one carries it, from 10 lb on to the pound."""
        pounds = self.mass_value(kilograms)
        return self.amount(self.number(pounds, 0), "lb") if self.us and abs(pounds) >= 9.95 else self.mass(kilograms)

    def pressure(self, pascal: float) -> str:
        """986.3 hPa, 29.12 inHg"""
        if self.us:
            return self.amount(self.number(pascal / INCH_OF_MERCURY_PA, 2), "inhg")
        return self.amount(self.number(pascal / 100, 1), "hpa")

    def direction(self, azimuth_deg: float) -> str:
        """south-west"""
        return self.catalogue.words["directions"][math.floor(azimuth_deg % 360 / 45 + 0.5) % 8]

    def figure(self, name: str, numbers: Mapping[str, Number]) -> str | None:
        """How the number `name` is written; None where there is none (absent, None, False, not finite); "" for True."""
        value = numbers.get(name)
        if value is None or isinstance(value, bool):
            return "" if value else None
        if isinstance(value, str):
            return value
        if not math.isfinite(value):
            return None
        for ending, write in WRITERS.items():
            if name.endswith(ending):
                return write(self, float(value))
        return str(value) if isinstance(value, int) else self._marked(f"{value:.3g}")

    # --- times

    def hours(self, value: float) -> str:
        """40 minutes, an hour, 6.4 hours."""
        if value < 0.95:
            return self.say("numbers.minutes", count=max(1, round(value * 60)))
        text = self.short(value) if value < 20 else self.number(value, 0)
        return self.say("numbers.hours", count=1 if value < 1.05 else max(2, math.ceil(value)), hours=text)

    def spell(self, hours: float) -> str:
        """50 min, 2 h, 2 h 05 min"""
        whole, minutes = divmod(round(hours * 60), 60)
        if not whole:
            return self.amount(str(minutes), "min")
        return self.amount(str(whole), "h") + (f" {self.amount(f'{minutes:02d}', 'min')}" if minutes else "")

    def clock(self, at: datetime, seconds: bool = False) -> str:
        """15:40 or 3:40 pm; with seconds 15:40:07 (not in the twelve hours)."""
        local = at.astimezone(self.zone)
        if self.us:
            half = self.unit("am" if local.hour < 12 else "pm")
            return self.catalogue.say("numbers.clock_12", hour=local.hour % 12 or 12, minute=f"{local:%M}", half=half)
        minute = f"{local:%M:%S}" if seconds else f"{local:%M}"
        return self.catalogue.say("numbers.clock_24", hour=f"{local:%H}", minute=minute)

    def hour(self, hour: int) -> str:
        """15:00 or 3 pm: an hour of the day"""
        if self.us:
            return self.amount(str(hour % 12 or 12), "am" if hour < 12 else "pm")
        return self.catalogue.say("numbers.clock_24", hour=f"{hour:02d}", minute="00")

    def day(self, day: date) -> str:
        """20 Aug or Aug 20"""
        month = self.catalogue.listed("numbers.months")[day.month - 1]
        return self.catalogue.say("numbers.day_us" if self.us else "numbers.day", day=day.day, month=month)

    def weekday(self, at: datetime) -> str:
        """Thursday"""
        return self.catalogue.words["weekdays"][at.astimezone(self.zone).weekday()]

    def short_weekday(self, at: datetime) -> str:
        """Thu"""
        return self.catalogue.listed("numbers.weekdays")[at.astimezone(self.zone).weekday()]

    def weekday_and_day(self, at: datetime) -> str:
        """Thu 20 Aug"""
        day = self.day(at.astimezone(self.zone).date())
        return self.catalogue.say("numbers.weekday_day", weekday=self.short_weekday(at), day=day)

    def weekday_and_hour(self, at: datetime) -> str:
        """Thu 15:00 or Thu 3 pm: the hour that it lies in"""
        local, weekday = at.astimezone(self.zone), self.short_weekday(at)
        if self.us:
            half, hour = self.unit("am" if local.hour < 12 else "pm"), local.hour % 12 or 12
            return self.catalogue.say("numbers.hour_12", weekday=weekday, hour=hour, half=half)
        return self.catalogue.say("numbers.hour_24", weekday=weekday, hour=f"{local:%H}")

    def weekday_and_time(self, at: datetime) -> str:
        """Thu 15:40"""
        return self.catalogue.say("numbers.weekday_time", weekday=self.short_weekday(at), time=self.clock(at))

    def moment(self, at: datetime) -> str:
        """Thu 20 Aug 15:40"""
        day = self.day(at.astimezone(self.zone).date())
        return self.catalogue.say("numbers.moment", weekday=self.short_weekday(at), day=day, time=self.clock(at))


WRITERS: Mapping[str, Callable[[Measure, float], str]] = {
    "_elevation_deg": lambda by, value: by.degrees(by.number(value, 0)),
    "_percent": lambda by, value: by.percent(value / 100),
    "_ratio": lambda by, value: by.percent(value),
    "_deg": Measure.direction,
    "_m_s": Measure.wind,
    "_min": lambda by, value: by.amount(by.number(value, 0), "min"),
    "_pa": Measure.pressure,
    "_kg": Measure.load,
    "_c": lambda by, value: by.temperature(value, 0),
    "_k": Measure.difference,
    "_h": lambda by, value: by.amount(by.short(value), "h"),
}
"""Ending of a number's name → how it is written; the first that fits counts."""
