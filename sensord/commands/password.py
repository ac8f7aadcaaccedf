"""`sensord password`: the hash of a password for the page."""

from __future__ import annotations

import typer

from sensord.language.terminal import say

SHORTEST = 8


def command() -> None:
    """Ask for a password and print its hash, for the secret page__password_hash.

    Where no terminal asks for it, it is the first line of the standard input.
    """
    import sys

    from sensord.config import Mistakes

    try:
        from sensord.web.guard import LONGEST_SECRET, hash_of
    except ImportError as error:
        raise Mistakes([say("commands.password.not_installed", what=str(error.name))]) from None
    if sys.stdin.isatty():
        password = typer.prompt(say("commands.password.ask"), hide_input=True, confirmation_prompt=True, err=True)
    else:
        password = sys.stdin.readline().rstrip("\r\n")
    if len(password) < SHORTEST:
        raise Mistakes([say("commands.password.too_short", count=SHORTEST)])
    if len(password) > LONGEST_SECRET:
        raise Mistakes([say("commands.password.too_long", count=LONGEST_SECRET)])
    typer.echo(hash_of(password))
