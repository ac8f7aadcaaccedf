"""Silent: which probe, since when, and who speaks of it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from sensord.model import (
    AMBIENT,
    Doubt,
    Severity,
    State,
    Verdict,
)
from sensord.rules import Seen, silent
from tests.rules.scenes import NOON, Curve, evidence, probe, seen
from tests.rules.scenes import watch as watching
from tests.rules.watched import BAROMETER, BIRCH, CAGES, HOUR, MINUTE, POST, PROBES, SECOND, about, heard


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


def stuck(last: int, interval_s: float = 60.0, hours: float = 1.0, doubt: Doubt = Doubt.STUCK) -> Verdict:
    """What is said where the last so many readings are stuck."""
    rare = replace(BIRCH, interval_s=interval_s)
    sent = seen(rare, 25.0, NOON, hours)
    doubts = [0] * (len(sent.times_s) - last) + [int(doubt)] * last
    return about(rare, {"temperature": [Seen.of(rare, sent.times_s, sent.values, doubts)]})


def test_a_probe_is_silent_after_a_quarter_of_an_hour_to_the_second() -> None:
    """Or five of its own intervals; a message about it holds for a day."""
    assert about(BIRCH, watch=watching(NOON, heard(birch_1=15))).state is State.FINE
    late = about(BIRCH, watch=watching(NOON, heard() | {"birch-1": NOON - 15 * MINUTE - SECOND}))
    assert late.advice is not None
    assert (late.reason, late.advice.holds_until) == ("silent", NOON + 24 * HOUR)
    rare = replace(BIRCH, interval_s=300.0)
    assert about(rare, watch=watching(NOON, heard(birch_1=25))).state is State.FINE
    assert about(rare, watch=watching(NOON, heard() | {"birch-1": NOON - 25 * MINUTE - SECOND})).reason == "silent"


def test_nonsense_is_what_all_of_the_latest_readings_are() -> None:
    """Of a quarter of an hour or four intervals, three at least; "stuck" is what is nothing else."""
    assert [stuck(last).reason for last in (14, 15)] == ["heard", "stuck"]
    assert [stuck(last, 300.0).reason for last in (3, 4)] == ["heard", "stuck"]
    assert [stuck(last, 450.0, last / 8).reason for last in (2, 3)] == ["heard", "stuck"]
    assert stuck(15, doubt=Doubt.JUMP).reason == "unusable"
    sent = seen(BIRCH, 25.0, NOON, 0.25)
    mixed = Seen.of(BIRCH, sent.times_s, sent.values, [int(Doubt.STUCK)] * 14 + [int(Doubt.JUMP)])
    assert about(BIRCH, {"temperature": [mixed]}).reason == "unusable"
    damp = Seen.of(BIRCH, sent.times_s, sent.values, [int(Doubt.STUCK)] * 15)
    assert about(BIRCH, {"temperature": [sent], "humidity": [damp]}).reason == "stuck"


def test_what_is_said_of_a_probe_names_its_place_or_the_post() -> None:
    """Never both, and "never heard" only of what never was."""
    in_a_cage, at_the_post = about(BIRCH).numbers, about(BAROMETER).numbers
    assert (in_a_cage["place"], "at_post" in in_a_cage, "never" in in_a_cage) == ("Birch", False, False)
    assert ("place" in at_the_post, at_the_post["at_post"]) == (False, True)


def test_of_two_thermometers_at_the_post_one_that_is_silent_is_told_here() -> None:
    """The air there is known all the same; where both are silent, `ambient` speaks."""
    two = (*PROBES, SECOND_POST := probe("post-2", AMBIENT))
    for minutes, reason in ((0, "silent"), (40, "left to ambient")):
        known = watching(NOON, heard(post=40) | {SECOND_POST.name: NOON - minutes * MINUTE})
        of = evidence(silent.RULE, {}, NOON, subject="post", cages=CAGES, probe=POST, probes=two, watch=known)
        assert silent.RULE.decide(of, NOON).reason == reason
