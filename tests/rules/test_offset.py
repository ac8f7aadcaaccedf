"""Offset: what an enclosure adds to the air, and whether the enclosure, its probe or the post is the reason."""

from __future__ import annotations

import random
from dataclasses import replace
from datetime import timedelta
from typing import Any

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
from sensord.rules import Seen
from sensord.rules.offset import RULE
from tests.rules.scenes import NOON, SITE, Curve, cohort, enclosure, entry, evidence, pair, probe, seen

HOUR = timedelta(hours=1)
NIGHT = NOON + 11 * HOUR
BIRCH = probe("birch-1", "birch")
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
        known._replace(stand=None)
        if missing == "stand"
        else known._replace(series={name: them for name, them in known.series.items() if name != missing})
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


# --- to the point -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("offset_k", "reason", "easing"),
    [
        (6.0, "probe in the sun", False),
        (5.99, "warm", False),
        (3.0, "warm", False),
        (2.99, "as usual", True),
        (2.0, "as usual", True),
        (1.99, "as usual", False),
        (-2.99, "as usual", False),
        (-3.0, "ambient in the sun", False),
    ],
)
def test_what_an_offset_means_by_day_to_the_point(offset_k: float, reason: str, easing: bool) -> None:
    """On open mesh: 3 K are warm, 6 K are no air, 3 K below the post are the post's fault; a kelvin less is nearly so."""
    verdict = decide(27.0 + offset_k, 27.0)
    assert (verdict.reason, verdict.easing) == (reason, easing)
    if verdict.advice is not None:
        assert verdict.advice.holds_until == NOON + 3 * HOUR


@pytest.mark.parametrize(
    ("offset_k", "reason"), [(5.0, "warm in the dark"), (4.99, "as usual"), (-2.99, "as usual"), (-3.0, "colder")]
)
def test_what_an_offset_means_by_night_to_the_point(offset_k: float, reason: str) -> None:
    """5 K up or 3 K down can't be the sun."""
    assert decide(10.0 + offset_k, 10.0, NIGHT).reason == reason


def test_in_the_twilight_the_sun_neither_warms_nor_is_away() -> None:
    """What is far off is then nobody's fault yet."""
    dusk = NOON + 6 * HOUR + timedelta(minutes=40)
    assert decide(33.0, 27.0, dusk).reason == "as usual"


def test_a_cover_makes_more_plausible() -> None:
    """4 K more before it is the probe; what is configured outranks the kind, and never is far less than warm."""
    covered = [entry(What.COVERED, NOON - HOUR)]
    assert [decide(27.0 + k, 27.0, entries=covered).reason for k in (9.99, 10.0)] == ["warm", "probe in the sun"]
    for k, reason in ((8.99, "as usual"), (9.0, "probe in the sun")):
        assert decide(27.0 + k, 27.0, parameters={"warm_k": 9.0}).reason == reason
    for k, reason in ((3.99, "warm"), (4.0, "probe in the sun")):
        assert decide(27.0 + k, 27.0, parameters={"far_k": 4.0}).reason == reason


@pytest.mark.parametrize(
    ("inside_c", "ambient_c", "severity", "hot"),
    [
        (28.99, 22.0, Severity.MINOR, None),
        (29.0, 22.0, Severity.MODERATE, True),
        (37.99, 30.0, Severity.MODERATE, True),
        (38.0, 30.0, Severity.SEVERE, True),
    ],
)
def test_how_much_a_probe_in_the_sun_may_hide(
    inside_c: float, ambient_c: float, severity: Severity, hot: bool | None
) -> None:
    """Heat that larvae mind from 29 °C on, and from 38 °C on there is no time to lose. In an empty cage it is a note."""
    verdict = decide(inside_c, ambient_c)
    assert (verdict.severity, verdict.numbers.get("hot"), verdict.numbers["unshaded"]) == (severity, hot, True)
    two = [enclosure(), enclosure("alder")]
    assert decide(inside_c, ambient_c, cages=two, cohorts=[cohort("alder")]).severity is Severity.MINOR
    assert "unshaded" not in decide(inside_c, ambient_c, cages=[enclosure(shaded=True)]).numbers


