"""The command line. Each command is one file in `commands`; what a command needs is imported when it is called."""

from __future__ import annotations

import importlib
import os
import sys
from importlib.metadata import version
from typing import Annotated

import typer

from sensord.language.sentences import tongue_of
from sensord.language.terminal import language_of, say, speak

COMMANDS = ("demo", "run", "check", "answer", "replay", "anchor", "review", "season", "password", "backup", "restore")

speak(tongue_of(language_of(os.environ)))  # before the commands, whose help is said as they are imported
app = typer.Typer(
    name="sensord",
    help=say("commands.help"),
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,  # a unit such as [s] is no markup
    pretty_exceptions_enable=False,
)


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"sensord {version('sensord')}")
        raise typer.Exit


@app.callback(help=say("commands.help"))
def _options(
    show_version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help=say("commands.option.version"))
    ] = False,
) -> None:
    """What is asked of no command."""


for _name in COMMANDS:
    app.command(_name, help=say(f"commands.{_name}.help"))(importlib.import_module(f"sensord.commands.{_name}").command)


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
