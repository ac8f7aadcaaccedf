"""Ambient: the post is missing, or it is wrong, or it can't be told."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

import pytest

from sensord.model import (
    Advice,
    Concern,
    Doubt,
    Kind,
    Severity,
    Standing,
    State,
    Verdict,
    What,
)
from sensord.rules import ambient
from tests.rules.scenes import NOON, SITE, Curve, enclosure, entry, evidence, probe, seen
from tests.rules.scenes import watch as watching
from tests.rules.watched import ALDER, BIRCH, CAGES, HOUR, MINUTE, NIGHT, POST, PROBES, SECOND


def post(
    insides: Mapping[str, float],
    air: float | None,
    now: datetime = NIGHT,
    kinds: Mapping[str, Kind] | None = None,
    **more: Any,
) -> Verdict:
    """What is said of the post, with so warm enclosures."""
    cages = [enclosure(name, (kinds or {}).get(name, Kind.OPEN_MESH)) for name in insides]
    probes = [*(probe(f"{name}-1", name) for name in insides), POST]
    series = {"inside": [seen(p, insides[p.place], now, 0.8) for p in probes[:-1]]}
    if air is not None:
        series["ambient"] = [seen(POST, air, now, 0.8)]
    more.setdefault("watch", watching(now, {p.name: now for p in probes}))
    known = evidence(ambient.RULE, series, now, subject="", cages=cages, probes=tuple(probes), **more)
    return ambient.RULE.decide(known, now)


def test_by_night_all_off_by_the_same_is_the_post() -> None:
    """Three enclosures 4 °C warmer than the post, each as the other: the post is cold. 4 °C cooler: it is warm."""
    cold, warm = post({"birch": 14.0, "alder": 14.3, "cedar": 14.1}, 10.0), post({"birch": 10.0, "alder": 10.2}, 14.0)
    assert (cold.reason, cold.numbers.get("too_cold")) == ("wrong", True)
    assert (warm.reason, warm.numbers.get("too_warm")) == ("wrong", True)


def test_one_that_differs_is_not_the_post() -> None:
    """Two agree with the post, one does not: that is the one's matter."""
    assert post({"birch": 10.2, "alder": 10.3, "cedar": 15.0}, 10.0).state is State.FINE
    assert post({"birch": 15.0}, 10.0).state is State.FINE, "one enclosure alone proves nothing"


def test_by_day_all_cooler_than_the_post_is_the_post() -> None:
    """Cages in the sun are not cooler than shaded air: the post stands in the sun."""
    verdict = post({"birch": 26.0, "alder": 27.0}, 30.0, NOON)
    assert verdict.advice is not None
    assert (verdict.reason, verdict.advice.action) == ("wrong", "check ambient")


def test_by_day_warm_cages_are_not_the_posts_fault() -> None:
    """Two cages of one kind in the same sun may well be warm alike; a box and a mesh alike beyond their kinds may not."""
    assert post({"birch": 33.0, "alder": 33.2}, 28.0, NOON).state is State.FINE
    kinds = {"birch": Kind.OPEN_MESH, "cedar": Kind.CLEAR_BOX}
    assert post({"birch": 33.8, "cedar": 38.0}, 28.0, NOON, kinds).reason == "wrong"


def test_what_the_night_showed_stands_by_day() -> None:
    """A post that was 4 °C too cold by night is not right because the sun rose."""
    verdict = post({"birch": 14.0, "alder": 14.3}, 10.0)
    concern = Concern(SITE.name, "ambient", "", Standing.OPEN, verdict, NIGHT)
    by_day = post({"birch": 31.0, "alder": 31.4}, 27.0, NOON, concern=concern)
    assert (by_day.state, by_day.easing) == (State.FINE, True)


def test_a_missing_post_is_told_once_and_by_one() -> None:
    """Silent for long: missing. Just started, nothing heard at all, or a wrong clock: others speak."""
    gone = {"birch-1": NIGHT, "alder-1": NIGHT, "post": NIGHT - HOUR}
    two = {"birch": 14.0, "alder": 14.0}
    missing = post(two, None, watch=watching(NIGHT, gone))
    assert missing.advice is not None
    assert (missing.reason, missing.advice.action) == ("missing", "check ambient")
    fresh = watching(NIGHT, gone, running_since=NIGHT - 5 * MINUTE)
    assert post(two, None, watch=fresh).reason == "just started"
    all_gone = watching(NIGHT, dict.fromkeys(gone, NIGHT - HOUR))
    assert post(two, None, watch=all_gone).reason == "nothing is heard"
    misdated = Verdict("clock", "", State.BREACH, NIGHT, "probe", Severity.MODERATE, advice=Advice("check clock"))
    others = {"clock": Concern(SITE.name, "clock", "", Standing.OPEN, misdated, NIGHT)}
    assert post(two, None, watch=watching(NIGHT, gone), others=others).reason == "left to clock"


