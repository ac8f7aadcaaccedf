"""Shelter: what was taken out of the wind comes back out in calm."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from sensord.model import AMBIENT, Concern, Quantity, Severity, Stage, Standing, State, Verdict, What
from sensord.rules import shelter
from tests.rules.scenes import NOON, SITE, Curve, cohort, enclosure, entry, evidence, probe, seen

HOUR = timedelta(hours=1)
GAUGE = probe("gauge", AMBIENT, Quantity.WIND_GUST)


def sheltered(hours: float, gust: Curve | float = 3.0, **more: Any) -> Verdict:
    """What is said of an enclosure that was sheltered so long ago."""
    series = {"gust": [seen(GAUGE, gust, NOON, 1.2)]}
    away = [entry(What.SHELTERED, NOON - hours * HOUR)]
    return shelter.RULE.decide(evidence(shelter.RULE, series, NOON, entries=away, **more), NOON)


def test_what_is_sheltered_comes_back_out() -> None:
    """Two hours sheltered and an hour of calm: put it back out, and say what it costs pupae to stay."""
    back = sheltered(3, cohorts=[cohort(stage=Stage.PUPA)])
    assert back.advice is not None
    assert (back.advice.action, back.severity, back.numbers["pupae"]) == ("return", Severity.MODERATE, True)
    assert sheltered(1).reason == "sheltered"


def test_without_a_gauge_it_is_asked_later_and_to_look_first() -> None:
    """Nobody here knows whether it is calm: patience, and the text says so."""
    for hours, state in ((3, State.FINE), (7, State.BREACH)):
        away = [entry(What.SHELTERED, NOON - hours * HOUR)]
        verdict = shelter.RULE.decide(evidence(shelter.RULE, {}, NOON, entries=away), NOON)
        assert (verdict.state, verdict.numbers["unseen"]) == (state, True)


def test_in_wind_and_under_signs_of_a_storm_it_stays() -> None:
    """A gust within the hour, or a concern about a storm: nobody is asked to carry it out."""
    assert sheltered(5, lambda h: 9.0 if h < -0.7 else 3.0).reason == "sheltered"
    verdict = Verdict("storm", "birch", State.BREACH, NOON, "holds", Severity.MINOR)
    concern = Concern(SITE.name, "storm", "birch", Standing.OPEN, verdict, NOON)
    assert sheltered(5, others={concern.key: concern}).reason == "sheltered"


def test_what_is_in_its_place_is_fine() -> None:
    """Never sheltered, or returned: no matter."""
    back = [entry(What.SHELTERED, NOON - 5 * HOUR), entry(What.RETURNED, NOON - HOUR)]
    for entries in ([], back):
        assert shelter.RULE.decide(evidence(shelter.RULE, {}, NOON, entries=entries), NOON).reason == "in its place"


@pytest.mark.parametrize(("minutes", "reason"), [(119, "sheltered"), (120, "too long")])
def test_two_hours_are_long_enough(minutes: int, reason: str) -> None:
    """To the minute; nobody is asked three hours later."""
    verdict = sheltered(minutes / 60)
    assert verdict.reason == reason
    assert verdict.numbers["sheltered_h"] == pytest.approx(minutes / 60, abs=0.001)
    assert (verdict.numbers["calm"], "unseen" in verdict.numbers, "pupae" in verdict.numbers) == (True, False, False)
    if verdict.advice is None:
        assert verdict.easing
    else:
        assert verdict.advice.holds_until == NOON + 3 * HOUR


@pytest.mark.parametrize(("minutes", "reason"), [(359, "sheltered"), (360, "too long")])
def test_where_nobody_sees_the_wind_it_is_three_times_as_long(minutes: int, reason: str) -> None:
    """To the minute."""
    away = [entry(What.SHELTERED, NOON - minutes / 60 * HOUR)]
    verdict = shelter.RULE.decide(evidence(shelter.RULE, {}, NOON, entries=away), NOON)
    assert (verdict.reason, "calm" in verdict.numbers) == (reason, False)
    assert verdict.numbers["sheltered_h"] == round(minutes / 60, 3)


@pytest.mark.parametrize(
    ("ago", "gust", "reason"), [(60, 8.0, "sheltered"), (60, 7.99, "too long"), (61, 8.0, "too long")]
)
def test_it_is_calm_without_a_gust_of_eight_within_the_hour(ago: int, gust: float, reason: str) -> None:
    """Both to the point."""
    assert sheltered(5, lambda h: gust if round(-60 * h) == ago else 3.0).reason == reason


def test_an_empty_one_is_a_note() -> None:
    """By the ledger nobody is in it, and others are elsewhere."""
    cages = [enclosure(), enclosure("alder")]
    assert sheltered(5, cages=cages, cohorts=[cohort("alder")]).severity is Severity.MINOR
