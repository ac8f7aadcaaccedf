"""Enclosures with a heat balance, in sun and wind; and what a gust does to one that is not anchored.

Inside air is warmed by absorbed sun and cooled by ventilation and through the walls; its temperature follows the
balance with a time constant. The coefficients are chosen, not measured: they put an open mesh cage 0.3–0.8 °C above
ambient where it is well ventilated, up to about 3 °C in calm and strong sun, and a closed clear box in direct sun
2.8–5 °C above (common practice, no source). Nobody has published figures for small mesh cages in the sun.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from sensord.model import Enclosure, Kind
from sensord.science import wind_load
from simulators.sky import Sky, saturation_hpa

AIR_HEAT_J_M3_K = 1200.0
SHADE_LETS_THROUGH = 0.3
COVER_LETS_AIR_THROUGH = 0.35
COVER_LETS_SUN_THROUGH = 0.8
OPENED_W_K = 9.0
"""More exchange once the keeper has lifted a lid or folded netting back."""
STIRRED_M_S = 0.16
"""What warm air stirs by itself in calm."""
SHARE_OF_WIND_AT_CAGE_HEIGHT = 0.5
"""Of the mean wind at 10 m, over short grass among beds: about what the logarithmic profile gives for 0.7 m."""
GUST_HEIGHT_FACTOR = 0.605
"""Pressure of a gust near the ground over that at 10 m, open grass: EN 1991-1-4, terrain category II."""


class Exposure(NamedTuple):
    """Between which azimuths the sun reaches an enclosure; the rest of its way is behind a wall or a tree."""

    from_deg: float
    to_deg: float

    def open_to(self, azimuth_deg: float, edge_deg: float = 8.0) -> float:
        """The share of the sun's disc that gets through [0–1]."""
        inside = min(azimuth_deg - self.from_deg, self.to_deg - azimuth_deg)
        return min(1.0, max(0.0, 0.5 + inside / edge_deg))


ALL_DAY = Exposure(0.0, 360.0)
MORNING = Exposure(55.0, 175.0)
AFTERNOON = Exposure(170.0, 305.0)


class Fabric(NamedTuple):
    """How a kind of enclosure trades heat with sun and wind."""

    absorbs: float  # share of the sun on it that warms the air inside
    lets_air_through: float  # flow through the windward face over the wind, at an open fraction of 0.5
    conducts_w_m2_k: float  # through its sides and top, in still air
    holds_j_k: float  # heat of what stands inside
    vapour_hpa: float  # what plants and droppings add by day
    lets_light_through: float  # onto what stands inside


FABRICS = {
    Kind.OPEN_MESH: Fabric(0.21, 0.22, 6.0, 5000.0, 0.4, 0.6),
    Kind.FINE_MESH: Fabric(0.26, 0.08, 5.5, 5000.0, 0.7, 0.5),
    Kind.CLEAR_BOX: Fabric(0.107, 0.0, 4.6, 3000.0, 4.0, 0.8),
    Kind.PORCH: Fabric(0.05, 0.25, 6.0, 20000.0, 0.2, 0.4),
}


class Inside(NamedTuple):
    """The air where the animals are."""

    temperature_c: float
    vapour_pressure_hpa: float
    sunlight_w_m2: float  # on a thing that stands inside
    airflow_m_s: float
    rain_mm_h: float


