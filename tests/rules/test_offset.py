"""Offset: what an enclosure adds to the air, and whether the enclosure, its probe or the post is the reason."""

from __future__ import annotations

import random
from dataclasses import replace
from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sensord.language import Catalogue
from sensord.model import (
    AMBIENT,
    Advice,
    Certainty,
    Concern,
    Doubt,
    Kind,
    Quantity,
    Severity,
    Standing,
    State,
    Verdict,
    What,
)
from sensord.rules.offset import RULE
from tests.rules.scenes import NOON, SITE, Curve, enclosure, entry, evidence, pair, probe, seen

HOUR = timedelta(hours=1)
NIGHT = NOON + 11 * HOUR
KINDS = {kind: enclosure(kind=kind) for kind in Kind}


def decide(inside: Curve | float, ambient: Curve | float, now=NOON, kind: Kind = Kind.OPEN_MESH, **more) -> Verdict:  # type: ignore[no-untyped-def]
    more.setdefault("cages", [KINDS[kind]])
    return RULE.decide(evidence(RULE, pair(inside, ambient, now, hours=2), now, **more), now)


@pytest.mark.outside
@pytest.mark.parametrize(
    ("kind", "offset_k"),
    [(Kind.OPEN_MESH, 0.3), (Kind.OPEN_MESH, 0.8), (Kind.CLEAR_BOX, 2.8), (Kind.CLEAR_BOX, 5.0)],
)
def test_the_offsets_of_the_trade_are_as_usual(kind: Kind, offset_k: float) -> None:
    """A ventilated mesh tent 0.3–0.8 K and a closed box in the sun 2.8–5 K above ambient: common practice, no source."""
    assert (decide(27.0 + offset_k, 27.0, kind=kind).state) is State.FINE


def test_a_kind_that_runs_warm_is_not_scolded_for_it() -> None:
    """What is usual for a box is too warm for an open mesh."""
    assert decide(32.0, 27.0, kind=Kind.CLEAR_BOX).state is State.FINE
    warm = decide(31.5, 27.0, kind=Kind.OPEN_MESH)
    assert (warm.state, warm.reason, warm.severity) == (State.BREACH, "warm", Severity.MINOR)
    assert warm.advice is not None
    assert warm.advice.action == "shade"


@pytest.mark.outside
def test_twelve_degrees_on_an_open_mesh_speak_of_the_probe() -> None:
    """+12 °C on dry open mesh under a clear sky: shield the probe, and shade the cage; the text says both.

    Source: Maclean et al. (2021), Methods in Ecology and Evolution, abstract: an unshielded sensor's error reaches 25 °C.
    """
    verdict = decide(42.0, 30.0)
    assert (verdict.reason, verdict.certainty) == ("probe in the sun", Certainty.POSSIBLE)
    assert verdict.advice is not None
    assert verdict.advice.action == "shield probe"
    assert verdict.severity is Severity.SEVERE, "it may be real after all"
    text = Catalogue.load().find("offset", "probe in the sun")
    assert text is not None
    words = "".join(piece for part in text.text for piece, is_name in part.pieces if not is_name)
    assert "Shade the cage" in words
    assert "over it" in words


@pytest.mark.outside
def test_a_cool_sunlit_probe_is_a_small_matter() -> None:
    """The same by 15 °C ambient hides no heat that larvae mind (29 °C: York & Oberhauser 2002, abstract)."""
    assert decide(27.0, 15.0).severity is Severity.MINOR


def test_the_median_is_not_moved_by_single_readings() -> None:
    """A few wild minutes among a quarter of an hour change nothing."""
    wild: Curve = lambda h: 60.0 if -0.1 < h < -0.05 else 27.5  # noqa: E731  # a curve reads best as one
    verdict = decide(wild, 27.0)
    assert verdict.state is State.FINE
    assert verdict.numbers["offset_k"] == 0.5


def test_pairs_are_of_the_same_time() -> None:
    """Both warm by 6 K an hour and report at different paces: the offset is that of equal times."""
    rising: Curve = lambda h: 27.0 + 6.0 * h  # noqa: E731
    series = {
        "inside": [seen(probe("birch-1", "birch"), lambda h: rising(h) + 1.0, NOON, 2)],
        "ambient": [seen(probe("post", AMBIENT, interval_s=300.0), rising, NOON, 2)],
    }
    offset = RULE.decide(evidence(RULE, series, NOON), NOON).numbers["offset_k"]
    assert offset == pytest.approx(1.0, abs=0.15)


@pytest.mark.parametrize(("now", "irradiance"), [(NIGHT, None), (NOON, 60.0)])
def test_without_sun_a_large_offset_is_a_fault(now, irradiance) -> None:  # type: ignore[no-untyped-def]
    """By night, and under a closed sky, +6 °C is a probe that is wrong: no shade is advised."""
    series = pair(21.0, 15.0, now, 2)
    if irradiance is not None:
        series["irradiance"] = [seen(probe("sun", AMBIENT, Quantity.IRRADIANCE), irradiance, now, 2)]
    verdict = RULE.decide(evidence(RULE, series, now), now)
    assert (verdict.reason, verdict.severity) == ("warm in the dark", Severity.MODERATE)
    assert verdict.advice is not None
    assert verdict.advice.action == "check probe"


