"""Anchoring: drag of the netting, sliding and tipping, kilograms, bricks, and when to stop adding them."""

import math

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from sensord.science.wind_load import (
    FRICTION_DRY,
    FRICTION_WET,
    AnchorKind,
    BallastNeeded,
    Failure,
    Frame,
    GustHeld,
    Range,
    advise,
    ballast_needed,
    drag_n,
    force_coefficient,
    gust_held,
)

TALL = Frame(width_m=0.60, depth_m=0.60, height_m=0.90, own_mass_kg=0.80)
SMALL = Frame(width_m=0.40, depth_m=0.40, height_m=0.60, own_mass_kg=0.40)


@pytest.mark.outside
def test_the_example_worked_by_hand():
    """q 117.236 Pa, drag 41.150 N, 14.930 kg against sliding, 8.638 kg against tipping: 8 bricks of 2 kg.

    Worked by hand with pencil and paper from the balance of force and moment, to three decimals.
    """
    assert drag_n(TALL, 15.0, 0.65) == pytest.approx(41.150, abs=0.001)
    needed = ballast_needed(TALL, 15.0, 0.65, friction=0.40)
    assert needed.sliding_kg == pytest.approx(14.930, abs=0.001)
    assert needed.tipping_kg == pytest.approx(8.638, abs=0.001)
    assert needed.fails_by is Failure.SLIDING
    advice = advise(TALL, 0.0, 15.0, 0.65, 0.40)
    assert (advice.kind, advice.bricks, advice.ballast_kg) == (AnchorKind.ADD_BALLAST, 8, 16.0)
    assert advice.add_kg == pytest.approx(14.930, abs=0.001)


# Worked apart from this code from the same balance, friction 0.4, safety factor 1.5, to three decimals:
# gust, frame, force coefficient, height factor → drag, ballast against sliding, against tipping.
ROWS = [
    (10.0, SMALL, 0.65, 0.85, 8.128, 2.707, 1.464),
    (15.0, SMALL, 0.65, 0.85, 18.289, 6.591, 3.795),
    (20.56, TALL, 0.65, 0.85, 77.309, 28.753, 16.932),
    (25.93, TALL, 0.65, 0.85, 122.968, 46.206, 27.404),
    (15.0, TALL, 1.30, 0.85, 82.300, 30.660, 18.076),
    (15.0, TALL, 0.65, 0.605, 29.289, 10.396, 5.918),
]


@pytest.mark.outside
@pytest.mark.parametrize(("gust", "frame", "coefficient", "height_factor", "drag", "sliding", "tipping"), ROWS)
def test_drag_and_ballast(gust, frame, coefficient, height_factor, drag, sliding, tipping):
    """Drag, and ballast against sliding and against tipping, of rows worked apart from this code."""
    assert drag_n(frame, gust, coefficient, height_factor) == pytest.approx(drag, abs=0.001)
    needed = ballast_needed(frame, gust, coefficient, 0.40, height_factor)
    assert needed.sliding_kg == pytest.approx(sliding, abs=0.001)
    assert needed.tipping_kg == pytest.approx(tipping, abs=0.001)


@pytest.mark.outside
@pytest.mark.parametrize(
    ("total_kg", "safety_factor", "sliding_m_s", "tipping_m_s"),
    [
        (0.8, 1.5, 3.38, 4.37),
        (0.8, 1.0, 4.14, 5.35),
        (2.8, 1.5, 6.33, 8.17),
        (2.8, 1.0, 7.75, 10.01),
        (5.8, 1.5, 9.11, 11.76),
        (5.8, 1.0, 11.16, 14.40),
        (10.8, 1.5, 12.43, 16.05),
        (10.8, 1.0, 15.22, 19.65),
        (15.8, 1.5, 15.03, 19.41),
    ],
)
def test_the_gust_held(total_kg, safety_factor, sliding_m_s, tipping_m_s):
    """Gusts at sliding and tipping of the tall box by total mass, worked apart from this code to 0.01 m/s."""
    held = gust_held(TALL, total_kg - TALL.own_mass_kg, 0.65, 0.40, safety_factor=safety_factor)
    assert held.sliding_m_s == pytest.approx(sliding_m_s, abs=0.006)
    assert held.tipping_m_s == pytest.approx(tipping_m_s, abs=0.006)
    assert held.gust_m_s == held.sliding_m_s


