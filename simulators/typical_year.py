"""Measured weather: the typical meteorological year that the library pvlib ships, hour by hour, read down to minutes.

File 723170TYA.CSV, a TMY3 station file (Wilcox S, Marion W (2008) Users Manual for TMY3 Data Sets, NREL/TP-581-43156) of
Greensboro, North Carolina: 36.1° N, 79.95° W, 273 m. Its months come from different years (June from 1989, July from
1981, August from 2001, September from 2003): no two of them ever followed each other, and the seams show. Every date is
taken by month and day, so that it serves for any year; 29 February is read as the 28th.

Measured: temperature, dew point, pressure, wind, irradiance, cloud, present weather, each once an hour. Made up between
the hours, from the seed: cloud flicker, turbulence and gusts, and, at some of the hours with thunder, a gust front of
ordinary size (an hourly file can't show one). Pressure is written in whole hPa and is smoothed over three hours.
"""

from __future__ import annotations

import csv
from bisect import bisect_right
from datetime import UTC, datetime, timedelta
from functools import cache
from importlib.util import find_spec
from pathlib import Path
from typing import NamedTuple

from sensord.science import sun
from simulators import storm as storms
from simulators.chance import Drift, share, stream
from simulators.sky import Sky, saturation_hpa
from simulators.storm import Storm

FILE = "723170TYA.CSV"
STANDARD_OFFSET_H = -5
HOUR_S = 3600.0
THUNDER_CODES = frozenset({17, 29, *range(91, 100)})
"""Present weather, WMO code table 4677: thunder heard, thunderstorm ended within the hour, thunderstorm."""
FRONT_SHARE = 0.4
"""Of the spells of thunder, how many bring a gust front over the garden itself: a guess."""
MOST_OF_CLEAR = 1.3
"""Bright clouds around the sun make it brighter than a clear sky, but not by more than this (a round figure)."""
COMMON_YEAR = 2025
"""Any year without a leap day: hours are counted within it."""


class Hour(NamedTuple):
    """One line of the file. Irradiance is the mean of the hour that ends here, the rest is of the instant."""

    temperature_c: float
    dew_point_c: float
    pressure_hpa: float
    wind_speed_m_s: float
    global_w_m2: float
    diffuse_w_m2: float
    cloud: float
    weather: int


@cache
def hours() -> tuple[Hour, ...]:
    """The 8,760 hours of the file; the first ends at 01:00 local standard time of 1 January."""
    found = find_spec("pvlib")  # only its data file is wanted: importing it would take seconds and much memory
    if found is None or found.origin is None:
        raise ImportError("the weather of the typical year comes with the library pvlib: pip install pvlib")
    with (Path(found.origin).parent / "data" / FILE).open(newline="", encoding="ascii") as file:
        next(file)  # the station
        rows = list(csv.DictReader(file))
    if len(rows) != 8760:
        raise ValueError(f"{FILE} has {len(rows)} hours; a typical year has 8760")
    return tuple(_hour(row) for row in rows)


def _hour(row: dict[str, str]) -> Hour:
    return Hour(
        float(row["Dry-bulb (C)"]),
        float(row["Dew-point (C)"]),
        float(row["Pressure (mbar)"]),
        max(0.0, float(row["Wspd (m/s)"])),
        float(row["GHI (W/m^2)"]),
        float(row["DHI (W/m^2)"]),
        float(row["TotCld (tenths)"]) / 10.0,
        int(row["PresWth (METAR code)"]),
    )


def hours_into_year(instant: datetime) -> float:
    """Hours since the beginning of the year in local standard time, the same for every year [h], 0 to below 8760."""
    there = instant.astimezone(UTC) + timedelta(hours=STANDARD_OFFSET_H)
    day = 28 if (there.month, there.day) == (2, 29) else there.day
    same = there.replace(year=COMMON_YEAR, day=day)
    return (same - datetime(COMMON_YEAR, 1, 1, tzinfo=UTC)).total_seconds() / HOUR_S


def rain_mm_h(weather: int) -> float:
    """A rate for a code of present weather (WMO code table 4677); the amounts are guesses."""
    if weather in THUNDER_CODES and weather >= 91:
        return 12.0
    if 80 <= weather <= 90:
        return 10.0 if weather > 80 else 4.0
    if 60 <= weather < 70:
        return 8.0 if weather >= 64 else 2.0
    return 0.4 if 50 <= weather < 60 else 0.0


