"""`sensord demo`: the main job on a simulated garden, over real MQTT, three days in about a minute."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from sensord.commands._outputs import no_place
from sensord.language.terminal import say

ELSEWHERE = say("commands.demo.not_installed")


class DemoUnits(StrEnum):
    """Units of what is shown."""

    METRIC = "metric"
    US = "us"


def command(
    days: Annotated[int, typer.Option(min=1, max=14, help=say("commands.demo.option.days"))] = 3,
    seconds: Annotated[float, typer.Option(min=10, help=say("commands.demo.option.seconds"))] = 66.0,
    seed: Annotated[int, typer.Option(help=say("commands.demo.option.seed"))] = 7,
    units: Annotated[DemoUnits, typer.Option(help=say("commands.demo.option.units"))] = DemoUnits.METRIC,
    store: Annotated[Path | None, typer.Option(help=say("commands.demo.option.store"))] = None,
    page: Annotated[
        bool,
        typer.Option("--page", help=say("commands.demo.option.page")),
    ] = False,
) -> None:
    """Watch a made-up garden for three summer days: what the phone would show, as it happens."""
    from sensord.config import Mistakes

    try:
        import simulators  # noqa: F401  # only to see whether it is there
    except ModuleNotFoundError:
        raise Mistakes([ELSEWHERE]) from None
    from simulators.broker import BrokerDidNotStart
    from simulators.brokered import NotCarried
    from simulators.demonstration import Wishes, demonstrate
    from simulators.publish import NotPublished

    if wrong := no_place("--store", store):
        raise Mistakes([wrong])
    try:
        demonstrate(Wishes(days, seconds, seed, units.value, store, page))
    except (BrokerDidNotStart, NotCarried, NotPublished) as trouble:
        typer.echo(say("commands.demo.stopped", why=str(trouble)), err=True)
        raise typer.Exit(1) from None
