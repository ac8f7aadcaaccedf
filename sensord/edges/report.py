"""A review as people and programs read it: one self-contained HTML file, a fragment for the page, JSON, CSV.

The HTML needs nothing from elsewhere: no script, no picture, no font. It prints on two sheets for three enclosures.
JSON and CSV are SI (°C, K, °C·h, °C·d, 0–1) with instants in UTC.
"""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Callable
from dataclasses import fields
from datetime import UTC, date, datetime
from enum import IntEnum
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sensord.language import Measure
from sensord.model import GapKind, Severity
from sensord.review import matters as stood
from sensord.review.rows import Row
from sensord.review.whole import Cage, Review
from sensord.review.words import doubt, headline, sentences
from sensord.science.bibliography import CITATIONS
from sensord.species.limits import Limits

if TYPE_CHECKING:
    from jinja2 import Environment
    from markupsafe import Markup

PARTS = Path(__file__).parent / "report_parts"
NONE = "–"
WEEK_H = 168.0
DIGITS = 4
Pick = Callable[[Row], float | None]

RULES = {
    "overheating": "Heat",
    "offset": "Warmer than the post",
    "storm": "Storm",
    "wind": "Wind",
    "shelter": "Shelter",
    "shade": "Shade",
    "frost": "Frost",
    "wet": "Wetness",
    "watch": "Watching",
    "silent": "Probe silent",
    "battery": "Battery",
    "clock": "Clock",
    "ambient": "Shaded post",
    "shipping": "Shipping of data",
}
GAPS = {
    GapKind.SESSION: "the broker had lost our place",
    GapKind.OVERFLOW: "more came than could be taken in",
    GapKind.SILENCE: "the probe was silent",
    GapKind.STOPPED: "nobody watched: sensord was not running",
    GapKind.CLOCK: "the clock stepped",
}


def html(review: Review, measure: Measure) -> str:
    """The whole review as one file."""
    return _templates().get_template("sheet.html").render(
        **_words(review, measure), css=_css(), body=body(review, measure, heading=2)
    )  # fmt: skip


def body(review: Review, measure: Measure, heading: int = 2) -> Markup:
    """The enclosures, what stood and what is missing, as a fragment for a page; `heading`: the level of its headings.

    Its looks are those of `css()`. The head of the page is the caller's: `headline` and `sentences` of `review.words`.
    """
    from markupsafe import Markup

    text = (
        _templates().get_template("body.html").render(**_words(review, measure), h=f"h{heading}", hh=f"h{heading + 1}")
    )
    return Markup(text)  # noqa: S704  # made by a template that escapes what is filled in


def css() -> str:
    """The style sheet of the fragment."""
    return _css()


def as_json(review: Review, measure: Measure) -> str:
    """Everything, for programs; the sentences in the reader's units."""
    span = review.span
    found = {
        "site": review.site,
        "span": {
            "label": span.label,
            "kind": "season" if span.is_season else "week",
            "time_zone": span.zone.key,
            "first_day": span.first.isoformat(),
            "last_day": span.last.isoformat(),
            "start": _utc(span.start),
            "end": _utc(span.end),
            "hours": span.hours,
            "through": _utc(review.through),
        },
        "season_since": review.since.isoformat(),
        "something_found": review.found,
        "sentences": list(sentences(review, measure)),
        "enclosures": [
            {
                **_plain(cage),
                "was_too_hot": cage.was_too_hot,
                "is_patchy": cage.is_patchy,
                "edges_c": cage.limits.edges_c,
            }
            for cage in review.cages
        ],
        "shaded_post": _plain(review.post),
        "concerns": [_plain(m) for m in review.matters],
        "concerns_week_before": review.matters_before,
        "gaps": [_plain(m) for m in review.missing],
    }
    return json.dumps(found, ensure_ascii=False, indent=1)


