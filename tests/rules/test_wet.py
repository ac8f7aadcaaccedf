"""Wet: a spell longer than a night is one small note."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

import pytest

from sensord.model import Concern, Doubt, Quantity, Severity, Standing, State, Telling, Verdict
from sensord.rules import Seen, wet
from tests.rules.scenes import NOON, SITE, Curve, Told, cohort, enclosure, evidence, probe, seen

MINUTE, HOUR = timedelta(minutes=1), timedelta(hours=1)
HUMID = probe("birch-1", "birch", Quantity.HUMIDITY)


def moist(curve: Curve | float, now: datetime = NOON, doubts: int = 0, **more: Any) -> Verdict:
    series = {"humidity": [seen(HUMID, curve, now, 18, doubts)]}
    return wet.RULE.decide(evidence(wet.RULE, series, now, **more), now)


def test_a_night_of_dew_is_no_wet_spell() -> None:
    """Ten hours at saturation are a summer night; seventeen are a spell: one Minor note."""
    assert moist(lambda h: 1.0 if h >= -10 else 0.7).state is State.FINE
    long = moist(lambda h: 1.0 if h >= -17 else 0.7)
    assert long.advice is not None
    assert (long.severity, long.advice.action) == (Severity.MINOR, "look for mould")
    assert long.numbers["spell_h"] == pytest.approx(17.0, abs=0.1)


def test_a_sensor_that_is_marked_wet_counts_as_wet() -> None:
    """A pinned sensor is wet, whatever it shows and even if it is called stuck."""
    assert moist(0.9, doubts=int(Doubt.WET | Doubt.STUCK)).state is State.BREACH


def test_a_dry_noon_ends_a_spell_and_a_dry_moment_does_not() -> None:
    """Three dry hours begin it anew; twenty minutes don't."""
    assert moist(lambda h: 0.6 if -6 < h < -3 else 1.0).state is State.FINE
    assert moist(lambda h: 0.6 if -6.3 < h < -6 else 1.0).state is State.BREACH


def test_a_wet_week_is_one_note() -> None:
    """Wet for days: told once, without repeats."""
    told = Told(wet.RULE)
    for hours in range(0, 96):
        now = NOON + hours * HOUR
        told.at(now, evidence(wet.RULE, {"humidity": [seen(HUMID, 1.0, now, 18)]}, now))
    assert [n.telling for n in told.notices] == [Telling.OPENED]


def test_without_humidity_it_is_unknown() -> None:
    """A probe that measures no humidity says nothing of wetness."""
    assert wet.RULE.decide(evidence(wet.RULE, {"humidity": []}, NOON), NOON).state is State.UNKNOWN


def minutes(wet: range | set[int], ratio: float = 1.0, dry: float = 0.7) -> Curve:
    """So moist in those minutes ago, and dry in all others."""
    return lambda h: ratio if round(-60 * h) in wet else dry


def test_a_spell_is_long_after_sixteen_hours_to_the_minute() -> None:
    """From the first wet reading to the newest, a minute ago."""
    short, long = (moist(minutes(range(1, last + 1))) for last in (960, 961))
    assert (short.reason, short.numbers["spell_h"]) == ("wet", pytest.approx(15.983))
    assert (long.reason, long.numbers["spell_h"], long.numbers["humidity_ratio"]) == ("long", 16.0, 1.0)
    assert long.advice is not None
    assert long.advice.holds_until == NOON + 8 * HOUR


@pytest.mark.parametrize(
    ("ratio", "reason"),
    [(0.97, "long"), (0.969, "dry"), (1.1, "long"), (1.101, "no humidity"), (0.0, "dry"), (-0.001, "no humidity")],
)
def test_what_counts_as_wet_and_what_is_no_humidity(ratio: float, reason: str) -> None:
    """From 0.97 on; sensors overshoot a little, by more than a tenth they are wrong."""
    assert moist(ratio).reason == reason


def test_a_doubt_decides_only_where_it_is_of_wetness() -> None:
    """Stuck alone is no reading; marked as wet it is wet whatever it shows."""
    assert moist(1.0, doubts=int(Doubt.STUCK)).reason == "no humidity"
    assert moist(0.5, doubts=int(Doubt.WET)).reason == "long"


