"""What `storm` sees of an enclosure at one instant: the signs, what it holds, and what it remembers of this storm."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from pydantic import Field

from sensord.ledger import Stand
from sensord.rules import Evidence
from sensord.rules._anchoring import Held, Holding, is_draped
from sensord.rules._deadlines import kept
from sensord.rules._readings import Findings, moment, remembered
from sensord.rules._storm_signs import Signs, SignThresholds

FRONT_STAYS = timedelta(minutes=30)
"""So long after a gust front it is taken to be there, whatever the wind gauge says. Chosen."""
FORGOTTEN_AFTER = timedelta(hours=6)


class Thresholds(SignThresholds, Holding):
    """Thresholds of the rule."""

    calm_gust_m_s: float = Field(8, ge=2, le=20, description="the storm has passed below this [m/s]; chosen")


@dataclass(frozen=True, slots=True)
class StormView:
    """What the rule sees of one enclosure at one instant."""

    evidence: Evidence
    now: datetime
    held: Held
    signs: Signs
    holds_m_s: float
    here_at: datetime | None  # when a front or a strong gust was last there
    worst_m_s: float | None  # of this storm

    @property
    def stand(self) -> Stand:
        """How the enclosure stands."""
        return self.held.stand

    @property
    def thresholds(self) -> Thresholds:
        """The rule's thresholds."""
        p: Thresholds = self.evidence.parameters
        return p


def view_of(evidence: Evidence, now: datetime, held: Held, seen: Signs) -> StormView:
    """The view, with what the concern remembers of a storm that was here."""
    p: Thresholds = evidence.parameters
    gust = seen.gust_m_s or 0.0
    strong = gust >= (p.thundery_gust_m_s if seen.expected == "likely" else p.strong_gust_m_s)
    here_at = now if seen.front or strong else moment(remembered(evidence, "here_at"))
    if here_at is not None and not timedelta() <= now - here_at <= FORGOTTEN_AFTER:
        here_at = None
    worst = remembered(evidence, "worst_m_s") if here_at is not None else None
    known = float(worst) if isinstance(worst, int | float) else 0.0
    return StormView(
        evidence=evidence,
        now=now,
        held=held,
        signs=seen,
        holds_m_s=held.gust_m_s(seen.wet),
        here_at=here_at,
        worst_m_s=max(known, gust) if here_at is not None and seen.gust_m_s is not None else None,
    )


def facts_of(view: StormView) -> Findings:
    """The numbers that every verdict of this rule carries; `here_at`, `front_at` and `worst_m_s` are its memory."""
    seen = view.signs
    falls = seen.change_pa is not None and seen.change_pa < 0
    return {
        **kept(view.evidence),
        "pressure_change_pa": seen.change_pa,
        "pressure_fall_pa": -seen.change_pa if falls and seen.change_pa is not None else None,
        "tendency": seen.tendency or None,
        "gust_m_s": seen.gust_m_s,
        "gust_estimated": seen.gust_estimated or None,
        "holds_m_s": view.holds_m_s,
        "ballast_kg": view.stand.ballast_kg,
        "draped": is_draped(view.stand) or None,
        "pegged": view.stand.pegged or None,
        "sheltered": (view.stand.sheltered_at is not None) or None,
        "here_at": view.here_at,
        "worst_m_s": view.worst_m_s,
        "front_at": view.now if seen.front else _front_at(view),
    }


def front_stays(view: StormView) -> bool:
    """Whether a gust front came so lately that it must be taken to be there."""
    front_at = _front_at(view)
    return front_at is not None and view.now - front_at < FRONT_STAYS


def _front_at(view: StormView) -> datetime | None:
    front_at = moment(remembered(view.evidence, "front_at"))
    return front_at if view.here_at is not None and front_at is not None and front_at <= view.now else None
