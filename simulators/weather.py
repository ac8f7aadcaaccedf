"""Invented summer weather: hot spells and fronts from day to day, the course of the day, clouds, gusts, thunderstorms.

The days are planned first (a plan can be given, as the demonstration does; the days after it are drawn), then each
instant is read off the plan: temperature runs in half cosines between the minimum at sunrise and the maximum in
mid-afternoon; clouds and wind wander around the day's plan.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta
from typing import NamedTuple

from sensord.model import Site
from sensord.science import sun
from simulators import storm as storms
from simulators.chance import Drift, share, stream
from simulators.sky import Sky, saturation_hpa, shares_of_sun
from simulators.storm import Storm

HOTTEST_AFTER_NOON = timedelta(hours=3)
"""Shaded air is warmest about three hours after the sun is highest."""


class DayPlan(NamedTuple):
    """What a day is to be like, before clouds and chance."""

    minimum_c: float
    maximum_c: float
    dew_point_c: float
    cloud: float  # mean share of the sky, 0–1
    wind_speed_m_s: float  # mean at 10 m
    pressure_hpa: float  # departure from the mean of the place, at noon
    storm_after_noon_h: float | None = None  # when its gust front comes, by the sun
    storm: Storm | None = None  # its measures, where they are not left to chance; its instant is not looked at


class InventedWeather:
    """Weather for one site, the same for the same seed; asked at ascending instants."""

    def __init__(self, seed: int, site: Site, first_day: date, plan: Sequence[DayPlan] = ()) -> None:
        self._seed, self._site, self._first_day = seed, site, first_day
        self._plans = list(plan)
        self._cloud = Drift(stream(seed, "weather", "cloud"), 2400.0)
        self._gap = Drift(stream(seed, "weather", "gaps in the clouds"), 600.0)
        self._breeze = Drift(stream(seed, "weather", "breeze"), 3600.0)
        self._turbulence = Drift(stream(seed, "weather", "turbulence"), 45.0)
        self._gustiness = stream(seed, "weather", "gusts")
        self._warmth = Drift(stream(seed, "weather", "warmth"), 1200.0)
        self._sluggish_cloud = 0.0
        self._last: datetime | None = None
        self._day: date | None = None
        self._anchors: list[tuple[float, float]] = []
        self._storms: list[Storm] = []
        self._mean_pressure_pa = 101325.0 * (1.0 - 2.25577e-5 * site.elevation_m) ** 5.25588  # standard atmosphere

    # --- the plan -----------------------------------------------------------------------------------------------------

    def plan(self, day: date) -> DayPlan:
        """The plan of a day by local mean time; days before the first are like the first."""
        index = max(0, (day - self._first_day).days)
        while len(self._plans) <= index:
            self._plans.append(self._drawn_plan(len(self._plans)))
        return self._plans[index]

    def _drawn_plan(self, index: int) -> DayPlan:
        chance = stream(self._seed, "weather", "day", index)
        day = self._first_day + timedelta(days=index)
        season = math.cos(2 * math.pi * (day.timetuple().tm_yday - 203) / 365.25)  # warmest about 22 July
        usual_c = 17.0 + 7.5 * season + (41.5 - abs(self._site.latitude_deg)) * 0.4
        before = self._plans[-1] if self._plans else DayPlan(usual_c - 6, usual_c + 6, 14.0, 0.4, 2.4, 0.0)
        departure = (before.minimum_c + before.maximum_c) / 2 - usual_c
        front = departure > 1.5 and chance.random() < 0.3
        departure = chance.gauss(-3.0, 1.2) if front else 0.75 * departure + chance.gauss(0.8, 1.4)
        cloud = min(0.95, max(0.05, chance.betavariate(1.6, 2.2) + (0.15 if front else 0.0)))
        swing = 14.0 - 7.0 * cloud
        minimum = usual_c + departure - swing / 2
        hot = usual_c + departure + swing / 2 > 27.0
        stormy = chance.random() < (0.55 if front else 0.16 if hot else 0.03)
        return DayPlan(
            minimum_c=minimum,
            maximum_c=minimum + swing,
            dew_point_c=minimum + chance.uniform(-3.5, 0.5),
            cloud=cloud,
            wind_speed_m_s=max(0.8, chance.lognormvariate(math.log(2.3), 0.35) * (1.6 if front else 1.0)),
            pressure_hpa=0.5 * before.pressure_hpa - 0.7 * departure + chance.gauss(0.0, 2.0),
            storm_after_noon_h=chance.triangular(0.5, 9.0, 4.5) if stormy else None,
        )

    def storms_near(self, day: date) -> list[Storm]:
        """The storms of a day and of the one before."""
        found = []
        for one in (day - timedelta(days=1), day):
            plan = self.plan(one)
            if plan.storm_after_noon_h is not None and one >= self._first_day:
                chance = stream(self._seed, "weather", "storm", one)
                front_at = self._noon(one) + timedelta(hours=plan.storm_after_noon_h + chance.uniform(-0.1, 0.1))
                front_at = front_at.replace(second=0, microsecond=0)
                drawn = storms.drawn(chance, front_at)
                found.append(plan.storm._replace(front_at=front_at) if plan.storm else drawn)
        return found

    def _noon(self, day: date) -> datetime:
        return sun.solar_noon(self._site.longitude_deg, day)

    def _sunrise(self, day: date) -> datetime:
        times = sun.sunrise_sunset(self._site.latitude_deg, self._site.longitude_deg, day)
        return times.sunrise if times else self._noon(day) - timedelta(hours=6)

    def _turn_over(self, day: date) -> None:
        """Look up what the instants of a day need."""
        self._day, self._storms, self._anchors = day, self.storms_near(day), []
        for offset in (-1, 0, 1):
            one = day + timedelta(days=offset)
            plan = self.plan(one)
            self._anchors.append((self._sunrise(one).timestamp(), plan.minimum_c))
            self._anchors.append(((self._noon(one) + HOTTEST_AFTER_NOON).timestamp(), plan.maximum_c))

    # --- an instant ---------------------------------------------------------------------------------------------------

    def sky(self, instant: datetime) -> Sky:
        """The weather at an instant not before the last one."""
        if self._last is not None and instant < self._last:
            raise ValueError(f"the weather has passed {self._last.isoformat()} and does not go back")
        step_s = (instant - self._last).total_seconds() if self._last else 0.0
        self._last = instant
        mean_time = instant.astimezone(UTC) + timedelta(minutes=4 * self._site.longitude_deg)
        if mean_time.date() != self._day:
            self._turn_over(mean_time.date())
        hour = mean_time.hour + mean_time.minute / 60 + mean_time.second / 3600
        today, tomorrow, until_noon = self._around(mean_time.date(), hour)
        position = sun.position(self._site.latitude_deg, self._site.longitude_deg, instant)
        passing = [storms.effect(s, instant) for s in self._storms if s.begins_at <= instant <= s.ends_at]

        cloud = self._cloud_now(step_s, today.cloud + (tomorrow.cloud - today.cloud) * until_noon)
        cloud = max([cloud, *(e.cloud for e in passing)])
        openness = self._openness(step_s, cloud)
        clear = sun.clear_sky_irradiance_w_m2(position.elevation_deg)
        beam, diffuse = shares_of_sun(clear, cloud, openness)

        rain = max((e.rain_mm_h for e in passing), default=0.0)
        temperature = self._temperature_c(instant.timestamp(), step_s, cloud, today.cloud, position.elevation_deg)
        temperature += sum(e.temperature_c for e in passing)
        dew_point = today.dew_point_c + (tomorrow.dew_point_c - today.dew_point_c) * until_noon
        dew_point = min(dew_point + (2.0 if rain > 0.0 else 0.0), temperature - (0.3 if rain > 0.0 else 0.1))
        wind, gust = self._wind(step_s, hour, today.wind_speed_m_s, passing)
        pressure_hpa = today.pressure_hpa + (tomorrow.pressure_hpa - today.pressure_hpa) * until_noon
        pressure_hpa += _tide_hpa(hour) + sum(e.pressure_hpa for e in passing)
        return Sky(
            instant,
            temperature,
            saturation_hpa(dew_point),
            self._mean_pressure_pa + 100.0 * pressure_hpa,
            wind,
            gust,
            beam,
            diffuse,
            position.elevation_deg,
            position.azimuth_deg,
            cloud,
            rain,
            any(e.thunder for e in passing),
        )

    def _around(self, day: date, hour: float) -> tuple[DayPlan, DayPlan, float]:
        """The plans of the noon before and the noon after, and how far the instant is from the one to the other."""
        first = day if hour >= 12.0 else day - timedelta(days=1)
        share_ = ((hour - 12.0) % 24.0) / 24.0
        return self.plan(first), self.plan(first + timedelta(days=1)), share_ * share_ * (3 - 2 * share_)

    def _temperature_c(
        self, now_s: float, step_s: float, cloud: float, usual_cloud: float, elevation_deg: float
    ) -> float:
        """Half cosines between the day's extremes; passing clouds cool by a degree or two, with delay."""
        before, after = self._anchors[0], self._anchors[-1]
        for anchor in self._anchors:
            if anchor[0] > now_s:
                after = anchor
                break
            before = anchor
        way = (now_s - before[0]) / (after[0] - before[0]) if after[0] > before[0] else 0.0
        temperature = before[1] + (after[1] - before[1]) * 0.5 * (1.0 - math.cos(math.pi * min(1.0, max(0.0, way))))
        shade = (cloud - usual_cloud) * max(0.0, math.sin(math.radians(elevation_deg)))
        self._sluggish_cloud += (shade - self._sluggish_cloud) * (1.0 - math.exp(-step_s / 1800.0))
        return temperature - 2.5 * self._sluggish_cloud + 0.15 * self._warmth.advance(step_s)

    def _cloud_now(self, step_s: float, planned: float) -> float:
        """The cloud of the moment: wanders about the plan, and stays within 0–1."""
        odds = math.log(planned / (1.0 - planned))
        return 1.0 / (1.0 + math.exp(-odds - 0.9 * self._cloud.advance(step_s)))

    def _openness(self, step_s: float, cloud: float) -> float:
        """How much of the sun's disc shows between the clouds: mostly all or nothing."""
        over = share(self._gap.advance(step_s)) - cloud
        return min(1.0, max(0.0, 0.5 + over / 0.16))

    def _wind(
        self, step_s: float, hour: float, planned: float, passing: Sequence[storms.Effect]
    ) -> tuple[float, float]:
        """Mean and gust: stronger by day than by night, wandering, turbulent; a gust front on top."""
        by_day = 0.55 + 0.9 * max(0.0, math.sin(math.pi * (hour - 7.0) / 14.0)) if 7.0 < hour < 21.0 else 0.55
        mean = planned * by_day * math.exp(0.3 * self._breeze.advance(step_s) - 0.05)
        turbulent = mean * (1.0 + 0.15 * self._turbulence.advance(step_s))
        return storms.gusty(max(0.05, turbulent), passing, self._gustiness)


def _tide_hpa(hour: float) -> float:
    """The pressure's two natural rises and falls a day, highest about 10 and 22 by the sun."""
    return 0.7 * math.cos(2 * math.pi * (hour - 10.0) / 12.0) + 0.4 * math.cos(2 * math.pi * (hour - 6.5) / 24.0)
