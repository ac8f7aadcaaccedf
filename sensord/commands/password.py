"""`sensord password`: the hash of a password for the page."""

from __future__ import annotations

import typer

SHORTEST = 8


def command() -> None:
    """Ask for a password and print its hash, for the secret page__password_hash.

    Where no terminal asks for it, it is the first line of the standard input.
    """
    import sys

    from sensord.config import Mistakes

    try:
        from sensord.edges.page.guard import hash_of
    except ImportError as error:
        raise Mistakes([f"{error.name} is not installed; pip install 'sensord[page]'"]) from None
    if sys.stdin.isatty():
        password = typer.prompt("Password for the page", hide_input=True, confirmation_prompt=True, err=True)
    else:
        password = sys.stdin.readline().rstrip("\r\n")
    if len(password) < SHORTEST:
        raise Mistakes([f"the password: at least {SHORTEST} characters; several words in a row are easy to remember"])
    typer.echo(hash_of(password))
