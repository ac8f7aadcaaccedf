"""What each type of sensor can measure, and how well. Another type of sensor is one more entry here.

Ranges, tolerances and steps are those of the manufacturers' datasheets: Maxim/Analog Devices DS18B20, Sensirion SHT3x-DIS
and SHT4x, Aosong AM2302 (DHT22), Bosch BME280. Where nothing else is said, a tolerance is the one that the maker states
for ordinary outdoor values; those of SHT3x and SHT4x and the BME280's for temperature are from memory. Limits of
"generic", "wind gauge" and "barometer" are common practice, no source: what nothing in a garden can be.
"""

from __future__ import annotations

from typing import NamedTuple

from sensord.model import Quantity


class Ability(NamedTuple):
    """What a sensor can say of one quantity, in the quantity's unit."""

    lowest: float
    highest: float
    tolerance: float  # how far from the truth it may be
    step: float  # the smallest difference that it can show


_DRY = 0.005
"""Relative humidity below this does not exist outdoors; a sensor that says 0 has not measured. Common practice, no source."""
_SOAKED = 1.05
"""What a sensor may say at saturation where its makers let the formula run over 1."""

_TEMPERATURE, _HUMIDITY, _PRESSURE = Quantity.TEMPERATURE, Quantity.HUMIDITY, Quantity.PRESSURE

GENERIC: dict[Quantity, Ability] = {
    _TEMPERATURE: Ability(-60.0, 84.9, 1.0, 0.5),
    _HUMIDITY: Ability(_DRY, _SOAKED, 0.05, 0.01),
    _PRESSURE: Ability(50_000.0, 110_000.0, 200.0, 100.0),
    Quantity.WIND_SPEED: Ability(0.0, 75.0, 1.0, 0.1),
    Quantity.WIND_GUST: Ability(0.0, 115.0, 2.0, 0.1),
    Quantity.IRRADIANCE: Ability(-20.0, 2000.0, 100.0, 1.0),
    Quantity.BATTERY: Ability(0.0, 1.0, 0.1, 0.01),
    Quantity.VOLTAGE: Ability(0.0, 60.0, 0.1, 0.01),
}

SENSORS: dict[str, dict[Quantity, Ability]] = {
    "generic": GENERIC,
    "DS18B20": {_TEMPERATURE: Ability(-55.0, 125.0, 0.5, 0.0625)},  # ±0.5 °C from −10 to 85 °C; step at 12 bits
    "SHT3x": {_TEMPERATURE: Ability(-40.0, 125.0, 0.3, 0.01), _HUMIDITY: Ability(_DRY, _SOAKED, 0.03, 0.0001)},
    "SHT4x": {_TEMPERATURE: Ability(-40.0, 125.0, 0.2, 0.01), _HUMIDITY: Ability(_DRY, 1.19, 0.02, 0.0001)},
    "DHT22": {_TEMPERATURE: Ability(-40.0, 80.0, 0.5, 0.1), _HUMIDITY: Ability(_DRY, _SOAKED, 0.05, 0.001)},
    "BME280": {
        _TEMPERATURE: Ability(-40.0, 85.0, 1.0, 0.01),
        _HUMIDITY: Ability(_DRY, _SOAKED, 0.03, 0.0001),
        _PRESSURE: Ability(30_000.0, 110_000.0, 100.0, 1.0),
    },
    "wind gauge": {},
    "barometer": {},
}
"""Sensor types by the name that stands in the configuration; what a type does not say is as for "generic"."""

POWER_ON_C: dict[str, tuple[float, ...]] = {"DS18B20": (85.0, -127.0)}
"""What a sensor says when it has not measured. 85 °C: its register after power-on (DS18B20 datasheet, table 1). −127 °C:
what the common Arduino libraries say for a sensor that does not answer."""


def ability(sensor: str, quantity: Quantity) -> Ability:
    """What a sensor of this type can say of a quantity; ValueError names the types that are known."""
    if sensor not in SENSORS:
        raise ValueError(f"sensor {sensor!r} is not known; known are {', '.join(SENSORS)}")
    return SENSORS[sensor].get(quantity, GENERIC[quantity])
