"""What the rules read from evidence: tracks, pairs in time, medians, slopes; and how a verdict's numbers are written."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta, timezone

import pytest

from sensord import rules
from sensord.model import Quantity, What
from sensord.rules import all_rules
from sensord.rules._readings import best_of, iso, middle, moment, numbers, pairs, round_up, slope_per_h
from sensord.rules._tracks import NOTHING, Seen, Track
from tests.rules.scenes import NOON, enclosure, entry, evidence, probe
from tests.rules.scenes import seen as of_seen
from tests.rules.scenes import watch as watching

NOW = NOON.timestamp()


def track(*points: tuple[float, float], interval_s: float = 60.0) -> Track:
    """Of (seconds from now, value)."""
    return Track.of([NOW + t for t, _ in points], [v for _, v in points], bytes(len(points)), interval_s)


def seen(*points: tuple[float, float], interval_s: float = 60.0) -> Seen:
    of = probe("any", "birch", interval_s=interval_s)
    return Seen.of(of, [NOW + t for t, _ in points], [v for _, v in points], bytes(len(points)))


@pytest.mark.parametrize(
    ("intervals", "apart_s", "matched"),
    [((60, 60), 90, True), ((60, 60), 90.1, False), ((60, 300), 225, True), ((300, 60), 225.1, False)],
)
def test_a_pair_is_of_readings_that_are_near_enough(
    intervals: tuple[float, float], apart_s: float, matched: bool
) -> None:
    """A minute and a half, or three quarters of the slower probe's interval."""
    inside, outside = (
        track((-600, 30.0), interval_s=intervals[0]),
        track((-600 + apart_s, 27.0), interval_s=intervals[1]),
    )
    found = pairs(inside, outside, NOW - 600, NOW)
    assert list(found.differences) == ([3.0] if matched else [])


@pytest.mark.parametrize(("count", "spread"), [(4, 0.0), (5, 4.0), (9, 8.0), (10, 7.0), (19, 16.0), (20, 15.0)])
def test_the_spread_leaves_out_a_tenth_on_either_side(count: int, spread: float) -> None:
    """Of the differences 0, 1, 2 …: from the tenth to the ninetieth percentile; none is told of fewer than five."""
    inside = track(*((-60.0 * (count - i), float(i)) for i in range(count)))
    outside = track(*((-60.0 * (count - i), 0.0) for i in range(count)))
    assert pairs(inside, outside, NOW - 9000, NOW).spread() == spread


def test_a_slope_needs_three_readings_and_ten_minutes() -> None:
    """Exact for a line, whatever the steps; of 0, 3, 0 at equal steps it is 0."""
    assert slope_per_h(track((-600, 20.0), (-100, 20.5), (0, 20.6))) == pytest.approx(3.6)
    assert slope_per_h(track((-600, 1.0), (-300, 2.0), (0, 3.0))) == pytest.approx(12.0)
    assert slope_per_h(track((-600, 0.0), (-300, 3.0), (0, 0.0))) == pytest.approx(0.0)
    assert slope_per_h(track((-600, 20.0), (0, 21.0))) is None
    assert slope_per_h(track((-599, 20.0), (-300, 20.5), (0, 21.0))) is None
    assert slope_per_h(NOTHING) is None


def test_the_middle_of_nothing_is_nothing() -> None:
    """Of an even number it lies between the two."""
    assert middle(NOTHING) is None
    assert middle(track((-60, 1.0), (0, 4.0))) == 2.5


def test_of_several_probes_the_first_that_is_fresh_speaks() -> None:
    """Else the first that has anything; what lies beyond what can be measured is no reading, its bounds are."""
    old, older, now = seen((-1201, 1.0)), seen((-5000, 2.0)), seen((-1200, 3.0))
    assert list(best_of((old, now), NOW, 0.0, 9.0).values) == [3.0]
    assert list(best_of((older, old), NOW, 0.0, 9.0).values) == [2.0]
    assert list(best_of((seen(), older), NOW, 0.0, 9.0).values) == [2.0]
    assert best_of((), NOW, 0.0, 9.0) is NOTHING
    assert list(best_of((seen((-60, -0.1), (-50, 0.0), (-40, 9.0), (-30, 9.1)),), NOW, 0.0, 9.0).values) == [0.0, 9.0]


def test_where_no_bounds_are_named_all_is_a_reading() -> None:
    """For rules from elsewhere, of any quantity."""
    known = evidence(all_rules()["frost"], {"any": [seen((-60, -999.0), (-30, 99_000.0))]}, NOON)
    assert list(rules.track(known, "any", NOON).values) == [-999.0, 99_000.0]


def test_a_reading_is_of_now_for_twenty_minutes_or_two_and_a_half_intervals() -> None:
    """Whichever is longer, to the second."""
    assert track((-1200, 1.0)).is_fresh(NOW)
    assert not track((-1201, 1.0)).is_fresh(NOW)
    assert track((-2250, 1.0), interval_s=900.0).is_fresh(NOW)
    assert not track((-2251, 1.0), interval_s=900.0).is_fresh(NOW)
    assert not NOTHING.is_fresh(NOW)


