"""Signs of a storm at one site: the fall of the barometer, a gust front, and the wind at the post.

No sensor here hears thunder. What the signs foretell is possible or likely, never certain; a gust front is no forecast at
all: its wind is here in seconds to minutes.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import datetime, timedelta
from functools import lru_cache
from typing import NamedTuple

from pydantic import Field

from sensord.model import AMBIENT, Doubt, Quantity, State
from sensord.rules import Evidence, Need, Seen
from sensord.rules._readings import Bounds, best_of, middle, seconds
from sensord.rules._tracks import HOUR_S, Track
from sensord.science import pressure

PRESSURE_LOOKBACK = timedelta(hours=3, minutes=20)
WIND_LOOKBACK = timedelta(minutes=70)
AIR_LOOKBACK = timedelta(minutes=40)
SEEN = ("pressure", "air", "gust", "wind", "humidity")
Probes = tuple[Seen, ...]
GUST_FACTOR = 1.5
"""Gust over mean wind, where only the mean is measured; common practice, no source."""
STEEPER = 1.3
"""The last hour's fall over its share of the three hours: a fall that is not getting steeper is no thunderstorm. Chosen."""
WET_RATIO = 0.97
"""Netting is taken to be wet from this relative humidity on. Chosen."""


class SignThresholds(Bounds):
    """What counts as a sign. The windows of ten minutes are choices; the rise of a front is a mean of 30."""

    steepening_pa_h: float = Field(
        90, ge=20, le=500, description='"falling" is a sign only if the last hour fell so fast [Pa/h]; chosen'
    )
    front_rise_pa: float = Field(
        60,
        ge=20,
        le=400,
        description="rise of pressure in ten minutes at a gust front [Pa]; Mahoney 1988, mean 0.6 hPa",
    )
    front_drop_k: float = Field(
        2,
        ge=0.5,
        le=15,
        description="fall of temperature in ten minutes with it [K]; Mahoney 1988: 3.5 K at most, mean",
    )
    front_leap_m_s: float = Field(5, ge=1, le=30, description="or leap of the gusts with it [m/s]; chosen")
    strong_gust_m_s: float = Field(
        10.8, ge=5, le=30, description="from this gust on nobody is sent out [m/s]; the name strong breeze, for a gust"
    )
    thundery_gust_m_s: float = Field(8, ge=3, le=30, description="the same, under signs of a storm [m/s]; chosen")


class Signs(NamedTuple):
    """What can be seen of a storm; None where nothing measures it."""

    change_pa: float | None  # over three hours, rounded to 10 Pa
    tendency: str
    expected: str  # "likely", "possible" or ""
    front: bool  # a gust front within the last minutes
    gust_m_s: float | None  # the highest of the last ten minutes
    highest_m_s: float | None  # and of the last hour
    gust_estimated: bool  # from the mean wind
    wet: bool | None  # the netting must be taken to be wet
    air_c: float | None  # at the post

    @property
    def anything(self) -> bool:
        """Something measures the weather."""
        return self.change_pa is not None or self.gust_m_s is not None


def needs() -> tuple[Need, ...]:
    """Barometer, wind and air at the post."""
    return (
        Need("pressure", AMBIENT, Quantity.PRESSURE, PRESSURE_LOOKBACK),
        Need("air", AMBIENT, Quantity.TEMPERATURE, AIR_LOOKBACK),
        *wind_needs(),
    )


def wind_needs() -> tuple[Need, ...]:
    """The wind at the post, and whether it wets the netting."""
    return (
        Need("gust", AMBIENT, Quantity.WIND_GUST, WIND_LOOKBACK),
        Need("wind", AMBIENT, Quantity.WIND_SPEED, WIND_LOOKBACK),
        Need("humidity", AMBIENT, Quantity.HUMIDITY, AIR_LOOKBACK),
    )


def signs(evidence: Evidence, now: datetime, p: SignThresholds) -> Signs:
    """Read the signs at `now`."""
    return _signs(*(evidence.series.get(need, ()) for need in SEEN), now, p)


@lru_cache(8)
def _signs(
    pressures: Probes, airs: Probes, gusts: Probes, winds: Probes, humidities: Probes, now: datetime, p: SignThresholds
) -> Signs:
    """All enclosures of a site see the same post: its signs are read once a turn."""
    now_s = seconds(now)
    barometer = _fresh(best_of(pressures, now_s, 30_000, 110_000), now_s)
    gust, estimated = _gusts(gusts, winds, now_s)
    air = best_of(airs, now_s, -60, 60)
    change = _change(barometer, now_s, 10_800.0)
    tendency = pressure.tendency(max(-20_000.0, min(20_000.0, change))) if change is not None else None
    ten = gust.since(now_s - max(600.0, 2.5 * gust.interval_s)).values
    return Signs(
        change_pa=tendency.change_pa if tendency else None,
        tendency=str(tendency) if tendency else "",
        expected=_expected(barometer, tendency, now_s, p),
        front=_front(barometer, air, gust, now_s, p),
        gust_m_s=max(ten, default=None),
        highest_m_s=max(gust.last_hour(now_s).values, default=None),
        gust_estimated=estimated,
        wet=_is_wet(humidities, now_s),
        air_c=middle(air.since(now_s - 900.0)),
    )


