"""What `overheating` sees of an enclosure, and what would help, each threshold to the point."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

import pytest

from sensord.model import Concern, Doubt, Kind, Probe, Quantity, Severity, Standing, State, Verdict, What
from sensord.rules import Seen
from sensord.rules._sky import sun_at
from sensord.rules.overheating import RULE
from tests.rules.scenes import NOON, SITE, Curve, enclosure, entry, evidence, pair, probe, seen

MINUTE, HOUR = timedelta(minutes=1), timedelta(hours=1)
THREE = NOON + 3 * HOUR
NOW = THREE.timestamp()
BIRCH, POST = probe("birch-1", "birch"), probe("post", "ambient")


def decide(inside: Curve | float, ambient: Curve | float, now: datetime = THREE, **more: Any) -> Verdict:
    return RULE.decide(evidence(RULE, pair(inside, ambient, now), now, **more), now)


def action(inside: Curve | float, ambient: Curve | float, now: datetime = THREE, **more: Any) -> str:
    """What is asked for, or why nothing is."""
    verdict = decide(inside, ambient, now, **more)
    return verdict.advice.action if verdict.advice else str(verdict.reason)


SHADED = [entry(What.SHADED, THREE - 26 * HOUR)]


@pytest.mark.parametrize(
    ("offset_k", "cover", "doubt"), [(6.0, False, False), (6.01, False, True), (10.0, True, False), (10.01, True, True)]
)
def test_more_than_is_plausible_is_doubted_and_cut_to_it(offset_k: float, cover: bool, doubt: bool) -> None:
    """6 K on open mesh, 4 K more under a cover; what it is judged by is the most that is plausible."""
    covered = [entry(What.COVERED, NOON - 24 * HOUR)] if cover else []
    verdict = decide(30.0 + offset_k, 30.0, entries=covered)
    assert verdict.numbers.get("probe_doubt") is (True if doubt else None)
    assert verdict.numbers["inside_c"] == (40.0 if cover else 36.0)
    dark = decide(10.0 + offset_k, 10.0, NOON + 11 * HOUR, entries=covered)
    assert "probe_doubt" not in dark.numbers, "by night it is not the sun"


def test_half_sunlit_is_not_sunlit() -> None:
    """Of a quarter of an hour more than half must be marked so."""
    air = pair(30.0, 30.0, THREE)["ambient"]
    for marked, doubt in ((7, None), (8, True)):
        sent = seen(BIRCH, 30.5, THREE, 6)
        doubts = [0] * (len(sent.times_s) - marked) + [int(Doubt.SUNLIT)] * marked
        series = {"inside": [Seen.of(BIRCH, sent.times_s, sent.values, doubts)], "ambient": air}
        assert RULE.decide(evidence(RULE, series, THREE), THREE).numbers.get("probe_doubt") is doubt
    night = THREE + 9 * HOUR
    sent = seen(BIRCH, 30.5, night, 6, int(Doubt.SUNLIT))
    series = {"inside": [sent], "ambient": pair(30.0, 30.0, night)["ambient"]}
    assert "probe_doubt" not in RULE.decide(evidence(RULE, series, night), night).numbers


def test_over_which_times_it_looks() -> None:
    """The middle of ten minutes for the inside, of a quarter of an hour for the air and the offset; of rare probes those of
    two and a half, and of three intervals."""
    grows: Curve = lambda h: 20.0 + 6.0 * h  # noqa: E731  # a tenth of a kelvin a minute
    numbers = decide(grows, 20.0).numbers
    assert (numbers["inside_c"], numbers["offset_k"]) == (pytest.approx(19.45), pytest.approx(-0.8))
    assert decide(20.0, grows).numbers["ambient_c"] == pytest.approx(19.2)
    rare = replace(BIRCH, interval_s=900.0)
    at = THREE - timedelta(seconds=360)
    series = {"inside": [seen(rare, grows, at, 6)], "ambient": [seen(rare, 20.0, at, 6)]}
    numbers = RULE.decide(evidence(RULE, series, THREE), THREE).numbers
    assert numbers["inside_c"] == pytest.approx(20.0 - 2.25), "of 21 and 36 minutes ago"
    assert numbers["offset_k"] == pytest.approx(-2.25)
    late = {"inside": [seen(BIRCH, grows, THREE - 14 * MINUTE, 6)], "ambient": pair(20.0, 20.0, THREE)["ambient"]}
    assert RULE.decide(evidence(RULE, late, THREE), THREE).numbers["inside_c"] == pytest.approx(19.9), "its newest"


@pytest.mark.parametrize(
    ("ambient_c", "near_k", "airflow", "keeper_heat"),
    [(31.0, 2.0, True, None), (30.99, 2.0, None, None), (31.99, 1.0, None, None), (32.0, 0.5, None, True)],
)
def test_the_air_outside_is_near_the_tier_or_too_hot_for_the_keeper(
    ambient_c: float, near_k: float, airflow: bool | None, keeper_heat: bool | None
) -> None:
    """So close below the tier shade alone does not cool below it; from 32 °C on the keeper's own heat is spoken of."""
    numbers = decide(34.0, ambient_c, parameters={"near_k": near_k}).numbers
    assert (numbers.get("airflow"), numbers.get("shade_limit")) == (airflow, airflow)
    assert numbers.get("keeper_heat") is keeper_heat
    assert ("covered" in numbers, "closed_box" in numbers) == (False, False)