def test_a_post_that_talks_nonsense_is_missing_too() -> None:
    """It is heard, but nothing of it can be used: said so."""
    series = {"ambient": [seen(POST, 85.0, NIGHT, 0.8, int(Doubt.POWER_ON))]}
    heard_now = watching(NIGHT, {"post": NIGHT, "birch-1": NIGHT})
    known = evidence(ambient.RULE, series, NIGHT, subject="", cages=CAGES[:1], probes=(BIRCH, POST), watch=heard_now)
    verdict = ambient.RULE.decide(known, NIGHT)
    assert (verdict.reason, verdict.numbers["heard"]) == ("missing", True)


def wrongly(insides: Mapping[str, float], now: datetime = NIGHT, air: float = 0.0, **more: Any) -> tuple[str, bool]:
    verdict = post(insides, air, now, **more)
    return verdict.reason, verdict.easing


WRONG, NEARLY, THERE = ("wrong", False), ("there", True), ("there", False)
BOX = {"cedar": Kind.CLEAR_BOX}


@pytest.mark.parametrize(
    ("insides", "said"),
    [
        ({"birch": 2.5, "alder": 2.5}, WRONG),
        ({"birch": 2.4, "alder": 2.4}, NEARLY),
        ({"birch": 2.0, "alder": 2.0}, NEARLY),
        ({"birch": 1.9, "alder": 1.9}, THERE),
        ({"birch": -2.5, "alder": -2.5}, WRONG),
        ({"birch": 3.0, "alder": 4.0}, WRONG),  # alike within 1 K
        ({"birch": 3.0, "alder": 4.01}, THERE),
    ],
)
def test_by_night_the_post_is_wrong_to_the_point(insides: Mapping[str, float], said: tuple[str, bool]) -> None:
    """All off by 2.5 K, and by the same; half a kelvin less is nearly so."""
    assert wrongly(insides) == said


@pytest.mark.parametrize(
    ("insides", "kinds", "said"),
    [
        ({"birch": -2.0, "alder": -9.0}, {}, WRONG),  # all cooler than the air
        ({"birch": -1.9, "alder": -9.0}, {}, NEARLY),
        ({"birch": -1.5, "alder": -9.0}, {}, NEARLY),
        ({"birch": -1.4, "alder": -9.0}, {}, THERE),
        ({"birch": 4.8, "cedar": 9.0}, BOX, WRONG),  # all 4 K above the most of their kinds, 0.8 K and 5 K
        ({"birch": 4.7, "cedar": 9.0}, BOX, NEARLY),
        ({"birch": 4.31, "cedar": 9.0}, BOX, NEARLY),
        ({"birch": 4.2, "cedar": 9.0}, BOX, THERE),
        ({"birch": 4.8, "cedar": 10.0}, BOX, WRONG),  # by as much within 1 K
        ({"birch": 4.8, "cedar": 10.01}, BOX, THERE),
        ({"birch": 5.0, "alder": 5.0}, {}, THERE),  # two of a kind may have the sun in common
        ({"birch": 5.0, "alder": 5.0, "cedar": 5.0}, {}, WRONG),  # three hardly
    ],
)
def test_by_day_the_post_is_wrong_to_the_point(
    insides: Mapping[str, float], kinds: Mapping[str, Kind], said: tuple[str, bool]
) -> None:
    """Cooler than the air all are by 2 K, or warmer than their kinds by 4 K; half a kelvin less is nearly so."""
    assert wrongly(insides, NOON, kinds=kinds) == said


def test_of_two_of_a_kind_one_in_the_shade_has_not_the_sun_in_common() -> None:
    """And what is sheltered is not compared: it is not in the garden's air."""
    shaded, away = entry(What.SHADED, NOON - HOUR, "alder"), entry(What.SHELTERED, NOON - HOUR, "alder")
    two = {"birch": 5.0, "alder": 5.0}
    assert wrongly(two, NOON, entries=[shaded]) == WRONG
    assert wrongly(two, NOON, entries=[shaded, away]) == THERE
    assert wrongly({**two, "cedar": 5.0}, NOON, entries=[away]) == THERE