def _fresh(readings: Track, now_s: float) -> Track:
    return readings if readings.is_fresh(now_s) else readings.since(math.inf)


def gusts_of(evidence: Evidence, now: datetime) -> tuple[Track, bool]:
    """Measured gusts, else (True) what the mean wind makes likely."""
    return _gusts(evidence.series.get("gust", ()), evidence.series.get("wind", ()), seconds(now))


def _gusts(gusts: Probes, winds: Probes, now_s: float) -> tuple[Track, bool]:
    measured = _fresh(best_of(gusts, now_s, 0, 90), now_s)
    if not measured.is_empty:
        return measured, False
    mean = _fresh(best_of(winds, now_s, 0, 60), now_s)
    likely = [GUST_FACTOR * v for v in mean.values]
    return Track.of(mean.times_s, likely, mean.doubts, mean.interval_s), bool(likely)


def _change(barometer: Track, now_s: float, span_s: float) -> float | None:
    """Pressure of the last ten minutes less that of the ten minutes `span_s` before them [Pa]."""
    window_s = max(600.0, 2 * barometer.interval_s)
    latest = middle(barometer.since(now_s - window_s))
    before = middle(barometer.between(now_s - span_s - window_s, now_s - span_s))
    return latest - before if latest is not None and before is not None else None


def _expected(barometer: Track, tendency: pressure.Tendency | None, now_s: float, p: SignThresholds) -> str:
    """Falling slowly is the tide of the air; falling faster and faster, or rapidly, is weather."""
    if _falls_rapidly(barometer.last_hour(now_s)):
        return "likely"
    if tendency is None or tendency.direction is not pressure.Direction.FALLING:
        return ""
    if tendency.pace in (pressure.Pace.QUICKLY, pressure.Pace.VERY_RAPIDLY):
        return "likely"
    last_hour = _change(barometer, now_s, HOUR_S)
    steep = last_hour is not None and last_hour <= min(-p.steepening_pa_h, STEEPER * tendency.change_pa / 3.0)
    return "possible" if tendency.pace is pressure.Pace.PLAIN and steep else ""


def _falls_rapidly(hour: Track) -> bool:
    """By means, because a spike of one reading is no fall. They differ by no more than the readings do: mostly too little."""
    if hour.is_empty or max(hour.values) - min(hour.values) < pressure.RAPID_TOTAL_PA - 1.0:
        return False
    means = hour.means(180.0)
    if len(means.values) < 2 or max(means.values) - means.values[-1] < pressure.RAPID_TOTAL_PA:
        return False
    return bool(pressure.falls_rapidly(means.times_s, means.values))


def _front(barometer: Track, air: Track, gusts: Track, now_s: float, p: SignThresholds) -> bool:
    """A jump of the pressure together with a drop of the temperature or a leap of the wind, in the last minutes."""
    recent = barometer.since(now_s - 1200.0)
    if not recent.values or max(recent.values) - min(recent.values) < p.front_rise_pa:
        return False
    if largest_rise(recent.times_s, recent.values, 600.0) < p.front_rise_pa:
        return False
    cooling = air.since(now_s - 1200.0)
    drop_k = largest_rise(cooling.times_s, [-v for v in cooling.values], 600.0)
    before = middle(gusts.between(now_s - 2700.0, now_s - 900.0))
    latest = max(gusts.since(now_s - 900.0).values, default=0.0)
    leap_m_s = latest - before if before is not None else 0.0
    return drop_k >= p.front_drop_k or leap_m_s >= p.front_leap_m_s


def largest_rise(times_s: Sequence[float], values: Sequence[float], window_s: float) -> float:
    """The largest rise within any `window_s` of a series; 0 of a series that does not rise."""
    rise, first = 0.0, 0
    for i, t in enumerate(times_s):
        while times_s[first] < t - window_s:
            first += 1
        rise = max(rise, values[i] - min(values[first : i + 1]))
    return rise


def is_wet(evidence: Evidence, now: datetime) -> bool | None:
    """Whether netting must be taken to be wet; None where nothing tells the humidity."""
    return _is_wet(evidence.series.get("humidity", ()), seconds(now))


def _is_wet(humidities: Probes, now_s: float) -> bool | None:
    moisture = _fresh(best_of(humidities, now_s, 0, 1.1), now_s)
    recent = moisture.since(now_s - max(1200.0, 2 * moisture.interval_s))
    humid = middle(recent)
    return None if humid is None else humid >= WET_RATIO or recent.share(Doubt.WET) > 0.5


def storm_asks(evidence: Evidence) -> bool:
    """Whether `storm` has something to say of the enclosure."""
    storm = evidence.others.get(f"storm/{evidence.subject}")
    return storm is not None and storm.verdict.state is State.BREACH
