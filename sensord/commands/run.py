"""`sensord run`: the daemon."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from sensord.commands._house import DEFAULT_CONFIG, ConfigOption, SecretsOption
from sensord.commands._outputs import no_place
from sensord.language.terminal import say


def command(
    config: ConfigOption = DEFAULT_CONFIG,
    secrets: SecretsOption = None,
    record: Annotated[Path | None, typer.Option(help=say("commands.run.option.record"))] = None,
    verbose: Annotated[bool, typer.Option("--verbose", "-v", help=say("commands.run.option.verbose"))] = False,
) -> None:
    """Watch the garden until told to stop (SIGTERM, Ctrl-C)."""
    import logging

    from sensord.commands import _live
    from sensord.config import Mistakes

    if wrong := no_place("--record", record):
        raise Mistakes([wrong])
    logging.basicConfig(
        level=logging.DEBUG if verbose else logging.INFO,
        format="%(levelname)s %(name)s: %(message)s",
    )
    for library in ("apscheduler", "uvicorn"):  # the latter names its starts after what it names its errors
        logging.getLogger(library).setLevel(logging.WARNING)
    _live.run(config, secrets, record)
