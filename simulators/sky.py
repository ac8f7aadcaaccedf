"""What the weather is at one instant, and what every source of weather promises. All instants are UTC."""

from __future__ import annotations

import math
from datetime import datetime
from typing import NamedTuple, Protocol


class Sky(NamedTuple):
    """The weather over the garden. Wind is that of 10 m over open ground; irradiance is on a level surface."""

    at: datetime
    temperature_c: float  # of shaded, well ventilated air
    vapour_pressure_hpa: float
    pressure_pa: float  # at the station
    wind_speed_m_s: float  # mean of about a minute
    wind_gust_m_s: float  # peak of about a minute
    beam_w_m2: float  # of the sun's beam, on the level
    diffuse_w_m2: float  # of sky and clouds
    sun_elevation_deg: float
    sun_azimuth_deg: float
    cloud: float  # share of the sky, 0–1
    rain_mm_h: float
    thunder: bool  # lightning near enough to be heard

    @property
    def irradiance_w_m2(self) -> float:
        """Global irradiance on the level [W/m²]."""
        return self.beam_w_m2 + self.diffuse_w_m2

    @property
    def relative_humidity(self) -> float:
        """Of the shaded air [0–1]."""
        return min(1.0, self.vapour_pressure_hpa / saturation_hpa(self.temperature_c))


class Weather(Protocol):
    """A source of weather: asked at ascending instants, it may keep what it needs to go on from the last one."""

    def sky(self, instant: datetime) -> Sky:
        """The weather at an instant not before the last one asked for."""


def saturation_hpa(temperature_c: float) -> float:
    """Saturation vapour pressure over water [hPa]; Magnus' formula with the WMO's constants (WMO-No. 8).

    The garden has its own, so that what it holds true does not lean on the code that it tests.
    """
    return 6.112 * math.exp(17.62 * temperature_c / (243.12 + temperature_c))


def shares_of_sun(clear_w_m2: float, cloud: float, openness: float) -> tuple[float, float]:
    """Beam and diffuse irradiance on the level [W/m²] under `cloud`, with the sun's disc `openness` (0–1) uncovered.

    With the sky overcast about a quarter of the clear sky's irradiance is left: Kasten and Czeplak (1980), Solar
    Energy 24: 177–189, from memory. The diffuse share of a clear sky, 15 %, is a round figure.
    """
    diffuse = clear_w_m2 * (0.15 + cloud * (0.42 - 0.32 * cloud))
    return clear_w_m2 * 0.85 * openness, diffuse
