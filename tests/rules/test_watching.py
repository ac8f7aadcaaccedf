"""The watching watched: one missing thing makes one message, and nobody is told "fine" of what nobody sees."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

import pytest

from sensord.model import AMBIENT, Advice, Concern, Doubt, Kind, Probe, Quantity, Severity, Standing, State, Verdict
from sensord.rules import Rule, ambient, battery, clock, silent, watch
from tests.rules.scenes import NOON, SITE, Curve, enclosure, evidence, pair, probe, seen
from tests.rules.scenes import watch as watching

MINUTE, HOUR = timedelta(minutes=1), timedelta(hours=1)
NIGHT = NOON + 11 * HOUR
BIRCH, ALDER = probe("birch-1", "birch"), probe("alder-1", "alder")
POST = probe("post", AMBIENT)
BAROMETER = probe("barometer", AMBIENT, Quantity.PRESSURE)
PROBES = (BIRCH, ALDER, POST, BAROMETER)
CAGES = (enclosure(), enclosure("alder"))


def heard(now: datetime = NOON, **minutes_ago: float) -> dict[str, datetime]:
    """All are heard a moment ago, but those that are named."""
    return {p.name: now - minutes_ago.get(p.name.replace("-", "_"), 0.5) * MINUTE for p in PROBES}


def about(of: Probe, series: Mapping[str, Any] | None = None, rule: Rule = silent.RULE, **more: Any) -> Verdict:
    """What a rule per probe says of one of them."""
    more.setdefault("watch", watching(NOON, heard()))
    known = evidence(rule, series or {}, NOON, subject=of.name, cages=CAGES, probe=of, probes=PROBES, **more)
    return rule.decide(known, NOON)


# --- silent ---------------------------------------------------------------------------------------------------------


def test_a_silent_probe_is_named() -> None:
    """Nothing for more than a quarter of an hour: which probe, where, and since when."""
    assert about(BIRCH).state is State.FINE
    verdict = about(BIRCH, watch=watching(NOON, heard(birch_1=20)))
    assert (verdict.reason, verdict.severity) == ("silent", Severity.MODERATE)
    assert verdict.numbers["place"] == "Birch"
    assert verdict.numbers["heard_at"] == (NOON - 20 * MINUTE).isoformat(timespec="seconds")


def test_a_probe_that_reports_rarely_is_given_its_time() -> None:
    """Five of its own intervals, where those are longer."""
    rare = replace(BIRCH, interval_s=900.0)
    assert about(rare, watch=watching(NOON, heard(birch_1=70))).state is State.FINE
    assert about(rare, watch=watching(NOON, heard(birch_1=80))).state is State.BREACH


def test_after_a_start_nothing_is_silent_yet() -> None:
    """What was last heard before the watching began is not held against the probe; what never comes is told."""
    just = watching(NOON, {}, running_since=NOON - 10 * MINUTE)
    assert about(BIRCH, watch=replace(just, last_heard={"alder-1": NOON})).state is State.FINE
    later = watching(NOON, heard() | {"birch-1": NOON - 9 * HOUR}, running_since=NOON - 20 * MINUTE)
    assert about(BIRCH, watch=later).state is State.BREACH
    never = {name: at for name, at in heard().items() if name != "birch-1"}
    assert about(BIRCH, watch=watching(NOON, never)).numbers["never"] is True


def test_when_all_are_silent_it_is_not_the_probes() -> None:
    """All at once, or no broker: each probe is unknown, and `watch` speaks alone."""
    gone = watching(NOON, {p.name: NOON - HOUR for p in PROBES})
    assert {about(p, watch=gone).state for p in PROBES} == {State.UNKNOWN}
    away = watching(NOON, heard(birch_1=40), connected=False, disconnected_since=NOON - 5 * MINUTE)
    assert about(BIRCH, watch=away).state is State.UNKNOWN


def test_the_only_thermometer_at_the_post_is_left_to_ambient() -> None:
    """Its silence is one message, not two; that of the barometer beside it is told here."""
    quiet = watching(NOON, heard(post=40, barometer=40))
    assert about(POST, watch=quiet).reason == "left to ambient"
    assert about(BAROMETER, watch=quiet).state is State.BREACH


@pytest.mark.parametrize(
    ("doubt", "reason"), [(Doubt.STUCK, "stuck"), (Doubt.POWER_ON, "unusable"), (Doubt.IMPOSSIBLE, "unusable")]
)
def test_nonsense_is_no_watching(doubt: Doubt, reason: str) -> None:
    """A probe that only sends what can't be used is heard, but watches nothing."""
    verdict = about(BIRCH, {"temperature": [seen(BIRCH, 85.0, NOON, 0.7, int(doubt))]})
    assert (verdict.state, verdict.reason) == (State.BREACH, reason)
    one: Curve = lambda h: 25.0  # noqa: E731  # a curve reads best as one
    fine = seen(BIRCH, one, NOON, 0.7)
    fine.doubts[-1] = int(doubt)
    assert about(BIRCH, {"temperature": [fine]}).state is State.FINE


