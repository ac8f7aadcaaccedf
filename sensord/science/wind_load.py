"""How hard the wind pushes on an enclosure, which gust it stands, and what it takes to hold it.

The chain: gust → velocity pressure → drag of the netting → sliding and overturning, with a margin → kilograms, bricks,
or *peg it or shelter it*. Where an input is uncertain it is a `Range`, and the conservative end is what is advised.

This is arithmetic for a light box that stands free on the ground. Anything fixed to a building, a post or a tree is a
matter of local codes and licensed practice.
"""

from __future__ import annotations

import math
from enum import StrEnum
from typing import NamedTuple

from sensord.science.bounds import within
from sensord.science.wind import HEIGHT_FACTOR_LOWEST
from sensord.science.wind import velocity_pressure_pa as velocity_pressure_pa

GRAVITY_M_S2 = 9.81
SAFETY_FACTOR = 1.5
"""Resisting over driving load. A choice of ours, the usual order in practice for temporary structures."""

SOLID_FORCE_COEFFICIENT = 1.30
"""A closed, covered or soaked box. Source: [TG20-13] sheeting, normal to the wind."""

LARGEST_SOLIDITY = 0.6
"""Denser mesh than this gets no credit for being open: a fibrous screen can then drag more than a plate.
Source: [Marchand2024] (the phenomenon; the limit is a choice of ours)."""

FRICTION_DRY = 0.40
FRICTION_WET = 0.30
"""Fabric or wood on the ground. An assumption: 0.3 to 0.5 are design values for wood and film in [EN12195-1]; nothing
is published for an enclosure on grass. A pull with a spring scale, divided by the weight, measures the real one."""

DEFAULT_BRICK_KG = 2.0
DEFAULT_LARGEST_BALLAST_KG = 20.0
"""More than this is neither carried nor trusted: peg it or shelter it. A choice of ours."""


class Range(NamedTuple):
    """From the lowest to the highest value that an uncertain quantity may have."""

    low: float
    high: float


class Frame(NamedTuple):
    """An enclosure as the wind sees it."""

    width_m: float
    depth_m: float
    height_m: float
    own_mass_kg: float


class Failure(StrEnum):
    """What gives way first."""

    SLIDING = "sliding"
    TIPPING = "tipping"


class GustHeld(NamedTuple):
    """The gusts at which an enclosure would slide and tip, with the margin already taken off."""

    sliding_m_s: float
    tipping_m_s: float

    @property
    def gust_m_s(self) -> float:
        """The gust it holds: the smaller of the two [m/s]."""
        return min(self.sliding_m_s, self.tipping_m_s)

    @property
    def fails_by(self) -> Failure:
        """What gives way beyond that gust; sliding where both would."""
        return Failure.SLIDING if self.sliding_m_s <= self.tipping_m_s else Failure.TIPPING


class BallastNeeded(NamedTuple):
    """Mass beyond the enclosure's own against sliding and tipping; below zero, its own mass is more than enough."""

    sliding_kg: float
    tipping_kg: float

    @property
    def ballast_kg(self) -> float:
        """What it takes against both, 0 or more [kg], in all: not in addition to ballast already there."""
        return max(0.0, self.sliding_kg, self.tipping_kg)

    @property
    def fails_by(self) -> Failure:
        """The way of failing that asks for more; sliding where both ask the same."""
        return Failure.SLIDING if self.sliding_kg >= self.tipping_kg else Failure.TIPPING


class AnchorKind(StrEnum):
    """What to do about a gust."""

    HOLDS = "holds"
    ADD_BALLAST = "add ballast"
    PEG_OR_SHELTER = "peg or shelter"


class AnchorAdvice(NamedTuple):
    """What to do about a gust, and the figures behind it.

    With ADD_BALLAST, `add_kg` is the exact shortfall, `bricks` the whole bricks that cover it and `ballast_kg` the
    ballast in all once they are on. Otherwise nothing is to be added and `ballast_kg` is what is on now.
    """

    kind: AnchorKind
    add_kg: float
    bricks: int
    ballast_kg: float
    by: Failure
    needed_kg: Range
    gust_held_m_s: Range


