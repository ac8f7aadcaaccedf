"""A review for programs: JSON and CSV, SI (°C, K, °C·h, °C·d, 0–1) with instants in UTC."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import fields
from datetime import UTC, date, datetime
from enum import IntEnum
from itertools import pairwise
from typing import Any

from sensord.language import Measure
from sensord.review.rows import Row
from sensord.review.whole import CageReview, Review
from sensord.review.words import sentences
from sensord.species.limits import Limits

DIGITS = 4


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


def _line(review: Review, cage: CageReview, row: Row) -> dict[str, object]:
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
