"""Storm: anchor in time, stay in while it is here, look after the enclosure afterwards; nobody is sent out into it."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sensord.language import Catalogue
from sensord.model import (
    AMBIENT,
    Certainty,
    Quantity,
    Severity,
    Stage,
    State,
    Telling,
    What,
)
from sensord.rules._readings import moment
from sensord.rules._storm_signs import largest_rise
from sensord.rules.storm import RULE
from tests.rules.scenes import NOON, Curve, Told, cohort, enclosure, entry, evidence, probe, seen
from tests.rules.stormy import (
    HEAVY,
    HOUR,
    HPA,
    MINUTE,
    STATION_PA,
    decide,
    falls,
    front,
    since,
    steepens,
    weather,
)


@pytest.mark.outside
@pytest.mark.parametrize(
    ("hpa_per_3h", "tendency"),
    [(0.0, "steady"), (-0.1, "falling slowly"), (-1.5, "falling slowly"), (-1.6, "falling"), (-3.5, "falling"),
     (-3.6, "falling quickly"), (-6.0, "falling quickly"), (-6.3, "falling very rapidly"), (4.2, "rising quickly")],
)  # fmt: skip
def test_the_tendency_is_named_by_its_class(hpa_per_3h: float, tendency: str) -> None:
    """Classes of the change over three hours. Source: terms of the UK Met Office's marine forecasts, in hPa per 3 h."""
    verdict = decide(weather(NOON, falls(-hpa_per_3h / 3.0)))
    assert verdict.numbers.get("tendency") == tendency


@pytest.mark.outside
def test_falling_slowly_is_the_tide_of_the_air() -> None:
    """The daily tide takes the barometer down by up to 1.5 hPa in three hours: never a sign. Source: as above."""
    assert decide(weather(NOON, falls(0.5))).reason == "calm"
    assert decide(weather(NOON, falls(0.95))).reason == "calm", "falling, but no faster than all along: not enough"


@pytest.mark.outside
@pytest.mark.parametrize(
    ("hpa", "minutes", "state"), [(0.72, 20, State.BREACH), (0.60, 15, State.FINE), (3.0, 180, State.FINE)]
)
def test_a_rapid_fall_is_one_by_rate_and_by_total(hpa: float, minutes: int, state: State) -> None:
    """0.06 inHg an hour and 0.02 inHg in total. Source: AFMAN 15-111 (2019), PRESFR: 2.03 hPa/h and 0.68 hPa."""
    verdict = decide(weather(NOON, falls(hpa / minutes * 60.0, minutes / 60.0)))
    assert verdict.state is state
    if state is State.BREACH:
        assert verdict.certainty is Certainty.LIKELY


@pytest.mark.outside
def test_the_ballast_is_that_of_the_worked_example() -> None:
    """0.6 × 0.6 × 0.9 m, 0.8 kg, half open, friction 0.4, gust 15 m/s, margin 1.5: 14.93 kg, 8 bricks of 2 kg.

    Source: velocity pressure 0.613 Kz V² (ASCE 7, Kz 0.85), force coefficient of netting 0.65 (TG20:13), balance of
    forces; worked by hand: 117.236 Pa, 41.150 N, 15.730 kg in all.
    """
    verdict = decide(weather(NOON, steepens(3.0)))
    assert verdict.advice is not None
    assert verdict.advice.action == "anchor"
    assert verdict.numbers["add_kg"] == pytest.approx(14.93, abs=0.005)
    assert (verdict.numbers["bricks"], verdict.numbers["bricks_kg"]) == (8, 16.0)
    held = decide(weather(NOON, steepens(3.0)), cages=[HEAVY])
    assert (held.reason, held.severity, held.advice) == ("holds", Severity.MINOR, None)
    assert held.numbers["holds_m_s"] == pytest.approx(15.51, abs=0.01)


def test_a_steepening_fall_gives_time() -> None:
    """Falling, and faster in the last hour: anchor, within the hour, possibly; told while nothing blows yet."""
    verdict = decide(weather(NOON, steepens(3.0)))
    assert verdict.advice is not None
    assert verdict.advice.by is not None
    assert (verdict.severity, verdict.certainty) == (Severity.MODERATE, Certainty.POSSIBLE)
    assert NOON + 30 * MINUTE < verdict.advice.by <= NOON + HOUR
    assert verdict.advice.holds_until == verdict.advice.by, "what is late is not to be sent"


def test_a_deadline_that_was_told_stands() -> None:
    """While the signs last the deadline does not slide on from turn to turn."""
    told = Told(RULE)
    for minutes in range(0, 30, 2):
        now = NOON + minutes * MINUTE
        told.at(now, evidence(RULE, weather(now, steepens(3.0)), now))
    assert len({v.advice.by for v in told.verdicts if v.advice}) == 1