def force_coefficient(open_fraction: float | None, wet: bool | None, covered: bool | None) -> Range:
    """Drag of a mesh box, by how open its netting is and whether water or a cover closes it.

    Dry mesh of effective porosity b drags 1.30 (1 − b). Soaked or draped with cloth or film, denser than a solidity
    of 0.6, or of unknown openness, it drags as if closed. Not known to be dry or bare (None): a range.

    Args:
        open_fraction: effective open share of the netting [1], 0 to below 1; None unknown
        wet: soaked, or about to be: rain comes with most gusts; None unknown
        covered: shade cloth, rain cover or film on it; None unknown
    Returns:
        force coefficient on the frontal area [1], lowest and highest

    The screen theory of plates gives up to half more for dry mesh of one half open; the safety factor covers it.
    Source: [RichardsRobinson1999] factor 1 − b; [TG20-13] 1.30 sheeting, 0.65 netting; [Marchand2024]
    """
    if open_fraction is not None and not 0.0 <= open_fraction < 1.0:
        raise ValueError(f"the open fraction of a netting is 0 to below 1, not {open_fraction:g}")
    closed = SOLID_FORCE_COEFFICIENT
    if wet or covered or open_fraction is None or open_fraction < 1.0 - LARGEST_SOLIDITY:
        return Range(closed, closed)
    dry = closed * (1.0 - open_fraction)
    return Range(dry, dry if wet is False and covered is False else closed)


def drag_n(
    frame: Frame, gust_m_s: float, force_coefficient: float | Range, height_factor: float = HEIGHT_FACTOR_LOWEST
) -> float:
    """Force of a gust on the broad side of an enclosure.

    Args:
        frame: the enclosure; its broad side is the larger of width and depth
        gust_m_s: peak gust at 10 m [m/s], 0–120
        force_coefficient: on the frontal area [1]; of a range, the highest counts
        height_factor: see `velocity_pressure_pa` [1]
    Returns:
        drag [N]

    Wind from a corner meets more area at a flatter angle: within the margin of the rest.
    Source: [ASCE7] F = q C A
    """
    _check(frame)
    area_m2 = max(frame.width_m, frame.depth_m) * frame.height_m
    return velocity_pressure_pa(gust_m_s, height_factor) * _coefficient(force_coefficient) * area_m2


def gust_held(
    frame: Frame,
    ballast_kg: float,
    force_coefficient: float | Range,
    friction: float | Range,
    height_factor: float = HEIGHT_FACTOR_LOWEST,
    safety_factor: float = SAFETY_FACTOR,
) -> GustHeld:
    """The gust that an enclosure holds against sliding and against tipping over its narrow base.

    Args:
        frame: the enclosure
        ballast_kg: mass added, centred on the floor [kg], 0–1,000
        force_coefficient: on the frontal area [1]; of a range, the highest counts
        friction: between floor and ground [1], above 0 to 1.5; of a range, the lowest counts
        height_factor: see `velocity_pressure_pa` [1]
        safety_factor: resisting over driving load [1], 1–5
    Returns:
        gusts at 10 m [m/s]

    Valid for a stiff box on level ground, without lift on its roof.
    Source: balance of force and of moment: μ m g = s F, m g d/2 = s F h/2
    """
    within("ballast", ballast_kg, 0.0, 1000.0, "kg")
    friction_low = _friction(friction)
    within("safety factor", safety_factor, 1.0, 5.0, "")
    drag_at_1_m_s = drag_n(frame, 1.0, force_coefficient, height_factor)
    weight_n = (frame.own_mass_kg + ballast_kg) * GRAVITY_M_S2
    drag_at_sliding_n = friction_low * weight_n / safety_factor
    drag_at_tipping_n = weight_n * min(frame.width_m, frame.depth_m) / frame.height_m / safety_factor
    return GustHeld(math.sqrt(drag_at_sliding_n / drag_at_1_m_s), math.sqrt(drag_at_tipping_n / drag_at_1_m_s))


def ballast_needed(
    frame: Frame,
    gust_m_s: float,
    force_coefficient: float | Range,
    friction: float | Range,
    height_factor: float = HEIGHT_FACTOR_LOWEST,
    safety_factor: float = SAFETY_FACTOR,
) -> BallastNeeded:
    """Mass to put on the floor of an enclosure for it to hold a gust: `gust_held` solved for the ballast.

    Args:
        frame: the enclosure
        gust_m_s: peak gust at 10 m [m/s], 0–120
        force_coefficient: on the frontal area [1]; of a range, the highest counts
        friction: between floor and ground [1], above 0 to 1.5; of a range, the lowest counts
        height_factor: see `velocity_pressure_pa` [1]
        safety_factor: resisting over driving load [1], 1–5
    Returns:
        mass beyond the enclosure's own [kg]

    Source: balance of force and of moment: m = s F / (μ g), m = s F h / (d g)
    """
    friction_low = _friction(friction)
    within("safety factor", safety_factor, 1.0, 5.0, "")
    load_kg = safety_factor * drag_n(frame, gust_m_s, force_coefficient, height_factor) / GRAVITY_M_S2
    sliding_kg = load_kg / friction_low
    tipping_kg = load_kg * frame.height_m / min(frame.width_m, frame.depth_m)
    return BallastNeeded(sliding_kg - frame.own_mass_kg, tipping_kg - frame.own_mass_kg)