def test_what_keeps_the_air_in_needs_air() -> None:
    """A cover on it, or a closed box by its kind."""
    covered = decide(34.0, 30.0, entries=[entry(What.COVERED, NOON)]).numbers
    assert (covered["airflow"], covered["covered"], "closed_box" in covered) == (True, True, False)
    box = decide(34.0, 30.0, cages=[enclosure(kind=Kind.CLEAR_BOX)]).numbers
    assert (box["airflow"], "covered" in box, box["closed_box"]) == (True, False, True)
    assert action(34.0, 30.0, cages=[enclosure(kind=Kind.CLEAR_BOX)], entries=SHADED) == "add airflow"


def test_shade_is_put_up_against_the_sun_of_an_hour_later() -> None:
    """Where it may shine; how high it stands is of now."""
    later, now = (sun_at(SITE.latitude_deg, SITE.longitude_deg, at) for at in (THREE + HOUR, THREE))
    numbers = decide(34.0, 30.0).numbers
    assert numbers["sun_azimuth_deg"] == pytest.approx(later.azimuth_deg, abs=0.001)
    assert numbers["sun_elevation_deg"] == pytest.approx(now.elevation_deg, abs=0.001)
    overcast = pair(34.0, 30.0, THREE) | {
        "irradiance": [seen(probe("sun", "ambient", Quantity.IRRADIANCE), 50.0, THREE, 1)]
    }
    numbers = RULE.decide(evidence(RULE, overcast, THREE), THREE).numbers
    assert not {"sun_azimuth_deg", "sun_elevation_deg"} & set(numbers)


@pytest.mark.parametrize(
    ("inside_c", "ambient_c", "asked"),
    [
        (33.3125, 33.0, "shade"),  # the sun adds to the air
        (33.25, 33.0, "add airflow"),  # it does not, and the air is as warm as the tier
        (34.0, 30.0, "shade"),
    ],
)
def test_shade_is_asked_for_where_the_sun_adds_something(inside_c: float, ambient_c: float, asked: str) -> None:
    """More than 0.3 K on open mesh."""
    assert action(inside_c, ambient_c) == asked


def test_shade_settles_for_half_an_hour() -> None:
    """To the minute; then more is asked for."""
    assert action(34.0, 30.0, entries=[entry(What.SHADED, THREE - 29 * MINUTE)]) == "wait"
    assert action(34.0, 30.0, entries=[entry(What.SHADED, THREE - 30 * MINUTE)]) == "move to shade"
    assert action(34.0, 30.0, cages=[enclosure(shaded=True)]) == "move to shade", "a tree's shade has long settled"


