"""The review itself: every enclosure, the shaded post, what stood and what is missing, and what it is compared with."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime

from sensord.model import Severity
from sensord.review import climate as air
from sensord.review import rows
from sensord.review.climate import Climate, Hourly
from sensord.review.matters import Matter, Missing
from sensord.review.rows import Bar, Kept, LongestSpell, Row
from sensord.review.weeks import Span
from sensord.species.limits import Era, Limits

LEAST_KNOWN = 0.9
"""Share of the time that must be known for a review to be called complete. Chosen."""


@dataclass(frozen=True, slots=True)
class CageReview:
    """One enclosure. `rows` are its days (of a season: its weeks), `total` is the whole span."""

    name: str
    title: str
    kind: str
    limits: Limits
    from_readings: bool  # False: from hourly summaries
    rows: tuple[Row, ...]
    total: Row
    spells: tuple[LongestSpell | None, ...]  # the longest at or above each tier
    offsets_k: tuple[float | None, ...]  # above ambient, by local hour of the day, 24
    bars: tuple[Bar, ...]
    before: Row | None = None  # the week before
    season: Row | None = None  # since the season began
    degree_days_since: float | None = None  # °C·d since the season began
    high_doubts: int = 0  # `model.Doubt` of the highest reading of the span

    @property
    def limit(self) -> int:
        """Which tier is the first that asks for something."""
        tiers = self.limits.tiers
        return next((n for n, tier in enumerate(tiers) if tier.severity >= Severity.MODERATE), len(tiers) - 1)

    @property
    def was_too_hot(self) -> bool:
        """Whether a tier that asks for something was reached for as long as it takes."""
        return any(
            spell is not None and spell.hours >= tier.after_h
            for tier, spell in zip(self.limits.tiers, self.spells, strict=True)
            if tier.severity >= Severity.MODERATE
        )

    @property
    def is_patchy(self) -> bool:
        """Whether too much of it is missing."""
        return self.total.known_h < LEAST_KNOWN * self.total.hours


@dataclass(frozen=True, slots=True)
class PostReview:
    """The shaded ambient post."""

    low_c: float | None
    mean_c: float | None
    high_c: float | None
    known_h: float
    bars: tuple[Bar, ...]


@dataclass(frozen=True, slots=True)
class Review:
    """A week or a season looked back on."""

    site: str
    title: str
    span: Span
    through: datetime  # the end of the span, or now where it is not over
    since: date  # when the season began
    cages: tuple[CageReview, ...]
    post: PostReview
    matters: tuple[Matter, ...]
    missing: tuple[Missing, ...]
    matters_before: int | None = None  # how many opened in the week before

    @property
    def is_over(self) -> bool:
        """Whether the span lies in the past."""
        return self.through >= self.span.end

    @property
    def is_empty(self) -> bool:
        """Whether nothing at all was measured in any enclosure."""
        return all(cage.total.known_h == 0 and cage.total.high is None for cage in self.cages)

    @property
    def found(self) -> bool:
        """Whether there is something that the keeper should know: heat that lasted, or too much that is missing."""
        return any(cage.was_too_hot or cage.is_patchy for cage in self.cages)


@dataclass(frozen=True, slots=True)
class Who:
    """An enclosure's name, title, kind and limits."""

    name: str
    title: str
    kind: str
    limits: Limits
    eras: tuple[Era, ...]  # for which species its warmth counts, from when on


def cage_from_readings(
    who: Who, climate: Climate, ambient: air.ReviewColumns, span: Span, through: datetime
) -> CageReview:
    """The week of an enclosure, exact."""
    parts = [(p, min(p.end, through)) for p in span.parts if p.start < through]
    days = tuple(rows.from_readings(p.label, p.start, end, climate, who.limits, who.eras) for p, end in parts)
    inside = air.within(climate.temperature, span.start.timestamp(), through.timestamp())
    return CageReview(
        who.name,
        who.title,
        who.kind,
        who.limits,
        True,
        rows=days,
        total=rows.together(span.label, span.start, through, climate, days),
        spells=rows.longest_spells(climate, who.limits, span.start, through),
        offsets_k=air.offsets_by_hour(inside, ambient, span.zone),
        bars=rows.bars(climate.temperature, span.start, span.end),
    )


def cage_from_hours(
    who: Who, kept: Kept, ambient: Sequence[Hourly], span: Span, through: datetime, bars: tuple[Bar, ...]
) -> CageReview:
    """A season of an enclosure, or a week whose raw readings are gone."""
    parts = [(p, min(p.end, through)) for p in span.parts if p.start < through]
    inside = [h for h in kept.hours if span.start <= h.start < through]
    return CageReview(
        who.name,
        who.title,
        who.kind,
        who.limits,
        False,
        rows=tuple(rows.from_hours(p.label, p.start, end, kept, who.limits) for p, end in parts),
        total=rows.from_hours(span.label, span.start, through, kept, who.limits),
        spells=rows.hourly_spells(kept, who.limits, span.start, through),
        offsets_k=air.hourly_offsets(inside, ambient, span.zone),
        bars=bars,
    )


def post_of(bars: Sequence[Bar]) -> PostReview:
    """The post, by its bars; an hour or day with a reading counts as known."""
    known = [b for b in bars if b.mean_c is not None]
    lows, highs = [b.low_c for b in known if b.low_c is not None], [b.high_c for b in known if b.high_c is not None]
    means = [b.mean_c for b in known if b.mean_c is not None]
    return PostReview(
        min(lows, default=None),
        sum(means) / len(means) if means else None,
        max(highs, default=None),
        float(len(known)),
        tuple(bars),
    )
