"""Water in the air: how much it holds, how dry it is for an animal or a leaf, and when dew forms.

Relative humidity is 0–1. A humidity sensor that has been wetted reads 100 % until it has dried, hours later: such a
reading says *wet*, not how moist the air is, so nothing that leans on dryness may use it (`pinned`).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from enum import StrEnum
from typing import NamedTuple

from sensord.science.bounds import within

STANDARD_PRESSURE_PA = 101325.0
SATURATED = 0.995
"""Relative humidity from which a sensor counts as saturated or wet. A choice of ours."""

LIKELY_SPREAD_K = 1.0
POSSIBLE_SPREAD_K = 3.0
"""A thin mesh under a clear night sky cools below the air by some kelvin. Choices of ours, not published limits."""

_WATER_TO_AIR = 0.621945
_TRIPLE_POINT_C = 0.01


class CondensationRisk(StrEnum):
    """Whether dew forms on a surface."""

    NONE = "none"
    POSSIBLE = "possible"
    LIKELY = "likely"
    FORMING = "forming"


class Condensation(NamedTuple):
    """How far a surface is above the dew point of the air, and what follows from it."""

    risk: CondensationRisk
    spread_k: float


def saturation_pressure_pa(temperature_c: float) -> float:
    """Pressure of water vapour over liquid water, below 0.01 °C over ice.

    Args:
        temperature_c: of the air [°C], −100 to 100
    Returns:
        saturation vapour pressure [Pa]

    Valid within 300 ppm of the tables.
    Source: [HylandWexler1983], as [ASHRAE2017] ch. 1 eq. 5 and 6
    """
    within("air temperature", temperature_c, -100.0, 100.0, "°C")
    t = temperature_c + 273.15
    if temperature_c <= _TRIPLE_POINT_C:
        tail = t * (-9.677843e-3 + t * (6.2215701e-7 + t * (2.0747825e-9 - t * 9.484024e-13)))
        return math.exp(-5674.5359 / t + 6.3925247 + tail + 4.1635019 * math.log(t))
    tail = t * (-4.8640239e-2 + t * (4.1764768e-5 - t * 1.4452093e-8))
    return math.exp(-5800.2206 / t + 1.3914993 + tail + 6.5459673 * math.log(t))


def vapour_pressure_pa(temperature_c: float, relative_humidity: float) -> float:
    """Pressure of the water vapour that is in the air.

    Args:
        temperature_c: of the air [°C], −100 to 100
        relative_humidity: of the air [0–1]
    Returns:
        vapour pressure [Pa]

    Source: [ASHRAE2017] ch. 1 eq. 22
    """
    within("relative humidity", relative_humidity, 0.0, 1.0)
    return relative_humidity * saturation_pressure_pa(temperature_c)


def dew_point_c(temperature_c: float, relative_humidity: float) -> float:
    """Temperature at which the air, cooled as it is, is saturated; below 0 °C the frost point.

    Args:
        temperature_c: of the air [°C], −50 to 100
        relative_humidity: of the air [0–1], at least 0.001
    Returns:
        dew point [°C], never above `temperature_c`

    Valid to 0.001 K.
    Source: [HylandWexler1983], inverted
    """
    within("air temperature", temperature_c, -50.0, 100.0, "°C")
    within("relative humidity", relative_humidity, 0.001, 1.0)
    wanted = vapour_pressure_pa(temperature_c, relative_humidity)
    return _bisect(lambda t: saturation_pressure_pa(t) - wanted, -100.0, temperature_c)


def vapour_pressure_deficit_pa(temperature_c: float, relative_humidity: float) -> float:
    """How much more vapour the air could hold: what dries out eggs, larvae and cut leaves.

    Args:
        temperature_c: of the air [°C], −100 to 100
        relative_humidity: of the air [0–1], not from a wet sensor
    Returns:
        vapour pressure deficit [Pa]

    Source: [FAO56] eq. 11 to 17 (es − ea), with [HylandWexler1983]
    """
    within("relative humidity", relative_humidity, 0.0, 1.0)
    return (1.0 - relative_humidity) * saturation_pressure_pa(temperature_c)


def humidity_ratio_kg_kg(
    temperature_c: float, relative_humidity: float, pressure_pa: float = STANDARD_PRESSURE_PA
) -> float:
    """Mass of water vapour for each mass of dry air.

    Args:
        temperature_c: of the air [°C], −80 to 60
        relative_humidity: of the air [0–1]
        pressure_pa: of the air [Pa], 50,000–110,000
    Returns:
        humidity ratio [kg/kg]

    Source: [ASHRAE2017] ch. 1 eq. 20
    """
    within("air temperature", temperature_c, -80.0, 60.0, "°C")
    within("air pressure", pressure_pa, 50_000.0, 110_000.0, "Pa")
    vapour_pa = vapour_pressure_pa(temperature_c, relative_humidity)
    return _WATER_TO_AIR * vapour_pa / (pressure_pa - vapour_pa)


def wet_bulb_c(temperature_c: float, relative_humidity: float, pressure_pa: float = STANDARD_PRESSURE_PA) -> float:
    """Temperature of a wet surface in moving shade air: the coolest that misting and evaporation can reach.

    Args:
        temperature_c: of the air [°C], −40 to 60
        relative_humidity: of the air [0–1], at least 0.001
        pressure_pa: of the air [Pa], 50,000–110,000
    Returns:
        wet-bulb temperature [°C], between dew point and `temperature_c`

    Valid to 0.001 K of the thermodynamic wet bulb; below 0 °C over ice.
    Source: [ASHRAE2017] ch. 1 eq. 33 and 35, inverted
    """
    within("air temperature", temperature_c, -40.0, 60.0, "°C")
    ratio = humidity_ratio_kg_kg(temperature_c, relative_humidity, pressure_pa)
    lowest_c = dew_point_c(temperature_c, relative_humidity)
    return _bisect(lambda t: _ratio_at_wet_bulb(temperature_c, t, pressure_pa) - ratio, lowest_c, temperature_c)


def condensation(
    temperature_c: float, relative_humidity: float, surface_temperature_c: float | None = None
) -> Condensation:
    """Whether dew forms on a surface, by how far it is above the dew point of the air.

    Args:
        temperature_c: of the air [°C], −50 to 100
        relative_humidity: of the air [0–1], at least 0.001
        surface_temperature_c: of netting, lid or chrysalis [°C]; None: as warm as the air
    Returns:
        the risk, and the spread [K], at or below 0 where water condenses

    The limits (1 K likely, 3 K possible) allow for a surface that radiates to a clear sky; they are choices of ours.
    Source: `dew_point_c`
    """
    surface_c = temperature_c if surface_temperature_c is None else surface_temperature_c
    within("surface temperature", surface_c, -80.0, 100.0, "°C")
    spread_k = surface_c - dew_point_c(temperature_c, relative_humidity)
    if spread_k <= 0.0 or (surface_temperature_c is None and relative_humidity >= SATURATED):
        return Condensation(CondensationRisk.FORMING, spread_k)
    if spread_k <= LIKELY_SPREAD_K:
        return Condensation(CondensationRisk.LIKELY, spread_k)
    return Condensation(CondensationRisk.POSSIBLE if spread_k <= POSSIBLE_SPREAD_K else CondensationRisk.NONE, spread_k)


def saturated(relative_humidity: float) -> bool:
    """Whether one reading means saturated air or a wet sensor.

    Args:
        relative_humidity: of the air [0–1]
    Returns:
        true from 0.995

    Source: a choice of ours; capacitive sensors read 1 when wet
    """
    within("relative humidity", relative_humidity, 0.0, 1.0)
    return relative_humidity >= SATURATED


def pinned(times_s: Sequence[float], relative_humidities: Sequence[float], at_least_s: float = 3600.0) -> bool | None:
    """Whether a humidity sensor has been stuck at saturation up to its latest reading: it is wet, or in fog.

    Args:
        times_s: instants, rising [s]
        relative_humidities: readings at them, each 0–1
        at_least_s: for how long [s], a second to a week; an hour is a choice of ours
    Returns:
        true: treat the air as saturated and give no advice that leans on dryness; false: the latest reading is
        below saturation or the spell is shorter; None: saturated for as long as there are readings, but too few

    Source: a choice of ours
    """
    if len(times_s) != len(relative_humidities):
        raise ValueError(f"each humidity needs its time: {len(times_s)} times, {len(relative_humidities)} humidities")
    within("duration", at_least_s, 1.0, 7 * 86400.0, "s")
    for time_s, relative_humidity in zip(reversed(times_s), reversed(relative_humidities), strict=True):
        if not saturated(relative_humidity):
            return False
        if times_s[-1] - time_s >= at_least_s:
            return True
    return None


def _ratio_at_wet_bulb(temperature_c: float, wet_bulb: float, pressure_pa: float) -> float:
    """Humidity ratio [kg/kg] of air whose wet bulb is known. Source: [ASHRAE2017] ch. 1 eq. 33 and 35."""
    saturated_ratio = humidity_ratio_kg_kg(wet_bulb, 1.0, pressure_pa)
    cooled_k = temperature_c - wet_bulb
    if wet_bulb >= 0.0:
        heat = (2501.0 - 2.326 * wet_bulb) * saturated_ratio - 1.006 * cooled_k
        return heat / (2501.0 + 1.86 * temperature_c - 4.186 * wet_bulb)
    heat = (2830.0 - 0.24 * wet_bulb) * saturated_ratio - 1.006 * cooled_k
    return heat / (2830.0 + 1.86 * temperature_c - 2.1 * wet_bulb)


def _bisect(rises: Callable[[float], float], low: float, high: float) -> float:
    """Where a rising function crosses zero, to 1e-6; `high` where it stays below zero."""
    if rises(high) <= 0.0:
        return high
    for _ in range(60):
        middle = (low + high) / 2.0
        low, high = (middle, high) if rises(middle) < 0.0 else (low, middle)
        if high - low < 1e-6:
            break
    return (low + high) / 2.0
