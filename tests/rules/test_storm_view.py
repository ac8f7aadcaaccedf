"""What `storm` sees, remembers and asks for, each threshold to the point."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from sensord.model import (
    Advice,
    Concern,
    Severity,
    Standing,
    State,
    Verdict,
    What,
)
from sensord.rules._sky import sun_at
from tests.rules.scenes import NOON, SITE, Curve, cohort, enclosure, entry
from tests.rules.stormy import (
    HEAVY,
    HOUR,
    MINUTE,
    STATION_PA,
    decide,
    falls,
    front,
    since,
    steepens,
    weather,
)


def remembering(verdict: Verdict, minutes: float, **numbers: Any) -> dict[str, Any]:
    """A concern whose latest verdict remembers that it was here so long ago."""
    here = (NOON - minutes * MINUTE).isoformat()
    was = replace(verdict, numbers={"here_at": here, **numbers})
    return {"concern": Concern(SITE.name, "storm", "birch", Standing.OPEN, was, NOON - HOUR)}


STAY_IN = Verdict("storm", "birch", State.BREACH, NOON, "stay in", Severity.MODERATE, advice=Advice("stay in"))


@pytest.mark.parametrize(
    ("pressure", "gust", "reason"),
    [
        (STATION_PA, 10.8, "stay in"),
        (STATION_PA, 10.79, "calm"),
        (falls(2.4, 1.0), 8.0, "stay in"),  # likely to come
        (falls(2.4, 1.0), 7.99, "holds"),
        (steepens(3.0), 8.0, "holds"),  # only possible
    ],
)
def test_a_gust_is_strong_to_the_point(pressure: Curve | float, gust: float, reason: str) -> None:
    """A strong breeze, or a fresh one under likely signs: nobody goes out."""
    verdict = decide(weather(NOON, pressure, gust), cages=[HEAVY])
    assert verdict.reason == reason
    if reason == "stay in":
        assert verdict.advice is not None
        assert verdict.advice.holds_until == NOON + 30 * MINUTE


def test_it_is_severe_where_the_margin_is_used_up() -> None:
    """Half as much load again as it holds: by the root of 1.5; pegged it is not loose."""
    holds = decide(cages=[HEAVY]).numbers["holds_m_s"]
    assert isinstance(holds, float)
    for gust, severity in ((holds * 1.5**0.5 - 0.01, Severity.MINOR), (holds * 1.5**0.5 + 0.01, Severity.SEVERE)):
        verdict = decide(weather(NOON, gust=gust), cages=[HEAVY])
        assert (verdict.severity, "front" in verdict.numbers) == (severity, False)
        assert ("beyond" in verdict.numbers) is (severity is Severity.SEVERE)
    assert decide(weather(NOON, gust=40.0), cages=[enclosure(pegged=True)]).severity is Severity.MINOR
    series = weather(NOON, front(8), since(5, 12.0, 3.0))
    for design, severity in ((holds - 0.01, Severity.MODERATE), (holds + 0.01, Severity.SEVERE)):
        verdict = decide(series, cages=[HEAVY], parameters={"design_gust_m_s": design})
        assert (verdict.severity, verdict.numbers["front"]) == (severity, True)


@pytest.mark.parametrize(
    ("minutes", "gust", "pressure", "reason"),
    [
        (59, 7.99, steepens(3.0), "passing"),
        (60, 7.99, steepens(3.0), "holds"),  # an hour after it was here it is asked for again
        (60, 7.99, STATION_PA, "look after"),
        (60, 8.0, STATION_PA, "passing"),
        (59, 8.0, STATION_PA, "passing"),
        (59, 7.99, STATION_PA, "look after"),
        (360, 7.99, STATION_PA, "look after"),
        (361, 7.99, STATION_PA, "nothing came"),
        (-1, 7.99, STATION_PA, "nothing came"),
        (0, 3.0, STATION_PA, "stay in"),
    ],
)
def test_what_is_remembered_of_it(minutes: int, gust: float, pressure: Curve | float, reason: str) -> None:
    """For an hour nobody carries; then it is looked after in calm; after six hours it is forgotten; what lies
    ahead never was."""
    verdict = decide(
        weather(NOON, pressure, gust), cages=[HEAVY], **remembering(replace(STAY_IN, advice=None), minutes)
    )
    assert verdict.reason == reason
    assert reason != "passing" or verdict.easing, "it is not over while it passes"
    if reason == "look after":
        assert verdict.advice is not None
        assert verdict.advice.holds_until == NOON + 12 * HOUR


@pytest.mark.parametrize(
    ("minutes", "reason"), [(0, "stay in"), (29, "stay in"), (30, "look after"), (-1, "look after")]
)
def test_a_front_stays_for_half_an_hour(minutes: int, reason: str) -> None:
    """Whatever the gauge says; one that lies ahead has not been."""
    known = remembering(STAY_IN, 40, front_at=(NOON - minutes * MINUTE).isoformat())
    verdict = decide(cages=[HEAVY], **known)
    assert verdict.reason == reason
    forgotten = remembering(STAY_IN, 400, front_at=(NOON - 10 * MINUTE).isoformat())
    assert decide(cages=[HEAVY], **forgotten).reason != "stay in"


def test_the_worst_of_it_is_remembered_while_it_is() -> None:
    """The highest gust since it came, where a gauge tells."""
    assert decide(weather(NOON, gust=12.0), **remembering(STAY_IN, 10, worst_m_s=15.0)).numbers["worst_m_s"] == 15.0
    assert decide(weather(NOON, gust=16.0), **remembering(STAY_IN, 10, worst_m_s=15.0)).numbers["worst_m_s"] == 16.0
    assert "worst_m_s" not in decide(weather(NOON, gust=5.0), **remembering(STAY_IN, 400, worst_m_s=15.0)).numbers
    assert "worst_m_s" not in decide(weather(NOON, gust=None), **remembering(STAY_IN, 10, worst_m_s=15.0)).numbers
    assert "worst_m_s" not in decide(weather(NOON, gust=5.0)).numbers


def test_a_front_without_wind_has_no_worst_gust_but_none() -> None:
    """Where the gauge says so."""
    air: Curve = lambda h: 28.0 - 3.5 * min(1.0, max(0.0, (60 * h + 8) / 6.0))  # noqa: E731
    assert decide(weather(NOON, front(10, 0.7), 0.0, air)).numbers["worst_m_s"] == 0.0


def test_an_empty_cage_is_not_looked_after() -> None:
    """There is nobody in it to be counted."""
    cages, elsewhere = [HEAVY, enclosure("alder")], [cohort("alder")]
    verdict = decide(cages=cages, cohorts=elsewhere, **remembering(STAY_IN, 70))
    assert (verdict.reason, verdict.advice) == ("look after", None)
    prepared = decide(weather(NOON, steepens(3.0)), cages=[enclosure(), enclosure("alder")], cohorts=elsewhere)
    assert (prepared.reason, prepared.severity) == ("anchor", Severity.MINOR)


def test_what_is_expected_is_the_design_or_a_third_more_than_what_blew() -> None:
    """Of the last hour."""
    earlier: Curve = lambda h: 10.0 if round(-60 * h) == 60 else 1.0  # noqa: E731
    for design, expected in ((15.0, 15.0), (5.0, 13.0)):
        verdict = decide(weather(NOON, steepens(3.0), earlier), parameters={"design_gust_m_s": design})
        assert verdict.numbers["expected_gust_m_s"] == expected
        assert "pupae" not in verdict.numbers


@pytest.mark.parametrize(("minute", "by"), [(35, (18, 15)), (36, (18, 30))])
def test_forty_minutes_are_given_to_the_next_quarter(minute: int, by: tuple[int, int]) -> None:
    """From the first sign on."""
    now = NOON.replace(minute=minute)
    advice = decide(weather(now, steepens(3.0)), now).advice
    assert advice is not None
    assert advice.by == advice.holds_until == NOON.replace(hour=by[0], minute=by[1])


def asked(minutes: float) -> dict[str, Any]:
    """Anchoring was asked for, to be done in so many minutes."""
    advice = Advice("anchor", NOON + minutes * MINUTE)
    was = Verdict("storm", "birch", State.BREACH, NOON, "anchor", Severity.MODERATE, advice=advice)
    concern = Concern(SITE.name, "storm", "birch", Standing.OPEN, was, NOON - HOUR, told_at=NOON - HOUR)
    return {"concern": replace(concern, told_action="anchor")}


@pytest.mark.parametrize(
    ("minutes", "ballast_kg", "reason"),
    [(20, 4.92, "anchor"), (19, 4.92, "no time"), (19, 4.94, "anchor"), (-60, 4.92, "no time")],
)
def test_much_is_not_carried_in_a_hurry_to_the_point(minutes: float, ballast_kg: float, reason: str) -> None:
    """More than ten kilograms, in less than twenty minutes; what is quick holds as long as it is given."""
    verdict = decide(weather(NOON, steepens(3.0)), cages=[enclosure(ballast_kg=ballast_kg)], **asked(minutes))
    assert verdict.advice is not None
    assert verdict.reason == reason
    if reason == "no time":
        assert (verdict.advice.by, verdict.advice.holds_until) == (None, NOON + 40 * MINUTE)
        assert not {"by_at", "overdue_at"} & set(verdict.numbers)


def test_what_is_safe_is_not_carried_for() -> None:
    """Pegged cages are not counted."""
    cages = [enclosure(ballast_kg=9.0), *(enclosure(name, pegged=True) for name in ("alder", "cedar"))]
    assert decide(weather(NOON, steepens(3.0)), cages=cages, **asked(10)).reason == "anchor"


@pytest.mark.parametrize(("air_c", "reason"), [(29.0, "holds"), (28.99, "unshade")])
def test_from_29_degrees_on_the_shade_stays(air_c: float, reason: str) -> None:
    """For a storm that is only possible; a cover comes off in any heat."""
    on = {"cages": [HEAVY], "entries": [entry(What.SHADED, NOON - HOUR)]}
    assert decide(weather(NOON, steepens(3.0), air=air_c), **on).reason == reason
    covered = {"cages": [HEAVY], "entries": [entry(What.COVERED, NOON - HOUR)]}
    assert decide(weather(NOON, steepens(3.0), air=35.0), **covered).reason == "uncover"


def test_under_a_low_sun_the_shade_comes_off_in_any_heat() -> None:
    """Below 25 degrees."""
    found = {}
    for minutes in range(200, 340, 2):
        now = NOON + minutes * MINUTE
        shaded = [entry(What.SHADED, now - HOUR)]
        reason = decide(weather(now, steepens(3.0), air=33.0), now, cages=[HEAVY], entries=shaded).reason
        found[sun_at(SITE.latitude_deg, SITE.longitude_deg, now).elevation_deg >= 25.0, reason] = now
    assert set(found) == {(True, "holds"), (False, "unshade")}


@pytest.mark.parametrize(("change_pa", "easing"), [(-160.0, True), (-150.0, False)])
def test_while_the_pressure_still_falls_a_storm_that_was_told_is_not_over(change_pa: float, easing: bool) -> None:
    """Falling, not falling slowly; what nobody heard of is simply calm."""
    even: Curve = lambda h: STATION_PA + change_pa * (3.0 + h) / 3.0  # noqa: E731
    was = replace(STAY_IN, reason="anchor", advice=Advice("anchor"), numbers={})
    concern = Concern(SITE.name, "storm", "birch", Standing.OPEN, was, NOON - HOUR)
    standing = decide(weather(NOON, even), concern=concern)
    assert (standing.reason, standing.easing) == ("nothing came", easing)
    calm = decide(weather(NOON, even))
    assert (calm.reason, calm.easing) == ("calm", False)
    kept_in = decide(weather(NOON, even), concern=replace(concern, told_action="stay in"))
    assert (kept_in.reason, kept_in.easing) == ("look after", easing)
    assert not decide(weather(NOON, None), concern=concern).easing


def test_the_numbers_say_how_it_stands() -> None:
    """What is not so is left out; a pressure that stands still did not fall."""
    plain = decide(weather(NOON)).numbers
    assert not {"pegged", "sheltered", "draped", "gust_estimated", "here_at", "front_at", "pressure_fall_pa"} & set(
        plain
    )
    assert (plain["pressure_change_pa"], plain["gust_m_s"]) == (0.0, 3.0)
    assert decide(weather(NOON), cages=[enclosure(pegged=True)]).numbers["pegged"] is True
    assert decide(weather(NOON), entries=[entry(What.SHELTERED, NOON - HOUR)]).numbers["sheltered"] is True
