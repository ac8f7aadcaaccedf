"""How far each formula may be trusted: its bounds, exactly."""

import math
from collections.abc import Callable
from datetime import UTC, date, datetime

import pytest

from sensord.science import moist_air, pressure, season, sun, wind, wind_load
from sensord.science.wind_load import Frame

CAGE = Frame(0.6, 0.6, 0.9, 4.0)
AUGUST = date(2025, 8, 31)
INSTANT = datetime(2025, 8, 31, 17, 0, tzinfo=UTC)

# The quantity as its refusal names it, a function of it alone, and the lowest and highest value of its docstring.
BOUNDS: list[tuple[str, Callable[[float], object], float, float]] = [
    ("latitude", lambda x: season.not_covered(x, -83.5), -90.0, 90.0),
    ("longitude", lambda x: season.not_covered(41.5, x), -180.0, 180.0),
    ("development time", lambda x: season.outdoor_start(AUGUST, x), 10.0, 120.0),
    ("margin", lambda x: season.outdoor_start(AUGUST, 28.0, x), 0.0, 30.0),
    ("latitude", lambda x: sun.position(x, 0.0, INSTANT), -90.0, 90.0),
    ("longitude", lambda x: sun.position(0.0, x, INSTANT), -180.0, 180.0),
    ("latitude", lambda x: sun.noon_elevation_deg(x, AUGUST), -90.0, 90.0),
    ("longitude", lambda x: sun.solar_noon(x, AUGUST), -180.0, 180.0),
    ("elevation of the sun", sun.clear_sky_irradiance_w_m2, -90.0, 90.0),
    ("air temperature", moist_air.saturation_pressure_pa, -100.0, 100.0),
    ("air temperature", lambda x: moist_air.dew_point_c(x, 0.5), -50.0, 100.0),
    ("air temperature", lambda x: moist_air.humidity_ratio_kg_kg(x, 0.5), -80.0, 60.0),
    ("air temperature", lambda x: moist_air.wet_bulb_c(x, 0.5), -40.0, 60.0),
    ("surface temperature", lambda x: moist_air.condensation(20.0, 0.5, x), -80.0, 100.0),
    ("relative humidity", lambda x: moist_air.vapour_pressure_pa(20.0, x), 0.0, 1.0),
    ("relative humidity", lambda x: moist_air.dew_point_c(20.0, x), 0.001, 1.0),
    ("relative humidity", lambda x: moist_air.vapour_pressure_deficit_pa(20.0, x), 0.0, 1.0),
    ("relative humidity", moist_air.saturated, 0.0, 1.0),
    ("air pressure", lambda x: moist_air.humidity_ratio_kg_kg(20.0, 0.5, x), 50_000.0, 110_000.0),
    ("duration", lambda x: moist_air.pinned([0.0], [1.0], x), 1.0, 604_800.0),
    ("change of pressure", pressure.tendency, -20_000.0, 20_000.0),
    ("station pressure", lambda x: pressure.falls_rapidly([0.0], [x]), 30_000.0, 110_000.0),
    ("gust", wind.velocity_pressure_pa, 0.0, 120.0),
    ("height factor", lambda x: wind.velocity_pressure_pa(20.0, x), 0.01, 3.0),
    ("roughness length", lambda x: wind.gust_height_factor(x, 4.0), 0.003, 1.0),
    ("lowest height", lambda x: wind.gust_height_factor(0.01, x), 1.0, 10.0),
    ("lowest height", lambda x: wind.gust_height_factor(1.0, x), 3.0, 10.0),
    ("mean wind", lambda x: wind.mean_wind_at_height_m_s(x, 10.0, 2.0), 0.0, 100.0),
    ("roughness length", lambda x: wind.mean_wind_at_height_m_s(5.0, 10.0, 10.0, x), 0.0001, 2.0),
    ("height of the wind gauge", lambda x: wind.mean_wind_at_height_m_s(5.0, x, 2.0, 0.1), 0.5, 200.0),
    ("height", lambda x: wind.mean_wind_at_height_m_s(5.0, 10.0, x, 0.1), 0.5, 200.0),
    ("width of an enclosure", lambda x: wind_load.drag_n(CAGE._replace(width_m=x), 20.0, 1.0), 0.05, 10.0),
    ("depth of an enclosure", lambda x: wind_load.drag_n(CAGE._replace(depth_m=x), 20.0, 1.0), 0.05, 10.0),
    ("height of an enclosure", lambda x: wind_load.drag_n(CAGE._replace(height_m=x), 20.0, 1.0), 0.05, 10.0),
    ("mass of an enclosure", lambda x: wind_load.drag_n(CAGE._replace(own_mass_kg=x), 20.0, 1.0), 0.0, 500.0),
    ("force coefficient", lambda x: wind_load.drag_n(CAGE, 20.0, x), 0.01, 3.0),
    ("ballast", lambda x: wind_load.gust_held(CAGE, x, 1.0, 0.3), 0.0, 1000.0),
    ("friction", lambda x: wind_load.gust_held(CAGE, 2.0, 1.0, x), 0.01, 1.5),
    ("safety factor", lambda x: wind_load.gust_held(CAGE, 2.0, 1.0, 0.3, safety_factor=x), 1.0, 5.0),
    ("safety factor", lambda x: wind_load.ballast_needed(CAGE, 20.0, 1.0, 0.3, safety_factor=x), 1.0, 5.0),
    ("mass of a brick", lambda x: wind_load.advise(CAGE, 2.0, 20.0, 1.0, 0.3, brick_kg=x), 0.1, 50.0),
    ("largest ballast", lambda x: wind_load.advise(CAGE, 2.0, 20.0, 1.0, 0.3, largest_ballast_kg=x), 0.0, 1000.0),
]


@pytest.mark.parametrize(("name", "of", "lowest", "highest"), BOUNDS)
def test_a_formula_is_valid_up_to_its_bounds_and_not_beyond(
    name: str, of: Callable[[float], object], lowest: float, highest: float
) -> None:
    """Both bounds are taken; the next number beyond either, and what is no number, is refused by the quantity's name."""
    of(lowest)
    of(highest)
    for beyond in (math.nextafter(lowest, -math.inf), math.nextafter(highest, math.inf), math.nan):
        with pytest.raises(ValueError, match=f"the {name} must be between"):
            of(beyond)


def test_the_sun_is_known_from_1900_to_2200() -> None:
    """The first and the last of these years are computed, those beside them refused."""
    for year in (1900, 2200):
        sun.sunrise_sunset(41.5, -83.5, date(year, 7, 1))
    for year in (1899, 2201):
        with pytest.raises(ValueError, match=f"years 1900 to 2200, not {year}"):
            sun.sunrise_sunset(41.5, -83.5, date(year, 7, 1))
