"""The week, or the season, looked back on: readings, tallies, concerns and gaps become figures. Pure.

    weeks     which span it is: local days of an ISO week, or weeks of a season, daylight-saving changes right
    climate   readings of one place, cut to spans: hours in bands, offsets, dew
    rows      the figures of one day or week of one enclosure
    matters   what stood and how it was answered; what is missing and why
    whole     the review itself, put together
    words     the two or three sentences at its head

A week is computed from raw readings, exactly (straight lines between readings); a season, and what is older than the raw
readings, from hourly summaries, each hour taken to run straight from its lowest to its highest temperature.
"""

from __future__ import annotations

from sensord.review.climate import Hourly, ReviewColumns
from sensord.review.matters import Matter, Missing
from sensord.review.rows import Extreme, LongestSpell, Row
from sensord.review.weeks import Span, WeekPart, season, week, week_label
from sensord.review.whole import CageReview, PostReview, Review
from sensord.species.limits import Limits, Tier

__all__ = [
    "CageReview",
    "Extreme",
    "Hourly",
    "Limits",
    "LongestSpell",
    "Matter",
    "Missing",
    "PostReview",
    "Review",
    "ReviewColumns",
    "Row",
    "Span",
    "Tier",
    "WeekPart",
    "season",
    "week",
    "week_label",
]  # fmt: skip
