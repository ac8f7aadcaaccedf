"""A garden with barometer, gauge and post, and the weather of a storm."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any

from sensord.model import (
    AMBIENT,
    Quantity,
    Verdict,
)
from sensord.rules import Seen
from sensord.rules.storm import RULE
from tests.rules.scenes import NOON, Curve, enclosure, evidence, probe, seen

MINUTE, HOUR = timedelta(minutes=1), timedelta(hours=1)
HPA = 100.0
STATION_PA = 99_000.0
BAROMETER = probe("barometer", AMBIENT, Quantity.PRESSURE)
GAUGE = probe("gauge", AMBIENT, Quantity.WIND_GUST)
POST = probe("post", AMBIENT, Quantity.TEMPERATURE, Quantity.HUMIDITY)
HEAVY = enclosure(ballast_kg=16.0)


def weather(
    now: datetime,
    pressure: Curve | float | None = STATION_PA,
    gust: Curve | float | None = 3.0,
    air: Curve | float = 26.0,
    humidity: float | None = 0.6,
) -> dict[str, list[Seen]]:
    """What barometer, gauge and post have measured; pressure as its difference from the station's."""
    series: dict[str, list[Seen]] = {"air": [seen(POST, air, now, 0.7)]}
    if pressure is not None:
        series["pressure"] = [seen(BAROMETER, pressure, now, 3.4)]
    if gust is not None:
        series["gust"] = [seen(GAUGE, gust, now, 1.2)]
    if humidity is not None:
        series["humidity"] = [seen(POST, humidity, now, 0.7)]
    return series


def falls(hpa_per_hour: float, hours: float = 3.2) -> Curve:
    """A steady fall over the last hours."""
    return lambda h: STATION_PA - HPA * hpa_per_hour * max(0.0, h + hours)


def steepens(total_hpa: float) -> Curve:
    """A fall that becomes ever steeper, as before a thunderstorm."""
    return lambda h: STATION_PA - HPA * total_hpa * max(0.0, 1.0 + h / 3.2) ** 2


def front(minutes_ago: float, jump_hpa: float = 1.0) -> Curve:
    """A jump of the pressure within four minutes."""
    return lambda h: STATION_PA + HPA * jump_hpa * min(1.0, max(0.0, (60 * h + minutes_ago) / 4.0))


def since(minutes: float, value: float, before: float) -> Curve:
    """`before`, and for the last minutes `value`."""
    return lambda h: value if 60 * h >= -minutes else before


def decide(series: Mapping[str, Sequence[Seen]] | None = None, now: datetime = NOON, **more: Any) -> Verdict:
    return RULE.decide(evidence(RULE, series if series is not None else weather(now), now, **more), now)