@pytest.mark.parametrize(
    ("interval_s", "gap", "reason"), [(60.0, 45, "long"), (60.0, 46, "wet"), (1800.0, 90, "long"), (1800.0, 120, "wet")]
)
def test_a_drying_of_three_quarters_of_an_hour_ends_no_spell(interval_s: float, gap: int, reason: str) -> None:
    """From one wet reading to the next, or over three intervals of the probe."""
    of = replace(HUMID, interval_s=interval_s)
    drying = lambda h: 0.7 if 300 < round(-60 * h) < 300 + gap else 1.0  # noqa: E731
    known = evidence(wet.RULE, {"humidity": [seen(of, drying, NOON, 18)]}, NOON)
    assert wet.RULE.decide(known, NOON).reason == reason


@pytest.mark.parametrize(
    ("interval", "dry_for", "reason"),
    [(1, 46, "dry"), (1, 45, "long"), (15, 45, "long"), (15, 60, "dry"), (20, 40, "long"), (20, 60, "dry")],
)
def test_what_has_just_dried_is_still_wet_for_as_long(interval: int, dry_for: int, reason: str) -> None:
    """Three quarters of an hour after its last wet reading it is dry, however rarely the probe reports."""
    of = replace(HUMID, interval_s=60.0 * interval)
    dried = lambda h: 0.7 if round(-60 * h) < interval + dry_for else 1.0  # noqa: E731
    known = evidence(wet.RULE, {"humidity": [seen(of, dried, NOON, 18)]}, NOON)
    assert wet.RULE.decide(known, NOON).reason == reason


def test_only_what_is_of_now_counts() -> None:
    """Twenty minutes or two and a half intervals old at most, and nothing that lies ahead; else the next probe is asked."""

    def newest(ago_s: float, interval_s: float = 60.0) -> Seen:
        return seen(replace(HUMID, interval_s=interval_s), 1.0, NOON - timedelta(seconds=ago_s - interval_s), 18)

    def said(*probes: Seen) -> str:
        return wet.RULE.decide(evidence(wet.RULE, {"humidity": probes}, NOON), NOON).reason

    assert said(newest(1200.0)) == said(newest(9000.0, 3600.0)) == "long"
    assert said(newest(1201.0)) == said(newest(9001.0, 3600.0)) == "no humidity"
    assert said(newest(1201.0), newest(60.0)) == "long"
    ahead = seen(HUMID, lambda h: 1.0 if h < -0.5 else 0.5, NOON + 30 * MINUTE, 18.5)
    assert said(ahead) == "long"


def test_a_spell_in_an_empty_cage_is_nobodys_matter_and_one_that_is_told_goes_on() -> None:
    """While it is wet, what was told neither ends nor begins anew."""
    cages = [enclosure(), enclosure("alder")]
    assert moist(1.0, cages=cages, cohorts=[cohort("alder")]).reason == "wet"
    told = Verdict("wet", "birch", State.BREACH, NOON, "long", Severity.MINOR)
    standing = Concern(SITE.name, "wet", "birch", Standing.OPEN, told, NOON)
    assert moist(minutes(range(1, 90)), concern=standing).easing
    assert not moist(minutes(range(1, 90))).easing
    assert not moist(0.7, concern=standing).easing


def test_all_that_was_wet_counts_and_the_newest_reading_is_told() -> None:
    """From the very first reading to one of this instant; under a cover it is said that there is one."""
    at = [NOON.timestamp() - 600.0 * tens for tens in (2, 1, 0)]
    known = evidence(wet.RULE, {"humidity": [Seen.of(HUMID, at, [0.99, 0.98, 0.975], [0, 0, 0])]}, NOON)
    told = wet.RULE.decide(known, NOON).numbers
    assert (told["spell_h"], told["humidity_ratio"]) == (pytest.approx(1 / 3, abs=0.001), 0.975)
    assert "covered" not in told
    assert moist(1.0, cages=[enclosure(covered=True)]).numbers["covered"] is True


def test_what_is_wet_for_minutes_is_not_over_yet() -> None:
    """Any wetness at all keeps the note that stands from ending."""
    told = Verdict("wet", "birch", State.BREACH, NOON, "long", Severity.MINOR)
    concern = Concern(SITE.name, "wet", "birch", Standing.OPEN, told, NOON)
    assert moist(minutes(range(1, 31)), concern=concern).easing
