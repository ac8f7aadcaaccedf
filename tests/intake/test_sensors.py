"""What sensors can measure, against their makers' datasheets."""

from __future__ import annotations

import pytest

from sensord.intake.sensors import GENERIC, POWER_ON_C, SENSORS, ability
from sensord.model import Quantity

T, H, P = Quantity.TEMPERATURE, Quantity.HUMIDITY, Quantity.PRESSURE

# Operating range, tolerance and resolution. Analog Devices DS18B20 (−10 to 85 °C, 12 bits); Sensirion SHT3x-DIS and SHT4x
# (typical, of the plainest type; from memory); Aosong AM2302 (humidity at the worst); Bosch BME280 (0 to 65 °C; resolution of
# the pressure as sent in whole Pa).
DATASHEETS = [
    ("DS18B20", T, -55.0, 125.0, 0.5, 0.0625),
    ("SHT3x", T, -40.0, 125.0, 0.3, 0.01),
    ("SHT4x", T, -40.0, 125.0, 0.2, 0.01),
    ("DHT22", T, -40.0, 80.0, 0.5, 0.1),
    ("BME280", T, -40.0, 85.0, 1.0, 0.01),
    ("BME280", P, 30_000.0, 110_000.0, 100.0, 1.0),
]


@pytest.mark.outside
@pytest.mark.parametrize(("sensor", "quantity", "lowest", "highest", "tolerance", "step"), DATASHEETS)
def test_a_sensor_can_what_its_datasheet_says(
    sensor: str, quantity: Quantity, lowest: float, highest: float, tolerance: float, step: float
) -> None:
    """Range, tolerance and resolution of temperature and pressure, as printed."""
    assert ability(sensor, quantity) == (lowest, highest, tolerance, step)


@pytest.mark.outside
@pytest.mark.parametrize(
    ("sensor", "tolerance", "step"),
    [("SHT3x", 0.03, 1e-4), ("SHT4x", 0.02, 1e-4), ("DHT22", 0.05, 1e-3), ("BME280", 0.03, 1e-4)],
)
def test_humidity_is_as_good_as_its_datasheet_says(sensor: str, tolerance: float, step: float) -> None:
    """The sources are those of `DATASHEETS`. No air outdoors is as dry as 0.5 %, and at saturation the formula runs over."""
    found = ability(sensor, H)
    assert (found.tolerance, found.step) == (tolerance, step)
    assert found.lowest == 0.005
    assert found.highest == (
        1.19 if sensor == "SHT4x" else 1.05
    )  # −6 to 119 %: SHT4x datasheet, conversion of the signal


# A range that is too narrow calls good readings impossible, one that is too wide believes bad ones. Chosen.
PLAIN = [
    (T, -60.0, 84.9, 1.0, 0.5),
    (H, 0.005, 1.05, 0.05, 0.01),
    (P, 50_000.0, 110_000.0, 200.0, 100.0),
    (Quantity.WIND_SPEED, 0.0, 75.0, 1.0, 0.1),
    (Quantity.WIND_GUST, 0.0, 115.0, 2.0, 0.1),
    (Quantity.IRRADIANCE, -20.0, 2000.0, 100.0, 1.0),
    (Quantity.BATTERY, 0.0, 1.0, 0.1, 0.01),
    (Quantity.VOLTAGE, 0.0, 60.0, 0.1, 0.01),
]


@pytest.mark.parametrize(("quantity", "lowest", "highest", "tolerance", "step"), PLAIN)
def test_an_unnamed_sensor_is_taken_for_a_plain_one(
    quantity: Quantity, lowest: float, highest: float, tolerance: float, step: float
) -> None:
    """A battery is empty to full, none charged to 110 %; the other ranges are as wide as anything outdoors, and no wider."""
    assert ability("generic", quantity) == (lowest, highest, tolerance, step)
    assert set(GENERIC) == {row[0] for row in PLAIN}


@pytest.mark.outside
def test_a_ds18b20_that_has_not_measured_says_85() -> None:
    """Its register after power-on; and −127 °C is what libraries make of one that does not answer."""
    assert POWER_ON_C == {"DS18B20": (85.0, -127.0)}


def test_what_a_type_does_not_say_is_as_for_generic() -> None:
    """A wind gauge, a barometer, and the battery of any probe; what no air in a garden can be is refused of all."""
    for sensor in SENSORS:
        for quantity in Quantity:
            assert ability(sensor, quantity) == SENSORS[sensor].get(quantity, GENERIC[quantity])
    assert GENERIC[T][:2] == (-60.0, 84.9)
    assert GENERIC[P][:2] == (50_000.0, 110_000.0)
    assert GENERIC[Quantity.WIND_GUST].highest == 115.0  # above the 113.2 m/s of Barrow Island, 1996 (WMO)
    with pytest.raises(ValueError, match="known are generic, DS18B20"):
        ability("thermometer", T)
