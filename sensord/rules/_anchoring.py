"""What holds an enclosure in the wind, and what it would take: shared by `storm` and `wind`."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime

from pydantic import Field

from sensord import actions
from sensord.actions import Action
from sensord.ledger import Stand
from sensord.model import Number
from sensord.rules._bounds import Bounds
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


def is_draped(stand: Stand) -> bool:
    """Something is on it that catches the wind; shade from the start is a tree's or a wall's."""
    return stand.covered or (stand.shaded and stand.shaded_at is not None)


def is_safe(stand: Stand) -> bool:
    """It does not stand loose in the wind."""
    return stand.pegged or stand.sheltered_at is not None


@dataclass(frozen=True, slots=True)
class Held:
    """How an enclosure is held, and by what figures: the one answer to what gust it holds."""

    stand: Stand
    by: Holding
    _gusts: dict[bool | None, float] = field(init=False, compare=False, repr=False, default_factory=dict)

    @property
    def frame(self) -> wind_load.Frame:
        """The enclosure as the wind sees it."""
        e = self.stand.enclosure
        return wind_load.Frame(e.width_m, e.depth_m, e.height_m, e.own_mass_kg)

    def gust_m_s(self, wet: bool | None) -> float:
        """The gust that it holds as it stands [m/s]; of wet netting unless that is known to be dry."""
        if wet not in self._gusts:
            e, p = self.stand.enclosure, self.by
            drag = wind_load.force_coefficient(e.open_fraction, wet, is_draped(self.stand))
            held = wind_load.gust_held(
                self.frame, self.stand.ballast_kg, drag, e.friction, p.gust_height_factor, p.safety_factor
            )
            self._gusts[wet] = held.gust_m_s
        return self._gusts[wet]

    def to_hold(self, gust_m_s: float, wet: bool | None) -> tuple[Action | None, dict[str, Number | datetime]]:
        """What makes it hold a gust with nothing draped over it: to anchor, to peg or shelter, or None; and the numbers."""
        e, p, ballast_kg = self.stand.enclosure, self.by, self.stand.ballast_kg
        advised = wind_load.advise(
            self.frame,
            ballast_kg,
            min(gust_m_s, 60.0),
            wind_load.force_coefficient(e.open_fraction, wet, False),
            e.friction,
            p.gust_height_factor,
            p.safety_factor,
            p.brick_kg,
            p.largest_ballast_kg,
        )
        if advised.needed_kg.high - ballast_kg < NOT_WORTH_KG:
            return None, {}
        if advised.kind is wind_load.AnchorKind.PEG_OR_SHELTER:
            return actions.PEG_OR_SHELTER, {"needed_kg": advised.needed_kg.high}
        return actions.ANCHOR, {
            "add_kg": advised.add_kg,
            "bricks": advised.bricks,
            "bricks_kg": advised.bricks * p.brick_kg,
            "total_kg": advised.ballast_kg,
        }
