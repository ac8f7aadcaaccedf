"""How patiently concerns are spoken of: dwell, repeats, pauses, and when an end is worth a word. A rule has one of these."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import timedelta
from types import MappingProxyType
from typing import TypeVar

from sensord.model import Hazard, Severity

_MINUTE = timedelta(minutes=1)
_HOUR = timedelta(hours=1)


_Each = TypeVar("_Each")


def _by_severity(minor: _Each, moderate: _Each, severe: _Each, extreme: _Each) -> Mapping[Severity, _Each]:
    return MappingProxyType(
        {
            Severity.NONE: minor,
            Severity.MINOR: minor,
            Severity.MODERATE: moderate,
            Severity.SEVERE: severe,
            Severity.EXTREME: extreme,
        }
    )


def _dwell(minor: timedelta, moderate: timedelta) -> Mapping[Severity, timedelta]:
    """Before the first word; what is severe is said at once."""
    return _by_severity(minor, moderate, timedelta(0), timedelta(0))


@dataclass(frozen=True, slots=True)
class Manner:
    """Which hazard a rule watches for, and how patiently its concerns are spoken of.

    The durations are chosen: common practice, no source.
    """

    hazard: Hazard = Hazard.OTHER
    dwell: Mapping[Severity, timedelta] = field(default_factory=lambda: _dwell(20 * _MINUTE, 10 * _MINUTE))
    fine_for: timedelta = 20 * _MINUTE
    unknown_for: timedelta = 3 * _HOUR
    pauses: tuple[timedelta, ...] = (30 * _MINUTE, _HOUR, 2 * _HOUR, 4 * _HOUR)
    hurry: float = 2.0  # pauses are this much shorter at Severe and above
    most_tellings: Mapping[Severity, int] = field(default_factory=lambda: _by_severity(1, 4, 7, 9))
    grid: timedelta = 15 * _MINUTE  # repeats fall on it, so that they find company and become one push
    reminder: timedelta = 20 * _MINUTE  # before a deadline: no repeat sooner
    change_pause: timedelta = 20 * _MINUTE
    after_not_now: timedelta = 90 * _MINUTE
    settling: timedelta = 40 * _MINUTE
    tell_from: Severity = Severity.MODERATE
    all_clear: Severity | None = None  # from which told severity on the end is worth a push of its own
    holds: timedelta = 2 * _HOUR  # how long a message holds whose advice does not say
    before_quiet: bool = False  # advice that falls due within the quiet hours is never held back before they begin


USUAL = Manner()
HEAT = Manner(
    hazard=Hazard.HEAT,
    dwell=_dwell(20 * _MINUTE, 5 * _MINUTE),
    fine_for=40 * _MINUTE,  # a cloud does not end a hot day
    most_tellings=_by_severity(1, 3, 6, 8),
)
STORM = Manner(
    hazard=Hazard.WIND,
    dwell=_dwell(10 * _MINUTE, timedelta(0)),
    fine_for=30 * _MINUTE,
    unknown_for=6 * _HOUR,
    pauses=(30 * _MINUTE, _HOUR, 2 * _HOUR),
    all_clear=Severity.MODERATE,
    holds=_HOUR,
    before_quiet=True,
)
WATCHING = Manner(
    hazard=Hazard.WATCHING,
    dwell=_dwell(10 * _MINUTE, 5 * _MINUTE),
    fine_for=15 * _MINUTE,
    unknown_for=24 * _HOUR,
    pauses=(6 * _HOUR, 12 * _HOUR, 24 * _HOUR),
    most_tellings=_by_severity(2, 4, 6, 6),
    after_not_now=12 * _HOUR,
    settling=_HOUR,
    tell_from=Severity.MINOR,
    holds=24 * _HOUR,
)
"""Of the rules that watch the watching: they speak softly, but they do speak."""

UNHURRIED = Manner(
    hazard=Hazard.HEAT,
    fine_for=2 * _HOUR,
    pauses=(2 * _HOUR, 4 * _HOUR),
    most_tellings=_by_severity(1, 2, 4, 4),
)
"""Of what is about a probe or a cage's air rather than about today's heat: told, and once more."""

FAIR_DAY = Manner(
    hazard=Hazard.WIND,
    fine_for=18 * _HOUR,
    pauses=(3 * _HOUR, 24 * _HOUR),
    most_tellings=_by_severity(1, 4, 6, 6),
    holds=6 * _HOUR,
)
"""Of ballast for breezy days: one matter from day to day, however often the wind drops; after a while, once a day."""

NOTE = Manner(fine_for=_HOUR, tell_from=Severity.MINOR, holds=4 * _HOUR)
"""Of small things that are said once: a Minor matter has one telling."""