class TypicalYear:
    """The typical year as weather; the same for the same seed."""

    latitude_deg, longitude_deg, elevation_m = 36.1, -79.95, 273.0

    def __init__(self, seed: int, year: int = 2026) -> None:
        self._hours = hours()
        self._pressure_hpa = _smoothed([h.pressure_hpa for h in self._hours])
        self._clearness = self._clearness_by_hour(year)
        self._gap = Drift(stream(seed, "typical year", "gaps in the clouds"), 600.0)
        self._breeze = Drift(stream(seed, "typical year", "breeze"), 900.0)
        self._turbulence = Drift(stream(seed, "typical year", "turbulence"), 45.0)
        self._gustiness = stream(seed, "typical year", "gusts")
        self._storms = self._drawn_storms(seed, year)
        self._fronts = [s.begins_at for s in self._storms]
        self._last: datetime | None = None

    def _clearness_by_hour(self, year: int) -> list[float]:
        """Measured irradiance of each hour over that of a clear sky; unknown by night, then 0."""
        first = datetime(year, 1, 1, tzinfo=UTC) - timedelta(hours=STANDARD_OFFSET_H)
        clearness = []
        for index, hour in enumerate(self._hours):
            clear = 0.0
            if hour.global_w_m2 > 0.0:
                for minute in (10, 30, 50):
                    clear += self._clear(first + timedelta(hours=index, minutes=minute)) / 3.0
            clearness.append(min(1.25, hour.global_w_m2 / clear) if clear > 5.0 else 0.0)
        return clearness

    def _clear(self, instant: datetime) -> float:
        place = sun.position(self.latitude_deg, self.longitude_deg, instant)
        return sun.clear_sky_irradiance_w_m2(place.elevation_deg)

    def _drawn_storms(self, seed: int, year: int) -> list[Storm]:
        """A gust front at the beginning of some of the spells of thunder."""
        chance = stream(seed, "typical year", "gust fronts")
        drawn: list[Storm] = []
        first = datetime(year, 1, 1, tzinfo=UTC) - timedelta(hours=STANDARD_OFFSET_H)
        quiet_since = -12
        for index, hour in enumerate(self._hours):
            if hour.weather not in THUNDER_CODES:
                continue
            if index - quiet_since > 6:
                front_at = first + timedelta(hours=index, minutes=chance.randrange(5, 55))
                one = storms.drawn(chance, front_at)
                if chance.random() < FRONT_SHARE:
                    drawn.append(one._replace(fall_hpa=one.fall_hpa / 2, drop_c=1.5))  # the file has the rest
            quiet_since = index
        return drawn

    def sky(self, instant: datetime) -> Sky:
        """The weather at an instant not before the last one."""
        if self._last is not None and instant < self._last:
            raise ValueError(f"the weather has passed {self._last.isoformat()} and does not go back")
        step_s = (instant - self._last).total_seconds() if self._last else 0.0
        self._last = instant
        position = hours_into_year(instant)
        index = int(position)  # the hour that is running; the file's line for it is its end
        way = position - index
        before, after = self._hours[index - 1], self._hours[index]
        passing = self._passing(instant)

        temperature = _between(before.temperature_c, after.temperature_c, way)
        temperature += sum(e.temperature_c for e in passing)
        dew_point = min(temperature, _between(before.dew_point_c, after.dew_point_c, way))
        pressure_hpa = _between(self._pressure_hpa[index - 1], self._pressure_hpa[index], way)
        pressure_hpa += sum(e.pressure_hpa for e in passing)
        wind, gust = self._wind(step_s, _between(before.wind_speed_m_s, after.wind_speed_m_s, way), passing)
        place = sun.position(self.latitude_deg, self.longitude_deg, instant)
        beam, diffuse = self._irradiance(step_s, place.elevation_deg, index, way, passing)
        rain = max([rain_mm_h(after.weather), *(e.rain_mm_h for e in passing)])
        return Sky(
            instant,
            temperature,
            saturation_hpa(dew_point),
            100.0 * pressure_hpa,
            wind,
            gust,
            beam,
            diffuse,
            place.elevation_deg,
            place.azimuth_deg,
            max([_between(before.cloud, after.cloud, way), *(e.cloud for e in passing)]),
            rain,
            after.weather in THUNDER_CODES or any(e.thunder for e in passing),
        )

    def _passing(self, instant: datetime) -> list[storms.Effect]:
        last = bisect_right(self._fronts, instant)
        return [storms.effect(s, instant) for s in self._storms[max(0, last - 3) : last] if instant <= s.ends_at]

    def _irradiance(
        self, step_s: float, elevation_deg: float, index: int, way: float, passing: list[storms.Effect]
    ) -> tuple[float, float]:
        """Beam and diffuse: the hour's measured share of a clear sky, in broken cloud as sun and shadow by turns."""
        over = share(self._gap.advance(step_s))
        clear = sun.clear_sky_irradiance_w_m2(elevation_deg)
        if clear <= 0.0:
            return 0.0, 0.0
        hour = self._hours[index]
        whole = clear * self._clearness[index]
        diffuse_share = min(1.0, hour.diffuse_w_m2 / hour.global_w_m2) if hour.global_w_m2 > 0.0 else 1.0
        diffuse, beam = whole * diffuse_share, whole * (1.0 - diffuse_share)
        shown = min(1.0, max(0.05, beam / (0.85 * clear)))  # of the hour, how long the sun's disc was out
        beam = beam / shown * min(1.0, max(0.0, 0.5 + (shown - over) / 0.04))
        darkened = 1.0 - 0.7 * max((e.cloud for e in passing), default=0.0)
        darkened = min(darkened, MOST_OF_CLEAR * clear / max(beam + diffuse, 1e-9))
        return beam * darkened, diffuse * darkened

    def _wind(self, step_s: float, measured: float, passing: list[storms.Effect]) -> tuple[float, float]:
        """The measured mean, with turbulence and gusts around it."""
        swell = 1.0 + 0.08 * self._breeze.advance(step_s) + 0.15 * self._turbulence.advance(step_s)
        without_calms = [one._replace(wind_share=1.0) for one in passing]  # the file has what calm there was
        return storms.gusty(max(0.05, max(measured, 0.3) * swell), without_calms, self._gustiness)


def _between(before: float, after: float, way: float) -> float:
    return before + (after - before) * way


def _smoothed(values: list[float]) -> list[float]:
    """Means over three hours, around the year."""
    return [(values[i - 1] + values[i] + values[(i + 1) % len(values)]) / 3.0 for i in range(len(values))]
