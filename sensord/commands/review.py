"""`sensord review`: a week, or the season, looked back on; as text, HTML, picture, JSON or CSV."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from sensord.commands._house import DEFAULT_CONFIG, ConfigOption, JsonOption, SecretsOption, SiteOption
from sensord.language.terminal import say

if TYPE_CHECKING:
    from datetime import datetime

    from sensord.adapters.influx_reads import InfluxStore
    from sensord.adapters.sqlite import SqliteReader
    from sensord.commands._house import OneGarden
    from sensord.language import Measure
    from sensord.review import Review, Span


def command(
    week: Annotated[str, typer.Option(help=say("commands.review.option.week"))] = "",
    season: Annotated[bool, typer.Option("--season", help=say("commands.review.option.season"))] = False,
    html: Annotated[Path | None, typer.Option(help=say("commands.review.option.html"))] = None,
    png: Annotated[Path | None, typer.Option(help=say("commands.review.option.png"))] = None,
    csv: Annotated[Path | None, typer.Option(help=say("commands.review.option.csv"))] = None,
    store: Annotated[Path | None, typer.Option(help=say("commands.review.option.store"))] = None,
    shipped: Annotated[bool, typer.Option("--shipped", help=say("commands.review.option.shipped"))] = False,
    config: ConfigOption = DEFAULT_CONFIG,
    secrets: SecretsOption = None,
    site: SiteOption = "",
    json: JsonOption = False,
) -> None:
    """Look back on a week, or with --season on the season: heat, offsets, humidity, development, what stood, what is missing.

    Ends with 1 where heat lasted, or more than a tenth of an enclosure's time is missing.
    """
    from datetime import UTC, datetime

    from sensord.commands import _build, _house, _outputs
    from sensord.config import Mistakes

    built = _house.garden_in(config, secrets, site)
    configured = _build.store_path(built.settings.store, config)
    kept = [config, built.file, *_outputs.of_stores(configured, store)]
    if unwritable := list(_no_place({"--html": html, "--png": png, "--csv": csv}, kept)):
        raise Mistakes(unwritable)
    now = datetime.now(UTC)
    try:
        span = _span(built, week, season, now)
        with _progress(quiet=json) as show:
            review = _look(built, None if shipped else store or configured, span, now, show)
            show("writing", 0.95)
            _write(review, built, html, png, csv)
    except OSError as error:
        raise Mistakes([f"{error.filename or say('commands.review.not_written')}: {error.strerror or error}"]) from None
    except ValueError as error:
        raise Mistakes(str(error).splitlines()) from None
    if json:
        from sensord.report import export

        typer.echo(export.as_json(review, _measure(review, built)))
    elif not (html or png or csv):
        _tell(review, _measure(review, built))
    raise typer.Exit(1 if review.found else 0)


def _no_place(wanted: Mapping[str, Path | None], kept: Sequence[Path]) -> Iterator[str]:
    """Why files can't be made, before a long computation: the path of each option, and what must stay as it is."""
    from sensord.commands._outputs import is_one_of, no_place

    before: list[Path] = []
    for option, path in wanted.items():
        if path is None:
            continue
        if wrong := no_place(option, path):
            yield wrong
        elif is_one_of(path, kept):
            yield say("commands.review.itself", option=option, path=str(path))
        elif is_one_of(path, before):
            yield say("commands.review.twice", option=option, path=str(path))
        before.append(path)


def _span(built: OneGarden, week: str, season: bool, now: datetime) -> Span:
    """What is looked back on; ValueError where there is no such span."""
    from datetime import timedelta

    from sensord.review import lookback, weeks

    zone = built.settings.zone
    today = now.astimezone(zone).date()
    chosen = weeks.week(week or weeks.week_label(today - timedelta(days=1)), zone)
    if not season:
        return chosen
    last = min(chosen.last, today) if week else today
    return weeks.season(lookback.season_start(built.garden, built.settings.review.season_start, last), last, zone)


def _look(built: OneGarden, path: Path | None, span: Span, now: datetime, show: Callable[[str, float], None]) -> Review:
    from sensord.ports import Transient
    from sensord.review import lookback

    since = lookback.season_start(built.garden, built.settings.review.season_start, span.last)
    store = _store(built, path)
    try:
        return lookback.look_back(store.of(built.garden.site.name), built.garden, span, since, now, show)
    except Transient as trouble:
        raise ValueError(str(trouble)) from None
    finally:
        store.close()


def _store(built: OneGarden, path: Path | None) -> SqliteReader | InfluxStore:
    """The store of that path; without one, what was shipped."""
    if path is not None:
        from sensord.adapters.sqlite import SqliteStore

        return SqliteStore.reader(path)
    if not built.settings.influx.url:
        raise ValueError(say("commands.review.nothing_shipped"))
    try:
        from sensord.adapters.influx_reads import InfluxStore

        return InfluxStore(built.settings.influx)
    except ModuleNotFoundError:
        raise ValueError(say("commands.review.no_library")) from None


def _write(review: Review, built: OneGarden, html: Path | None, png: Path | None, csv: Path | None) -> None:
    from sensord.report import export, sheet

    measure = _measure(review, built)
    if html is not None:
        html.write_text(sheet.html(review, measure), encoding="utf-8")
    if csv is not None:
        csv.write_text(export.as_csv(review), encoding="utf-8", newline="")
    if png is not None:
        from sensord.report import charts

        try:
            charts.draw(review, png, measure)
        except ImportError as error:
            raise ValueError(say("commands.review.no_picture", why=str(error))) from None


def _measure(review: Review, built: OneGarden) -> Measure:
    """How the keeper wants it written."""
    from sensord.language import Measure

    return Measure(built.texts, built.settings.keeper.units, review.span.zone)


def _tell(review: Review, measure: Measure) -> None:
    """The sentences, and a line for each enclosure."""
    from rich.console import Console
    from rich.table import Table

    from sensord.review.words import headline, sentences

    console = Console(highlight=False)
    console.print(f"{review.title}. {headline(review, measure)}", style="bold", markup=False)
    for sentence in sentences(review, measure):
        console.print(sentence, markup=False)
    table = Table(
        "", "from", "hours", f"{measure.degree}·h above", "highest", "swing", "degree-days", "missing", box=None
    )
    for cage in review.cages:
        total, tier = cage.total, cage.limits.tiers[cage.limit]
        table.add_row(
            cage.title,
            measure.level(tier.temperature_c),
            f"{total.above_h[cage.limit]:.1f} h",
            f"{measure.span(total.degree_hours[cage.limit]):.1f}",
            "–"
            if total.high is None
            else f"{measure.temperature(total.high.value_c)}, {measure.moment(total.high.at)}",
            "–" if total.swing_k is None else measure.difference(total.swing_k, 0),
            "–" if total.degree_days is None else f"{measure.span(total.degree_days):.0f}",
            f"{total.missing_h:.1f} h",
        )
    console.print(table)


@contextmanager
def _progress(quiet: bool) -> Iterator[Callable[[str, float], None]]:
    """How far it is, where somebody looks."""
    if quiet or not sys.stderr.isatty():
        yield lambda what, share: None
        return
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True) as progress:
        task = progress.add_task(say("commands.review.looking_back"), total=1.0)

        def show(what: str, share: float) -> None:
            progress.update(task, completed=share, description=what)

        yield show
