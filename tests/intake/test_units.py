"""Every unit that may stand on the wire, against its definition."""

from __future__ import annotations

import pytest

from sensord.intake.units import SCALES, SENML_SCALES, converter, scale_of
from sensord.model import Quantity

T, H, P = Quantity.TEMPERATURE, Quantity.HUMIDITY, Quantity.PRESSURE
BATTERY, VOLTAGE, SUN = Quantity.BATTERY, Quantity.VOLTAGE, Quantity.IRRADIANCE
WINDS = (Quantity.WIND_SPEED, Quantity.WIND_GUST)

# Units, a value in them, and what it is in SI, °C or 0–1. By definition: 1 mi = 1609.344 m, 1 nmi = 1852 m, 0 °C = 273.15 K,
# 212 °F = 100 °C. Conventional inch and millimetre of mercury: NIST SP 811 (2008), appendix B.8, from memory.
DEFINED = [
    (T, ("°C", "C", "Cel"), 21.5, 21.5),
    (T, ("°F", "F"), 212.0, 100.0),
    (T, ("°F", "F"), -40.0, -40.0),
    (T, ("K",), 373.15, 100.0),
    (H, ("1", "/"), 0.55, 0.55),
    (H, ("%", "%RH", "/100"), 55.0, 0.55),
    (P, ("Pa",), 101_325.0, 101_325.0),
    (P, ("hPa", "mbar"), 1013.25, 101_325.0),
    (P, ("kPa",), 101.325, 101_325.0),
    (P, ("inHg",), 10.0, 33_863.89),
    (P, ("mmHg",), 10.0, 1333.224),
    *((wind, ("m/s",), 10.0, 10.0) for wind in WINDS),
    *((wind, ("km/h",), 36.0, 10.0) for wind in WINDS),
    *((wind, ("mph",), 3600.0, 1609.344) for wind in WINDS),
    *((wind, ("kn",), 3600.0, 1852.0) for wind in WINDS),
    (SUN, ("W/m²", "W/m2"), 800.0, 800.0),
    (BATTERY, ("1", "/"), 0.5, 0.5),
    (BATTERY, ("%", "%EL", "/100"), 50.0, 0.5),
    (VOLTAGE, ("V",), 3.3, 3.3),
    (VOLTAGE, ("mV",), 3300.0, 3.3),
]
# RFC 8428 section 12.1 and RFC 8798 section 3: "%" and "/" are the ratio, "/100" is per cent of RFC 8798.
SENML = [
    (T, ("Cel",), 21.5, 21.5),
    (T, ("K",), 373.15, 100.0),
    (H, ("%", "/"), 0.55, 0.55),
    (H, ("%RH", "/100"), 55.0, 0.55),
    (P, ("Pa",), 101_325.0, 101_325.0),
    (P, ("hPa",), 1013.25, 101_325.0),
    *((wind, ("m/s",), 10.0, 10.0) for wind in WINDS),
    *((wind, ("km/h",), 36.0, 10.0) for wind in WINDS),
    (SUN, ("W/m2",), 800.0, 800.0),
    (BATTERY, ("%", "/"), 0.5, 0.5),
    (BATTERY, ("%EL", "/100"), 50.0, 0.5),
    (VOLTAGE, ("V",), 3.3, 3.3),
    (VOLTAGE, ("mV",), 3300.0, 3.3),
]


@pytest.mark.outside
@pytest.mark.parametrize(("scales", "table"), [(SCALES, DEFINED), (SENML_SCALES, SENML)], ids=["configured", "SenML"])
def test_every_unit_is_that_of_its_definition(scales: dict[Quantity, dict[str, object]], table: list[tuple]) -> None:  # type: ignore[type-arg]
    """To the last digit but one, and there is none that no definition stands for."""
    for quantity, units, value, kept in table:
        for unit in units:
            convert = converter(scales[quantity][unit]) or (lambda same: same)  # type: ignore[arg-type]
            assert convert(value) == pytest.approx(kept, rel=1e-15), (quantity, unit)
    known = {(quantity, unit) for quantity, units, *_ in table for unit in units}
    assert known == {(quantity, unit) for quantity, units in scales.items() for unit in units}


def test_a_unit_of_another_quantity_is_refused_with_those_of_its_own() -> None:
    """And none at all is the quantity's own."""
    with pytest.raises(
        ValueError, match=r"'%' is no unit of temperature; allowed are °C, C, Cel, °F, F, K, or \"\" for °C"
    ):
        scale_of(T, "%")
    for quantity in Quantity:
        assert converter(scale_of(quantity, "")) is None
