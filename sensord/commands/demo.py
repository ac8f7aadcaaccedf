"""`sensord demo`: the main job on a simulated garden, over real MQTT, three days in about a minute."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

ELSEWHERE = (
    "the demonstration is part of the source of sensord and is not installed with it: "
    "in a checkout of the source, run deploy/demonstrate"
)


class Units(StrEnum):
    """Units of what is shown."""

    METRIC = "metric"
    US = "us"


def command(
    days: Annotated[int, typer.Option(min=1, max=14, help="Garden days.")] = 3,
    seconds: Annotated[float, typer.Option(min=10, help="About how long it takes [s].")] = 66.0,
    seed: Annotated[int, typer.Option(help="Another seed, another garden.")] = 7,
    units: Annotated[Units, typer.Option(help="Units of what is shown.")] = Units.METRIC,
    store: Annotated[Path | None, typer.Option(help="Keep the store here.")] = None,
    page: Annotated[
        bool,
        typer.Option("--page", help="Show the page meanwhile, on this computer; --seconds 900 gives time to look."),
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

    try:
        demonstrate(Wishes(days, seconds, seed, units.value, store, page))
    except (BrokerDidNotStart, NotCarried, NotPublished) as trouble:
        typer.echo(f"the simulated garden stopped: {trouble}", err=True)
        raise typer.Exit(1) from None