def test_nobody_carries_many_bricks_in_a_hurry() -> None:
    """Shortly before the deadline, and after it, what is quick is asked for instead of 16 kg; a few kilograms still are."""
    for cage, reasons in ((enclosure(), ["anchor", "no time"]), (enclosure(ballast_kg=9.0), ["anchor"])):
        told = Told(RULE)
        for minutes in range(0, 90, 2):
            now = NOON + minutes * MINUTE
            told.at(now, evidence(RULE, weather(now, steepens(3.0)), now, cages=[cage]))
        assert list(dict.fromkeys(v.reason for v in told.verdicts)) == reasons
        due = next(n.concern.verdict.advice.by for n in told.notices if n.concern.verdict.advice)
        assert due is not None
        quick = [v for v in told.verdicts if v.reason == "no time"]
        assert all(v.at > due - 20 * MINUTE and v.advice and v.advice.action == "peg or shelter" for v in quick)
        late = [v for v in told.verdicts if v.reason == "anchor" and v.at >= due]
        assert all(moment(v.numbers.get("overdue_at")) == due and v.advice and not v.advice.by for v in late)


def test_together_they_are_many() -> None:
    """Six kilograms for each of three cages are eighteen to carry."""
    told, cages = Told(RULE), [enclosure(name, ballast_kg=9.0) for name in ("alder", "birch", "cedar")]
    for minutes in range(0, 60, 2):
        now = NOON + minutes * MINUTE
        told.at(now, evidence(RULE, weather(now, steepens(3.0)), now, cages=cages))
    assert told.verdicts[-1].reason == "no time"


def test_a_fall_of_the_pressure_is_told_as_one() -> None:
    """The number that the phone is told is how far it fell, without a sign; of a rise there is none."""
    fell = decide(weather(NOON, steepens(3.0))).numbers
    assert fell["pressure_fall_pa"] == -float(fell["pressure_change_pa"] or 0)
    assert "pressure_fall_pa" not in decide(weather(NOON, falls(-1.0))).numbers


@pytest.mark.outside
@pytest.mark.parametrize(
    ("jump_hpa", "drop_k", "leap", "here"),
    [(0.7, 3.5, 0.0, True), (0.7, 0.0, 11.5, True), (0.5, 3.5, 0.0, False), (0.7, 0.0, 0.0, False)],
)
def test_a_gust_front_is_a_jump_with_cold_or_wind(jump_hpa: float, drop_k: float, leap: float, here: bool) -> None:
    """Mean of 30 fronts: +0.6 hPa, −3.5 °C at most, 14.5 m/s. Source: Mahoney 1988, MWR 116(7): 1474, abstract.

    The windows of ten minutes, the drop of 2 °C and the leap of 5 m/s are choices of ours.
    """
    air: Curve = lambda h: 28.0 - drop_k * min(1.0, max(0.0, (60 * h + 8) / 6.0))  # noqa: E731
    series = weather(NOON, front(10, jump_hpa), since(6, 3.0 + leap, 3.0) if leap else None, air)
    assert (decide(series).reason == "stay in") is here


@pytest.mark.parametrize(
    ("began", "took", "here"),
    [(5, 4, True), (18, 4, True), (26, 4, False), (12, 10, True), (19, 18, False)],
)
def test_a_front_is_quick_and_soon_over(began: float, took: float, here: bool) -> None:
    """The pressure jumps by 0.7 hPa and the air cools by 4 °C: within ten minutes it is a front, within eighteen it is the
    weather; and a jump that was over twenty minutes ago is none any more."""

    def done(h: float) -> float:
        return min(1.0, max(0.0, (60 * h + began) / took))

    series = weather(NOON, lambda h: STATION_PA + 0.7 * HPA * done(h), None, lambda h: 28.0 - 4.0 * done(h))
    assert (decide(series).reason == "stay in") is here


@pytest.mark.parametrize(("blows_for", "here"), [(5, True), (14, True), (50, False)])
def test_the_wind_of_a_front_leaps(blows_for: float, here: bool) -> None:
    """With the jump of the pressure, gusts of 9 after 3 m/s within a quarter of an hour are a front; a wind that has blown
    for an hour is not."""
    series = weather(NOON, front(10, 0.7), since(blows_for, 9.0, 3.0))
    assert (decide(series).reason == "stay in") is here


@pytest.mark.parametrize("gust", [10.9, 16.0, 30.0])
def test_in_a_strong_gust_the_advice_is_to_stay_in(gust: float) -> None:
    """Whatever the enclosure would need: nobody goes out, and what it holds decides how loudly it is said."""
    verdict = decide(weather(NOON, gust=since(5, gust, 4.0)), cages=[HEAVY])
    assert verdict.advice is not None
    assert (verdict.advice.action, verdict.advice.outdoors) == ("stay in", False)
    assert verdict.severity is (Severity.SEVERE if gust > 19.0 else Severity.MINOR)


