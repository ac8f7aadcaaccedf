"""What each kind of enclosure adds to the air's temperature, and from where on something else must be the reason."""

from __future__ import annotations

from typing import NamedTuple

from sensord.model import Kind


class Expected(NamedTuple):
    """Inside less shaded ambient, in sun [K]."""

    low_k: float
    high_k: float
    warm_k: float  # from here on it is warmer than its kind should be
    far_k: float  # from here on it is hardly the air that is measured: the probe itself is in the sun


EXPECTED = {
    Kind.OPEN_MESH: Expected(0.3, 0.8, 3.0, 6.0),
    Kind.FINE_MESH: Expected(0.5, 3.0, 5.0, 9.0),
    Kind.CLEAR_BOX: Expected(2.8, 5.0, 8.0, 15.0),
    Kind.PORCH: Expected(0.0, 2.0, 4.0, 8.0),
}
"""A well-ventilated mesh tent 0.3–0.8 K, a closed clear box in direct sun 2.8–5 K: common practice, no source. All else is
chosen: no paper measured a small pop-up cage in the sun. Houses with side nets ran 1–3 K above ambient [Harmanto2006],
closed paper bags 10–15 K [Gitz2015], and an unshielded sensor errs by up to 25 K by itself [Maclean2021]."""

COVER_ADDS_K = 4.0
"""How much more is plausible under a cover, which keeps the air in. Chosen."""
