"""Clock: what is dated wrongly, by the computer or by a probe."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest

from sensord.model import (
    Doubt,
    State,
    Verdict,
)
from sensord.rules import Seen, clock
from tests.rules.scenes import NOON, evidence, pair, seen
from tests.rules.scenes import watch as watching
from tests.rules.watched import BIRCH, CAGES, HOUR, MINUTE, PROBES, SECOND, heard


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


def test_the_watching_must_have_run_for_a_while() -> None:
    """Three quarters of an hour: what is dated before it began says nothing."""
    series = pair(25.0, 24.0, NOON - 3 * HOUR, 0.7)
    assert dated(series, running_since=NOON - 45 * MINUTE + SECOND).reason == "just started"
    wrong = dated(series, running_since=NOON - 45 * MINUTE)
    assert wrong.advice is not None
    assert (wrong.reason, wrong.numbers["probes"], wrong.numbers["probes_count"]) == ("probe", "birch-1, post", 2)
    assert wrong.advice.holds_until == NOON + 24 * HOUR


@pytest.mark.parametrize(
    ("interval_s", "newest_s", "reason"),
    [
        (60.0, 1800.0, "right"),
        (60.0, 1801.0, "probe"),
        (600.0, 2400.0, "right"),
        (600.0, 2401.0, "probe"),
        (675.0, 2701.0, "probe"),
        (676.0, 9000.0, "right"),  # too rare to be told
    ],
)
def test_a_probe_is_dated_lately_or_elsewhere(interval_s: float, newest_s: float, reason: str) -> None:
    """Within half an hour or four of its intervals, if it reports often enough to be judged by them."""
    of = replace(BIRCH, interval_s=interval_s)
    sent = seen(of, 25.0, NOON - timedelta(seconds=newest_s - interval_s), 3.0)
    assert dated({"inside": [sent]}).reason == reason


def test_one_right_date_is_enough_and_what_was_never_heard_is_not_asked() -> None:
    """A probe that was dated rightly once of late knows the time."""
    sent = seen(BIRCH, 25.0, NOON, 0.7, int(Doubt.CLOCK))
    once = Seen.of(BIRCH, sent.times_s, sent.values, [*sent.doubts[:-1], 0])
    assert dated({"inside": [once]}).reason == "right"
    assert dated({"inside": [seen(BIRCH, 25.0, NOON - 3 * HOUR, 0.7)]}, last_heard={"post": NOON}).reason == "right"