def test_a_front_over_a_loose_enclosure_is_severe() -> None:
    """It does not hold the gust that fronts bring: Severe. Pegged, held or sheltered: Moderate. Empty: a note."""
    series = weather(NOON, front(8), since(5, 12.0, 3.0))
    assert decide(series).severity is Severity.SEVERE
    assert decide(series, cages=[HEAVY]).severity is Severity.MODERATE
    assert decide(series, cages=[enclosure(pegged=True)]).severity is Severity.MODERATE
    others = {"cages": [enclosure(), enclosure("alder")], "cohorts": [cohort("alder")]}
    assert decide(series, **others).severity is Severity.MINOR


def passes(told: Told, until_minutes: int, cages: Any = None, entries: Any = ()) -> None:
    """A fall, a front at minute 60, half an hour of wind, then calm."""
    for minutes in range(0, until_minutes, 2):
        now = NOON + minutes * MINUTE
        gone = minutes - 60

        def pressure(h: float, gone: float = gone) -> float:
            at = gone / 60.0 + h
            fall = 3.0 * max(0.0, 1.0 + min(at, 0.0) / 3.2) ** 2 - (min(at, 3.0) if at > 0 else 0.0)
            return STATION_PA - HPA * fall + HPA * min(1.0, max(0.0, at * 15.0))

        def gust(h: float, gone: float = gone) -> float:
            return 15.0 if 3 <= gone + 60 * h < 30 else 3.0

        def air(h: float, gone: float = gone) -> float:
            return 28.0 if gone + 60 * h < 5 else 23.0

        said = [e for e in entries if e.at <= now]
        told.at(now, evidence(RULE, weather(now, pressure, gust, air), now, cages=cages, entries=said))


def test_the_story_of_a_storm() -> None:
    """Anchor while there is time, and no bricks shortly before; stay in, at once, when it is here; look after it in calm."""
    told = Told(RULE)
    passes(told, 240)
    story = [(n.telling, n.concern.verdict.reason) for n in told.notices if n.telling is not Telling.AGAIN]
    assert story == [
        (Telling.OPENED, "anchor"),
        (Telling.CHANGED, "no time"),
        (Telling.WORSE, "stay in"),
        (Telling.OVER, "look after"),
    ]
    first, *_, last = (n for n in told.notices if n.telling is not Telling.AGAIN)
    assert first.at <= NOON + 30 * MINUTE, "half an hour before the front at least"
    assert last.at >= NOON + 120 * MINUTE, "half an hour after the last strong gust at least"
    assert last.concern.verdict.numbers["worst_m_s"] == 15.0


def test_after_it_has_been_there_nobody_carries_for_an_hour() -> None:
    """From the front on, for an hour and more, no verdict asks anybody to do anything but to stay or to look."""
    told = Told(RULE)
    passes(told, 240)
    after = [v for v in told.verdicts if NOON + 64 * MINUTE <= v.at <= NOON + 150 * MINUTE]
    assert {v.advice.action for v in after if v.advice} == {"stay in", "look after"}


def test_a_storm_that_does_not_come_is_taken_back() -> None:
    """The signs pass without a front: told that none came."""
    told = Told(RULE)
    for minutes in range(0, 300, 2):
        now = NOON + minutes * MINUTE
        gone = minutes / 60.0

        def pressure(h: float, gone: float = gone) -> float:
            return STATION_PA - HPA * 3.0 * min(1.0, max(0.0, 1.0 + (gone + h) / 3.2)) ** 2

        told.at(now, evidence(RULE, weather(now, pressure), now))
    assert [n.telling for n in told.notices][-1] is Telling.OVER
    assert told.notices[-1].concern.verdict.reason == "nothing came"


@pytest.mark.parametrize(("what", "action"), [(What.COVERED, "uncover"), (What.SHADED, "unshade")])
def test_what_is_draped_over_it_comes_off_first(what: What, action: str) -> None:
    """A cover or a shade cloth catches the wind: held without it, not with it."""
    evening = NOON + 6 * HOUR
    series = weather(evening, steepens(3.0))
    verdict = decide(series, evening, cages=[HEAVY], entries=[entry(what, evening - HOUR)])
    assert verdict.advice is not None
    assert verdict.advice.action == action
    assert verdict.numbers["holds_m_s"] == pytest.approx(15.51 / 2**0.5, abs=0.02)


def test_in_the_heat_shade_stays_for_a_storm_that_is_only_possible() -> None:
    """30 °C and a high sun are certain, the storm is not: the shade cloth stays."""
    on = [entry(What.SHADED, NOON - HOUR)]
    assert decide(weather(NOON, steepens(3.0), air=30.0), cages=[HEAVY], entries=on).reason == "holds"
    assert decide(weather(NOON, falls(2.4, 1.0), air=30.0), cages=[HEAVY], entries=on).reason == "unshade"