def test_warmth_is_welcome_below_25_degrees() -> None:
    """From there on air is let in, or shade put up: air where it is shaded or covered already."""
    assert decide(24.99, 21.0).reason == "welcome warmth"
    for what, action in ((None, "shade"), (What.SHADED, "add airflow"), (What.COVERED, "add airflow")):
        verdict = decide(25.0, 21.0, entries=[entry(what, NOON - 3 * HOUR)] if what else [])
        assert verdict.advice is not None
        assert (verdict.reason, verdict.advice.action) == ("warm", action)
        assert verdict.numbers.get("covered") is (True if what is What.COVERED else None)


def test_half_sunlit_is_not_sunlit() -> None:
    """More than half of the readings must be marked so, and the offset be more than is usual: 0.8 K."""
    of, air = probe("birch-1", "birch"), pair(0.0, 0.0, NOON, 2)["ambient"]

    def said(offset_k: float, marked: int) -> str:
        sent = seen(of, offset_k, NOON, 2)
        doubts = [0] * (len(sent.times_s) - marked) + [int(Doubt.SUNLIT)] * marked
        series = {"inside": [Seen.of(of, sent.times_s, sent.values, doubts)], "ambient": air}
        return RULE.decide(evidence(RULE, series, NOON, parameters={"window_min": 16}), NOON).reason

    assert [said(0.8, marked) for marked in (8, 9)] == ["as usual", "probe in the sun"]
    assert said(0.79, 16) == "as usual"


def jumping(middle_k: float, spread_k: float) -> Curve:
    """Every fifth reading above and every fifth below a level."""
    cycle = [middle_k - spread_k / 2, middle_k, middle_k, middle_k, middle_k + spread_k / 2]
    return lambda h: cycle[round(-60 * h) % 5]


@pytest.mark.parametrize(
    ("kind", "middle_k", "spread_k", "spiky"),
    [
        (Kind.OPEN_MESH, 4.5, 3.0, True),
        (Kind.OPEN_MESH, 4.5, 2.98, False),
        (Kind.OPEN_MESH, 4.49, 3.0, False),
        (Kind.PORCH, 6.0, 3.0, True),
        (Kind.CLEAR_BOX, 11.5, 9.0, False),  # the air of a box jumps, too
    ],
)
def test_what_jumps_about_is_no_air(kind: Kind, middle_k: float, spread_k: float, spiky: bool) -> None:
    """Halfway from warm to far, by 3 K and more."""
    verdict = decide(jumping(middle_k, spread_k), 0.0, kind=kind)
    assert (verdict.reason == "probe in the sun") is spiky


def test_over_which_time_an_offset_is_taken() -> None:
    """The middle of a quarter of an hour, as configured, or of three and a half intervals of the slower probe."""
    minutes: Curve = lambda h: 60.0 * h  # noqa: E731  # of an offset that grows steadily the middle is that of the time
    assert decide(minutes, 0.0).numbers["offset_k"] == pytest.approx(-8.0)
    assert decide(minutes, 0.0, parameters={"window_min": 20}).numbers["offset_k"] == pytest.approx(-10.5)
    late = pair(minutes, 0.0, NOON - timedelta(seconds=5), 2)
    assert RULE.decide(evidence(RULE, late, NOON), NOON).numbers["offset_k"] == pytest.approx(-7.5), "not the fifteenth"
    rare = probe("birch-1", "birch", interval_s=900.0)
    at = NOON - timedelta(seconds=360)
    series = {"inside": [seen(rare, minutes, at, 3)], "ambient": [seen(rare, 0.0, at, 3)]}
    offset_k = RULE.decide(evidence(RULE, series, NOON), NOON).numbers["offset_k"]
    assert offset_k == pytest.approx(-30.0), "of 21, 36 and 51 minutes ago the middle one"
    often = {**series, "ambient": [seen(replace(rare, interval_s=60.0), 0.0, NOON, 3)]}
    assert RULE.decide(evidence(RULE, often, NOON), NOON).numbers["offset_k"] == pytest.approx(-30.0)


