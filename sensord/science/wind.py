"""The wind itself: its pressure, and what is left of it near the ground.

A mean wind and a gust are two things. The profile of the mean is for ten-minute means; what pushes an enclosure over is a
gust, which falls off far less towards the ground.
"""

from __future__ import annotations

import math

from sensord.science.bounds import within

AIR_FACTOR = 0.613
"""Half the density of air at 15 °C and sea level [kg/m³]. Source: [ASCE7] velocity pressure equation, SI form."""

HEIGHT_FACTOR_LOWEST = 0.85
"""Height factor of a gust forecast for 10 m, at or below 4.6 m in open country: it is not reduced further towards the
ground, so it is the conservative default. Source: [ASCE7] exposure C."""


def velocity_pressure_pa(gust_m_s: float, height_factor: float = HEIGHT_FACTOR_LOWEST) -> float:
    """Pressure of air brought to rest.

    Args:
        gust_m_s: peak gust at 10 m [m/s], 0–120
        height_factor: pressure at the enclosure's height over that at 10 m [1], 0–3
    Returns:
        velocity pressure [Pa]

    Topography and wind direction count 1: a forecast gust is not a statistical one.
    Valid for air near sea level; above 1,000 m it is on the safe side by a tenth and more.
    Source: [ASCE7] velocity pressure equation, q = 0.613 Kz V²
    """
    within("gust", gust_m_s, 0.0, 120.0, "m/s")
    within("height factor", height_factor, 0.01, 3.0, "")
    return AIR_FACTOR * height_factor * gust_m_s**2


def gust_height_factor(roughness_length_m: float, lowest_height_m: float) -> float:
    """Peak velocity pressure at or below a terrain's lowest height, over that at 10 m.

    For gusts only; the mean wind falls off faster towards the ground (see `mean_wind_at_height_m_s`).

    Args:
        roughness_length_m: of the terrain [m], 0.003–1
        lowest_height_m: below which the wind is taken as constant [m]; 1, 2 or 5 for terrain category I, II or III
    Returns:
        height factor [1]; 0.605 for open grass (category II: 0.05 m, 2 m)

    Source: [EN1991-1-4] eq. 4.4, 4.7 and 4.8, turbulence and orography factors 1
    """
    within("roughness length", roughness_length_m, 0.003, 1.0, "m")
    within("lowest height", lowest_height_m, max(1.0, 3 * roughness_length_m), 10.0, "m")
    low, high = (math.log(height_m / roughness_length_m) for height_m in (lowest_height_m, 10.0))
    return (1 + 7 / low) * low**2 / ((1 + 7 / high) * high**2)


def mean_wind_at_height_m_s(
    mean_wind_m_s: float, measured_height_m: float, height_m: float, roughness_length_m: float = 0.03
) -> float:
    """Mean wind at another height by the logarithmic wind profile. Never for a gust.

    Args:
        mean_wind_m_s: mean wind [m/s], 0–100
        measured_height_m: where it was measured [m], five roughness lengths to 200
        height_m: where it is wanted [m], five roughness lengths to 200
        roughness_length_m: of the ground [m]; 0.01 mown, 0.03 short grass, 0.1 low crops
    Returns:
        mean wind at `height_m` [m/s]

    Valid for near-neutral air above open ground, not among bushes and walls.
    Source: [FAO56] eq. 47 (the same profile, solved for any height)
    """
    within("mean wind", mean_wind_m_s, 0.0, 100.0, "m/s")
    within("roughness length", roughness_length_m, 0.0001, 2.0, "m")
    for name, metres in (("height of the wind gauge", measured_height_m), ("height", height_m)):
        within(name, metres, 5 * roughness_length_m, 200.0, "m")
    return mean_wind_m_s * math.log(height_m / roughness_length_m) / math.log(measured_height_m / roughness_length_m)