def test_what_more_is_asked_for() -> None:
    """Shaded in vain it is moved; where the air is as warm, or under cover, it is aired; sheltered it needs no sun."""
    assert action(34.0, 30.0, entries=SHADED) == "move to shade"
    assert action(34.0, 32.5, entries=SHADED) == "add airflow"
    assert action(34.0, 30.0, entries=[*SHADED, entry(What.COVERED, NOON)]) == "add airflow"
    assert action(34.0, 30.0, entries=[*SHADED, entry(What.SHELTERED, NOON)]) == "add airflow"
    evening = THREE + 4 * HOUR
    assert action(36.5, 32.5, evening) == "add airflow", "without sun no shade"
    assert decide(34.0, 30.0, entries=SHADED).numbers["shaded"] is True
    assert "shaded" not in decide(33.25, 33.0).numbers
    assert "shade_failed" not in decide(34.0, 30.0, entries=SHADED).numbers


def aired(**changes: Any) -> dict[str, Any]:
    """The keeper was told to add air, and did."""
    was = Verdict("overheating", "birch", State.BREACH, NOON, "add airflow", Severity.MODERATE)
    concern = Concern(SITE.name, "overheating", "birch", Standing.ANSWERED, was, NOON, told_action="add airflow")
    return {"concern": replace(concern, **{"answer": What.DONE, **changes}), "entries": SHADED}


def test_after_shade_and_air_only_what_is_not_bearable_is_moved() -> None:
    """Moderate is borne, Severe is not; and only what was done counts as done."""
    assert action(34.0, 32.5, **aired()) == "endure"
    assert action(36.5, 35.5, **aired()) == "move to shade"
    for undone in ({"answer": What.SEEN}, {"told_action": "shade"}):
        assert action(34.0, 32.5, **aired(**undone)) == "add airflow"


def remembering(**numbers: Any) -> Concern:
    was = Verdict("overheating", "birch", State.BREACH, NOON, "wait", Severity.MODERATE, numbers=numbers)
    return Concern(SITE.name, "overheating", "birch", Standing.OPEN, was, NOON)


def test_what_became_of_the_shade_is_remembered_while_it_is_on() -> None:
    """When the time before it can no longer be seen; of shade that is off nothing is."""
    concern = remembering(shade_helped="no", offset_before_k=4.0, offset_after_k=3.9)
    verdict = decide(34.0, 32.5, concern=concern, entries=SHADED)
    told = {
        key: verdict.numbers.get(key) for key in ("shade_helped", "offset_before_k", "offset_after_k", "shade_failed")
    }
    assert told == {"shade_helped": "no", "offset_before_k": 4.0, "offset_after_k": 3.9, "shade_failed": True}
    assert verdict.advice is not None
    assert verdict.advice.action == "move to shade"
    assert "shade_helped" not in decide(34.0, 32.5, concern=concern).numbers
    assert "shade_helped" not in decide(34.0, 32.5, concern=remembering(), entries=SHADED).numbers
    strange = decide(
        34.0, 32.5, concern=remembering(shade_helped="no", offset_before_k="4", offset_after_k="3"), entries=SHADED
    )
    assert not {"offset_before_k", "offset_after_k"} & set(strange.numbers)


def test_an_old_post_is_no_post() -> None:
    """What is twenty minutes old is compared with nothing."""
    series = {"inside": pair(34.0, 30.0, THREE)["inside"], "ambient": [seen(POST, 30.0, THREE - 20 * MINUTE, 6)]}
    numbers = RULE.decide(evidence(RULE, series, THREE), THREE).numbers
    assert not {"ambient_c", "offset_k"} & set(numbers)


def test_what_is_cut_is_judged_as_the_most_that_is_plausible_all_along() -> None:
    """From the first reading to the newest; where no air was measured beside it nothing can be cut."""
    cut, plausible = (decide(inside_c, 30.0).numbers for inside_c in (44.0, 36.0))
    for what in ("inside_c", "recorded_h", "recorded_degree_hours", "dose_degree_hours", "spell_h"):
        assert cut[what] == plausible[what]
    late = {"inside": pair(44.0, 30.0, THREE)["inside"], "ambient": [seen(POST, 30.0, THREE, 3)]}
    twice = RULE.decide(evidence(RULE, late, THREE), THREE).numbers["recorded_degree_hours"]
    assert twice == pytest.approx((15.0 + 7.0) * 3.0, abs=1.0)


