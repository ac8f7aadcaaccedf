"""A review on paper: one self-contained HTML file, and the same as a fragment for the page.

It needs nothing from elsewhere: no script, no picture, no font. It prints on two sheets for three enclosures.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import datetime
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sensord.language import Measure
from sensord.model import Severity
from sensord.review import matters as stood
from sensord.review.rows import Row
from sensord.review.whole import CageReview, Review
from sensord.review.words import doubt, headline, sentences
from sensord.science.bibliography import CITATIONS
from sensord.species.limits import Limits

if TYPE_CHECKING:
    from jinja2 import Environment
    from markupsafe import Markup

PARTS = Path(__file__).parent / "parts"
NONE = "–"
WEEK_H = 168.0
Pick = Callable[[Row], float | None]


def html(review: Review, measure: Measure) -> str:
    """The whole review as one file."""
    return _templates().get_template("sheet.html").render(
        **_words(review, measure), **_spoken(measure), css=_css(), body=body(review, measure, heading=2)
    )  # fmt: skip


def body(review: Review, measure: Measure, heading: int = 2) -> Markup:
    """The enclosures, what stood and what is missing, as a fragment for a page; `heading`: the level of its headings.

    Its looks are those of `css()`. The head of the page is the caller's: `headline` and `sentences` of `review.words`.
    """
    from markupsafe import Markup

    text = _templates().get_template("body.html").render(**_words(review, measure), **_spoken(measure), h=f"h{heading}")
    return Markup(text)  # noqa: S704  # made by a template that escapes what is filled in


def css() -> str:
    """The style sheet of the fragment."""
    return _css()


def _spoken(measure: Measure) -> dict[str, Any]:
    from sensord.language.markup import sayer

    return {"say": sayer(measure.catalogue), "lang": measure.catalogue.tongue.tag}


def _words(review: Review, measure: Measure) -> dict[str, Any]:
    return {
        "title": review.title,
        "headline": headline(review, measure),
        "sentences": sentences(review, measure),
        "is_season": review.span.is_season,
        "through": "" if review.is_over else f"{measure.weekday(review.through)} {measure.clock(review.through)}",
        "degree": measure.degree,
        "cages": [_cage(review, cage, measure, n) for n, cage in enumerate(review.cages)],
        "groups": [_group(review, group, measure) for group in stood.groups(review.matters)],
        "missing": [_missing(review, gap, measure) for gap in review.missing],
        "tiers": _tier_notes(review, measure),
        "from_hours": any(not cage.from_readings for cage in review.cages),
        "has_season": any(cage.season for cage in review.cages),
        "since": measure.day(review.since),
        "zone": review.span.zone.key,
        "hours": None if review.span.is_season else measure.number(review.span.hours, 0),
        "dew_likely": _room(measure, 1.0),
        "dew_possible": _room(measure, 3.0),
    }


def _cage(review: Review, cage: CageReview, measure: Measure, number: int) -> dict[str, Any]:
    from sensord.report import drawing

    name = f"review-{number}-{cage.name}"
    limit = cage.limits.tiers[cage.limit]
    return {
        "id": name,
        "title": cage.title,
        "kind": measure.say(f"terms.kind.{cage.kind}"),
        "facts": _facts(review, cage, measure),
        "course": drawing.course(cage, review, measure, f"{name}-course"),
        "offsets": drawing.offsets(cage, measure, f"{name}-offsets"),
        "has_offsets": any(v is not None for v in cage.offsets_k),
        "bands": _band_heads(cage.limits, measure),
        "acting": [edge >= limit.temperature_c for edge in (float("-inf"), *cage.limits.edges_c)],
        "limit": measure.level(limit.temperature_c),
        "rows": [
            _row(row, cage, measure, _row_head(row, review, measure), "day" if review.span.is_season else "")
            for row in cage.rows
        ],
        "total": _row(
            cage.total, cage, measure, measure.say("report.all"), "day" if review.span.is_season else "weekday"
        ),
        "compared": _compared(review, cage, measure),
    }


def _band_heads(limits: Limits, measure: Measure) -> list[str]:
    edges = [measure.level(edge).split()[0] for edge in limits.edges_c]
    return [
        measure.say("numbers.below", number=edges[0]),
        *(measure.say("numbers.range", low=low, high=high) for low, high in pairwise(edges)),
        measure.say("numbers.from", number=edges[-1]),
    ]


def _row_head(row: Row, review: Review, measure: Measure) -> str:
    local = row.start.astimezone(review.span.zone)
    day = measure.day(local.date())
    return f"{row.label[5:]}, {day}" if review.span.is_season else measure.weekday_and_day(row.start)


def _row(row: Row, cage: CageReview, measure: Measure, head: str, named: str) -> dict[str, Any]:
    nothing = row.known_h == 0 and row.high is None
    return {
        "head": head,
        "nothing": nothing,
        "bands": [NONE if nothing else _h(h, measure) for h in row.bands_h],
        "degree_hours": NONE if nothing else _one(measure.span(row.degree_hours[cage.limit]), measure),
        "low": NONE if row.low is None else _one(measure.value(row.low.value_c), measure),
        "high": NONE if row.high is None else _one(measure.value(row.high.value_c), measure),
        "high_at": "" if row.high is None else _when(row.high.at, measure, named),
        "swing": _one(row.swing_k and measure.span(row.swing_k), measure),
        "degree_days": _one(row.degree_days if row.degree_days is None else measure.span(row.degree_days), measure),
        "humid": _h(row.humid_h, measure),
        "dew": _h(row.dew_likely_h, measure),
        "missing": _h(row.missing_h, measure) if row.missing_h >= 0.05 else "0",
    }


def _when(at: datetime, measure: Measure, named: str) -> str:
    """The time within a day; of a week with the weekday, of more the day."""
    if named == "day":
        return measure.day(at.astimezone(measure.zone).date())
    return measure.weekday_and_time(at) if named else measure.clock(at)


def _facts(review: Review, cage: CageReview, measure: Measure) -> list[str]:
    """The line under the heading."""
    say, facts = measure.say, []
    limit, spell, high = cage.limits.tiers[cage.limit], cage.spells[cage.limit], cage.total.high
    if high is not None:
        top, moment = measure.temperature(high.value_c), measure.moment(high.at)
        facts.append(say("report.fact.highest", temperature=top, moment=moment, doubt=doubt(cage, measure)))
    if spell is not None:
        level, lasted, moment = (
            measure.level(limit.temperature_c),
            measure.spell(spell.hours),
            measure.moment(spell.start),
        )
        facts.append(say("report.fact.spell", level=level, spell=lasted, moment=moment))
    total = cage.total
    if total.relative_humidity is not None:
        facts.append(
            say(
                "report.fact.humidity",
                percent=measure.percent(total.relative_humidity),
                humid=_h(total.humid_h, measure),
                dew=_h(total.dew_likely_h, measure),
                possible=_h(total.dew_possible_h, measure),
            )
        )
    elif high is not None:
        facts.append(say("report.fact.no_humidity"))
    if cage.degree_days_since is not None:
        gained, day = measure.number(measure.span(cage.degree_days_since), 0), measure.day(review.since)
        facts.append(say("report.fact.degree_days", degree_days=gained, degree=measure.degree, day=day))
    return facts


def _compared(review: Review, cage: CageReview, measure: Measure) -> dict[str, Any]:
    """This week beside the week before and a usual week of the season."""

    def name(key: str, **parts: str) -> str:
        return measure.say(f"report.compared.{key}", **parts)

    limits, degree = cage.limits, measure.degree
    limit = measure.level(limits.tiers[cage.limit].temperature_c)
    hours: list[tuple[str, Pick, bool]] = [
        (name("hours_from", level=measure.level(tier.temperature_c)), lambda r, n=n: r.above_h[n], True)  # type: ignore[misc]
        for n, tier in enumerate(limits.tiers)
    ]
    columns: list[tuple[str, Pick, bool]] = [
        *hours,
        (
            name("degree_hours", degree=degree, limit=limit),
            lambda r: measure.span(r.degree_hours[cage.limit]),
            True,
        ),
        (name("highest"), lambda r: r.high and measure.value(r.high.value_c), False),
        (name("swing"), lambda r: r.swing_k and measure.span(r.swing_k), False),
        (
            name("degree_days", degree=degree),
            lambda r: None if r.degree_days is None else measure.span(r.degree_days),
            True,
        ),
        (name("dew"), lambda r: r.dew_likely_h, True),
    ]

    def cell(row: Row | None, pick: Pick, scaled: bool) -> str:
        value = None if row is None or row.known_h == 0 else pick(row)
        if value is not None and scaled and row is not None:
            value *= WEEK_H / row.known_h
        return _one(value, measure)

    lines = [("this_week", cage.total), ("week_before", cage.before), ("season", cage.season)]
    return {
        "names": [name for name, _, _ in columns],
        "lines": [
            {
                "what": name(what),
                "cells": [cell(row, pick, a_week and row is cage.season) for _, pick, a_week in columns],
            }
            for what, row in lines
        ],
    }


def _group(review: Review, group: stood.Group, measure: Measure) -> dict[str, str]:
    say = measure.say
    ways = (("yes", "helped"), ("no", "not_enough"), ("unknown", "unknown"))
    helped = [say(f"report.stood.{key}", count=group.helped[word]) for word, key in ways if group.helped[word]]
    typical, answered = (
        group.typical_answer_min,
        say("report.stood.answered", answered=group.answered, count=group.count),
    )
    return {
        "what": measure.catalogue.name("names", group.rule) or group.rule.capitalize(),
        "subject": _subject(review, group.subject, measure),
        "severity": say(f"terms.severity.{group.severity.name.lower()}"),
        "count": str(group.count),
        "stood": say("report.stood.standing", hours=_one(group.lasted_h, measure), still=group.standing or None),
        "answered": answered if group.asked else say("report.stood.nothing_asked"),
        "typical": NONE if typical is None else measure.spell(typical / 60),
        "helped": measure.joined("comma", helped) or NONE,
    }


def _missing(review: Review, gap: stood.Missing, measure: Measure) -> dict[str, str]:
    longest, moment = measure.spell(gap.longest_h), measure.moment(gap.longest_from)
    return {
        "subject": _subject(review, gap.subject, measure) if gap.subject else measure.say("terms.of.whole_garden"),
        "why": measure.say(f"terms.gap.{gap.kind}"),
        "count": str(gap.count),
        "hours": measure.number(gap.hours, 1) if gap.hours >= 0.05 else measure.say("report.at_least"),
        "longest": measure.say("report.stood.longest", spell=longest, moment=moment),
    }


def _subject(review: Review, name: str, measure: Measure) -> str:
    found = next((cage.title for cage in review.cages if cage.name == name), name)
    return found or measure.say("terms.of.garden")


def _tier_notes(review: Review, measure: Measure) -> list[str]:
    """Each tier once: what it is called, when it is told, how sure it is; then each source once."""
    notes: dict[str, None] = {}
    sources: dict[str, dict[str, None]] = {}
    for cage in review.cages:
        for tier in cage.limits.tiers:
            level = measure.level(tier.temperature_c)
            is_told = tier.after_h and tier.severity >= Severity.MODERATE
            after = measure.spell(tier.after_h) if is_told else None
            told = measure.say("report.tier.told", level=level, name=tier.name, after=after, note=tier.note or None)
            notes[told] = None
            sources.setdefault(tier.source or measure.say("report.tier.chosen"), {})[level] = None
            for key in re.findall(r"\[(\w+)\]", tier.note):
                if key in CITATIONS:
                    sources.setdefault(CITATIONS[key], {})[f"[{key}]"] = None
    told_of = (
        measure.say("report.tier.source", levels=measure.listed(list(levels)), source=source)
        for source, levels in sources.items()
    )
    return [*notes, *told_of]


def _room(measure: Measure, kelvin: float) -> str:
    """A difference as it was chosen: 1 °C, 1.8 °F"""
    return measure.difference(kelvin, 1 if measure.us else 0)


def _one(value: float | None, measure: Measure) -> str:
    return NONE if value is None else measure.number(value, 1)


def _h(value: float | None, measure: Measure) -> str:
    """Hours to a tenth; nothing at all is 0, and less than that is said."""
    if value is None:
        return NONE
    return "0" if value == 0 else measure.say("report.at_least") if value < 0.05 else measure.number(value, 1)


@cache
def _css() -> str:
    return (PARTS / "report.css").read_text(encoding="utf-8")


@cache
def _templates() -> Environment:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    return Environment(
        loader=FileSystemLoader(PARTS), autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
