"""Offset from ambient: the median of time-aligned pairs, inside less the shaded post, and what must be the reason for it.

It tells apart an enclosure that is warmer than its kind should be, a probe that stands in the sun and measures itself, and
an ambient probe that is wrong. A kind that runs warm by nature is not scolded for it: its heat is judged by `overheating`.
By night and under a closed sky the sun warms nothing: a large offset is then a fault of one of the two probes.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from enum import StrEnum

from pydantic import Field

from sensord import actions
from sensord.model import AMBIENT, Certainty, Doubt, Quantity, Severity, Standing, State, Verdict
from sensord.rules import Evidence, Need, Per, Unclear
from sensord.rules._animals import is_empty
from sensord.rules._kinds import COVER_ADDS_K, EXPECTED, Expected
from sensord.rules._manners import UNHURRIED
from sensord.rules._readings import Bounds, Findings, Pairs, breach, fine, middle, pairs, seconds, track, unknown
from sensord.rules._shade import follow, helped
from sensord.rules._sky import Sky, irradiance_need, sky_at
from sensord.rules._tracks import Track
from sensord.rules.ambient import Reason as AmbientReason

NAME = "offset"
LOOKBACK = timedelta(hours=2)
FAULT_WINDOW = timedelta(minutes=45)
"""A probe is called wrong only when the longer window says so too: passing fronts move two probes at two speeds."""
HOLDS = timedelta(hours=3)


class Reason(StrEnum):
    """What this rule can say."""

    AMBIENT_IN_THE_SUN = "ambient in the sun"
    COLDER = "colder"
    WARM_IN_THE_DARK = "warm in the dark"
    PROBE_IN_THE_SUN = "probe in the sun"
    WARM = "warm"
    AS_USUAL = "as usual"
    LEFT_TO_OVERHEATING = "left to overheating"
    WELCOME_WARMTH = "welcome warmth"


class Thresholds(Bounds):
    """Thresholds of the rule. Nothing is published for small mesh cages in sun: all are chosen, see `_kinds`."""

    window_min: float = Field(15, ge=5, le=60, description="span of which the median is taken [min]; chosen")
    warm_k: float | None = Field(
        None, ge=0.5, le=20, description="warmer than its kind from here on [K]; default: kind"
    )
    far_k: float | None = Field(None, ge=1, le=40, description="probe in the sun from here on [K]; default: by kind")
    dark_k: float = Field(5, ge=1, le=20, description="a fault by night or under closed cloud from here on [K]; chosen")
    colder_k: float = Field(3, ge=1, le=20, description="so much colder than ambient is a fault [K]; chosen")
    spikes_k: float = Field(3, ge=1, le=20, description="an offset that jumps about so much is the sun [K]; chosen")
    harmless_below_c: float = Field(
        25, ge=0, le=40, description="inside cooler than this, warmth is welcome [°C]; chosen"
    )
    matters_from_c: float = Field(
        29, ge=15, le=45, description="a probe in the sun that reads this may hide heat [°C]; York & Oberhauser 2002"
    )
    alarming_from_c: float = Field(38, ge=20, le=60, description="and this may be real after all [°C]; chosen")
    hysteresis_k: float = Field(1, ge=0.1, le=5, description="it holds until the offset is this much less [K]; chosen")


class Offset:
    """Inside less shaded ambient, and why."""

    name = NAME
    per = Per.ENCLOSURE
    every = timedelta(minutes=5)
    manner = UNHURRIED
    reasons = Reason
    advises = (actions.SHADE, actions.ADD_AIRFLOW, actions.SHIELD_PROBE, actions.CHECK_PROBE, actions.CHECK_AMBIENT)
    Parameters = Thresholds

    def needs(self, parameters: Thresholds) -> tuple[Need, ...]:
        """Both temperatures, and the sun where it is measured."""
        return (
            Need("inside", "subject", Quantity.TEMPERATURE, LOOKBACK),
            Need("ambient", AMBIENT, Quantity.TEMPERATURE, LOOKBACK),
            irradiance_need(LOOKBACK),
        )

    def decide(self, evidence: Evidence, now: datetime) -> Verdict:
        """As it should be, warmer, or one of the probes is wrong."""
        p: Thresholds = evidence.parameters
        if evidence.stand is None:
            return unknown(NAME, evidence, now, Unclear.NO_ENCLOSURE)
        inside, ambient = track(evidence, "inside", now, -60, 90), track(evidence, "ambient", now, -60, 60)
        if not inside.is_fresh(seconds(now)):
            return unknown(NAME, evidence, now, Unclear.NO_INSIDE)
        if not ambient.is_fresh(seconds(now)):
            return unknown(NAME, evidence, now, Unclear.NO_AMBIENT)
        slowest_s = max(inside.interval_s, ambient.interval_s)
        recent_s = seconds(now) - max(60.0 * p.window_min, 3.5 * slowest_s)
        recent = pairs(inside, ambient, recent_s, seconds(now))
        if len(recent.differences) < (3 if slowest_s <= 300.0 else 1):
            return unknown(NAME, evidence, now, Unclear.NO_PAIRS)
        longer = pairs(inside, ambient, min(recent_s, seconds(now - FAULT_WINDOW)), seconds(now))
        return _judge(evidence, now, inside.since(recent_s), ambient.since(recent_s), recent, longer, (inside, ambient))


RULE = Offset()


def _judge(
    evidence: Evidence,
    now: datetime,
    inside: Track,
    ambient: Track,
    recent: Pairs,
    longer: Pairs,
    whole: tuple[Track, Track],
) -> Verdict:
    stand, p = evidence.stand, evidence.parameters
    assert stand is not None
    irradiance = track(evidence, "irradiance", now, 0, 2000)
    sky = sky_at(evidence.site, now, irradiance)
    offset_k, spread_k = recent.median(), longer.spread()
    expected = _expected(evidence, stand.covered)
    inside_c, ambient_c = (  # a slow probe may have nothing in the window, and be fresh all the same
        whole_track.values[-1] if (level := middle(lately)) is None else level
        for lately, whole_track in zip((inside, ambient), whole, strict=True)
    )
    followed = follow(stand.shaded_at, *whole, irradiance, evidence.site, now)
    facts: Findings = {
        "inside_c": inside_c,
        "ambient_c": ambient_c,
        "offset_k": offset_k,
        "spread_k": spread_k,
        "usual_low_k": expected.low_k,
        "usual_high_k": expected.high_k,
        **helped(followed),
    }
    other = evidence.others.get("ambient")
    if other is not None and other.verdict.state is State.BREACH and other.verdict.reason == AmbientReason.WRONG:
        return unknown(NAME, evidence, now, Unclear.AMBIENT_WRONG, facts)
    if stand.sheltered_at is not None:
        return unknown(NAME, evidence, now, Unclear.SHELTERED, facts)
    fault = _fault(evidence, now, sky, offset_k, longer.median(), facts)
    if fault is not None:
        return fault
    if not sky.may_shine:
        return fine(NAME, evidence, now, Reason.AS_USUAL, facts)
    sunlit = inside.share(Doubt.SUNLIT) > 0.5
    # Clouds make the air of a cage jump too; only well above its kind does it speak against the probe.
    spiky = offset_k >= (expected.warm_k + expected.far_k) / 2 and spread_k >= p.spikes_k and expected.low_k < 1.0
    if offset_k >= expected.far_k or spiky or (sunlit and offset_k >= expected.high_k):
        return _probe_in_sun(evidence, now, inside_c, sky, facts)
    if offset_k >= expected.warm_k:
        return _warm(evidence, now, inside_c, sky, facts)
    easing = offset_k >= expected.warm_k - p.hysteresis_k
    return fine(NAME, evidence, now, Reason.AS_USUAL, facts, easing)


def _expected(evidence: Evidence, covered: bool) -> Expected:
    """What the kind adds, as the configuration and a cover change it."""
    assert evidence.stand is not None
    p: Thresholds = evidence.parameters
    own = EXPECTED[evidence.stand.enclosure.kind]
    warm_k = own.warm_k if p.warm_k is None else p.warm_k
    far_k = (own.far_k if p.far_k is None else p.far_k) + (COVER_ADDS_K if covered else 0.0)
    return own._replace(warm_k=warm_k, far_k=max(far_k, warm_k))


def _fault(
    evidence: Evidence, now: datetime, sky: Sky, offset_k: float, longer_k: float, facts: Findings
) -> Verdict | None:
    """One of the two probes must be wrong: nothing cools a cage far below the air, and no sun warms it by night."""
    p: Thresholds = evidence.parameters
    if max(offset_k, longer_k) <= -p.colder_k:
        reason, action = (
            (Reason.AMBIENT_IN_THE_SUN, actions.CHECK_AMBIENT)
            if sky.may_shine
            else (Reason.COLDER, actions.CHECK_PROBE)
        )
    elif sky.is_dark and min(offset_k, longer_k) >= p.dark_k:
        reason, action = Reason.WARM_IN_THE_DARK, actions.CHECK_PROBE
    else:
        return None
    advice = action.advice(holds_until=now + HOLDS)
    return breach(NAME, evidence, now, reason, Severity.MODERATE, advice, facts, certainty=Certainty.LIKELY)


def _heat_stands(evidence: Evidence) -> bool:
    """The keeper is being told about the heat in here, and by a rule that knows."""
    heat = evidence.others.get(f"overheating/{evidence.subject}")
    return (
        heat is not None
        and heat.standing in (Standing.OPEN, Standing.ANSWERED)
        and heat.unknown_since is None
        and heat.verdict.state is State.BREACH
    )


def _probe_in_sun(evidence: Evidence, now: datetime, inside_c: float, sky: Sky, facts: Findings) -> Verdict:
    """Far more than air in such an enclosure can have: the probe measures the sun on itself. Shade helps either way."""
    p: Thresholds = evidence.parameters
    assert evidence.stand is not None
    facts |= {
        "sun_azimuth_deg": sky.azimuth_deg,
        "sun_elevation_deg": sky.elevation_deg,
        "unshaded": (not evidence.stand.shaded) or None,
        "hot": (inside_c >= p.matters_from_c) or None,
    }
    if _heat_stands(evidence):
        return fine(NAME, evidence, now, Reason.LEFT_TO_OVERHEATING, facts, easing=True)
    severity = Severity.MINOR if inside_c < p.matters_from_c else Severity.MODERATE
    if inside_c >= p.alarming_from_c:
        severity = Severity.SEVERE  # if it is real after all, there is no time to lose
    if is_empty(evidence):
        severity = Severity.MINOR
    advice = actions.SHIELD_PROBE.advice(holds_until=now + HOLDS)
    return breach(NAME, evidence, now, Reason.PROBE_IN_THE_SUN, severity, advice, facts, certainty=Certainty.POSSIBLE)


def _warm(evidence: Evidence, now: datetime, inside_c: float, sky: Sky, facts: Findings) -> Verdict:
    """Warmer than its kind should be, and plausible: too little air comes through, or too much sun."""
    p: Thresholds = evidence.parameters
    assert evidence.stand is not None
    if inside_c < p.harmless_below_c:
        return fine(NAME, evidence, now, Reason.WELCOME_WARMTH, facts)
    if _heat_stands(evidence):
        return fine(NAME, evidence, now, Reason.LEFT_TO_OVERHEATING, facts, easing=True)
    facts |= {
        "sun_azimuth_deg": sky.azimuth_deg,
        "sun_elevation_deg": sky.elevation_deg,
        "covered": evidence.stand.covered or None,
    }
    action = actions.ADD_AIRFLOW if evidence.stand.covered or evidence.stand.shaded else actions.SHADE
    advice = action.advice(holds_until=now + HOLDS)
    return breach(NAME, evidence, now, Reason.WARM, Severity.MINOR, advice, facts)
