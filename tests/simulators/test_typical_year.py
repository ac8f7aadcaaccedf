"""The typical year against its own file, hour by hour."""

from __future__ import annotations

import csv
import statistics
from collections import defaultdict
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import pytest

from sensord.science import sun
from simulators import typical_year
from simulators.scenario import configuration
from simulators.sky import Sky
from simulators.typical_year import TypicalYear, hours_into_year, rain_mm_h

MINUTE = timedelta(minutes=1)
STANDARD = timedelta(hours=5)  # standard time there is UTC − 5 h
FIRST = datetime(2026, 7, 1, 5, tzinfo=UTC)  # midnight of 1 July, standard time
DAYS = 30


def rows_of_july() -> Iterator[tuple[datetime, dict[str, str]]]:
    """The file's own lines of July, read anew, each with the instant of 2026 at which its hour ends."""
    spec = find_spec("pvlib")
    assert spec is not None
    assert spec.origin is not None
    with (Path(spec.origin).parent / "data" / typical_year.FILE).open() as file:
        next(file)
        for row in csv.DictReader(file):
            if row["Date (MM/DD/YYYY)"].startswith("07/"):
                month, day, _ = map(int, row["Date (MM/DD/YYYY)"].split("/"))
                hour = int(row["Time (HH:MM)"].split(":")[0])
                yield datetime(2026, month, day, tzinfo=UTC) + timedelta(hours=hour) + STANDARD, row


@pytest.fixture(scope="module")
def july() -> dict[datetime, Sky]:
    """Thirty days by the minute."""
    year = TypicalYear(7)
    return {FIRST + i * MINUTE: year.sky(FIRST + i * MINUTE) for i in range(DAYS * 1440)}


@pytest.fixture(scope="module")
def file() -> list[tuple[datetime, dict[str, str]]]:
    """The file's lines for the same days."""
    return [(at, row) for at, row in rows_of_july() if FIRST < at < FIRST + timedelta(days=DAYS)]


def thundery(july: dict[datetime, Sky], at: datetime) -> bool:
    """Whether a made-up gust front may have changed the hours around."""
    around = (july.get(at - timedelta(hours=i)) for i in range(-1, 15))
    return any(sky is not None and sky.thunder for sky in around)


@pytest.mark.outside
def test_each_hour_has_the_file_s_temperature_and_dew_point(july: Any, file: Any) -> None:
    """At the full hours, to rounding. Source: TMY3 station 723170 (NREL), columns Dry-bulb and Dew-point."""
    checked = 0
    for at, row in file:
        if not thundery(july, at):
            assert july[at].temperature_c == pytest.approx(float(row["Dry-bulb (C)"]), abs=1e-6)
            checked += 1
    assert checked > 600


@pytest.mark.outside
def test_hourly_means_are_the_file_s(july: Any, file: Any) -> None:
    """Means of temperature over the hour around each full hour lie within 0.3 °C of the file's on average, and over all
    hours within 0.05 °C. Source: as above."""
    off = []
    for at, row in file:
        around = [july[at + i * MINUTE].temperature_c for i in range(-30, 30) if at + i * MINUTE in july]
        if len(around) == 60 and not thundery(july, at):
            off.append(statistics.fmean(around) - float(row["Dry-bulb (C)"]))
    assert statistics.fmean(abs(o) for o in off) < 0.3
    assert abs(statistics.fmean(off)) < 0.05


@pytest.mark.outside
def test_the_sun_s_energy_is_the_file_s(july: Any, file: Any) -> None:
    """Irradiation of each day within 15 %, of the month within 4 %, though clouds come and go by chance within the hour.

    Source: as above, column GHI, the mean of the hour that ends.
    """
    ours: dict[int, float] = defaultdict(float)
    theirs: dict[int, float] = defaultdict(float)
    for at, row in file:
        if any(july[at - i * MINUTE].thunder for i in range(60)):
            continue  # a made-up storm darkens it
        day = (at - FIRST).days
        theirs[day] += float(row["GHI (W/m^2)"])
        ours[day] += statistics.fmean(july[at - i * MINUTE].irradiance_w_m2 for i in range(60))
    assert sum(ours.values()) == pytest.approx(sum(theirs.values()), rel=0.04)
    assert statistics.fmean(abs(ours[d] / theirs[d] - 1) for d in theirs if theirs[d] > 500) < 0.15


@pytest.mark.outside
def test_wind_and_pressure_are_the_file_s_in_the_mean(july: Any, file: Any) -> None:
    """Mean wind within 0.25 m/s (calm is read as 0.3 m/s), pressure within 1 hPa of each hour's. Source: as above."""
    winds, pressures = [], []
    for at, row in file:
        if not thundery(july, at):
            around = [july[at + i * MINUTE] for i in range(-30, 30) if at + i * MINUTE in july]
            winds.append(statistics.fmean(s.wind_speed_m_s for s in around) - float(row["Wspd (m/s)"]))
            pressures.append(july[at].pressure_pa / 100 - float(row["Pressure (mbar)"]))
    assert abs(statistics.fmean(winds)) < 0.25
    assert max(abs(p) for p in pressures) < 1.5
    assert statistics.fmean(abs(p) for p in pressures) < 0.5


