"""Two integrals over one rise from a minimum to a maximum, and how the cut-offs combine them.

E(c) is the mean excess of the temperature above c, F(c) the share of time above c. With lower threshold L and upper U:

    none           E(L)                              warmth counts without end
    horizontal     E(L) − E(U)                       above U development goes on at the rate of U
    intermediate   E(L) − 2 E(U)                     above U it slows as fast as it rose below
    vertical       E(L) − E(U) − (U − L) F(U)        above U it stops
"""

from __future__ import annotations

import math
from collections.abc import Callable
from enum import StrEnum
from typing import NamedTuple


class Cutoff(StrEnum):
    """What happens above the upper threshold. Source: [UCIPM] cut-off methods."""

    NONE = "none"
    HORIZONTAL = "horizontal"
    INTERMEDIATE = "intermediate"
    VERTICAL = "vertical"


class Above(NamedTuple):
    """What a rise from a minimum to a maximum has above a level."""

    excess: float  # E(c): mean excess above c over the whole time
    share: float  # F(c): share of the time above c


Shape = Callable[[float, float, float], Above]
"""(minimum, maximum, level) → what is above the level; all three on one temperature scale, °C or °F."""


def triangle(low: float, high: float, level: float) -> Above:
    """A straight rise. Source: [Zalom1983] table 3"""
    if low >= level:
        return Above((low + high) / 2 - level, 1.0)
    if high <= level:
        return Above(0.0, 0.0)
    share = (high - level) / (high - low)
    return Above(share * (high - level) / 2, share)


def sine(low: float, high: float, level: float) -> Above:
    """Half a sine wave. Source: [BaskervilleEmin1969], [Zalom1983] table 5"""
    mean, amplitude = (low + high) / 2, (high - low) / 2
    if low >= level:
        return Above(mean - level, 1.0)
    if high <= level:
        return Above(0.0, 0.0)
    angle = math.asin(min(1.0, max(-1.0, (level - mean) / amplitude)))
    excess = ((mean - level) * (math.pi / 2 - angle) + amplitude * math.cos(angle)) / math.pi
    return Above(max(0.0, excess), 0.5 - angle / math.pi)


def combine(shape: Shape, low: float, high: float, lower: float, upper: float | None, cutoff: Cutoff) -> float:
    """Degrees above the lower threshold, cut off as in the table at the head; may be negative. Source: [Zalom1983]"""
    degree_days = shape(low, high, lower).excess
    if upper is None or cutoff is Cutoff.NONE:
        return degree_days
    above = shape(low, high, upper)
    if cutoff is Cutoff.INTERMEDIATE:
        return degree_days - 2 * above.excess
    degree_days -= above.excess
    return degree_days - (upper - lower) * above.share if cutoff is Cutoff.VERTICAL else degree_days


def mean_rate(low: float, high: float, lower: float, upper: float | None, cutoff: Cutoff) -> float:
    """Mean rate over one straight step; with the intermediate cut-off it stays at 0 where it would turn negative."""
    rate = combine(triangle, low, high, lower, upper, cutoff)
    if cutoff is Cutoff.INTERMEDIATE and upper is not None:
        rate += triangle(low, high, 2 * upper - lower).excess
    return max(0.0, rate)


def check_day(minimum: float, maximum: float, lower: float, upper: float | None) -> None:
    """Raise ValueError for extremes that no day can have, or for thresholds as `check_thresholds`."""
    if not (math.isfinite(minimum) and math.isfinite(maximum)):
        raise ValueError(f"the extremes of a day must be finite, not {minimum} and {maximum}")
    if minimum > maximum:
        raise ValueError(f"the minimum of a day ({minimum}) lies above its maximum ({maximum})")
    check_thresholds(lower, upper)


def check_thresholds(lower: float, upper: float | None) -> None:
    """Raise ValueError unless both are finite and the upper one lies above."""
    if not math.isfinite(lower) or (upper is not None and not math.isfinite(upper)):
        raise ValueError(f"thresholds must be finite, not {lower} and {upper}")
    if upper is not None and upper <= lower:
        raise ValueError(f"the upper threshold ({upper}) must lie above the lower one ({lower})")
