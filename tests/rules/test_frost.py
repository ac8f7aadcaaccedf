"""Frost: a night that is cold, or is on its way there."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sensord.model import Concern, Severity, Stage, Standing, State, Urgency, Verdict
from sensord.rules import frost
from sensord.rules._sky import sun_times
from tests.rules.scenes import NOON, SITE, Curve, cohort, evidence, probe, seen

MINUTE, HOUR = timedelta(minutes=1), timedelta(hours=1)


MIDNIGHT = NOON + 11 * HOUR


def cold(curve: Curve | float, now: datetime = MIDNIGHT, **more: Any) -> Verdict:
    series = {"inside": [seen(probe("birch-1", "birch"), curve, now, 2)]}
    return frost.RULE.decide(evidence(frost.RULE, series, now, **more), now)


def test_frost_is_told_when_it_is_there_and_before() -> None:
    """At 2 °C it is now; on the way there early in the night it is expected, with time to act."""
    now = cold(1.5)
    assert (now.reason, now.severity) == ("now", Severity.MODERATE)
    ahead = cold(lambda h: 7.0 - 1.6 * h, NOON + 9 * HOUR)
    assert (ahead.reason, ahead.urgency) == ("expected", Urgency.EXPECTED)
    assert ahead.advice is not None
    assert ahead.advice.by is not None
    assert cold(9.0).state is State.FINE
    assert cold(lambda h: 14.0 - 1.0 * h).state is State.FINE


def test_pupae_are_spoken_of() -> None:
    """Whoever takes pupae indoors should know what it costs."""
    assert cold(1.0, cohorts=[cohort(stage=Stage.PUPA)]).numbers["pupae"] is True


@given(st.floats(-3, 0), st.floats(1, 12), st.floats(0, 4))
def test_a_night_cools_ever_more_slowly(slope: float, since_h: float, more_h: float) -> None:
    """By the square root of time: the drop to come is never above 0, and less than the slope would make it."""
    drop = frost.coming_drop_k(slope, since_h, since_h + more_h)
    assert slope * more_h - 1e-9 <= drop <= 0.0


def test_the_square_root_law_is_exact_for_itself() -> None:
    """A temperature that falls by the square root of time is foretold exactly (Brunt's law, from memory)."""
    fallen = -3.0 * (math.sqrt(10.0) - math.sqrt(4.0))
    assert frost.coming_drop_k(-3.0 / (2 * math.sqrt(4.0)), 4.0, 10.0) == pytest.approx(fallen)


def standing(limit: str = "expected") -> Concern:
    told = Verdict("frost", "birch", State.BREACH, MIDNIGHT, limit, Severity.MODERATE)
    return Concern(SITE.name, "frost", "birch", Standing.OPEN, told, MIDNIGHT)


ZERO = {"frost_c": 0.0}


@pytest.mark.parametrize(
    ("inside_c", "reason", "easing"),
    [(0.0, "now", False), (0.01, "mild", True), (1.0, "mild", True), (1.01, "mild", False)],
)
def test_frost_is_there_at_its_limit_and_holds_for_a_degree(inside_c: float, reason: str, easing: bool) -> None:
    """Nobody goes out for it three hours later."""
    verdict = cold(inside_c, parameters=ZERO)
    assert (verdict.reason, verdict.easing) == (reason, easing)
    if verdict.advice:
        assert verdict.advice.holds_until == MIDNIGHT + 3 * HOUR


def test_how_cold_it_is_is_the_middle_of_a_quarter_of_an_hour() -> None:
    """Of fifteen readings the eighth; of rare ones those of two and a half intervals."""
    assert cold(lambda h: 60.0 * h).numbers["inside_c"] == pytest.approx(-8.0)
    rare = probe("birch-1", "birch", interval_s=3600.0)
    sent = seen(rare, lambda h: 10.0 * h, MIDNIGHT - 0.4 * HOUR, 6)
    known = evidence(frost.RULE, {"inside": [sent]}, MIDNIGHT)
    assert frost.RULE.decide(known, MIDNIGHT).numbers["inside_c"] == pytest.approx(-15.0), "1.4 and 2.4 hours ago"


def test_a_night_heads_for_frost_by_half_a_kelvin_and_then_by_one_more() -> None:
    """To be told, half a kelvin below the limit; once told, until it heads for a kelvin above it. An hour and a half are
    given."""
    falls: Curve = lambda h: 7.0 - 1.6 * h  # noqa: E731
    early = NOON + 9 * HOUR
    lowest_c = cold(falls, early).numbers["lowest_c"]
    assert isinstance(lowest_c, float)
    for above_k, concern, reason in ((0.51, None, "expected"), (0.49, None, "mild")):
        assert cold(falls, early, parameters={"frost_c": lowest_c + above_k}, concern=concern).reason == reason
    for above_k, reason in ((-0.99, "expected"), (-1.01, "mild")):
        own = {"frost_c": lowest_c + above_k, "watch_above_k": 20.0}
        assert cold(falls, early, parameters=own, concern=standing()).reason == reason
    told = cold(falls, early).advice
    assert told is not None
    assert (told.by, told.holds_until) == (early + 1.5 * HOUR, early + 6 * HOUR)


@pytest.mark.parametrize(("inside_c", "reason"), [(8.0, "expected"), (8.01, "mild")])
def test_a_night_is_looked_ahead_only_near_the_limit(inside_c: float, reason: str) -> None:
    """However fast it cooled."""
    steep: Curve = lambda h: inside_c if round(60 * h) >= -15 else 40.0  # noqa: E731
    assert cold(steep, NOON + 9 * HOUR, parameters=ZERO).reason == reason


def test_nights_are_looked_ahead_from_an_hour_after_sunset_until_sunrise() -> None:
    """While a concern stands anything up to a degree above the limit is on its way there; by day nothing is."""
    times = sun_times(SITE.latitude_deg, SITE.longitude_deg, NOON.date())
    assert times is not None
    night = 24 * HOUR - (times.sunset - times.sunrise)
    known = {"parameters": ZERO, "concern": standing()}
    for at, reason in (
        (times.sunset + HOUR - MINUTE, "mild"),
        (times.sunset + HOUR, "expected"),
        (times.sunset + 5 * HOUR, "expected"),
        (times.sunset + night - MINUTE, "expected"),
        (times.sunset + night, "mild"),
        (NOON, "mild"),
    ):
        assert cold(lambda h: 0.5 - 0.01 * h, at, **known).reason == reason, at


def test_where_the_sun_does_not_set_no_night_is_looked_ahead() -> None:
    """Beyond the polar circle in summer."""
    june = MIDNIGHT.replace(month=6)
    series = {"inside": [seen(probe("birch-1", "birch"), lambda h: 0.5 - 0.01 * h, june, 2)]}
    known = evidence(frost.RULE, series, june, parameters=ZERO, concern=standing())
    assert frost.RULE.decide(known._replace(site=replace(SITE, latitude_deg=75.0)), june).reason == "mild"


def test_what_is_to_come_of_a_night_that_is_over_or_warms_is_nothing() -> None:
    """And at its very begin the root of time is not zero."""
    assert frost.coming_drop_k(-1.0, 5.0, 3.0) == 0.0
    assert frost.coming_drop_k(1.0, 1.0, 9.0) == 0.0
    assert frost.coming_drop_k(-1.0, 0.0, 1.0) == pytest.approx(-2.0 * 0.1 * (1.0 - 0.1))


def test_without_stand_or_limits_nothing_is_known() -> None:
    """Nor without a reading of now; whose window ends to the second."""
    series = {"inside": [seen(probe("birch-1", "birch"), 0.0, MIDNIGHT, 2)]}
    known = evidence(frost.RULE, series, MIDNIGHT, parameters=ZERO)
    for lacking in (known._replace(stand=None), known._replace(limits=None)):
        assert frost.RULE.decide(lacking, MIDNIGHT).reason == "no species"
    old = {"inside": [seen(probe("birch-1", "birch"), 0.0, MIDNIGHT - 16 * MINUTE, 2)]}
    assert frost.RULE.decide(evidence(frost.RULE, old, MIDNIGHT, parameters=ZERO), MIDNIGHT).reason == "no inside"
    late = {"inside": [seen(probe("birch-1", "birch"), lambda h: 60.0 * h, MIDNIGHT - timedelta(seconds=0.5), 2)]}
    off = frost.RULE.decide(evidence(frost.RULE, late, MIDNIGHT), MIDNIGHT)
    assert off.numbers["inside_c"] == pytest.approx(-7.5), "the fifteenth is half a second too old"


@pytest.mark.parametrize("longitude_deg", [-170.0, -120.0, 0.0, 120.0, 170.0])
def test_a_night_is_known_on_either_side_of_its_midnight(longitude_deg: float) -> None:
    """Wherever the calendar's day ends: two hours after sunset and two before sunrise are of one night."""
    site = replace(SITE, longitude_deg=longitude_deg)
    for day in (NOON.date(), NOON.date() + timedelta(days=1)):
        times = sun_times(site.latitude_deg, longitude_deg, day)
        assert times is not None
        night = 24 * HOUR - (times.sunset - times.sunrise)
        for at in (times.sunset + 2 * HOUR, times.sunset + night - 2 * HOUR):
            series = {"inside": [seen(probe("birch-1", "birch"), lambda h: 0.5 - 0.01 * h, at, 2)]}
            known = evidence(frost.RULE, series, at, parameters=ZERO, concern=standing())
            assert frost.RULE.decide(known._replace(site=site), at).reason == "expected", (longitude_deg, at)


def test_two_readings_make_no_trend() -> None:
    """In a cold night too, nothing is foretold before there are three."""
    inside = probe("birch-1", "birch", interval_s=600.0)
    few = {"inside": [seen(inside, lambda h: 4.0 - 9.0 * h, MIDNIGHT, 1 / 3)]}
    assert frost.RULE.decide(evidence(frost.RULE, few, MIDNIGHT), MIDNIGHT).reason == "mild"
