"""Small drawings of a review as inline SVG: the course of temperatures, and offsets by hour of the day. Pure text.

No style attribute and no script, so that a strict content security policy takes them; what they look like is a matter of
the style sheet beside the templates. Nothing is told by colour alone: tiers are labelled and dashed differently, a gap is
hatched, and each drawing names itself and says what is in it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from markupsafe import Markup, escape

from sensord.language import Measure
from sensord.review.rows import Bar
from sensord.review.whole import CageReview, Review

WIDTH, HEIGHT = 560.0, 136.0
LEFT, RIGHT, TOP, BOTTOM = 28.0, 44.0, 18.0, 4.0
ROOM_C = 1.0
"""Above the highest and below the lowest value of a drawing [°C]."""
LABEL, LINE = 58.0, 11.0
"""Room of a day's name across, and of a line of text down."""
STEPS = (1, 2, 5, 10, 20, 50)
DASHES = ("1 3", "7 3", "12 3 2 3", "none")
"""Of the tiers, from the mildest on; the last one also for all beyond."""


@dataclass(frozen=True, slots=True)
class Field:
    """Where values lie on the paper."""

    low: float
    high: float
    count: int

    def x(self, index: float) -> float:
        """Across, of a bar's left edge."""
        return LEFT + (WIDTH - LEFT - RIGHT) * index / max(self.count, 1)

    def y(self, value: float) -> float:
        """Down."""
        return TOP + (HEIGHT - TOP - BOTTOM) * (self.high - value) / (self.high - self.low)


def scale_of(review: Review) -> tuple[float, float]:
    """Lowest and highest temperature that all drawings of a review share [°C]: all that was measured, and a tier."""
    bars = [*review.post.bars, *(bar for cage in review.cages for bar in cage.bars)]
    lows, highs = [b.low_c for b in bars if b.low_c is not None], [b.high_c for b in bars if b.high_c is not None]
    limits = [cage.limits.tiers[cage.limit].temperature_c for cage in review.cages]
    return min([*lows, *limits], default=0.0) - ROOM_C, max([*highs, *limits], default=30.0) + ROOM_C


def course(cage: CageReview, review: Review, measure: Measure, name: str) -> Markup:
    """The temperatures of one enclosure: from lowest to highest of each hour (of each day of a season), and the mean."""
    low_c, high_c = scale_of(review)
    field = Field(measure.value(low_c), measure.value(high_c), len(cage.bars))
    parts = [
        *_levels(field, measure),
        *_days(field, cage.bars, review, measure),
        *_gaps(field, cage.bars, name),
        *_tiers(field, cage, measure),
        *_reach(field, cage.bars, measure),
        *_lines(field, review.post.bars, measure, "outside"),
        *_lines(field, cage.bars, measure, "mean"),
    ]
    gone = sum(b.mean_c is None for b in cage.bars if b.start < review.through)
    top = cage.total.high
    told = measure.say(
        "report.drawing.days" if review.span.is_season else "report.drawing.hours",
        temperature=None if top is None else measure.temperature(top.value_c),
        moment=None if top is None else measure.moment(top.at),
        gone=gone or None,
    )
    return _svg(name, measure.say("report.drawing.title", who=cage.title), told, WIDTH, HEIGHT, parts)


def offsets(cage: CageReview, measure: Measure, name: str) -> Markup:
    """How much warmer than the shaded post it was, by local hour of the day."""
    width, height, left, top, bottom = 210.0, 136.0, 30.0, 18.0, 16.0
    values = [None if v is None else measure.span(v) for v in cage.offsets_k]
    known = [v for v in values if v is not None]
    high, low = max([*known, measure.span(1.0)]), min([*known, 0.0])
    high, low = high + 0.08 * (high - low), low - 0.08 * (high - low)

    def y(value: float) -> float:
        return top + (height - top - bottom) * (high - value) / (high - low)

    room = (width - left - 6) / 24
    parts = []
    step = _step(high - low, 3)
    for level in _multiples(low, high, step):
        parts += [
            f'<line class="grid" x1="{left:g}" x2="{width - 6:g}" y1="{y(level):.1f}" y2="{y(level):.1f}"/>',
            f'<text x="{left - 5:g}" y="{y(level) + 4:.1f}" text-anchor="end">{level:+g}</text>'.replace("+0<", "0<"),
        ]
    parts.append(f'<line class="axis" x1="{left:g}" x2="{width - 6:g}" y1="{y(0):.1f}" y2="{y(0):.1f}"/>')
    for hour, value in enumerate(values):
        if value is not None:
            upper, lower = sorted((y(value), y(0)))
            parts.append(
                f'<rect class="bar" x="{left + hour * room + 1:.1f}" y="{upper:.1f}" width="{room - 2:.1f}"'
                f' height="{max(lower - upper, 0.8):.1f}"/>'
            )
    for hour in (0, 6, 12, 18):
        parts.append(f'<text x="{left + hour * room:.1f}" y="{height - 3:g}">{escape(measure.hour(hour))}</text>')
    heading = measure.say("report.drawing.offsets", degree=measure.degree)
    parts.append(f'<text x="2" y="{top - 6:g}">{escape(heading)}</text>')
    told = measure.say("report.drawing.no_offset")
    if known:
        at = values.index(max(known))
        told = measure.say(
            "report.drawing.offsets_told",
            first=f"{at:02d}",
            last=f"{at + 1:02d}",
            most=measure.signed(max(known)),
            degree=measure.degree,
            least=measure.signed(min(known)),
        )
    return _svg(name, measure.say("report.drawing.offsets_title", who=cage.title), told, width, height, parts)


# --- parts of the course ------------------------------------------------------------------------------------------