def as_csv(review: Review) -> str:
    """One line for each enclosure and day (of a season: week), and one for its whole span."""
    lines: list[dict[str, object]] = [
        _line(review, cage, row) for cage in review.cages for row in (*cage.rows, cage.total)
    ]
    names = list(dict.fromkeys(name for line in lines for name in line))
    out = io.StringIO()
    writer = csv.DictWriter(out, names, restval="", lineterminator="\r\n")  # RFC 4180
    writer.writeheader()
    writer.writerows(lines)
    return out.getvalue()


def _line(review: Review, cage: Cage, row: Row) -> dict[str, object]:
    known = row.known_h > 0  # of a day of which nothing is known, no hours are counted
    bands = {
        f"hours_{name}_c": hours if known else None
        for name, hours in zip(_band_keys(cage.limits), row.bands_h, strict=True)
    }
    tiers = [f"{tier.temperature_c:g}" for tier in cage.limits.tiers]
    line = {
        "site": review.site,
        "enclosure": cage.name,
        "span": row.label,
        "start_utc": _utc(row.start),
        "end_utc": _utc(row.end),
        "known_h": row.known_h,
        "missing_h": row.missing_h,
        **bands,
        **{f"degree_hours_above_{t}_c": v if known else None for t, v in zip(tiers, row.degree_hours, strict=True)},
        "low_c": row.low and row.low.value_c,
        "low_at_utc": row.low and _utc(row.low.at),
        "high_c": row.high and row.high.value_c,
        "high_at_utc": row.high and _utc(row.high.at),
        "mean_c": row.mean_c,
        "swing_k": row.swing_k,
        "degree_days": row.degree_days,
        "relative_humidity": row.relative_humidity,
        "humid_h": row.humid_h,
        "dew_likely_h": row.dew_likely_h,
        "dew_possible_h": row.dew_possible_h,
    }
    return {k: "" if v is None else round(v, DIGITS) if isinstance(v, float) else v for k, v in line.items()}


def _band_keys(limits: Limits) -> list[str]:
    edges = [f"{edge:g}" for edge in limits.edges_c]
    return [f"below_{edges[0]}", *(f"{a}_to_{b}" for a, b in pairwise(edges)), f"from_{edges[-1]}"]


def _plain(thing: Any) -> Any:
    """Frozen dataclasses and tuples as what JSON knows; instants in UTC, severities as words."""
    if isinstance(thing, float):
        return round(thing, DIGITS)
    if isinstance(thing, datetime):
        return _utc(thing)
    if isinstance(thing, date):
        return thing.isoformat()
    if isinstance(thing, IntEnum):
        return thing.name.capitalize()
    if hasattr(thing, "__dataclass_fields__"):
        return {f.name: _plain(getattr(thing, f.name)) for f in fields(thing)}
    if hasattr(thing, "_asdict"):
        return {k: _plain(v) for k, v in thing._asdict().items()}
    if isinstance(thing, tuple | list):
        return [_plain(item) for item in thing]
    if isinstance(thing, dict):
        return {k: _plain(v) for k, v in thing.items()}
    return thing


def _utc(instant: datetime) -> str:
    return instant.astimezone(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")


# --- words for the templates --------------------------------------------------------------------------------------


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
        "hours": f"{review.span.hours:.0f}",
    }


def _cage(review: Review, cage: Cage, measure: Measure, number: int) -> dict[str, Any]:
    from sensord.edges import drawing

    name = f"review-{number}-{cage.name}"
    limit = cage.limits.tiers[cage.limit]
    return {
        "id": name,
        "title": cage.title,
        "kind": cage.kind,
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
        "total": _row(cage.total, cage, measure, "All", "day" if review.span.is_season else "weekday"),
        "compared": _compared(review, cage, measure),
    }


def _band_heads(limits: Limits, measure: Measure) -> list[str]:
    edges = [measure.level(edge).split()[0] for edge in limits.edges_c]
    return [f"< {edges[0]}", *(f"{a}–{b}" for a, b in pairwise(edges)), f"≥ {edges[-1]}"]


