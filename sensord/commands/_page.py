"""The page beside the loops, and the links to it in messages, where they are configured."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from sensord.config import GardenFound, Mistakes
from sensord.language.terminal import say
from sensord.model import EPOCH

if TYPE_CHECKING:
    from sensord.commands._house import OneGarden
    from sensord.loop import Loop
    from sensord.model import Message
    from sensord.ports import Clock
    from sensord.web.server import PageServer
    from sensord.web.snapshot import PageNeeds


class Shown(Protocol):
    """A garden, and what the page needs of its loop."""

    @property
    def built(self) -> OneGarden:
        """Its configuration."""

    @property
    def clock(self) -> Clock:
        """Its clock."""

    def heartbeat(self) -> datetime:
        """Until when the loop has taken in and judged everything."""

    def running_since(self) -> datetime:
        """When the loop began."""

    def connected(self) -> tuple[bool, datetime | None]:
        """Whether its broker is there, and since when not."""

    def put(self, topic: str, payload: bytes) -> None:
        """Hand in what was said on the page; Transient where it can't be taken at the moment."""


@dataclass(frozen=True, slots=True)
class Alone:
    """A garden with one loop."""

    built: OneGarden
    clock: Clock
    loop: Loop
    connected: Callable[[], tuple[bool, datetime | None]]
    put: Callable[[str, bytes], None]

    def heartbeat(self) -> datetime:
        """Until when the loop has taken in and judged everything."""
        return self.loop.heartbeat

    def running_since(self) -> datetime:
        """When the loop began."""
        return self.loop.state.started_at or EPOCH


def root_of(built: OneGarden, is_shared: bool) -> str:
    """Below which address a garden's pages stand: its own where there may be several."""
    return f"/garden/{built.name}" if is_shared else ""


def links(built: OneGarden, is_shared: bool = False) -> Callable[[Message], str] | None:
    """What makes the link by which a message is answered; None where the page can't be reached from a phone."""
    page = built.settings.page
    if not page.enabled or not page.base_url:
        return None
    try:
        from sensord.web.links import Links
    except ImportError as error:
        raise Mistakes([say("commands.page_not_installed", what=str(error.name))]) from None
    root = root_of(built, is_shared)
    return Links(page.base_url, page.secret.get_secret_value(), page.link_hours, root).address_of


def serve(
    path: Path, gardens: Sequence[Shown], unsound: Sequence[GardenFound] = (), is_shared: bool = False
) -> PageServer | None:
    """The page on its own thread, until it is closed; None where it is switched off.

    Raises:
        Mistakes: it is switched on, but not installed, or its address is taken.
    """
    if not gardens[0].built.settings.page.enabled:
        return None
    from sensord.ports import Transient

    try:
        from sensord.web.gardens import Unwatched
        from sensord.web.server import PageServer
    except ImportError as error:
        raise Mistakes([say("commands.page_not_installed", what=str(error.name))]) from None
    houses = [_house(shown, path, root_of(shown.built, is_shared)) for shown in gardens]
    try:
        return PageServer(*houses, unwatched=[Unwatched(garden.name, len(garden.mistakes)) for garden in unsound])
    except Transient as trouble:
        raise Mistakes([str(trouble)]) from None


def _house(shown: Shown, path: Path, root: str) -> PageNeeds:
    from sensord.web.snapshot import PageNeeds

    return PageNeeds(
        settings=shown.built.settings,
        garden=shown.built.garden,
        texts=shown.built.texts,
        store=path,
        now=shown.clock.now,
        known_at=shown.heartbeat,
        connected=shown.connected,
        put=shown.put,
        running_since=shown.running_since,
        root=root,
    )
