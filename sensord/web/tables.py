"""The curves as figures, for eyes that don't read drawings and for ears. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from itertools import groupby
from typing import Any
from zoneinfo import ZoneInfo

from sensord.model import instant
from sensord.web.phrases import Phrases


def _moment(unix_s: float) -> datetime:
    return instant(round(unix_s * 1000))


def extremes(data: Mapping[str, Any], phrases: Phrases) -> list[dict[str, str]]:
    """Highest and lowest temperature of each place, and when."""
    found = []
    chart = data["charts"][0]
    for line in chart["lines"]:
        highs = _known(data["times"], line["high"] or line["values"])
        lows = _known(data["times"], line["low"] or line["values"])
        if not highs:
            continue
        (top, top_at), (low, low_at) = max(highs), min(lows)
        gone = 1 - len(highs) / len(data["times"])
        found.append(
            {
                "place": line["label"],
                "told": phrases.say(
                    "page.curves.extremes",
                    high=phrases.reader.shown(top),
                    high_at=phrases.at(_moment(top_at)),
                    low=phrases.reader.shown(low),
                    low_at=phrases.at(_moment(low_at)),
                    missing=phrases.say("page.curves.missing", share=phrases.reader.percent(gone))
                    if gone > 0.02
                    else None,
                ),
            }
        )
    return found


def _known(times: Sequence[float], values: Sequence[float | None]) -> list[tuple[float, float]]:
    return [(v, t) for t, v in zip(times, values, strict=True) if v is not None]


def by_time(data: Mapping[str, Any], phrases: Phrases) -> dict[str, Any]:
    """Mean temperatures by hour of a day, or means and maxima by day of a week."""
    zone = ZoneInfo(data["zone"])
    daily = data["span"] == "week"
    lines = data["charts"][0]["lines"]

    def key(index: int) -> str:
        local = _moment(data["times"][index]).astimezone(zone)
        return f"{local:%Y-%m-%d}" if daily else f"{local:%Y-%m-%d %H %z}"

    rows = []
    for _, group in groupby(range(len(data["times"])), key):
        indices = list(group)
        local = _moment(data["times"][indices[0]]).astimezone(zone)
        cells = []
        for line in lines:
            values = [line["values"][i] for i in indices if line["values"][i] is not None]
            text = "–"
            if values:
                text = phrases.reader.number(sum(values) / len(values), 1)
                if daily:
                    most = phrases.reader.number(max(values), 1)
                    text = phrases.say("page.curves.mean_and_most", mean=text, most=most)
            cells.append(text)
        rows.append((phrases.reader.weekday_and_day(local) if daily else _hour(local, phrases), cells))
    return {"heads": [line["label"] for line in lines], "rows": rows, "unit": data["charts"][0]["unit"], "daily": daily}


def _hour(local: datetime, phrases: Phrases) -> str:
    """The hour; with the name of its time where the clocks go through it twice."""
    twice = f" {local:%Z}" if local.replace(fold=0).utcoffset() != local.replace(fold=1).utcoffset() else ""
    return f"{phrases.reader.weekday_and_hour(local)}{twice}"