@pytest.mark.outside
@pytest.mark.parametrize("frame", [TALL, SMALL])
def test_sliding_governs_below_a_friction_of_base_over_height(frame):
    """A box slides before it tips if friction is below base over height, else it tips first (statics of a block)."""
    limit = frame.depth_m / frame.height_m
    assert gust_held(frame, 1.0, 0.65, limit - 0.01).fails_by is Failure.SLIDING
    assert gust_held(frame, 1.0, 0.65, limit + 0.01).fails_by is Failure.TIPPING
    assert ballast_needed(frame, 15.0, 0.65, limit - 0.01).fails_by is Failure.SLIDING
    assert ballast_needed(frame, 15.0, 0.65, limit + 0.01).fails_by is Failure.TIPPING


@pytest.mark.outside
@pytest.mark.parametrize(
    ("open_fraction", "wet", "covered", "expected"),
    [
        (0.5, False, False, (0.65, 0.65)),  # [TG20-13] netting
        (0.5, False, True, (1.30, 1.30)),  # [TG20-13] sheeting
        (0.5, True, False, (1.30, 1.30)),
        (0.36, False, False, (1.30, 1.30)),  # solidity 0.64: no credit, [Marchand2024]
        (0.25, False, False, (1.30, 1.30)),
        (0.4, False, False, (0.78, 0.78)),  # factor 1 − b, [RichardsRobinson1999]
        (0.5, None, False, (0.65, 1.30)),
        (0.5, False, None, (0.65, 1.30)),
        (0.0, False, False, (1.30, 1.30)),
        (0.99, False, False, (0.013, 0.013)),
        (None, False, False, (1.30, 1.30)),
        (None, None, None, (1.30, 1.30)),
    ],
)
def test_force_coefficient(open_fraction, wet, covered, expected):
    """Sheeting 1.30 and netting 0.65 as published; no credit for dense, wet, covered or unknown; a range if unsure."""
    assert force_coefficient(open_fraction, wet, covered) == pytest.approx(expected)


def test_friction_defaults_lie_within_the_published_design_values():
    """Both defaults lie between 0.3 and 0.5, the design values for wood and film. [EN12195-1]"""
    assert 0.3 <= FRICTION_WET < FRICTION_DRY <= 0.5


def test_uncertain_inputs_give_a_range_and_the_conservative_end_is_advised():
    """With netting that may be wet and a friction range, the advice follows the worst corner and shows both ends."""
    advice = advise(TALL, 2.0, Range(8.0, 9.0), force_coefficient(0.5, None, False), Range(0.30, 0.40))
    worst = ballast_needed(TALL, 9.0, 1.30, 0.30).ballast_kg
    best = ballast_needed(TALL, 8.0, 0.65, 0.40).ballast_kg
    assert advice.needed_kg == pytest.approx((best, worst))
    assert advice.add_kg == pytest.approx(worst - 2.0)
    assert advice.gust_held_m_s.low == pytest.approx(gust_held(TALL, 2.0, 1.30, 0.30).gust_m_s)
    assert advice.gust_held_m_s.high == pytest.approx(gust_held(TALL, 2.0, 0.65, 0.40).gust_m_s)


@pytest.mark.parametrize("gust_m_s", [20.56, 25.0, 25.93, 40.0])
def test_beyond_what_ballast_can_do_the_advice_is_to_peg_or_shelter(gust_m_s):
    """In an official wind advisory and beyond nobody is told to add two dozen bricks."""
    advice = advise(TALL, 0.0, gust_m_s, 0.65, 0.40)
    assert advice.kind is AnchorKind.PEG_OR_SHELTER
    assert (advice.add_kg, advice.bricks) == (0.0, 0)


def test_the_narrow_side_may_be_hit():
    """Turning the enclosure by a quarter changes nothing: the broad side and the narrow base always count."""
    assert gust_held(Frame(0.4, 0.8, 0.6, 1.0), 5.0, 0.65, 0.4) == gust_held(Frame(0.8, 0.4, 0.6, 1.0), 5.0, 0.65, 0.4)