def test_a_wrong_date_is_left_to_clock() -> None:
    """Readings dated by a clock that was not set are not the probe's nonsense."""
    assert about(BIRCH, {"temperature": [seen(BIRCH, 25.0, NOON, 0.7, int(Doubt.CLOCK))]}).state is State.FINE


# --- battery --------------------------------------------------------------------------------------------------------


def charge(ratio: float, volts: float | None = None) -> Verdict:
    series = {"battery": [seen(BIRCH, ratio, NOON, 2)]}
    if volts is not None:
        series["voltage"] = [seen(BIRCH, volts, NOON, 2)]
    return about(BIRCH, series, battery.RULE)


def test_a_low_battery_is_told_before_it_is_empty() -> None:
    """At 15 % or 2.4 V: Minor, change it. Just above: neither begun nor ended."""
    low = charge(0.12)
    assert low.advice is not None
    assert (low.severity, low.advice.action) == (Severity.MINOR, "change battery")
    assert charge(0.9, 2.3).state is State.BREACH
    assert (charge(0.18).state, charge(0.18).easing) == (State.FINE, True)
    assert charge(0.8).easing is False


def test_what_a_probe_does_not_tell_of_its_battery_is_unknown() -> None:
    """No reading of the supply: unknown, not full."""
    assert about(BIRCH, {}, battery.RULE).state is State.UNKNOWN


def test_a_sag_while_it_sends_is_no_low_battery() -> None:
    """One low value among seven is the radio."""
    sag: Curve = lambda h: 0.05 if h > -0.02 else 0.6  # noqa: E731
    assert about(BIRCH, {"battery": [seen(BIRCH, sag, NOON, 2)]}, battery.RULE).state is State.FINE


# --- ambient --------------------------------------------------------------------------------------------------------


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


# --- clock ----------------------------------------------------------------------------------------------------------


def dated(series: Mapping[str, Any], **changes: Any) -> Verdict:
    """What is said of the clocks."""
    known = evidence(
        clock.RULE, series, NOON, subject="", cages=CAGES, probes=PROBES, watch=watching(NOON, heard(), **changes)
    )
    return clock.RULE.decide(known, NOON)


def test_a_clock_that_was_not_set_is_told() -> None:
    """Without network after a power cut the computer does not know the time."""
    assert dated(pair(25.0, 24.0, NOON, 0.7), clock_is_set=False).reason == "not set"
    assert dated(pair(25.0, 24.0, NOON, 0.7)).reason == "right"


def test_a_probe_that_is_heard_but_dates_elsewhere_is_named() -> None:
    """It was heard a moment ago, yet nothing of it is dated lately, or only with a doubt about its date."""
    series = pair(25.0, 24.0, NOON, 0.7)
    series["inside"] = [seen(BIRCH, 25.0, NOON - 3 * HOUR, 0.7)]
    verdict = dated(series)
    assert (verdict.reason, verdict.numbers["probes"]) == ("probe", "birch-1")
    series["inside"] = [seen(BIRCH, 25.0, NOON, 0.7, int(Doubt.FUTURE))]
    assert dated(series).reason == "probe"


def test_a_silent_probe_is_not_misdating() -> None:
    """What is not heard is `silent`'s matter."""
    series = pair(25.0, 24.0, NOON, 0.7)
    series["inside"] = [seen(BIRCH, 25.0, NOON - 3 * HOUR, 0.7)]
    assert dated(series, last_heard=heard(birch_1=60)).state is State.FINE


# --- watch ----------------------------------------------------------------------------------------------------------


def anybody(**changes: Any) -> Verdict:
    """Whether anybody watches."""
    known = evidence(
        watch.RULE, {}, NOON, subject="", cages=CAGES, probes=PROBES, watch=watching(NOON, heard(), **changes)
    )
    return watch.RULE.decide(known, NOON)


def test_nobody_watches_without_broker_or_probes() -> None:
    """Ten minutes without the broker, or silence from all: told, with since when."""
    assert anybody().reason == "watching"
    short = anybody(connected=False, disconnected_since=NOON - 5 * MINUTE)
    assert (short.state, short.easing) == (State.FINE, True)
    away = anybody(connected=False, disconnected_since=NOON - 15 * MINUTE)
    assert (away.reason, away.severity) == ("no broker", Severity.MODERATE)
    gone = anybody(last_heard={p.name: NOON - HOUR for p in PROBES})
    assert gone.advice is not None
    assert (gone.reason, gone.advice.action) == ("nothing is heard", "check watch")
    assert anybody(last_heard={"birch-1": NOON}).state is State.FINE


def test_one_outage_is_one_message() -> None:
    """Everything silent: of all the watching rules, `watch` alone is in breach."""
    gone = watching(NOON, {p.name: NOON - HOUR for p in PROBES})
    verdicts = [about(p, watch=gone) for p in PROBES]
    for rule in (ambient.RULE, clock.RULE, watch.RULE):
        known = evidence(rule, {}, NOON, subject="", cages=CAGES, probes=PROBES, watch=gone)
        verdicts.append(rule.decide(known, NOON))
    assert [v.rule for v in verdicts if v.state is State.BREACH] == ["watch"]