@pytest.mark.parametrize(("ambient_c", "known"), [(-60.1, False), (-60.0, True), (60.0, True), (60.1, False)])
def test_what_no_air_has_is_no_air(ambient_c: float, known: bool) -> None:
    """From −60 to 60 °C."""
    assert ("ambient_c" in decide(34.0, ambient_c).numbers) is known


@pytest.mark.parametrize(
    ("most", "few", "shines"), [(0.0, 0.0, False), (-1.0, -1.0, True), (2000.0, 0.0, True), (2000.5, 0.0, False)]
)
def test_what_no_sun_brings_is_no_irradiance(most: float, few: float, shines: bool) -> None:
    """From 0 to 2000 W/m²; where nothing measures it the sun may shine."""
    curve: Curve = lambda h: few if round(-60 * h) % 3 == 0 else most  # noqa: E731
    series = pair(34.0, 30.0, THREE) | {
        "irradiance": [seen(probe("sun", "ambient", Quantity.IRRADIANCE), curve, THREE, 1)]
    }
    assert ("sun_azimuth_deg" in RULE.decide(evidence(RULE, series, THREE), THREE).numbers) is shines


def points(of: Probe, ago: dict[float, float]) -> Seen:
    at = sorted(ago, reverse=True)
    return Seen.of(of, [NOW - s for s in at], [ago[s] for s in at], [0] * len(at))


def test_the_windows_to_the_second() -> None:
    """Ten minutes of the inside, a quarter of an hour of the air; a post that is old, or that nothing pairs with, is compared
    with nothing."""
    for ago, inside_c in ((600.0, 22.0), (600.5, 24.0)):
        series = {"inside": [points(BIRCH, {1100.0: 10.0, ago: 20.0, 60.0: 24.0})]}
        assert RULE.decide(evidence(RULE, series, THREE), THREE).numbers["inside_c"] == inside_c
    for ago, ambient_c in ((900.0, 21.0), (900.5, 22.0)):
        series = {"inside": [points(BIRCH, {60.0: 24.0})], "ambient": [points(POST, {ago: 20.0, 60.0: 22.0})]}
        assert RULE.decide(evidence(RULE, series, THREE), THREE).numbers["ambient_c"] == ambient_c
    rare = replace(BIRCH, interval_s=900.0)
    old = {"inside": [points(rare, {1500.0: 24.0, 60.0: 24.0})], "ambient": [points(POST, {1500.0: 20.0})]}
    apart = {"inside": [points(BIRCH, {60.0: 24.0})], "ambient": [points(POST, {1100.0: 20.0})]}
    for series in (old, apart):
        assert "offset_k" not in RULE.decide(evidence(RULE, series, THREE), THREE).numbers


def test_half_of_the_readings_marked_sunlit_are_not_most_of_them() -> None:
    """Five of ten."""
    of, air = replace(BIRCH, interval_s=90.0), pair(30.0, 30.0, THREE)["ambient"]
    sent = seen(of, 30.5, THREE, 6)
    doubts = [0] * (len(sent.times_s) - 5) + [int(Doubt.SUNLIT)] * 5
    series = {"inside": [Seen.of(of, sent.times_s, sent.values, doubts)], "ambient": air}
    assert "probe_doubt" not in RULE.decide(evidence(RULE, series, THREE), THREE).numbers


def test_on_a_porch_the_sun_adds_where_it_is_warmer_at_all() -> None:
    """Where it is as warm as the air, shade is of no use."""
    porch = [enclosure(kind=Kind.PORCH)]
    assert [action(c, 34.0, cages=porch) for c in (34.0, 34.5)] == ["add airflow", "shade"]


def test_without_stand_or_limits_heat_is_not_judged() -> None:
    """Either is needed."""
    known = evidence(RULE, pair(34.0, 30.0, THREE), THREE)
    for lacking in (known._replace(stand=None), known._replace(limits=None)):
        assert RULE.decide(lacking, THREE).reason == "no species"