def test_what_the_night_showed_stands_while_it_could_be_so() -> None:
    """By day, as long as all are warmer than the post by what would be wrong by night."""
    verdict = post({"birch": 4.0, "alder": 4.3}, 0.0)
    standing = {"concern": Concern(SITE.name, "ambient", "", Standing.OPEN, verdict, NIGHT)}
    assert wrongly({"birch": 2.6, "alder": 2.6}, NOON, **standing) == NEARLY
    assert wrongly({"birch": 2.5, "alder": 2.5}, NOON, **standing) == THERE
    assert wrongly({"birch": 1.0, "alder": 3.0}, NIGHT, **standing) == THERE
    missing = replace(verdict, reason="missing")
    other = {"concern": Concern(SITE.name, "ambient", "", Standing.OPEN, missing, NIGHT)}
    assert wrongly({"birch": 2.6, "alder": 2.6}, NOON, **other) == THERE


def test_an_offset_is_the_middle_of_half_an_hour() -> None:
    """Of thirty readings fifteen are warm: it lies between. Rare probes are given two and a half of their intervals."""
    cages, known = (enclosure(), enclosure("alder")), watching(NIGHT, {"post": NIGHT})

    def offset(curve: Curve, interval_s: float = 60.0, ago_s: float = 0.0) -> object:
        at = NIGHT - timedelta(seconds=ago_s)
        probes = [replace(p, interval_s=interval_s) for p in (BIRCH, ALDER, POST)]
        series = {
            "inside": [seen(p, curve, at, 0.8 + 2.5 * interval_s / 3600) for p in probes[:2]],
            "ambient": [seen(probes[2], 0.0, at, 0.8 + 2.5 * interval_s / 3600)],
        }
        of = evidence(ambient.RULE, series, NIGHT, subject="", cages=cages, probes=tuple(probes), watch=known)
        verdict = ambient.RULE.decide(of, NIGHT)
        assert verdict.numbers.get("enclosures_compared", 2) == 2
        return verdict.numbers["offset_k"]

    assert offset(lambda h: 2.0 if round(60 * h) >= -15 else 0.0) == 1.0
    hourly = 3600.0
    newest: Curve = lambda h: 2.0 if h >= -1.0 else 0.0  # noqa: E731
    assert offset(newest, hourly, 0.4 * hourly) == 1.0, "of 1.4 and 2.4 hours ago"


def test_the_first_probe_of_an_enclosure_that_tells_counts() -> None:
    """A second one in the same cage is no second cage; one that is not of now is none."""
    second = probe("birch-2", "birch")
    series = {"inside": [seen(p, 4.0, NIGHT, 0.8) for p in (BIRCH, second)], "ambient": [seen(POST, 0.0, NIGHT, 0.8)]}
    known = evidence(
        ambient.RULE, series, NIGHT, subject="", cages=CAGES, probes=PROBES, watch=watching(NIGHT, {"post": NIGHT})
    )
    assert ambient.RULE.decide(known, NIGHT).reason == "there"
    series["inside"][1] = seen(ALDER, 4.0, NIGHT - 20 * MINUTE, 0.8)
    assert ambient.RULE.decide(known._replace(series={k: tuple(v) for k, v in series.items()}), NIGHT).reason == "there"
    series["inside"][1] = seen(ALDER, 4.0, NIGHT - 19 * MINUTE, 0.8)
    wrong = ambient.RULE.decide(known._replace(series={k: tuple(v) for k, v in series.items()}), NIGHT)
    assert wrong.advice is not None
    assert (wrong.reason, wrong.numbers["enclosures_compared"]) == ("wrong", 2)
    assert wrong.advice.holds_until == NIGHT + 24 * HOUR