def test_a_range_gives_the_conservative_end_everywhere():
    """Drag takes the highest coefficient, resistance the lowest friction."""
    wide = Range(0.65, 1.30)
    assert drag_n(TALL, 10.0, wide) == drag_n(TALL, 10.0, 1.30)
    assert gust_held(TALL, 1.0, wide, Range(0.3, 0.4)) == gust_held(TALL, 1.0, 1.30, 0.3)
    assert ballast_needed(TALL, 10.0, wide, Range(0.3, 0.4)) == ballast_needed(TALL, 10.0, 1.30, 0.3)


def test_a_box_that_slides_and_tips_at_once_slides():
    """Where both ways of failing are equally near, friction is what to do something about."""
    assert GustHeld(5.0, 5.0).fails_by is BallastNeeded(5.0, 5.0).fails_by is Failure.SLIDING
    assert BallastNeeded(-2.0, -1.0).ballast_kg == 0.0
    assert BallastNeeded(-2.0, 0.5).ballast_kg == 0.5


def test_without_wind_it_holds_and_says_what_would_give_way_first():
    """Nothing is needed; by a friction above base over height it would tip, below it slide."""
    for friction, failure in ((0.9, Failure.TIPPING), (0.3, Failure.SLIDING)):
        advice = advise(TALL, 0.0, 0.0, 0.65, friction)
        assert (advice.kind, advice.add_kg, advice.bricks, advice.by) == (AnchorKind.HOLDS, 0.0, 0, failure)
        assert advice.needed_kg == (0.0, 0.0)


def test_what_is_just_enough_is_enough():
    """The ballast that is needed holds; the most that is sensible is still added; two bricks' worth are two bricks."""
    needed_kg = ballast_needed(TALL, 15.0, 0.65, 0.40).ballast_kg
    assert advise(TALL, needed_kg, 15.0, 0.65, 0.40).kind is AnchorKind.HOLDS
    for short_kg in (1e-6, 1e-10):
        assert advise(TALL, needed_kg - short_kg, 15.0, 0.65, 0.40).bricks == 1
    assert advise(TALL, 0.0, 15.0, 0.65, 0.40, largest_ballast_kg=needed_kg).kind is AnchorKind.ADD_BALLAST
    assert advise(TALL, 0.0, 15.0, 0.65, 0.40, largest_ballast_kg=needed_kg - 1e-6).kind is AnchorKind.PEG_OR_SHELTER
    assert advise(TALL, 0.0, 15.0, 0.65, 0.40, brick_kg=needed_kg / 2 * (1 - 1e-12)).bricks == 2
    assert advise(TALL, 0.0, 15.0, 0.65, 0.40, brick_kg=needed_kg / 2 - 1e-6).bricks == 3


@pytest.mark.parametrize(("needed_kg", "kind"), [(19.99, AnchorKind.ADD_BALLAST), (20.01, AnchorKind.PEG_OR_SHELTER)])
def test_more_than_20_kg_are_neither_carried_nor_trusted(needed_kg, kind):
    """Unless it is said otherwise; bricks weigh two kilograms."""
    gust_m_s = gust_held(TALL, needed_kg, 0.65, 0.40).gust_m_s
    advice = advise(TALL, 0.0, gust_m_s, 0.65, 0.40)
    assert (advice.kind, advice.ballast_kg) == (kind, 20.0 if kind is AnchorKind.ADD_BALLAST else 0.0)


FRAMES = st.builds(Frame, st.floats(0.2, 2.0), st.floats(0.2, 2.0), st.floats(0.2, 2.5), st.floats(0.1, 20.0))
COEFFICIENTS = st.floats(0.1, 2.0)
FRICTIONS = st.floats(0.1, 1.0)


@given(FRAMES, st.floats(1, 60), COEFFICIENTS, FRICTIONS)
def test_ballast_round_trip(frame, gust, coefficient, friction):
    """The gust held with exactly the ballast needed is the gust that was asked for."""
    needed = ballast_needed(frame, gust, coefficient, friction)
    assume(0 < needed.ballast_kg <= 1000)
    assert gust_held(frame, needed.ballast_kg, coefficient, friction).gust_m_s == pytest.approx(gust, rel=1e-9)