class Cage:
    """One enclosure as it stands in the garden; the keeper changes it, sun and wind act on it."""

    def __init__(self, enclosure: Enclosure, exposure: Exposure) -> None:
        self.enclosure, self.exposure = enclosure, exposure
        self.fabric = FABRICS[enclosure.kind]
        self.shaded, self.covered = enclosure.shaded, enclosure.covered
        self.ballast_kg, self.pegged = enclosure.ballast_kg, enclosure.pegged
        self.opened = self.sheltered = self.fallen = False
        self.temperature_c: float | None = None
        self._frame = wind_load.Frame(enclosure.width_m, enclosure.depth_m, enclosure.height_m, enclosure.own_mass_kg)
        self._held: dict[tuple[float, bool, bool], wind_load.GustHeld] = {}

    # --- heat ---------------------------------------------------------------------------------------------------------

    def absorbed_w(self, sky: Sky) -> tuple[float, float]:
        """Sun that warms the air inside [W], and sunlight on a thing inside [W/m²]."""
        if sky.sun_elevation_deg <= 0.0 or self.sheltered:
            return 0.0, 0.0
        e = self.enclosure
        height = math.sin(math.radians(sky.sun_elevation_deg))
        open_to = self.exposure.open_to(sky.sun_azimuth_deg)
        through = (SHADE_LETS_THROUGH if self.shaded else 1.0) * (COVER_LETS_SUN_THROUGH if self.covered else 1.0)
        across = min(sky.beam_w_m2 / max(height, 0.05), 1000.0)  # on a surface that faces the sun
        seen_m2 = e.width_m * e.height_m * math.sqrt(1.0 - height**2) + e.width_m * e.depth_m * height
        sky_m2 = e.width_m * e.depth_m + e.width_m * e.height_m
        watts = (open_to * across * seen_m2 + 0.6 * sky.diffuse_w_m2 * sky_m2) * through * self.fabric.absorbs
        light = (open_to * sky.beam_w_m2 + 0.6 * sky.diffuse_w_m2) * through * self.fabric.lets_light_through
        return watts, light

    def airflow_m_s(self, sky: Sky) -> float:
        """Wind at the enclosure's height [m/s]; at least what warm air stirs by itself."""
        if self.sheltered:
            return 0.1
        return math.hypot(SHARE_OF_WIND_AT_CAGE_HEIGHT * sky.wind_speed_m_s, STIRRED_M_S)

    def exchange_w_k(self, airflow_m_s: float) -> float:
        """Heat lost for each degree above ambient [W/K]: with the air through the mesh, and through the walls."""
        e = self.enclosure
        flow = self.fabric.lets_air_through * e.open_fraction / 0.5 * (COVER_LETS_AIR_THROUGH if self.covered else 1.0)
        through_mesh = AIR_HEAT_J_M3_K * flow * e.width_m * e.height_m * airflow_m_s
        wall_m2 = 2 * (e.width_m + e.depth_m) * e.height_m + e.width_m * e.depth_m
        through_walls = self.fabric.conducts_w_m2_k * wall_m2 * (1.0 + 0.12 * min(airflow_m_s, 4.0))
        return through_mesh + through_walls + (OPENED_W_K * (0.5 + airflow_m_s) if self.opened else 0.0)

    def warm(self, sky: Sky, step_s: float) -> Inside:
        """Let `step_s` of sun and wind act on the air inside."""
        airflow = self.airflow_m_s(sky)
        absorbed, light = self.absorbed_w(sky)
        exchange = self.exchange_w_k(airflow)
        e = self.enclosure
        to_the_sky = 0.0 if self.sheltered or self.covered else 9.0 * (1.0 - sky.cloud) * e.width_m * e.depth_m
        balanced = sky.temperature_c + (absorbed - to_the_sky) / exchange
        if self.temperature_c is None:
            self.temperature_c = balanced
        keep = math.exp(-step_s * exchange / self.fabric.holds_j_k)
        self.temperature_c = balanced + (self.temperature_c - balanced) * keep
        vapour = sky.vapour_pressure_hpa + self.fabric.vapour_hpa * (0.3 if self.opened else 1.0) * min(
            1.0, light / 200
        )
        open_above = e.kind in (Kind.OPEN_MESH, Kind.FINE_MESH) and not (self.covered or self.sheltered)
        return Inside(
            self.temperature_c,
            min(vapour, saturation_hpa(self.temperature_c)),
            light,
            airflow * (0.35 if self.fabric.lets_air_through else 0.05),
            sky.rain_mm_h if open_above else 0.0,
        )

    # --- wind ---------------------------------------------------------------------------------------------------------

    def held(self, wet: bool) -> wind_load.GustHeld:
        """The gusts [m/s] at which it really slides and tips: no margin, the wind as it is near the ground."""
        key = (self.ballast_kg, self.covered, wet)
        if key not in self._held:
            coefficient = wind_load.force_coefficient(self.enclosure.open_fraction, wet, self.covered)
            self._held[key] = wind_load.gust_held(
                self._frame,
                self.ballast_kg,
                coefficient.high,
                self.enclosure.friction * (0.75 if wet else 1.0),
                GUST_HEIGHT_FACTOR,
                safety_factor=1.0,
            )
        return self._held[key]

    def push(self, sky: Sky, wet: bool) -> str:
        """What a gust does to it now: "tipped over", "slid" or ""."""
        if self.pegged or self.sheltered or self.fallen or sky.wind_gust_m_s < 4.0:
            return ""
        held = self.held(wet)
        if sky.wind_gust_m_s > held.tipping_m_s:
            self.fallen = True
            return "tipped over"
        return "slid" if sky.wind_gust_m_s > held.sliding_m_s else ""