@pytest.mark.outside
def test_gusts_stand_to_the_mean_wind_as_over_open_land(july: Any, file: Any) -> None:
    """The highest gust of an hour is 1.5–1.9 times its mean wind, in hours with wind and without thunder.

    Source, from memory: Harper, Kepert and Ginger (2010), WMO/TD-No. 1555: 1.75 for gusts of 3 s over means of an hour,
    roughly open land.
    """
    factors = []
    for at, row in file:
        hour = [july[at - i * MINUTE] for i in range(60)]
        if float(row["Wspd (m/s)"]) >= 3.0 and not thundery(july, at):
            factors.append(max(s.wind_gust_m_s for s in hour) / statistics.fmean(s.wind_speed_m_s for s in hour))
    assert len(factors) > 100
    assert 1.5 < statistics.fmean(factors) < 1.9


def test_minutes_stay_within_physics(july: Any) -> None:
    """Air not supersaturated, gusts above the mean, no sun by night, nothing far above a clear sky."""
    for sky in july.values():
        assert sky.relative_humidity <= 1.0
        assert sky.wind_gust_m_s >= sky.wind_speed_m_s
        clear = sun.clear_sky_irradiance_w_m2(sky.sun_elevation_deg)
        assert sky.irradiance_w_m2 <= 1.3 * clear + 1e-9
        assert sky.irradiance_w_m2 == 0.0 or sky.sun_elevation_deg > 0.0


def test_pressure_does_not_jump_by_the_whole_hectopascals_of_the_file(july: Any) -> None:
    """Without storms the pressure never changes by 2 hPa in an hour, as rounding alone would make it."""
    for at, sky in july.items():
        later = july.get(at + timedelta(hours=1))
        if (
            later is not None
            and at.minute == 0
            and not thundery(july, at)
            and not thundery(july, at + timedelta(hours=6))
        ):
            assert abs(later.pressure_pa - sky.pressure_pa) < 190.0


@pytest.mark.parametrize("year", [2024, 2026, 2027])
def test_every_year_has_the_same_hours(year: int) -> None:
    """By month and day: 1 June is the same hour in any year, 29 February is the 28th, the year's end wraps around."""
    june = datetime(year, 6, 1, 5, tzinfo=UTC)
    assert hours_into_year(june) == 151 * 24
    if year == 2024:
        leap = hours_into_year(datetime(2024, 2, 29, 12, tzinfo=UTC))
        assert leap == hours_into_year(datetime(2024, 2, 28, 12, tzinfo=UTC))
    assert hours_into_year(datetime(year + 1, 1, 1, 4, 59, tzinfo=UTC)) == pytest.approx(8760 - 1 / 60)


def test_the_garden_stands_where_the_weather_was_measured() -> None:
    """The configuration's place is the station's."""
    site = configuration("typical").site
    assert (site.latitude_deg, site.longitude_deg, site.elevation_m) == (
        TypicalYear.latitude_deg,
        TypicalYear.longitude_deg,
        TypicalYear.elevation_m,
    )


def test_the_same_enclosures_and_probes_as_in_the_demonstration() -> None:
    """What differs is the place, the topics' first level, and since when the cohorts are there."""
    one, other = configuration("larkfield"), configuration("typical")
    assert [e.model_dump() for e in one.enclosure] == [e.model_dump() for e in other.enclosure]
    assert [(p.name, p.place, p.sensor, p.form) for p in one.probe] == [
        (p.name, p.place, p.sensor, p.form) for p in other.probe
    ]
    assert all(r.topic.startswith("typical/") for r in other.recipes)


def test_a_missing_library_is_said_plainly(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without pvlib the error says what to install."""
    typical_year.hours.cache_clear()
    monkeypatch.setattr(typical_year, "find_spec", lambda name: None)
    with pytest.raises(ImportError, match="pip install pvlib"):
        TypicalYear(1)
    typical_year.hours.cache_clear()


def test_rain_is_read_from_the_present_weather() -> None:
    """Drizzle, rain, showers and thunderstorms rain, thunder alone and fog do not (WMO code table 4677)."""
    assert [rain_mm_h(code) > 0 for code in (0, 17, 45, 51, 61, 80, 95)] == [
        False,
        False,
        False,
        True,
        True,
        True,
        True,
    ]
    assert rain_mm_h(51) < rain_mm_h(61) < rain_mm_h(80) < rain_mm_h(95)


def test_same_seed_same_year() -> None:
    """Turbulence, clouds and gust fronts come from the seed alone."""
    instants = [FIRST + i * MINUTE for i in range(300)]
    years = [TypicalYear(seed) for seed in (3, 3, 4)]
    first, again, other = [[year.sky(at) for at in instants] for year in years]
    assert first == again
    assert first != other
