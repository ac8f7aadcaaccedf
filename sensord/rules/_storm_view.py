"""What `storm` sees of an enclosure at one instant: the signs, what it holds, and what it remembers of this storm."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from pydantic import Field

from sensord.model import Number, Stage, State
from sensord.rules import Evidence, Stand
from sensord.rules._readings import moment, remembered
from sensord.rules._storm_signs import Signs, SignThresholds
from sensord.science import wind_load

FRONT_STAYS = timedelta(minutes=30)
"""So long after a gust front it is taken to be there, whatever the wind gauge says. Chosen."""
FORGOTTEN_AFTER = timedelta(hours=2)

Facts = dict[str, Number | datetime]


class Thresholds(SignThresholds):
    """Thresholds of the rule."""

    design_gust_m_s: float = Field(
        15,
        ge=5,
        le=40,
        description="gust to be ready for under signs of a storm [m/s]; chosen: outflows reached 14.5 in the mean of 30",
    )
    calm_gust_m_s: float = Field(8, ge=2, le=20, description="the storm has passed below this [m/s]; chosen")
    gust_height_factor: float = Field(
        0.85, ge=0.3, le=1.5, description="pressure at the enclosure over that at the gauge [1]; ASCE 7, exposure C"
    )
    safety_factor: float = Field(1.5, ge=1, le=5, description="resisting over driving load [1]; ordinary practice")
    brick_kg: float = Field(2.0, ge=0.2, le=25, description="mass of one brick, bag or jug [kg]; low side of the trade")
    largest_ballast_kg: float = Field(
        20, ge=1, le=500, description="more is neither carried nor trusted: peg or shelter [kg]; chosen"
    )
    back_out_after_h: float = Field(
        2, ge=0.5, le=48, description="sheltered so long in calm: put it back out [h]; chosen, cues are lost indoors"
    )


@dataclass(frozen=True, slots=True)
class View:
    """What the rule sees of one enclosure at one instant."""

    evidence: Evidence
    now: datetime
    stand: Stand
    signs: Signs
    holds_m_s: float
    here_at: datetime | None  # when a front or a strong gust was last there
    worst_m_s: float | None  # of this storm

    @property
    def thresholds(self) -> Thresholds:
        """The rule's thresholds."""
        p: Thresholds = self.evidence.parameters
        return p

    @property
    def draped(self) -> bool:
        """Something is on it that catches the wind; shade from the start is a tree's or a wall's."""
        return self.stand.covered or (self.stand.shaded and self.stand.shaded_at is not None)

    @property
    def is_safe(self) -> bool:
        """It does not stand loose in the wind."""
        return self.stand.pegged or self.stand.sheltered_at is not None


def view_of(evidence: Evidence, now: datetime, stand: Stand, seen: Signs) -> View:
    """The view, with what the concern remembers of a storm that was here."""
    p: Thresholds = evidence.parameters
    draped = stand.covered or (stand.shaded and stand.shaded_at is not None)
    gust = seen.gust_m_s or 0.0
    strong = gust >= (p.thundery_gust_m_s if seen.expected == "likely" else p.strong_gust_m_s)
    here_at = now if seen.front or strong else moment(remembered(evidence, "here_at"))
    if here_at is not None and not timedelta() <= now - here_at <= FORGOTTEN_AFTER:
        here_at = None
    worst = remembered(evidence, "worst_m_s") if here_at is not None else None
    known = float(worst) if isinstance(worst, int | float) else 0.0
    return View(
        evidence=evidence,
        now=now,
        stand=stand,
        signs=seen,
        holds_m_s=_holds(stand, seen.wet, draped, p),
        here_at=here_at,
        worst_m_s=max(known, gust) if here_at is not None and seen.gust_m_s is not None else None,
    )


def frame_of(stand: Stand) -> wind_load.Frame:
    """The enclosure as the wind sees it."""
    e = stand.enclosure
    return wind_load.Frame(e.width_m, e.depth_m, e.height_m, e.own_mass_kg)


def _holds(stand: Stand, wet: bool | None, draped: bool, p: Thresholds) -> float:
    drag = wind_load.force_coefficient(stand.enclosure.open_fraction, wet, draped)
    return wind_load.gust_held(
        frame_of(stand), stand.ballast_kg, drag, stand.enclosure.friction, p.gust_height_factor, p.safety_factor
    ).gust_m_s


def facts_of(view: View) -> Facts:
    """The numbers that every verdict of this rule carries; `here_at`, `front_at` and `worst_m_s` are its memory."""
    seen = view.signs
    return {
        "pressure_change_pa": seen.change_pa,
        "tendency": seen.tendency or None,
        "gust_m_s": seen.gust_m_s,
        "gust_estimated": seen.gust_estimated or None,
        "holds_m_s": view.holds_m_s,
        "ballast_kg": view.stand.ballast_kg,
        "draped": view.draped or None,
        "pegged": view.stand.pegged or None,
        "sheltered": (view.stand.sheltered_at is not None) or None,
        "here_at": view.here_at,
        "worst_m_s": view.worst_m_s,
        "front_at": view.now if seen.front else _front_at(view),
    }


def front_stays(view: View) -> bool:
    """Whether a gust front came so lately that it must be taken to be there."""
    front_at = _front_at(view)
    return front_at is not None and view.now - front_at < FRONT_STAYS


def _front_at(view: View) -> datetime | None:
    front_at = moment(remembered(view.evidence, "front_at"))
    return front_at if view.here_at is not None and front_at is not None and front_at <= view.now else None


def is_empty(evidence: Evidence) -> bool:
    """The ledger knows where all animals are, and none is in here."""
    assert evidence.stand is not None
    return not evidence.stand.cohorts and any(s.cohorts for s in evidence.stands)


def margin_of(view: View) -> float:
    """Gusts matter from what it holds on; once they did, until they are a fifth below it."""
    was = view.evidence.concern
    return 0.8 if was is not None and was.verdict.state is State.BREACH else 1.0


def has_pupae(stand: Stand) -> bool:
    """Whether pupae are in it: days indoors cost them their bearings."""
    return any(c.stage is Stage.PUPA for c in stand.cohorts)
