"""Ambient: the shaded post that every enclosure is compared with is missing, or it is wrong.

It is wrong when all enclosures are off by the same: the fault is then in what they have in common. By night and under a
closed sky nothing else makes them so; by day air in a cage is never much cooler than shaded air.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from enum import StrEnum
from statistics import median

from pydantic import Field

from sensord import actions
from sensord.model import AMBIENT, Certainty, Quantity, Severity, State, Verdict
from sensord.rules import Evidence, Need, Per, Unclear
from sensord.rules._bounds import Bounds
from sensord.rules._kinds import EXPECTED
from sensord.rules._manners import WATCHING
from sensord.rules._readings import Findings, breach, fine, middle, pairs, seconds, track, unknown
from sensord.rules._sky import Sky, irradiance_need, sky_at
from sensord.rules._tracks import Track
from sensord.rules._watching import NO_PATIENCE_HERE, tells_ambient

NAME = "ambient"
LOOKBACK = timedelta(minutes=50)
WINDOW = timedelta(minutes=30)
HOLDS = timedelta(hours=24)


class Reason(StrEnum):
    """What this rule can say."""

    MISSING = "missing"
    WRONG = "wrong"
    THERE = "there"


class Thresholds(Bounds):
    """When the post is called wrong. All chosen."""

    moved = NO_PATIENCE_HERE

    same_within_k: float = Field(1, ge=0.2, le=5, description="enclosures are off by the same within this [K]; chosen")
    dark_k: float = Field(2.5, ge=0.5, le=20, description="by night, all off by this [K]; chosen")
    colder_k: float = Field(2, ge=0.5, le=20, description="by day, all so much cooler than the post [K]; chosen")
    day_k: float = Field(
        4, ge=1, le=20, description="by day, all so much warmer than their kinds should be [K]; chosen"
    )
    hysteresis_k: float = Field(0.5, ge=0.1, le=5, description="it is over when so much less [K]; chosen")


class Ambient:
    """Whether the post can be trusted."""

    name = NAME
    per = Per.SITE
    every = timedelta(minutes=5)
    manner = WATCHING
    reasons = Reason
    advises = (actions.CHECK_AMBIENT,)
    Parameters = Thresholds

    def needs(self, parameters: Thresholds) -> tuple[Need, ...]:
        """The temperatures of the post and of every enclosure."""
        return (
            Need("ambient", AMBIENT, Quantity.TEMPERATURE, LOOKBACK),
            Need("inside", "subject", Quantity.TEMPERATURE, LOOKBACK),
            irradiance_need(LOOKBACK),
        )

    def decide(self, evidence: Evidence, now: datetime) -> Verdict:
        """There and plausible, missing, or wrong."""
        p: Thresholds = evidence.parameters
        probes = [probe for probe in evidence.probes if tells_ambient(probe)]
        if not probes or evidence.watch is None:
            return unknown(NAME, evidence, now, Unclear.NO_PROBE_AT_THE_POST)
        ambient = track(evidence, "ambient", now, -60, 60)
        offsets = _offsets(evidence, ambient, now)
        if not ambient.is_fresh(seconds(now)):
            return _missing(evidence, now, probes[0].name)
        facts: Findings = {"probe": probes[0].name, "ambient_c": middle(ambient.since(seconds(now) - 900.0))}
        if len(offsets) < 2:
            return fine(NAME, evidence, now, Reason.THERE, facts)
        sky = sky_at(evidence.site, now, track(evidence, "irradiance", now, 0, 2000))
        common_k = median(offsets.values())
        facts["offset_k"] = common_k
        if _wrong(evidence, offsets, sky, p, 0.0):
            facts["too_cold" if common_k > 0 else "too_warm"] = True
            facts["enclosures_compared"] = len(offsets)
            advice = actions.CHECK_AMBIENT.advice(holds_until=now + HOLDS)
            return breach(
                NAME, evidence, now, Reason.WRONG, Severity.MODERATE, advice, facts, certainty=Certainty.LIKELY
            )
        was = evidence.concern
        unseen_by_day = (
            was is not None and was.verdict.reason == Reason.WRONG and not sky.is_dark and common_k > p.dark_k
        )
        easing = unseen_by_day or _wrong(evidence, offsets, sky, p, p.hysteresis_k)  # what the night showed stands
        return fine(NAME, evidence, now, Reason.THERE, facts, easing)


RULE = Ambient()


def _missing(evidence: Evidence, now: datetime, name: str) -> Verdict:
    """No air temperature at the post."""
    watch = evidence.watch
    assert watch is not None
    heard = watch.heard_at(next(probe for probe in evidence.probes if probe.name == name))
    facts: Findings = {"probe": name, "heard_at": heard, "never": (name not in watch.last_heard) or None}
    clock = evidence.others.get("clock")
    if clock is not None and clock.verdict.state is State.BREACH:
        return unknown(NAME, evidence, now, Unclear.LEFT_TO_CLOCK, facts)
    if not watch.connected or watch.all_silent(evidence.probes, now):
        return unknown(NAME, evidence, now, Unclear.NOTHING_IS_HEARD, facts)
    silence = timedelta(seconds=max(watch.patience.silence_s(p) for p in evidence.probes if tells_ambient(p)))
    if now - watch.running_since <= silence:
        return unknown(NAME, evidence, now, Unclear.JUST_STARTED, facts)
    if now - heard <= silence and name in watch.last_heard:
        facts["heard"] = True  # it talks, but nothing of it can be used
    advice = actions.CHECK_AMBIENT.advice(holds_until=now + HOLDS)
    return breach(NAME, evidence, now, Reason.MISSING, Severity.MODERATE, advice, facts)


def _offsets(evidence: Evidence, ambient: Track, now: datetime) -> dict[str, float]:
    """Median offset of each enclosure over the last half hour, by the first probe of each that has any."""
    found: dict[str, float] = {}
    for seen in evidence.series.get("inside", ()):
        if seen.probe.place in found:
            continue
        inside = seen.usable(seconds(now), -60, 90)
        start_s = seconds(now) - max(WINDOW.total_seconds(), 2.5 * max(inside.interval_s, ambient.interval_s))
        matched = pairs(inside, ambient, start_s, seconds(now))
        if matched.differences and inside.is_fresh(seconds(now)):
            found[seen.probe.place] = matched.median()
    return found


def _wrong(evidence: Evidence, offsets: dict[str, float], sky: Sky, p: Thresholds, less_k: float) -> bool:
    """Whether what all enclosures have in common must be the fault; `less_k` with so much less."""
    outside = {s.enclosure.name: s for s in evidence.stands if s.sheltered_at is None}
    off = {place: k for place, k in offsets.items() if place in outside}
    if len(off) < 2:
        return False
    together = max(off.values()) - min(off.values()) <= p.same_within_k
    if sky.is_dark:
        return together and abs(median(off.values())) >= p.dark_k - less_k
    if max(off.values()) <= -(p.colder_k - less_k):
        return True
    excess = [k - EXPECTED[outside[place].enclosure.kind].high_k for place, k in off.items()]
    alike = max(excess) - min(excess) <= p.same_within_k
    stands_differ = len({(outside[place].enclosure.kind, outside[place].shaded) for place in off}) > 1
    return alike and (stands_differ or len(off) > 2) and min(excess) >= p.day_k - less_k