def test_the_post_is_missing_after_the_silence_that_it_is_allowed() -> None:
    """Counted from the beginning of the watching, too; that of the rarest thermometer there."""
    two = {"birch": 14.0, "alder": 14.0}

    def missing(running: timedelta, heard: timedelta | None = 2 * HOUR) -> Verdict:
        last = {"birch-1": NIGHT, "alder-1": NIGHT} | ({} if heard is None else {"post": NIGHT - heard})
        return post(two, None, watch=watching(NIGHT, last, running_since=NIGHT - running))

    assert missing(15 * MINUTE).reason == "just started"
    told = missing(15 * MINUTE + SECOND)
    assert told.advice is not None
    assert (told.reason, told.advice.holds_until) == ("missing", NIGHT + 24 * HOUR)
    assert ("heard" in told.numbers, "never" in told.numbers) == (False, False)
    assert missing(24 * HOUR, 15 * MINUTE).numbers["heard"] is True
    assert "heard" not in missing(24 * HOUR, 15 * MINUTE + SECOND).numbers
    never = missing(24 * HOUR, None).numbers
    assert ("heard" in never, never["never"]) == (False, True)
    rare = (BIRCH, POST, replace(POST, name="post-2", interval_s=900.0))
    for minutes, reason in ((75, "just started"), (76, "missing")):
        known = watching(NIGHT, {"birch-1": NIGHT}, running_since=NIGHT - minutes * MINUTE)
        of = evidence(ambient.RULE, {}, NIGHT, subject="", cages=CAGES, probes=rare, watch=known)
        assert ambient.RULE.decide(of, NIGHT).reason == reason


def test_a_clock_that_is_right_keeps_nobody_silent() -> None:
    """Only a clock that is wrong speaks instead of the post."""
    right = Verdict("clock", "", State.FINE, NIGHT, "right")
    others = {"clock": Concern(SITE.name, "clock", "", Standing.OPEN, right, NIGHT)}
    gone = watching(NIGHT, {"birch-1": NIGHT})
    assert post({"birch": 14.0}, None, watch=gone, others=others).reason == "missing"
    away = watching(NIGHT, {"birch-1": NIGHT}, connected=False)
    assert post({"birch": 14.0}, None, watch=away).reason == "nothing is heard"


def test_without_a_thermometer_at_the_post_or_a_watching_nothing_is_known() -> None:
    """Either is needed."""
    series = {"inside": [seen(BIRCH, 20.0, NIGHT, 0.8)]}
    for more in ({"probes": (BIRCH,), "watch": watching(NIGHT, {})}, {"probes": PROBES}):
        known = evidence(ambient.RULE, series, NIGHT, subject="", cages=CAGES, **more)
        assert ambient.RULE.decide(known, NIGHT).reason == "no probe at the post"


def test_the_air_is_told_as_the_middle_of_a_quarter_of_an_hour() -> None:
    """Of fifteen readings the eighth; one enclosure is compared with nothing."""
    series = {"ambient": [seen(POST, lambda h: 60.0 * h, NIGHT, 0.8)], "inside": [seen(BIRCH, 0.0, NIGHT, 0.8)]}
    watch_now = watching(NIGHT, {"post": NIGHT})
    known = evidence(ambient.RULE, series, NIGHT, subject="", cages=CAGES, probes=PROBES, watch=watch_now)
    numbers = ambient.RULE.decide(known, NIGHT).numbers
    assert (numbers["ambient_c"], "offset_k" in numbers) == (-8.0, False)
    later = {"ambient": [seen(POST, lambda h: 60.0 * h, NIGHT - 0.5 * SECOND, 0.8)]}
    off = evidence(ambient.RULE, later, NIGHT, subject="", cages=CAGES, probes=PROBES, watch=watch_now)
    assert ambient.RULE.decide(off, NIGHT).numbers["ambient_c"] == -7.5, "the fifteenth is half a second too old"


def test_only_one_of_the_two_is_said_of_a_wrong_post() -> None:
    """Too cold where all are warmer than it, too warm where all are cooler; two that stand outside are compared."""
    low, high = post({"birch": 2.5, "alder": 3.0}, 0.0).numbers, post({"birch": -2.5, "alder": -3.0}, 0.0).numbers
    assert (low["too_cold"], "too_warm" in low) == (True, False)
    assert ("too_cold" in high, high["too_warm"]) == (False, True)
    half = post({"birch": 0.5, "alder": 0.5}, 0.0, parameters={"dark_k": 0.5}).numbers
    assert half["too_cold"] is True
    by_day = post({"birch": -2.0, "alder": 0.5}, 0.0, NOON).numbers
    assert not {"too_cold", "too_warm"} & set(by_day)
    away = entry(What.SHELTERED, NIGHT - HOUR, "alder")
    assert wrongly({"birch": 4.0, "alder": 4.0}, entries=[away]) == THERE
