"""Reviews whose figures are made up."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from sensord.language import Catalogue, Measure
from sensord.model import Severity
from sensord.review.matters import Matter
from sensord.review.rows import Extreme, Row
from sensord.review.weeks import Span, season, week
from sensord.review.whole import CageReview, PostReview, Review
from sensord.review.words import sentences
from sensord.species.limits import Limits, Tier

UTC_ZONE = ZoneInfo("UTC")
METRIC = Measure(Catalogue.load(), "metric", UTC_ZONE)
WEEK = week("2026-W34", UTC_ZONE)
SEASON = season(date(2026, 8, 3), date(2026, 8, 23), UTC_ZONE)
HOUR = timedelta(hours=1)
TIERS = (Tier(29.0, 1.0, Severity.MINOR), Tier(33.0, 1.0, Severity.MODERATE), Tier(36.0, 0.5, Severity.SEVERE))
LIMITS = Limits("monarch", "Monarch", TIERS, 15.0, 2.0, 11.5, 33.0)


def row(start: datetime, end: datetime, over_h: float = 0.0, **changes: Any) -> Row:
    """A span of which all is known, so long above 33 °C."""
    hours = (end - start) / HOUR
    whole = Row(
        "", start, end, hours, 0.0, (0.0,) * 5, (9.0, over_h, 0.0), (0.0,) * 3,
        None, None, 20.0, None, None, None, None, None, None,
    )  # fmt: skip
    return replace(whole, **changes)


def cage(
    title: str,
    over_h: dict[int, float] | None = None,
    top: tuple[float, float] = (3, 34.0),
    span: Span = WEEK,
    **changes: Any,
) -> CageReview:
    """So many hours above the limit on the days (or in the weeks) of a span, and the highest on a day at 14:00."""
    days, given = over_h or {}, dict(changes)
    total = {k: given.pop(k) for k in ("missing_h", "known_h", "swing_k", "degree_days") if k in given}
    high = Extreme(top[1], WEEK.start + top[0] * 24 * HOUR + 14 * HOUR)
    rows = tuple(row(p.start, p.end, days.get(n, 0.0)) for n, p in enumerate(span.parts))
    made = CageReview(
        title.lower(), title, "open mesh", LIMITS, True, rows,
        row(span.start, span.end, sum(days.values()), high=high, **total), (None,) * 3, (None,) * 24, (),
    )  # fmt: skip
    return replace(made, **given)


def review(
    *cages: CageReview, span: Span = WEEK, through: datetime | None = None, matters: tuple[Matter, ...] = ()
) -> Review:
    post = PostReview(None, None, None, 0.0, ())
    return Review("garden", "Garden", span, through or span.end, span.first, cages, post, matters, ())


def said(*cages: CageReview, **more: Any) -> str:
    return " | ".join(sentences(review(*cages, **more), METRIC))
