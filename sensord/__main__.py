"""The command line. Each command is one file in `commands`; what a command needs is imported when it is called."""

from __future__ import annotations

import importlib
import sys
from importlib.metadata import version
from typing import Annotated

import typer

COMMANDS = ("demo", "run", "check", "answer", "replay", "anchor", "review", "season", "password", "backup", "restore")

app = typer.Typer(
    name="sensord",
    help="Watches outdoor rearing enclosures and tells the keeper what to do, by when, and why.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,  # a unit such as [s] is no markup
    pretty_exceptions_enable=False,
)


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"sensord {version('sensord')}")
        raise typer.Exit


@app.callback()
def _options(
    show_version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Say which version this is.")
    ] = False,
) -> None:
    """Watches outdoor rearing enclosures and tells the keeper what to do, by when, and why."""


for _name in COMMANDS:
    app.command(_name)(importlib.import_module(f"sensord.commands.{_name}").command)


def main() -> None:
    """Run the command line; a wrong use or configuration ends with 2, an interruption with 130."""
    from sensord.config import Mistakes

    try:
        app()
    except Mistakes as mistakes:
        sys.stderr.write("\n".join(mistakes.lines) + "\n")
        sys.exit(2)
    except KeyboardInterrupt:
        sys.exit(130)


if __name__ == "__main__":
    main()
