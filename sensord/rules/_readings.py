"""What the rules read from evidence: usable tracks, pairs in time, medians, slopes; and how a verdict is written.

A track is what one probe measured, without the readings that no computation may use. A rule never looks at a single
reading: it looks at medians, pairs and durations.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from statistics import median
from types import MappingProxyType
from typing import NamedTuple

from pydantic import BaseModel, ConfigDict

from sensord.model import Advice, Certainty, Doubt, Number, Severity, State, Urgency, Verdict, instant, milliseconds
from sensord.rules import Evidence, Seen

REFUSED = int(Doubt.UNUSABLE | Doubt.STUCK)
"""A stuck sensor says nothing about now, whatever it shows. Plain numbers, because a season has millions of readings."""
LARGEST = 1e6
FRESH = timedelta(minutes=20)
FRESH_INTERVALS = 2.5
"""A reading is of now for this long, or for this many of its probe's intervals where those are longer. Chosen."""


class Bounds(BaseModel):
    """What every rule's Parameters are: frozen, without room for unknown keys."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Track(NamedTuple):
    """Usable readings of one quantity of one probe, strictly ascending."""

    times_s: Sequence[float]
    values: Sequence[float]
    doubts: Sequence[int]
    interval_s: float

    def since(self, start_s: float) -> Track:
        """The part from `start_s` on."""
        first = bisect_left(self.times_s, start_s)
        return Track(self.times_s[first:], self.values[first:], self.doubts[first:], self.interval_s)

    def between(self, start_s: float, end_s: float) -> Track:
        """The part with start_s <= time < end_s."""
        first, last = bisect_left(self.times_s, start_s), bisect_left(self.times_s, end_s)
        return Track(self.times_s[first:last], self.values[first:last], self.doubts[first:last], self.interval_s)

    def share(self, doubt: Doubt) -> float:
        """The share of readings that carry a doubt [0–1]; 0 of none."""
        if not any(self.doubts):
            return 0.0
        bit = int(doubt)
        return sum(1 for d in self.doubts if d & bit) / len(self.doubts)

    def is_fresh(self, now_s: float) -> bool:
        """Whether the newest reading still speaks of now."""
        allowed_s = max(FRESH.total_seconds(), FRESH_INTERVALS * self.interval_s)
        return bool(self.times_s) and self.times_s[-1] >= now_s - allowed_s


NOTHING = Track((), (), (), 60.0)


def seconds(at: datetime) -> float:
    """Unix time [s]."""
    return at.timestamp()


def track(evidence: Evidence, need: str, now: datetime, lowest: float = -LARGEST, highest: float = LARGEST) -> Track:
    """The usable readings of a need up to `now`: of the first probe that is fresh, else of the first that has any."""
    best = NOTHING
    for seen in evidence.series.get(need, ()):
        candidate = usable(seen, seconds(now), lowest, highest)
        if candidate.is_fresh(seconds(now)):
            return candidate
        if not best.times_s:
            best = candidate
    return best


def usable(seen: Seen, until_s: float, lowest: float = -LARGEST, highest: float = LARGEST) -> Track:
    """What of a probe's readings may be computed with."""
    times, values, doubts = seen.times_s, seen.values, seen.doubts
    interval_s = seen.probe.interval_s
    clean = not any(doubts) or not any(d & REFUSED for d in doubts)
    clean = clean and bool(times) and times[-1] <= until_s and lowest <= min(values) and max(values) <= highest
    if clean and math.isfinite(sum(values)) and _ascend(times):  # the sum: neither minimum nor maximum sees every NaN
        return Track(times, values, doubts, interval_s)
    kept: tuple[list[float], list[float], list[int]] = ([], [], [])
    before = -math.inf
    for t, v, d in zip(times, values, doubts, strict=True):
        if not d & REFUSED and before < t <= until_s and lowest <= v <= highest:
            kept[0].append(t)
            kept[1].append(v)
            kept[2].append(d)
            before = t
    return Track(*kept, interval_s)