def _row_head(row: Row, review: Review, measure: Measure) -> str:
    local = row.start.astimezone(review.span.zone)
    day = measure.day(local.date())
    return f"{row.label[5:]}, {day}" if review.span.is_season else measure.weekday_and_day(row.start)


def _row(row: Row, cage: Cage, measure: Measure, head: str, named: str) -> dict[str, Any]:
    nothing = row.known_h == 0 and row.high is None
    return {
        "head": head,
        "nothing": nothing,
        "bands": [NONE if nothing else _h(h) for h in row.bands_h],
        "degree_hours": NONE if nothing else _one(measure.span(row.degree_hours[cage.limit])),
        "low": NONE if row.low is None else _one(measure.value(row.low.value_c)),
        "high": NONE if row.high is None else _one(measure.value(row.high.value_c)),
        "high_at": "" if row.high is None else _when(row.high.at, measure, named),
        "swing": _one(row.swing_k and measure.span(row.swing_k)),
        "degree_days": _one(row.degree_days if row.degree_days is None else measure.span(row.degree_days)),
        "humid": _h(row.humid_h),
        "dew": _h(row.dew_likely_h),
        "missing": _h(row.missing_h) if row.missing_h >= 0.05 else "0",
    }


def _when(at: datetime, measure: Measure, named: str) -> str:
    """The time within a day; of a week with the weekday, of more the day."""
    if named == "day":
        return measure.day(at.astimezone(measure.zone).date())
    return measure.weekday_and_time(at) if named else measure.clock(at)


def _facts(review: Review, cage: Cage, measure: Measure) -> list[str]:
    """The line under the heading."""
    facts = []
    limit, spell, high = cage.limits.tiers[cage.limit], cage.spells[cage.limit], cage.total.high
    if high is not None:
        doubtful = f" ({doubt(cage, measure)})" if doubt(cage, measure) else ""
        facts.append(f"Highest {measure.temperature(high.value_c)}, {measure.moment(high.at)}{doubtful}")
    if spell is not None:
        level = measure.level(limit.temperature_c)
        facts.append(f"longest spell from {level} up {_spell(spell.hours)}, {measure.moment(spell.start)}")
    total = cage.total
    if total.relative_humidity is not None:
        facts.append(
            f"humidity {100 * total.relative_humidity:.0f} % on average, {_h(total.humid_h)} h at 97 % or more, "
            f"{_h(total.dew_likely_h)} h with dew likely ({_h(total.dew_possible_h)} h possible)"
        )
    elif high is not None:
        facts.append("humidity is not measured")
    if cage.degree_days_since is not None:
        facts.append(
            f"{measure.span(cage.degree_days_since):.0f} {measure.degree}-days since {measure.day(review.since)}"
        )
    return facts


def _spell(hours: float) -> str:
    minutes = round(hours * 60)
    if minutes < 60:
        return f"{minutes} min"
    return f"{minutes // 60} h" + (f" {minutes % 60:02d} min" if minutes % 60 else "")


def _compared(review: Review, cage: Cage, measure: Measure) -> dict[str, Any]:
    """This week beside the week before and a usual week of the season."""
    limits, degree = cage.limits, measure.degree
    limit = measure.level(limits.tiers[cage.limit].temperature_c)
    hours: list[tuple[str, Pick, bool]] = [
        (f"hours from {measure.level(tier.temperature_c)}", lambda r, n=n: r.above_h[n], True)  # type: ignore[misc]
        for n, tier in enumerate(limits.tiers)
    ]
    columns: list[tuple[str, Pick, bool]] = [
        *hours,
        (f"{degree}·h above {limit}", lambda r: measure.span(r.degree_hours[cage.limit]), True),
        ("highest", lambda r: r.high and measure.value(r.high.value_c), False),
        ("swing of a day", lambda r: r.swing_k and measure.span(r.swing_k), False),
        (f"{degree}-days", lambda r: None if r.degree_days is None else measure.span(r.degree_days), True),
        ("hours with dew", lambda r: r.dew_likely_h, True),
    ]

    def cell(row: Row | None, pick: Pick, scaled: bool) -> str:
        value = None if row is None or row.known_h == 0 else pick(row)
        if value is not None and scaled and row is not None:
            value *= WEEK_H / row.known_h
        return _one(value)

    lines = [("this week", cage.total), ("week before", cage.before), ("season, a week", cage.season)]
    return {
        "names": [name for name, _, _ in columns],
        "lines": [
            {"what": what, "cells": [cell(row, pick, a_week and row is cage.season) for _, pick, a_week in columns]}
            for what, row in lines
        ],
    }


