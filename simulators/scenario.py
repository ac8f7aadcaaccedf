"""The gardens that can be played: the three days of the demonstration, and the summer of a typical year.

`larkfield` is a made-up place in invented weather: a hot day, a day with a thunderstorm at dusk, a day on which a probe
fails; then whatever the seed draws. `typical` has the same enclosures and probes under measured weather (typical_year).
"""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from sensord.config import Settings, load
from simulators.enclosures import AFTERNOON, ALL_DAY, MORNING
from simulators.faults import USUAL, Fault, Faults, Mishap
from simulators.garden import Garden
from simulators.keeper import Keeper
from simulators.storm import Storm
from simulators.weather import DayPlan, InventedWeather

HERE = Path(__file__).parent
FIRST_DAY = date(2026, 8, 20)
EXPOSURES = {"alder": MORNING, "birch": AFTERNOON, "cedar": ALL_DAY}
NAMES = ("larkfield", "typical")

THREE_DAYS = (
    DayPlan(19.0, 33.6, 17.5, 0.16, 1.7, 1.0),
    DayPlan(
        20.5,
        33.0,
        20.5,
        0.30,
        2.2,
        -4.0,
        storm_after_noon_h=5.9,  # about an hour before sunset
        storm=Storm(
            datetime(2026, 8, 21, tzinfo=UTC), fall_hpa=3.6, jump_hpa=1.3, gust_m_s=16.0, drop_c=5.5, rain_mm_h=26
        ),
    ),
    DayPlan(15.5, 27.5, 13.0, 0.30, 2.2, 4.0),
)
"""Hot; a thunderstorm at dusk; cooler, and a probe fails."""

PROBE_FAILS = Mishap("birch-1", Fault.FAILURE, datetime(2026, 8, 22, 15, 20, tzinfo=UTC))


def configuration(name: str) -> Settings:
    """The configuration of a scenario, by itself: no environment variable and no secrets file reaches it."""
    return load(HERE / f"{name}.toml", parameters={}, environment={})


def midnight(day: date, settings: Settings) -> datetime:
    """The beginning of a local day, in UTC."""
    return datetime.combine(day, time(), ZoneInfo(settings.site.time_zone)).astimezone(UTC)


def larkfield(
    seed: int, start: datetime | None = None, faults: Faults = USUAL, settings: Settings | None = None
) -> Garden:
    """The demonstration garden, from its first midnight on."""
    settings = settings or configuration("larkfield")
    weather = InventedWeather(seed, settings.place_on_earth, FIRST_DAY, THREE_DAYS)
    start = start or midnight(FIRST_DAY, settings)
    return Garden(seed, start, weather, settings, faults, (PROBE_FAILS,), EXPOSURES, keeper=keeper(seed, settings))


def keeper(seed: int, settings: Settings, delay: timedelta = timedelta(minutes=12), forgets: float = 0.1) -> Keeper:
    """The keeper of a scenario."""
    return Keeper(seed, settings.broker.entry_topic, settings.site.time_zone, delay, forgets, settings.keeper.brick_kg)


def typical(
    seed: int, start: datetime | None = None, faults: Faults = USUAL, settings: Settings | None = None
) -> Garden:
    """The summer of a typical year, from 1 June on; ImportError where pvlib, whose weather file it reads, is missing."""
    from simulators.typical_year import TypicalYear

    settings = settings or configuration("typical")
    start = start or midnight(date(2026, 6, 1), settings)
    weather = TypicalYear(seed, start.year)
    return Garden(seed, start, weather, settings, faults, (), EXPOSURES, keeper=keeper(seed, settings))
