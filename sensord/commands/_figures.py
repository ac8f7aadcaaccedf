"""Figures for whoever sits at a terminal: in the language of the session, in the units asked for."""

from __future__ import annotations

from datetime import UTC

from sensord.language import Catalogue, Measure
from sensord.language.terminal import spoken


def measure(units: str) -> Measure:
    """Writes numbers in "metric" or "us" units, and instants in UTC."""
    return Measure(Catalogue.load(spoken()), units, UTC)