def test_too_much_ballast_is_no_ballast() -> None:
    """Wet netting doubles the load: 30.7 kg are not carried, it is pegged or sheltered, and pupae are spoken of."""
    series = weather(NOON, steepens(3.0), humidity=0.99)
    verdict = decide(series, cohorts=[cohort(stage=Stage.PUPA)])
    assert verdict.advice is not None
    assert verdict.advice.action == "peg or shelter"
    assert verdict.numbers["needed_kg"] == pytest.approx(30.66, abs=0.01)
    assert verdict.numbers["pupae"] is True
    text = Catalogue.load().find("storm", "peg or shelter")
    assert text is not None
    words = "".join(piece for part in text.text for piece, is_name in part.pieces if not is_name)
    assert "cues" in words
    assert "hours, not days" in words


def test_what_is_sheltered_needs_nothing() -> None:
    """Out of the wind it holds whatever comes."""
    away = [entry(What.SHELTERED, NOON - 3 * HOUR)]
    verdict = decide(weather(NOON, steepens(3.0)), entries=away)
    assert (verdict.reason, verdict.advice) == ("holds", None)


def test_without_any_instrument_it_is_unknown() -> None:
    """No barometer and no gauge: unknown. One of them is enough to watch with."""
    assert decide(weather(NOON, None, None)).state is State.UNKNOWN
    assert decide(weather(NOON, STATION_PA, None)).state is State.FINE
    assert decide(weather(NOON, None, 3.0)).state is State.FINE


def test_a_gauge_of_means_is_read_with_a_gust_factor() -> None:
    """Where only the mean wind is measured, gusts are estimated, and the verdict says so."""
    series = weather(NOON, STATION_PA, None) | {
        "wind": [seen(probe("gauge", AMBIENT, Quantity.WIND_SPEED), 8.0, NOON, 1.2)]
    }
    verdict = decide(series)
    assert (verdict.numbers["gust_m_s"], verdict.numbers["gust_estimated"]) == (12.0, True)
    assert verdict.reason == "stay in"


def test_every_text_says_that_no_sensor_hears_thunder() -> None:
    """Whatever sends somebody out under a storm, and whatever keeps them in, speaks of thunder."""
    texts = Catalogue.load()
    for reason in ("anchor", "uncover", "unshade", "peg or shelter", "stay in"):
        text = texts.find("storm", reason)
        assert text is not None
        for template in (text.text, text.many or text.text):
            words = "".join(piece for part in template for piece, is_name in part.pieces if not is_name)
            assert "thunder" in words, reason
            assert "no sensor here hears it" in words, reason
            assert "30 minutes" in words, reason
    for rule, reason in (("storm", "look after"), ("shelter", "too long")):
        text = texts.find(rule, reason)
        assert text is not None
        assert any("thunder" in piece for part in text.text for piece, is_name in part.pieces if not is_name)


@given(
    st.floats(-4, 4),
    st.floats(0, 40),
    st.floats(0, 12),
    st.floats(0, 3),
    st.integers(0, 40),
    st.floats(0, 40),
    st.sampled_from([What.SHADED, What.COVERED, What.SHELTERED, What.PEGGED, What.NOTE]),
)
@settings(max_examples=150, deadline=None)
def test_nobody_is_ever_sent_out_into_it(
    fall: float, gust: float, drop: float, jump: float, minutes: int, ballast: float, said: What
) -> None:
    """Whatever the weather and the stand: while a front or a strong gust is there, no advice leads outdoors."""
    pressure: Curve = lambda h: falls(fall)(h) + front(minutes, jump)(h) - STATION_PA  # noqa: E731
    series = weather(NOON, pressure, since(8, gust, 2.0), since(8, 27.0 - drop, 27.0))
    entries = [entry(What.ANCHORED, NOON - HOUR, amount=ballast), entry(said, NOON - HOUR / 2)]
    verdict = decide(series, entries=entries)
    front_is_here = verdict.numbers.get("front_at") is not None
    if gust >= 10.8 or front_is_here:
        assert verdict.advice is not None
        assert not verdict.advice.outdoors


@given(st.lists(st.floats(-100, 100), max_size=30), st.floats(1, 5000))
def test_the_largest_rise_is_that_of_all_pairs(values: list[float], window_s: float) -> None:
    """Against every pair of readings within the window."""
    times = [60.0 * i for i in range(len(values))]
    every = [values[j] - values[i] for j in range(len(values)) for i in range(j) if times[j] - times[i] <= window_s]
    assert largest_rise(times, values, window_s) == pytest.approx(max([0.0, *every]))
