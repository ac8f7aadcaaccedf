"""What holds an enclosure in the wind, and what it would take: shared by `storm` and `wind`."""

from __future__ import annotations

from datetime import datetime

from pydantic import Field

from sensord import actions
from sensord.actions import Action
from sensord.model import Number
from sensord.rules import Stand
from sensord.rules._readings import Bounds
from sensord.science import wind_load

NOT_WORTH_KG = 0.5
"""A shortfall below this sends nobody out: it is within the margin. Chosen."""


class Holding(Bounds):
    """How an enclosure is held against the wind."""

    design_gust_m_s: float = Field(
        15,
        ge=5,
        le=40,
        description="gust to be ready for under signs of a storm [m/s]; chosen: outflows reached 14.5 in the mean of 30",
    )
    gust_height_factor: float = Field(
        0.85, ge=0.3, le=1.5, description="pressure at the enclosure over that at the gauge [1]; ASCE 7, exposure C"
    )
    safety_factor: float = Field(1.5, ge=1, le=5, description="resisting over driving load [1]; ordinary practice")
    brick_kg: float = Field(2.0, ge=0.2, le=25, description="mass of one brick, bag or jug [kg]; low side of the trade")
    largest_ballast_kg: float = Field(
        20, ge=1, le=500, description="more is neither carried nor trusted: peg or shelter [kg]; chosen"
    )


def frame_of(stand: Stand) -> wind_load.Frame:
    """The enclosure as the wind sees it."""
    e = stand.enclosure
    return wind_load.Frame(e.width_m, e.depth_m, e.height_m, e.own_mass_kg)


def is_draped(stand: Stand) -> bool:
    """Something is on it that catches the wind; shade from the start is a tree's or a wall's."""
    return stand.covered or (stand.shaded and stand.shaded_at is not None)


def is_safe(stand: Stand) -> bool:
    """It does not stand loose in the wind."""
    return stand.pegged or stand.sheltered_at is not None


def holds_m_s(stand: Stand, wet: bool | None, draped: bool, p: Holding) -> float:
    """The gust that it holds as it stands [m/s]."""
    drag = wind_load.force_coefficient(stand.enclosure.open_fraction, wet, draped)
    held = wind_load.gust_held(
        frame_of(stand), stand.ballast_kg, drag, stand.enclosure.friction, p.gust_height_factor, p.safety_factor
    )
    return held.gust_m_s


def to_hold(
    stand: Stand, gust_m_s: float, wet: bool | None, p: Holding
) -> tuple[Action | None, dict[str, Number | datetime]]:
    """What makes it hold a gust once nothing is draped over it: to anchor, to peg or shelter, or None; and the numbers."""
    advised = wind_load.advise(
        frame_of(stand),
        stand.ballast_kg,
        min(gust_m_s, 60.0),
        wind_load.force_coefficient(stand.enclosure.open_fraction, wet, False),
        stand.enclosure.friction,
        p.gust_height_factor,
        p.safety_factor,
        p.brick_kg,
        p.largest_ballast_kg,
    )
    if advised.needed_kg.high - stand.ballast_kg < NOT_WORTH_KG:
        return None, {}
    if advised.kind is wind_load.AnchorKind.PEG_OR_SHELTER:
        return actions.PEG_OR_SHELTER, {"needed_kg": advised.needed_kg.high}
    return actions.ANCHOR, {
        "add_kg": advised.add_kg,
        "bricks": advised.bricks,
        "bricks_kg": advised.bricks * p.brick_kg,
        "total_kg": advised.ballast_kg,
    }
