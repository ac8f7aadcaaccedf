"""`sensord season`: from when found eggs belong outdoors, when the migration passes, and how the days shorten."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any, NamedTuple

import typer

from sensord.commands._figures import measure
from sensord.commands._house import DEFAULT_CONFIG, ConfigOption, JsonOption, SecretsOption, SiteOption
from sensord.language import Measure
from sensord.language.terminal import say
from sensord.model import Severity
from sensord.science import season
from sensord.science.season import MigrationWindow, OutdoorStart
from sensord.science.sun import day_length_hours, noon_elevation_deg
from sensord.species import Species

CHART_STEP = timedelta(days=10)


class SeasonUnits(StrEnum):
    """Units of the mean temperature, in and out."""

    METRIC = "metric"
    US = "us"


class ChartDay(NamedTuple):
    """One row of the chart."""

    day: date
    day_length_hours: float
    change_minutes: float
    noon_elevation_deg: float


class Season(NamedTuple):
    """All that is said of one place and year."""

    latitude_deg: float
    longitude_deg: float
    year: int
    development_days: float
    window: MigrationWindow | None
    start: OutdoorStart | None
    reason: str
    days: list[ChartDay]


def command(
    latitude: Annotated[
        float | None, typer.Option(min=-90, max=90, help=say("commands.season.option.latitude"))
    ] = None,
    longitude: Annotated[
        float | None, typer.Option(min=-180, max=180, help=say("commands.season.option.longitude"))
    ] = None,
    config: ConfigOption = DEFAULT_CONFIG,
    secrets: SecretsOption = None,
    site: SiteOption = "",
    year: Annotated[int | None, typer.Option(min=1900, max=2200, help=say("commands.season.option.year"))] = None,
    development_days: Annotated[
        float | None, typer.Option(min=10, max=120, help=say("commands.season.option.development_days"))
    ] = None,
    mean_temperature: Annotated[float | None, typer.Option(help=say("commands.season.option.mean_temperature"))] = None,
    species: Annotated[str, typer.Option(help=say("commands.season.option.species"))] = "monarch",
    units: Annotated[SeasonUnits, typer.Option(help=say("commands.season.option.units"))] = SeasonUnits.METRIC,
    json: JsonOption = False,
) -> None:
    """Say from when found eggs belong outdoors, when the migration passes, and how the days shorten.

    Without coordinates the place is the one of the configuration. Ends with 1 where the migration window is not known.
    """
    place = _place(latitude, longitude, config, secrets, site)
    if development_days is not None and mean_temperature is not None:
        raise typer.BadParameter(say("commands.season.not_both"))
    profile = _profile(species)
    days = season.DEVELOPMENT_DAYS if development_days is None else development_days
    if mean_temperature is not None:
        us = units is SeasonUnits.US
        days = _days_at((mean_temperature - 32.0) / 1.8 if us else mean_temperature, profile, measure(units))
    found = _season(*place, year or datetime.now(UTC).year, days)
    if json:
        _print_json(found)
    else:
        _print_text(found, measure(units))
    raise typer.Exit(0 if found.window else 1)


def _place(
    latitude: float | None, longitude: float | None, config: Path, secrets: Path | None, site: str
) -> tuple[float, float]:
    """The coordinates given, or those of the configuration."""
    if latitude is not None and longitude is not None:
        return latitude, longitude
    if latitude is not None or longitude is not None:
        raise typer.BadParameter(say("commands.season.both"))
    from sensord.commands import _house

    place = _house.garden_in(config, secrets, site).garden.site
    return place.latitude_deg, place.longitude_deg


def _profile(name: str) -> Species:
    """The species of that name; wrong use where there is none."""
    from sensord import species

    try:
        return species.load(name)
    except ValueError as error:
        raise typer.BadParameter(str(error), param_hint="--species") from error


def _days_at(mean_temperature_c: float, profile: Species, by: Measure) -> float:
    """Egg to adult of a species at a mean temperature that it can live in."""
    from sensord.science.development import days_at

    low_c = profile.lower_threshold_c
    high_c = min(t.temperature_c for t in profile.heat_tiers if t.severity >= min(Severity.MODERATE, _worst(profile)))
    if not low_c < mean_temperature_c < high_c:
        shown = [by.temperature(c, 0 if by.us else 1) for c in (mean_temperature_c, low_c, high_c)]
        taken = say("commands.season.read_as_f") if by.us else say("commands.season.read_as_c")
        raise typer.BadParameter(
            say(
                "commands.season.no_life", species=profile.name, mean=shown[0], read=taken, low=shown[1], high=shown[2]
            ),
            param_hint="--mean-temperature",
        )
    upper_c = profile.upper_threshold_c
    passages = profile.plan().passages
    days = sum(days_at(mean_temperature_c, part.degree_days, part.lower_c, upper_c) for part in passages)
    if not 10.0 <= days <= 120.0:
        raise typer.BadParameter(
            say("commands.season.no_sense", mean=by.temperature(mean_temperature_c), days=by.number(days, 0)),
            param_hint="--mean-temperature",
        )
    return days


def _worst(profile: Species) -> Severity:
    return max(tier.severity for tier in profile.heat_tiers)


def _season(latitude_deg: float, longitude_deg: float, year: int, development_days: float) -> Season:
    window = season.migration_window(latitude_deg, longitude_deg, year)
    start = season.outdoor_start(window.opens, development_days) if window else None
    days = []
    day = date(year, 6, 21)
    while day <= date(year, 11, 20):
        length = day_length_hours(latitude_deg, longitude_deg, day)
        change = season.day_length_change_minutes(latitude_deg, longitude_deg, day)
        days.append(ChartDay(day, length, change, noon_elevation_deg(latitude_deg, day)))
        day += CHART_STEP
    reason = season.not_covered(latitude_deg, longitude_deg)
    return Season(latitude_deg, longitude_deg, year, development_days, window, start, reason, days)


def _print_text(found: Season, by: Measure) -> None:
    from rich.console import Console
    from rich.table import Table

    console = Console(highlight=False)
    north, east = found.latitude_deg, found.longitude_deg
    console.print(
        say(
            "commands.season.place",
            latitude=by.degrees(by.plain(abs(north))),
            north=say("commands.season.north" if north >= 0 else "commands.season.south"),
            longitude=by.degrees(by.plain(abs(east))),
            east=say("commands.season.east" if east >= 0 else "commands.season.west"),
            year=str(found.year),
        )
    )
    if found.window and found.start:
        closes = by.day(found.window.closes) if found.window.closes else say("commands.season.never_quite")
        console.print(
            say(
                "commands.season.rear",
                outdoors=by.day(found.start.outdoors_from),
                careful=by.day(found.start.careful_from),
                days=by.number(found.development_days, 0),
            ),
            style="bold",
        )
        console.print(
            say(
                "commands.season.passes",
                opens=by.day(found.window.opens),
                closes=closes,
                middle=by.day(found.window.middle),
            )
        )
    else:
        console.print(say("commands.season.no_date", why=found.reason), style="bold")
    table = Table(
        "",
        say("commands.season.head.noon"),
        say("commands.season.head.length"),
        say("commands.season.head.change"),
        "",
        "",
        box=None,
        pad_edge=False,
    )
    for row in found.days:
        table.add_row(
            by.day(row.day),
            by.degrees(by.number(row.noon_elevation_deg, 0)),
            by.spell(row.day_length_hours),
            by.amount(by.signed(round(row.change_minutes, 1) + 0.0), "min"),
            _bar(row.day_length_hours),
            _phase(row.day, found),
        )
    console.print(table)


def _bar(hours: float) -> str:
    """A day length as a bar of one character an hour, to an eighth."""
    eighths = round(hours * 8)
    return "█" * (eighths // 8) + "▏▎▍▌▋▊▉"[eighths % 8 - 1 : eighths % 8]


def _phase(day: date, found: Season) -> str:
    """What a day means for an egg that is found on it, or for an adult."""
    if found.window is None or found.start is None or (found.window.closes and day >= found.window.closes):
        return ""
    if day >= found.window.opens:
        return say("commands.season.phase.migration")
    if day >= found.start.outdoors_from:
        return say("commands.season.phase.outdoors")
    return say("commands.season.phase.careful") if day >= found.start.careful_from else ""


def _print_json(found: Season) -> None:
    import json

    window, start = found.window, found.start
    answer: dict[str, Any] = {
        "latitude_deg": found.latitude_deg,
        "longitude_deg": found.longitude_deg,
        "year": found.year,
        "development_days": found.development_days,
        "outdoors": start and {"careful_from": start.careful_from, "from": start.outdoors_from},
        "migration": window and window._asdict(),
        "not_covered": found.reason or None,
        "days": [row._asdict() for row in found.days],
    }
    typer.echo(json.dumps(answer, default=date.isoformat, ensure_ascii=False, indent=2))
