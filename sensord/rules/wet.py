"""Wet: humidity pinned at saturation for longer than a night. One note, no nag; the temperature rules go on meanwhile.

Condensation lets mould grow on droppings and leaves; rain pools on the floor. No figure for a harmful humidity was found
published: the duration is a choice.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from enum import StrEnum

from pydantic import Field

from sensord import actions
from sensord.model import Doubt, Hazard, Number, Quantity, Severity, Verdict
from sensord.rules import Evidence, Need, Per, Seen, Unclear
from sensord.rules._animals import is_empty
from sensord.rules._manners import NOTE
from sensord.rules._readings import Bounds, breach, fine, seconds, unknown
from sensord.rules._tracks import REFUSED

NAME = "wet"
WET = int(Doubt.WET)
BREAK_MIN = 45.0
"""A shorter drying in between does not end a wet spell. Chosen."""


class Reason(StrEnum):
    """What this rule can say."""

    LONG = "long"
    WET = "wet"
    DRY = "dry"


class Thresholds(Bounds):
    """When a spell is long."""

    wet_ratio: float = Field(0.97, ge=0.8, le=1, description="relative humidity that counts as wet [0–1]; chosen")
    after_h: float = Field(16, ge=2, le=48, description="wet for longer than this, longer than a night [h]; chosen")


class Wet:
    """Whether an enclosure has been wet for too long."""

    name = NAME
    per = Per.ENCLOSURE
    every = timedelta(hours=1)
    manner = replace(NOTE, hazard=Hazard.WET)
    reasons = Reason
    advises = (actions.LOOK_FOR_MOULD,)
    Parameters = Thresholds

    def needs(self, parameters: Thresholds) -> tuple[Need, ...]:
        """Humidity of the last long night."""
        return (Need("humidity", "subject", Quantity.HUMIDITY, timedelta(hours=parameters.after_h + 2)),)

    def decide(self, evidence: Evidence, now: datetime) -> Verdict:
        """Dry enough, or wet for too long."""
        p: Thresholds = evidence.parameters
        if evidence.stand is None:
            return unknown(NAME, evidence, now, Unclear.NO_ENCLOSURE)
        spell = _spell(evidence, now, p)
        if spell is None:
            return unknown(NAME, evidence, now, Unclear.NO_HUMIDITY)
        spell_h, ratio = spell
        facts: dict[str, Number | datetime] = {
            "humidity_ratio": ratio,
            "spell_h": spell_h,
            "covered": evidence.stand.covered or None,
        }
        if spell_h >= p.after_h and not is_empty(evidence):
            advice = actions.LOOK_FOR_MOULD.advice(holds_until=now + timedelta(hours=8))
            return breach(NAME, evidence, now, Reason.LONG, Severity.MINOR, advice, facts)
        return fine(
            NAME,
            evidence,
            now,
            Reason.WET if spell_h else Reason.DRY,
            facts,
            easing=spell_h > 0 and bool(evidence.concern),
        )


RULE = Wet()


def _spell(evidence: Evidence, now: datetime, p: Thresholds) -> tuple[float, float] | None:
    """How long it has been wet, up to the newest reading [h], and that reading; None if nothing fresh is known."""
    for seen in evidence.series.get("humidity", ()):
        interval_s = seen.probe.interval_s
        rows = _newest_first(seen, seconds(now), p)
        newest = next(rows, None)
        if newest is None or newest[0] < seconds(now) - max(1200.0, 2.5 * interval_s):
            continue
        start = end = newest[0]
        newest_wet = newest[2]
        for t, _, wet in rows:
            if start - t > max(60.0 * BREAK_MIN, 3 * interval_s):
                break
            start = t if wet else start
            newest_wet = newest_wet or (wet and t >= end - 60.0 * BREAK_MIN)
        return (end - start) / 3600.0 if newest_wet else 0.0, newest[1]
    return None


def _newest_first(seen: Seen, now_s: float, p: Thresholds) -> Iterator[tuple[float, float, bool]]:
    """When, how moist, and whether that is wet. A sensor at saturation is wet, not stuck: a wet doubt speaks, whatever
    else is said of the reading."""
    times, values, doubts = seen.times_s, seen.values, seen.doubts
    for i in range(len(times) - 1, -1, -1):
        v, d = values[i], doubts[i]
        if 0 <= v <= 1.1 and times[i] <= now_s and (d & WET or not d & REFUSED):
            yield times[i], v, bool(d & WET) or v >= p.wet_ratio
