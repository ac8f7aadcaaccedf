"""What the rules read from evidence: usable tracks, pairs in time, medians, slopes; and how a verdict is written.

A track is what one probe measured, without the readings that no computation may use. A rule never looks at a single
reading: it looks at medians, pairs and durations.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime
from enum import StrEnum
from operator import mul
from statistics import median
from types import MappingProxyType
from typing import NamedTuple

from sensord.model import Advice, Certainty, Number, Severity, State, Urgency, Verdict, instant, milliseconds
from sensord.rules._bounds import Bounds as Bounds
from sensord.rules._evidence import Evidence
from sensord.rules._tracks import LARGEST, NOTHING, Seen, Track


def seconds(at: datetime) -> float:
    """Unix time [s]."""
    return at.timestamp()


def track(evidence: Evidence, need: str, now: datetime, lowest: float = -LARGEST, highest: float = LARGEST) -> Track:
    """The usable readings of a need up to `now`: of the first probe that is fresh, else of the first that has any."""
    return best_of(evidence.series.get(need, ()), seconds(now), lowest, highest)


def best_of(probes: Iterable[Seen], now_s: float, lowest: float, highest: float) -> Track:
    """The usable readings up to `now_s` of the first probe that is fresh, else of the first that has any."""
    best = NOTHING
    for seen in probes:
        candidate = seen.usable(now_s, lowest, highest)
        if candidate.is_fresh(now_s):
            return candidate
        if best.is_empty:
            best = candidate
    return best


class Pairs(NamedTuple):
    """Differences of two tracks at the same instants."""

    times_s: Sequence[float]
    differences: Sequence[float]

    def median(self) -> float:
        """The middle difference; there must be one."""
        return median(self.differences)

    def spread(self) -> float:
        """From the tenth to the ninetieth percentile: how much the difference jumps about; 0 of fewer than five."""
        ordered = sorted(self.differences)
        n = len(ordered)
        return ordered[n - 1 - n // 10] - ordered[n // 10] if n >= 5 else 0.0


def pairs(inside: Track, outside: Track, start_s: float, end_s: float) -> Pairs:
    """Inside less outside, each inside reading with the nearest one outside, where that is near enough."""
    tolerance_s = max(90.0, 0.75 * max(inside.interval_s, outside.interval_s))
    return Pairs(*inside.less(outside, start_s, end_s, tolerance_s))


def middle(part: Track) -> float | None:
    """The median; None of nothing."""
    return None if part.is_empty else median(part.values)


def slope_per_h(part: Track) -> float | None:
    """Least-squares slope [unit/h]; None of fewer than three readings or less than ten minutes."""
    n = len(part.times_s)
    if n < 3 or part.times_s[-1] - part.times_s[0] < 600.0:
        return None
    origin = part.times_s[0]
    mean_t = sum(t - origin for t in part.times_s) / n
    times = [t - origin - mean_t for t in part.times_s]
    slope: float = sum(map(mul, times, part.values)) / sum(map(mul, times, times))
    return slope * 3600.0


# --- how a verdict is written -----------------------------------------------------------------------------------------


def iso(at: datetime) -> str:
    """An instant as text, to the second, in UTC."""
    return (at if at.tzinfo is UTC else at.astimezone(UTC)).isoformat(timespec="seconds")


def moment(number: Number) -> datetime | None:
    """The instant that a verdict's number carries as text; None if it carries none."""
    if not isinstance(number, str):
        return None
    try:
        at = datetime.fromisoformat(number)
    except ValueError:
        return None
    return at if at.tzinfo is not None else None


def remembered(evidence: Evidence, name: str) -> Number:
    """A number of the standing concern's latest verdict: what was known at the last turn."""
    return evidence.concern.verdict.numbers.get(name) if evidence.concern else None


Findings = dict[str, Number | datetime]
"""The numbers of a verdict as a rule has them: instants are still instants."""


def numbers(facts: Mapping[str, Number | datetime]) -> dict[str, Number]:
    """The numbers of a verdict: instants as text, floats rounded to what can be meant, what is unknown left out."""
    found: dict[str, Number] = {}
    for name, value in facts.items():
        if isinstance(value, float):
            if math.isfinite(value):
                found[name] = round(value, 3)
        elif value is not None:
            found[name] = iso(value) if isinstance(value, datetime) else value
    return found


NO_FACTS: Mapping[str, Number | datetime] = MappingProxyType({})


def fine(
    rule: str,
    evidence: Evidence,
    now: datetime,
    reason: StrEnum,
    facts: Mapping[str, Number | datetime] = NO_FACTS,
    easing: bool = False,
) -> Verdict:
    """All is well, or nearly (`easing`)."""
    return Verdict(rule, evidence.subject, State.FINE, now, reason, numbers=numbers(facts), easing=easing)


def unknown(
    rule: str, evidence: Evidence, now: datetime, reason: StrEnum, facts: Mapping[str, Number | datetime] = NO_FACTS
) -> Verdict:
    """Too little is known to say."""
    return Verdict(rule, evidence.subject, State.UNKNOWN, now, reason, numbers=numbers(facts))


def breach(
    rule: str,
    evidence: Evidence,
    now: datetime,
    reason: StrEnum,
    severity: Severity,
    advice: Advice | None = None,
    facts: Mapping[str, Number | datetime] = NO_FACTS,
    urgency: Urgency = Urgency.IMMEDIATE,
    certainty: Certainty = Certainty.OBSERVED,
) -> Verdict:
    """Something is to be said or done."""
    return Verdict(
        rule, evidence.subject, State.BREACH, now, reason, severity, urgency, certainty, numbers(facts), advice
    )


def round_up(at: datetime, minutes: int = 15) -> datetime:
    """The next full quarter of an hour: deadlines are told in whole quarters."""
    step = minutes * 60_000
    return instant(-(-milliseconds(at) // step) * step)
