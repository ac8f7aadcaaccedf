"""Units on the wire → the unit that sensord keeps a quantity in (SI; temperature in °C, humidity and battery as 0–1).

Every conversion is (value + offset) × numerator / denominator with the defining constants, so that nothing is lost but
the last bit of a float. Sources: °F, K, km/h, mph (1 mi = 1609.344 m) and kn (1 nmi = 1852 m) by definition;
conventional inch and millimetre of mercury, 3386.389 Pa and 133.3224 Pa: NIST SP 811 (2008), appendix B.8, from memory.
SenML's own names: RFC 8428 section 12.1 and RFC 8798 section 3.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from sensord.model import UNIT, Quantity


class Scale(NamedTuple):
    """kept = (value + offset) × numerator / denominator."""

    offset: float = 0.0
    numerator: float = 1.0
    denominator: float = 1.0


Converter = Callable[[float], float]

_SAME = Scale()
_PERCENT = Scale(0.0, 1.0, 100.0)
_WIND = {
    "m/s": _SAME,
    "km/h": Scale(0.0, 5.0, 18.0),
    "mph": Scale(0.0, 1609.344, 3600.0),
    "kn": Scale(0.0, 1852.0, 3600.0),
}

SCALES: dict[Quantity, dict[str, Scale]] = {
    Quantity.TEMPERATURE: {
        "°C": _SAME,
        "C": _SAME,
        "Cel": _SAME,
        "°F": Scale(-32.0, 5.0, 9.0),
        "F": Scale(-32.0, 5.0, 9.0),
        "K": Scale(-273.15),
    },
    Quantity.HUMIDITY: {"1": _SAME, "/": _SAME, "%": _PERCENT, "%RH": _PERCENT, "/100": _PERCENT},
    Quantity.PRESSURE: {
        "Pa": _SAME,
        "hPa": Scale(0.0, 100.0),
        "mbar": Scale(0.0, 100.0),
        "kPa": Scale(0.0, 1000.0),
        "inHg": Scale(0.0, 3386.389),
        "mmHg": Scale(0.0, 133.3224),
    },
    Quantity.WIND_SPEED: _WIND,
    Quantity.WIND_GUST: _WIND,
    Quantity.IRRADIANCE: {"W/m²": _SAME, "W/m2": _SAME},
    Quantity.BATTERY: {"1": _SAME, "/": _SAME, "%": _PERCENT, "%EL": _PERCENT, "/100": _PERCENT},
    Quantity.VOLTAGE: {"V": _SAME, "mV": Scale(0.0, 1.0, 1000.0)},
}
"""What may stand in a configuration as the unit of a payload's value; "" means the quantity's own unit."""

_RATIO = {"/": _SAME, "%": _SAME, "/100": _PERCENT}
SENML_SCALES: dict[Quantity, dict[str, Scale]] = {
    Quantity.TEMPERATURE: {"Cel": _SAME, "K": Scale(-273.15)},
    Quantity.HUMIDITY: {"%RH": _PERCENT, **_RATIO},
    Quantity.PRESSURE: {"Pa": _SAME, "hPa": Scale(0.0, 100.0)},
    Quantity.WIND_SPEED: {"m/s": _SAME, "km/h": Scale(0.0, 5.0, 18.0)},
    Quantity.WIND_GUST: {"m/s": _SAME, "km/h": Scale(0.0, 5.0, 18.0)},
    Quantity.IRRADIANCE: {"W/m2": _SAME},
    Quantity.BATTERY: {"%EL": _PERCENT, **_RATIO},
    Quantity.VOLTAGE: {"V": _SAME, "mV": Scale(0.0, 1.0, 1000.0)},
}
"""What a SenML record may name as its unit. Mind that RFC 8428 calls the *ratio* 0–1 "%", not a percentage."""


def converter(scale: Scale) -> Converter | None:
    """The conversion as a function; None where nothing changes."""
    if scale == _SAME:
        return None
    offset, numerator, denominator = scale
    if denominator == 1.0:
        return lambda value: (value + offset) * numerator
    return lambda value: (value + offset) * numerator / denominator


def scale_of(quantity: Quantity, unit: str) -> Scale:
    """The scale of a configured unit; ValueError says which units would do for this quantity."""
    scale = SCALES[quantity].get(unit or UNIT[quantity])
    if scale is None:
        allowed = ", ".join(SCALES[quantity])
        raise ValueError(f'{unit!r} is no unit of {quantity}; allowed are {allowed}, or "" for {UNIT[quantity]}')
    return scale