def _group(review: Review, group: stood.Group, measure: Measure) -> dict[str, str]:
    helped = []
    for word, text in (("yes", "helped"), ("no", "not enough"), ("unknown", "can't be told")):
        if group.helped[word]:
            helped.append(f"{text} {group.helped[word]}×")
    typical = group.typical_answer_min
    return {
        "what": RULES.get(group.rule, group.rule.capitalize()),
        "subject": _subject(review, group.subject),
        "severity": group.severity.word,
        "count": str(group.count),
        "stood": f"{_one(group.lasted_h)} h" + (f", {group.standing} still" if group.standing else ""),
        "answered": f"{group.answered} of {group.count}" if group.asked else "nothing asked",
        "typical": NONE if typical is None else _spell(typical / 60),
        "helped": ", ".join(helped) or NONE,
    }


def _missing(review: Review, gap: stood.Missing, measure: Measure) -> dict[str, str]:
    return {
        "subject": _subject(review, gap.subject) if gap.subject else "The whole garden",
        "why": GAPS.get(GapKind(gap.kind), gap.kind),
        "count": str(gap.count),
        "hours": f"{gap.hours:.1f}" if gap.hours >= 0.05 else "< 0.1",
        "longest": f"{_spell(gap.longest_h)}, from {measure.moment(gap.longest_from)}",
    }


def _subject(review: Review, name: str) -> str:
    return next((cage.title for cage in review.cages if cage.name == name), name or "The garden")


def _tier_notes(review: Review, measure: Measure) -> list[str]:
    """Each tier once: what it is called, when it is told, how sure it is; then each source once."""
    notes: dict[str, None] = {}
    sources: dict[str, dict[str, None]] = {}
    for cage in review.cages:
        for tier in cage.limits.tiers:
            level = measure.level(tier.temperature_c)
            after = (
                f", told after {_spell(tier.after_h)}" if tier.after_h and tier.severity >= Severity.MODERATE else ""
            )
            notes[f"{level}: {tier.name}{after} {_sentence(tier.note)}".strip()] = None
            sources.setdefault(tier.source or "chosen by us.", {})[level] = None
            for key in re.findall(r"\[(\w+)\]", tier.note):
                if key in CITATIONS:
                    sources.setdefault(CITATIONS[key], {})[f"[{key}]"] = None
    return [*notes, *(f"{measure.listed(list(levels))}: {source}" for source, levels in sources.items())]


def _sentence(text: str) -> str:
    """Its first letter as it is, with a full stop."""
    return f"({text})." if text else ""


def _one(value: float | None) -> str:
    return NONE if value is None else f"{round(value, 1) + 0.0:.1f}"


def _h(value: float | None) -> str:
    """Hours to a tenth; nothing at all is 0, and less than that is said."""
    if value is None:
        return NONE
    return "0" if value == 0 else "< 0.1" if value < 0.05 else f"{value:.1f}"


@cache
def _css() -> str:
    return (PARTS / "report.css").read_text(encoding="utf-8")


@cache
def _templates() -> Environment:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    return Environment(
        loader=FileSystemLoader(PARTS), autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