def _levels(field: Field, measure: Measure) -> Iterator[str]:
    for level in _multiples(field.low, field.high, _step(field.high - field.low, 4)):
        yield f'<line class="grid" x1="{LEFT:g}" x2="{WIDTH - RIGHT:g}" y1="{field.y(level):.1f}" y2="{field.y(level):.1f}"/>'
        yield f'<text x="{LEFT - 5:g}" y="{field.y(level) + 4:.1f}" text-anchor="end">{level:g}</text>'
    yield f'<text x="2" y="{TOP - 6:g}">{measure.degree}</text>'


def _days(field: Field, bars: Sequence[Bar], review: Review, measure: Measure) -> Iterator[str]:
    """A line at each local midnight of a week, at each Monday of a season, with its name."""
    zone = review.span.zone
    marks = []
    for index, bar in enumerate(bars):
        local = bar.start.astimezone(zone)
        is_first = index == 0 or (bars[index - 1].start.astimezone(zone).date() != local.date())
        if is_first and (not review.span.is_season or local.weekday() == 0 or index == 0):
            marks.append((index, local))
    free_x = 0.0
    for index, local in marks:
        x = field.x(index)
        yield f'<line class="day" x1="{x:.1f}" x2="{x:.1f}" y1="{TOP:g}" y2="{HEIGHT - BOTTOM:g}"/>'
        if x >= free_x:
            free_x = x + LABEL
            day = measure.day(local.date())
            text = day if review.span.is_season else measure.weekday_and_day(local)
            yield f'<text x="{x + 3:.1f}" y="{TOP - 5:g}">{escape(text)}</text>'


def _gaps(field: Field, bars: Sequence[Bar], name: str) -> Iterator[str]:
    """Where nothing was measured, a hatched field."""
    yield (
        f'<pattern id="{escape(name)}-gap" width="6" height="6" patternUnits="userSpaceOnUse"'
        ' patternTransform="rotate(45)"><line class="hatch" x1="0" x2="0" y1="0" y2="6"/></pattern>'
    )
    for first, last in _runs(bars, lambda b: b.mean_c is None):
        x = field.x(first)
        yield (
            f'<rect fill="url(#{escape(name)}-gap)" x="{x:.1f}" y="{TOP:g}" width="{field.x(last + 1) - x:.1f}"'
            f' height="{HEIGHT - TOP - BOTTOM:g}"/>'
        )


def _tiers(field: Field, cage: CageReview, measure: Measure) -> Iterator[str]:
    above_y = TOP - 8.0
    for number, tier in reversed(list(enumerate(cage.limits.tiers))):
        level = measure.value(tier.temperature_c)
        if not field.low < level < field.high:
            continue
        y, dash = field.y(level), DASHES[min(number, len(DASHES) - 1)]
        yield (
            f'<line class="tier" x1="{LEFT:g}" x2="{WIDTH - RIGHT:g}" y1="{y:.1f}" y2="{y:.1f}" stroke-dasharray="{dash}"/>'
        )
        above_y = max(y + 4, above_y + LINE)  # labels of close tiers stand below each other
        told = escape(measure.level(tier.temperature_c))
        yield f'<text class="level" x="{WIDTH - RIGHT + 4:g}" y="{above_y:.1f}">{told}</text>'


def _reach(field: Field, bars: Sequence[Bar], measure: Measure) -> Iterator[str]:
    for first, last in _runs(bars, lambda b: b.mean_c is not None):
        run = range(first, last + 1)
        over = [f"{field.x(i + 0.5):.1f},{field.y(measure.value(bars[i].high_c or 0.0)):.1f}" for i in run]
        under = [f"{field.x(i + 0.5):.1f},{field.y(measure.value(bars[i].low_c or 0.0)):.1f}" for i in reversed(run)]
        yield f'<polygon class="reach" points="{" ".join([*over, *under])}"/>'


def _lines(field: Field, bars: Sequence[Bar], measure: Measure, kind: str) -> Iterator[str]:
    for first, last in _runs(bars, lambda b: b.mean_c is not None):
        points = [
            f"{field.x(i + 0.5):.1f},{field.y(measure.value(bars[i].mean_c or 0.0)):.1f}"
            for i in range(first, last + 1)
        ]
        if len(points) == 1:
            points.append(f"{field.x(first + 0.9):.1f},{points[0].split(',')[1]}")
        yield f'<polyline class="{kind}" points="{" ".join(points)}"/>'


def _runs(bars: Sequence[Bar], which: Callable[[Bar], bool]) -> Iterator[tuple[int, int]]:
    """First and last index of each unbroken run."""
    first = None
    for index, bar in enumerate(bars):
        if which(bar) and first is None:
            first = index
        elif not which(bar) and first is not None:
            yield first, index - 1
            first = None
    if first is not None:
        yield first, len(bars) - 1


def _step(room: float, about: int) -> float:
    return next((step for step in STEPS if room / step <= about + 1), STEPS[-1])


def _multiples(low: float, high: float, step: float) -> Iterator[float]:
    number = math.ceil(low / step)
    while number * step <= high:
        yield number * step
        number += 1


def _svg(name: str, title: str, told: str, width: float, height: float, parts: Sequence[str]) -> Markup:
    ids = escape(name)
    return Markup(  # noqa: S704  # every text in it is escaped here, or a number
        f'<svg class="drawing" role="img" viewBox="0 0 {width:g} {height:g}" aria-labelledby="{ids}-title {ids}-told">'
        f'<title id="{ids}-title">{escape(title)}</title><desc id="{ids}-told">{escape(told)}</desc>'
        f"{''.join(parts)}</svg>"
    )
