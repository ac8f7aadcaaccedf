"""Refusing what physics or a formula's validity rules out, in physical words."""

from __future__ import annotations


def within(name: str, value: float, lowest: float, highest: float, unit: str = "") -> None:
    """Raise ValueError unless lowest ≤ value ≤ highest; what is not a number is refused too."""
    if not lowest <= value <= highest:
        raise ValueError(f"the {name} must be between {lowest:g} and {highest:g} {unit}".rstrip() + f", not {value:g}")
