"""How one reader wants numbers written: °C, km/h, kg, hPa, or °F, mph, lb, inHg. Pure.

Conversions by definition: °F = °C × 9/5 + 32; 1 mi = 1609.344 m; 1 lb = 0.45359237 kg; 1 inHg = 3386.389 Pa (NIST SP 811).
"""

from __future__ import annotations

from dataclasses import dataclass

POUND_KG = 0.45359237
MILE_M = 1609.344
INCH_OF_MERCURY_PA = 3386.389


@dataclass(frozen=True, slots=True)
class Scale:
    """How one reader wants numbers written."""

    us: bool

    def degrees(self, celsius: float) -> float:
        """A temperature in the reader's unit."""
        return celsius * 1.8 + 32.0 if self.us else celsius

    def temperature(self, celsius: float) -> str:
        """33.4 °C"""
        return f"{self.degrees(celsius):.1f} {self.degree}"

    def difference(self, kelvin: float) -> str:
        """0.8 °C"""
        return f"{abs(kelvin) * (1.8 if self.us else 1.0):.1f} {self.degree}"

    @property
    def degree(self) -> str:
        """The unit of temperatures."""
        return "°F" if self.us else "°C"

    def wind_value(self, speed_m_s: float) -> float:
        """A wind in the reader's unit."""
        return speed_m_s * (3600 / MILE_M if self.us else 3.6)

    def wind(self, speed_m_s: float) -> str:
        """23 km/h"""
        return f"{self.wind_value(speed_m_s):.0f} {self.wind_unit}"

    @property
    def wind_unit(self) -> str:
        """The unit of winds."""
        return "mph" if self.us else "km/h"

    def mass(self, kilograms: float) -> str:
        """4 kg"""
        value = kilograms / POUND_KG if self.us else kilograms
        return f"{value:.1f}".removesuffix(".0") + f" {self.mass_unit}"

    @property
    def mass_unit(self) -> str:
        """The unit of masses."""
        return "lb" if self.us else "kg"

    def pressure(self, pascal: float) -> str:
        """986.3 hPa"""
        return f"{pascal / INCH_OF_MERCURY_PA:.2f} inHg" if self.us else f"{pascal / 100:.1f} hPa"