@given(FRAMES, st.floats(1, 60), COEFFICIENTS, FRICTIONS)
def test_the_mass_grows_with_the_square_of_the_gust(frame, gust, coefficient, friction):
    """Twice the gust asks for four times the total mass, against sliding and against tipping."""
    once, twice = (ballast_needed(frame, v, coefficient, friction) for v in (gust, 2 * gust))
    for one, two in zip(once, twice, strict=True):
        assert two + frame.own_mass_kg == pytest.approx(4 * (one + frame.own_mass_kg), rel=1e-9)


@given(FRAMES, st.floats(0, 60), st.floats(0, 60), COEFFICIENTS, COEFFICIENTS, FRICTIONS, FRICTIONS)
def test_ballast_is_monotone(frame, gust_1, gust_2, drag_1, drag_2, friction_1, friction_2):
    """More gust, more drag or less friction never needs less ballast, nor does a taller box."""
    light = ballast_needed(frame, min(gust_1, gust_2), min(drag_1, drag_2), max(friction_1, friction_2))
    heavy = ballast_needed(frame, max(gust_1, gust_2), max(drag_1, drag_2), min(friction_1, friction_2))
    taller = ballast_needed(
        frame._replace(height_m=frame.height_m * 1.5),
        max(gust_1, gust_2),
        max(drag_1, drag_2),
        min(friction_1, friction_2),
    )
    assert light.ballast_kg <= heavy.ballast_kg <= taller.ballast_kg


@given(FRAMES, st.floats(0, 100), st.floats(0, 60), COEFFICIENTS, FRICTIONS, st.floats(0.5, 5))
def test_following_the_advice_helps(frame, ballast, gust, coefficient, friction, brick):
    """With the advised bricks on, the same question is answered by *holds*, and one brick fewer would not do."""
    advice = advise(frame, ballast, gust, coefficient, friction, brick_kg=brick)
    if advice.kind is not AnchorKind.ADD_BALLAST:
        assert advice.ballast_kg == ballast
        return
    assume(advice.add_kg > 1e-6)
    again = advise(frame, advice.ballast_kg + 1e-7, gust, coefficient, friction, brick_kg=brick)
    assert again.kind is AnchorKind.HOLDS
    assert advice.ballast_kg - brick < ballast + advice.add_kg


@given(FRAMES, st.floats(0, 100), st.floats(0.1, 60), COEFFICIENTS, FRICTIONS)
def test_holding_and_the_gust_held_agree(frame, ballast, gust, coefficient, friction):
    """*Holds* is said exactly when the gust is not above the gust held."""
    held = gust_held(frame, ballast, coefficient, friction).gust_m_s
    assume(not math.isclose(held, gust, rel_tol=1e-9))
    kind = advise(frame, ballast, gust, coefficient, friction).kind
    assert (kind is AnchorKind.HOLDS) == (gust <= held)


@pytest.mark.parametrize(
    "call",
    [
        lambda: drag_n(TALL._replace(height_m=0.0), 10.0, 0.65),
        lambda: drag_n(TALL, 10.0, 0.0),
        lambda: gust_held(TALL, -1.0, 0.65, 0.4),
        lambda: gust_held(TALL, 1.0, 0.65, 0.0),
        lambda: gust_held(TALL, 1.0, 0.65, math.nan),
        lambda: gust_held(TALL, 1.0, 0.65, 0.4, safety_factor=0.9),
        lambda: advise(TALL, 1.0, 10.0, 0.65, 0.4, brick_kg=0.0),
        lambda: force_coefficient(1.0, False, False),
        lambda: force_coefficient(-0.01, False, False),
        lambda: advise(TALL, 1.0, Range(10.0, 8.0), 0.65, 0.4),
    ],
)
def test_what_physics_rules_out_is_refused_in_words(call):
    """Out of range raises ValueError that names the quantity."""
    with pytest.raises(ValueError, match=r"must be between|open fraction|range runs"):
        call()