def _ascend(times: Sequence[float]) -> bool:
    return all(map(float.__lt__, times, times[1:])) and math.isfinite(sum(times))


def means(part: Track, span_s: float) -> Track:
    """Means over spans of the clock; the newest stands where the newest reading does. Coarser tracks stay as they are."""
    times, values, n = part.times_s, part.values, len(part.times_s)
    if part.interval_s >= span_s or not n:
        return part
    mean_times: list[float] = []
    mean_values: list[float] = []
    first = 0
    while first < n:
        last = bisect_left(times, (times[first] // span_s + 1) * span_s, first)
        mean_times.append((times[first] + times[last - 1]) / 2)
        mean_values.append(sum(values[first:last]) / (last - first))
        first = last
    mean_times[-1] = times[-1]
    return Track(mean_times, mean_values, [0] * len(mean_times), span_s)


class Pairs(NamedTuple):
    """Differences of two tracks at the same instants."""

    times_s: list[float]
    differences: list[float]

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
    others, n = outside.times_s, len(outside.times_s)
    found = Pairs([], [])
    first, last = bisect_left(inside.times_s, start_s), bisect_right(inside.times_s, end_s)
    j = bisect_left(others, start_s - tolerance_s)
    for i in range(first, last):
        t = inside.times_s[i]
        while j + 1 < n and abs(others[j + 1] - t) <= abs(others[j] - t):
            j += 1
        if j < n and abs(others[j] - t) <= tolerance_s:
            found.times_s.append(t)
            found.differences.append(inside.values[i] - outside.values[j])
    return found


def middle(part: Track) -> float | None:
    """The median; None of nothing."""
    return median(part.values) if part.values else None


def slope_per_h(part: Track) -> float | None:
    """Least-squares slope [unit/h]; None of fewer than three readings or less than ten minutes."""
    n = len(part.times_s)
    if n < 3 or part.times_s[-1] - part.times_s[0] < 600.0:
        return None
    origin = part.times_s[0]
    mean_t = sum(t - origin for t in part.times_s) / n
    mean_v = sum(part.values) / n
    square = sum((t - origin - mean_t) ** 2 for t in part.times_s)
    product = sum((t - origin - mean_t) * (v - mean_v) for t, v in zip(part.times_s, part.values, strict=True))
    return product / square * 3600.0 if square > 0 else None


# --- how a verdict is written -----------------------------------------------------------------------------------------


def iso(at: datetime) -> str:
    """An instant as text, to the second, in UTC."""
    return at.astimezone(UTC).isoformat(timespec="seconds")


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


Facts = Mapping[str, Number | datetime]
"""The numbers of a verdict as a rule has them: instants are still instants."""


def numbers(facts: Facts) -> dict[str, Number]:
    """The numbers of a verdict: instants as text, floats rounded to what can be meant, what is unknown left out."""
    found: dict[str, Number] = {}
    for name, value in facts.items():
        if isinstance(value, datetime):
            found[name] = iso(value)
        elif isinstance(value, bool | int | str):
            found[name] = value
        elif value is not None and math.isfinite(value):
            found[name] = round(value, 3)
    return found


NO_FACTS: Facts = MappingProxyType({})


def fine(
    rule: str, evidence: Evidence, now: datetime, reason: str, facts: Facts = NO_FACTS, easing: bool = False
) -> Verdict:
    """All is well, or nearly (`easing`)."""
    return Verdict(rule, evidence.subject, State.FINE, now, reason, numbers=numbers(facts), easing=easing)


def unknown(rule: str, evidence: Evidence, now: datetime, reason: str, facts: Facts = NO_FACTS) -> Verdict:
    """Too little is known to say."""
    return Verdict(rule, evidence.subject, State.UNKNOWN, now, reason, numbers=numbers(facts))


def breach(
    rule: str,
    evidence: Evidence,
    now: datetime,
    reason: str,
    severity: Severity,
    advice: Advice | None = None,
    facts: Facts = NO_FACTS,
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
