"""The page beside the loop, and the links to it in messages, where they are configured."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from sensord.config import Mistakes

if TYPE_CHECKING:
    from sensord.commands._build import OneGarden
    from sensord.edges.page.server import PageServer
    from sensord.loop import Loop
    from sensord.model import Message
    from sensord.ports import Clock

MISSING = "page: what serves it is not installed ({}); pip install 'sensord[page]'"


class Told(Protocol):
    """What the page tells the loop through, and asks whether the broker is there."""

    def connected(self) -> tuple[bool, datetime | None]:
        """Whether it is, and since when not."""

    def put_local(self, topic: str, payload: bytes) -> None:
        """Hand in what a keeper said."""


def links(built: OneGarden) -> Callable[[Message], str] | None:
    """What makes the link by which a message is answered; None where the page can't be reached from a phone."""
    page = built.settings.page
    if not page.enabled or not page.base_url:
        return None
    try:
        from sensord.edges.page.links import Links
    except ImportError as error:
        raise Mistakes([MISSING.format(error.name)]) from None
    return Links(page.base_url, page.secret.get_secret_value(), page.link_hours).address_of


def serve(built: OneGarden, path: Path, clock: Clock, loop: Loop, inbox: Told) -> PageServer | None:
    """The page on its own thread, until it is closed; None where it is switched off.

    Raises:
        Mistakes: it is switched on, but not installed, or its address is taken.
    """
    if not built.settings.page.enabled:
        return None
    from sensord.model import EPOCH
    from sensord.ports import Transient

    try:
        from sensord.edges.page.look import House as Home
        from sensord.edges.page.server import PageServer
    except ImportError as error:
        raise Mistakes([MISSING.format(error.name)]) from None
    home = Home(
        settings=built.settings,
        garden=built.garden,
        texts=built.texts,
        store=path,
        now=clock.now,
        known_at=lambda: loop.heartbeat,
        connected=inbox.connected,
        put=inbox.put_local,
        running_since=lambda: loop.state.started_at or EPOCH,
    )
    try:
        return PageServer(home)
    except Transient as trouble:
        raise Mistakes([str(trouble)]) from None