@pytest.mark.parametrize(
    ("interval_s", "count", "reason"), [(300.0, 2, "no pairs"), (300.0, 3, "as usual"), (301.0, 1, "as usual")]
)
def test_how_many_pairs_there_must_be(interval_s: float, count: int, reason: str) -> None:
    """Three, or one of probes that report more rarely than every five minutes; never none."""
    rare = probe("birch-1", "birch", interval_s=900.0)
    apart = {"inside": [seen(rare, 0.0, NOON, 0.25)], "ambient": [seen(BIRCH, 0.0, NOON, 1 / 60)]}
    assert RULE.decide(evidence(RULE, apart, NOON), NOON).reason == "no pairs"
    of = probe("birch-1", "birch", interval_s=interval_s)
    series = {need: [seen(of, 0.0, NOON, (count + 0.5) * interval_s / 3600)] for need in ("inside", "ambient")}
    assert RULE.decide(evidence(RULE, series, NOON), NOON).reason == reason


@pytest.mark.parametrize(("minutes", "offset_k", "reason"), [(23, -4.0, "colder"), (22, -8.0, "as usual")])
def test_a_fault_is_one_of_three_quarters_of_an_hour(minutes: int, offset_k: float, reason: str) -> None:
    """Of 45 readings most must say so."""
    assert decide(lambda h: offset_k if round(-60 * h) <= minutes else 0.0, 0.0, NIGHT).reason == reason
    warm = "warm in the dark" if reason == "colder" else reason
    assert decide(lambda h: 2 * -offset_k if round(-60 * h) <= minutes else 0.0, 0.0, NIGHT).reason == warm


def test_the_air_of_a_post_that_is_just_out_of_the_window_is_still_known() -> None:
    """A pair may reach a little beyond it."""
    of = replace(probe("birch-1", "birch"), interval_s=30.0)
    now = NOON.timestamp()
    series = {
        "inside": [Seen.of(of, [now - 900, now - 870, now - 840], [21.0, 22.0, 23.0], [0] * 3)],
        "ambient": [Seen.of(of, [now - 1500, now - 930], [10.0, 20.0], [0, 0])],
    }
    numbers = RULE.decide(evidence(RULE, series, NOON), NOON).numbers
    assert (numbers["inside_c"], numbers["ambient_c"], numbers["offset_k"]) == (22.0, 20.0, 2.0)


@pytest.mark.parametrize(
    ("changes", "left"),
    [
        ({}, True),
        ({"standing": Standing.ANSWERED}, True),
        ({"standing": Standing.FORMING}, False),
        ({"unknown_since": NOON}, False),
        ({"verdict": Verdict("overheating", "birch", State.FINE, NOON, "warm")}, False),
    ],
)
def test_heat_is_left_to_who_tells_of_it_now(changes: dict[str, Any], left: bool) -> None:
    """Only where the keeper is being told, and by a rule that knows."""
    (concern,) = standing("overheating", "birch", "shade").values()
    others = {concern.key: replace(concern, **changes)}
    for inside_c, reason in ((35.0, "warm"), (40.0, "probe in the sun")):
        verdict = decide(inside_c, 31.0, others=others)
        assert verdict.reason == ("left to overheating" if left else reason)
        assert verdict.easing is left


def test_what_is_sheltered_is_not_compared_and_a_post_that_is_only_missing_is() -> None:
    """Out of the garden's air its offset says nothing; of the post's matters only one makes all offsets wrong."""
    assert decide(33.0, 27.0, entries=[entry(What.SHELTERED, NOON - HOUR)]).reason == "sheltered"
    assert decide(31.0, 27.0, others=standing("ambient", "", "missing")).reason == "warm"
    (concern,) = standing("ambient", "", "wrong").values()
    over = replace(concern, verdict=replace(concern.verdict, state=State.FINE))
    assert decide(31.0, 27.0, others={over.key: over}).reason == "warm"