def advise(
    frame: Frame,
    ballast_kg: float,
    gust_m_s: float | Range,
    force_coefficient: float | Range,
    friction: float | Range,
    height_factor: float = HEIGHT_FACTOR_LOWEST,
    safety_factor: float = SAFETY_FACTOR,
    brick_kg: float = DEFAULT_BRICK_KG,
    largest_ballast_kg: float = DEFAULT_LARGEST_BALLAST_KG,
) -> AnchorAdvice:
    """Whether an enclosure holds an expected gust, how much to add, or that ballast is no longer the answer.

    Args:
        frame: the enclosure
        ballast_kg: what is on it now [kg], 0–1,000
        gust_m_s: expected peak gust at 10 m [m/s], 0–120; of a range, the highest counts
        force_coefficient: on the frontal area [1]; of a range, the highest counts
        friction: between floor and ground [1], above 0 to 1.5; of a range, the lowest counts
        height_factor: see `velocity_pressure_pa` [1]
        safety_factor: resisting over driving load [1], 1–5
        brick_kg: mass of one brick, bag or jug [kg], 0.1–50
        largest_ballast_kg: most that is sensible on this enclosure [kg], 0–1,000
    Returns:
        the advice for the conservative end; `needed_kg` and `gust_held_m_s` span all uncertain inputs

    Source: `gust_held` and `ballast_needed`
    """
    within("mass of a brick", brick_kg, 0.1, 50.0, "kg")
    within("largest ballast", largest_ballast_kg, 0.0, 1000.0, "kg")
    gust, drag, grip = (_range(value) for value in (gust_m_s, force_coefficient, friction))
    worst = ballast_needed(frame, gust.high, drag.high, grip.low, height_factor, safety_factor)
    best = ballast_needed(frame, gust.low, drag.low, grip.high, height_factor, safety_factor)
    held_low = gust_held(frame, ballast_kg, drag.high, grip.low, height_factor, safety_factor)
    held_high = gust_held(frame, ballast_kg, drag.low, grip.high, height_factor, safety_factor)
    kind, add_kg, bricks = AnchorKind.HOLDS, 0.0, 0
    if worst.ballast_kg > ballast_kg:
        kind = AnchorKind.PEG_OR_SHELTER
        if worst.ballast_kg <= largest_ballast_kg:
            kind, add_kg = AnchorKind.ADD_BALLAST, worst.ballast_kg - ballast_kg
            bricks = max(1, math.ceil(add_kg / brick_kg - 1e-9))  # 4.000000000001 kg are two bricks, not three
    return AnchorAdvice(
        kind,
        add_kg,
        bricks,
        ballast_kg + bricks * brick_kg,
        held_low.fails_by,
        Range(best.ballast_kg, worst.ballast_kg),
        Range(held_low.gust_m_s, held_high.gust_m_s),
    )


def _range(value: float | Range) -> Range:
    if not isinstance(value, Range):
        return Range(value, value)
    if not value.low <= value.high:
        raise ValueError(f"a range runs from its lowest to its highest value, not from {value.low:g} to {value.high:g}")
    return value


def _coefficient(value: float | Range) -> float:
    coefficient = _range(value).high
    within("force coefficient", coefficient, 0.01, 3.0, "")
    return coefficient


def _friction(value: float | Range) -> float:
    friction = _range(value).low
    within("friction", friction, 0.01, 1.5, "")
    return friction


def _check(frame: Frame) -> None:
    for name, metres in (("width", frame.width_m), ("depth", frame.depth_m), ("height", frame.height_m)):
        within(f"{name} of an enclosure", metres, 0.05, 10.0, "m")
    within("mass of an enclosure", frame.own_mass_kg, 0.0, 500.0, "kg")