def test_a_post_that_is_warmer_than_a_cage_by_day_stands_in_the_sun() -> None:
    """Nothing cools a cage 4 °C below shaded air by day: the post is to be looked at. By night, either probe."""
    day, night = decide(24.0, 28.0), decide(12.0, 16.0, NIGHT)
    assert day.advice is not None
    assert night.advice is not None
    assert (day.reason, day.advice.action) == ("ambient in the sun", "check ambient")
    assert (night.reason, night.advice.action) == ("colder", "check probe")


def test_a_front_that_two_probes_follow_at_two_speeds_is_no_fault() -> None:
    """For a quarter of an hour the cage is 4 °C ahead of the post: half an hour before it was not, so nobody is wrong."""
    assert decide(lambda h: 28.0 if h < -0.3 else 20.0, lambda h: 28.0 if h < -0.3 else 24.0).state is State.FINE


def standing(rule: str, subject: str, reason: str) -> dict[str, Concern]:
    verdict = Verdict(rule, subject, State.BREACH, NOON, reason, Severity.MODERATE, advice=Advice("shade"))
    concern = Concern(SITE.name, rule, subject, Standing.OPEN, verdict, NOON)
    return {concern.key: concern}


def test_a_wrong_post_makes_the_offset_unknown() -> None:
    """While the post is called wrong, no enclosure is judged by it."""
    verdict = decide(33.0, 27.0, others=standing("ambient", "", "wrong"))
    assert (verdict.state, verdict.reason) == (State.UNKNOWN, "ambient wrong")


def test_heat_that_is_told_is_not_told_twice() -> None:
    """While `overheating` speaks of the enclosure, the offset neither opens nor ends a matter of its own."""
    verdict = decide(35.0, 31.0, others=standing("overheating", "birch", "shade"))
    assert (verdict.state, verdict.easing) == (State.FINE, True)
    unknown = standing("overheating", "birch", "shade")
    concern = replace(next(iter(unknown.values())), unknown_since=NOON)
    assert decide(42.0, 30.0, others={concern.key: concern}).reason == "probe in the sun"


def test_welcome_warmth_is_not_told() -> None:
    """4 °C above 18 °C is warmth that larvae seek."""
    assert decide(22.0, 18.0).reason == "welcome warmth"


def test_a_cover_is_named_as_the_reason() -> None:
    """A rain cover keeps the air in: air is advised, not shade."""
    verdict = decide(31.5, 27.0, entries=[entry(What.COVERED, NOON - HOUR)])
    assert verdict.advice is not None
    assert (verdict.advice.action, verdict.numbers["covered"]) == ("add airflow", True)


def test_a_mark_of_quality_is_believed() -> None:
    """Readings that quality marks as sunlit make it the probe, a little above the usual already."""
    assert decide(29.5, 27.0).state is State.FINE
    series = pair(29.5, 27.0, NOON, 2, int(Doubt.SUNLIT))
    assert RULE.decide(evidence(RULE, series, NOON), NOON).reason == "probe in the sun"


def test_spikes_far_above_the_kind_are_the_sun_on_the_probe() -> None:
    """5 °C above ambient and jumping by as much from minute to minute: that is no air."""
    chance = random.Random(3)
    jumps: Curve = lambda h: 32.0 + chance.choice((-2.5, 2.5))  # noqa: E731
    assert decide(jumps, 27.0).reason == "probe in the sun"


@pytest.mark.parametrize(
    ("missing", "reason"), [("inside", "no inside"), ("ambient", "no ambient"), ("stand", "no enclosure")]
)
def test_what_is_missing_is_unknown(missing: str, reason: str) -> None:
    """Without one of the two temperatures there is no offset, and nothing is called fine."""
    known = evidence(RULE, pair(28.0, 27.0, NOON, 2), NOON)
    lacking = (
        replace(known, stand=None)
        if missing == "stand"
        else replace(known, series={name: them for name, them in known.series.items() if name != missing})
    )
    verdict = RULE.decide(lacking, NOON)
    assert (verdict.state, verdict.reason) == (State.UNKNOWN, reason)


@given(st.floats(-20, 45), st.floats(0.0, 2.9), st.integers(0, 23))
def test_an_ordinary_offset_is_fine_at_any_hour(ambient: float, offset: float, hour: int) -> None:
    """Less than its kind's limit, at whatever hour and temperature: never a breach."""
    now = NOON + hour * HOUR
    assert decide(ambient + offset, ambient, now).state is State.FINE


@given(st.floats(3.2, 20.0), st.floats(0.1, 5.0))
def test_more_offset_is_never_less_of_a_matter(offset: float, more: float) -> None:
    """By day and in the warm, severity does not fall as the offset grows."""
    assert decide(26.0 + offset + more, 26.0).severity >= decide(26.0 + offset, 26.0).severity