def test_the_numbers_of_a_verdict_are_what_can_be_meant() -> None:
    """Three decimals, instants to the second in UTC; what is unknown or no number is left out."""
    facts = {"a": 1.23456, "b": 7, "c": None, "d": math.nan, "e": math.inf, "f": "so", "g": NOON, "h": True}
    assert numbers(facts) == {"a": 1.235, "b": 7, "f": "so", "g": "2026-08-20T17:37:00+00:00", "h": True}
    summer = NOON.astimezone(timezone(timedelta(hours=-4)))
    assert iso(summer) == iso(NOON)


@pytest.mark.parametrize("nothing", [None, 3.0, True, "soon", "2026-08-20T17:37:00"])
def test_only_an_instant_with_its_zone_is_a_moment(nothing: object) -> None:
    """What a verdict carries as text comes back as it was."""
    assert moment(iso(NOON)) == NOON
    assert moment(nothing) is None  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("minute", "second", "told"), [(0, 0, (0, 0)), (0, 1, (0, 15)), (15, 0, (0, 15)), (46, 0, (1, 0))]
)
def test_deadlines_are_told_in_whole_quarters(minute: int, second: int, told: tuple[int, int]) -> None:
    """The next one, or this very instant."""
    at = datetime(2026, 8, 20, 0, minute, second, tzinfo=UTC)
    assert round_up(at) == datetime(2026, 8, 20, *told, tzinfo=UTC)


# --- what can be measured ---------------------------------------------------------------------------------------------

LATE = NOON + 6 * timedelta(hours=1)
SHADE_ON = [entry(What.SHADED, LATE - timedelta(hours=30))]
AIR, INSIDE = (-60.0, 60.0), (-60.0, 90.0)


@pytest.mark.parametrize(
    ("rule", "need", "bounds", "unknown"),
    [
        ("frost", "inside", INSIDE, "no inside"),
        ("overheating", "inside", INSIDE, "no inside"),
        ("offset", "inside", INSIDE, "no inside"),
        ("offset", "ambient", AIR, "no ambient"),
        ("shade", "inside", INSIDE, "no temperature"),
        ("shade", "ambient", AIR, "no temperature"),
        ("ambient", "ambient", AIR, "missing"),
    ],
)
def test_what_no_place_in_a_garden_has_is_no_reading(
    rule: str, need: str, bounds: tuple[float, float], unknown: str
) -> None:
    """Air of −60 to 60 °C, in a closed box of up to 90; both included."""
    of, post = probe("birch-1", "birch"), probe("post", "ambient")
    other = {"offset": {"inside": 20.0, "ambient": 20.0}}.get(rule, {})

    def reason(value: float) -> str:
        series = {n: [of_seen(post if n == "ambient" else of, v, LATE, 1)] for n, v in {**other, need: value}.items()}
        known = evidence(
            all_rules()[rule], series, LATE, subject="" if rule == "ambient" else "birch", entries=SHADE_ON,
            probes=(of, post), watch=watching(LATE, {"birch-1": LATE, "post": LATE}),
        )  # fmt: skip
        return all_rules()[rule].decide(known, LATE).reason

    low, high = bounds
    assert unknown not in (reason(low), reason(high))
    assert reason(low - 0.1) == reason(high + 0.1) == unknown


@pytest.mark.parametrize(("value", "counts"), [(-60.1, False), (-60.0, True), (90.0, True), (90.1, False)])
def test_what_the_post_is_compared_with_is_what_a_cage_can_have(value: float, counts: bool) -> None:
    """Or it is no enclosure to be compared."""
    probes = [probe(f"{name}-1", name) for name in ("birch", "alder")]
    post = probe("post", "ambient")
    series = {"inside": [of_seen(p, value, NOON, 1) for p in probes], "ambient": [of_seen(post, 20.0, NOON, 1)]}
    known = evidence(
        all_rules()["ambient"], series, NOON, subject="", cages=[enclosure(), enclosure("alder")],
        probes=(*probes, post), watch=watching(NOON, {"post": NOON}),
    )  # fmt: skip
    assert ("offset_k" in all_rules()["ambient"].decide(known, NOON).numbers) is counts


@pytest.mark.parametrize("rule", ["offset", "ambient"])
@pytest.mark.parametrize(
    ("most", "few", "dark"), [(0.0, 0.0, True), (-1.0, -1.0, False), (2000.0, 0.0, False), (2000.5, 0.0, True)]
)
def test_what_no_sun_brings_is_no_irradiance(rule: str, most: float, few: float, dark: bool) -> None:
    """From 0 to 2000 W/m²: under a closed sky 5 K by day are a fault, of the probe or of the post."""
    cages = [enclosure(), enclosure("alder")]
    probes = [probe(f"{cage.name}-1", cage.name) for cage in cages]
    post, sun = probe("post", "ambient"), probe("sun", "ambient", Quantity.IRRADIANCE)
    series = {
        "inside": [of_seen(p, 32.0, NOON, 1) for p in probes],
        "ambient": [of_seen(post, 27.0, NOON, 1)],
        "irradiance": [of_seen(sun, lambda h: few if round(-60 * h) % 3 == 0 else most, NOON, 1)],
    }
    known = evidence(
        all_rules()[rule], series, NOON, subject="" if rule == "ambient" else "birch", cages=cages,
        probes=(*probes, post), watch=watching(NOON, {"post": NOON}),
    )  # fmt: skip
    assert (all_rules()[rule].decide(known, NOON).reason in ("warm in the dark", "wrong")) is dark
