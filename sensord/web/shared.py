"""What all routes of one garden share."""

from __future__ import annotations

import asyncio
import secrets
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any

from sensord.web.curves import Curves
from sensord.web.door import Door
from sensord.web.forms import EntryDesk
from sensord.web.links import Links
from sensord.web.live import Hub, ReaderKind, Regions
from sensord.web.rendering import GardenSheets
from sensord.web.reviews import LookBacks
from sensord.web.snapshot import PageNeeds, StoreLook

THREADS = 2


class GardenPage:
    """What all routes of one garden share; the door is that of the whole page."""

    def __init__(self, house: PageNeeds, door: Door) -> None:
        page = house.settings.page
        self.house, self.look, self.door = house, StoreLook(house), door
        self.site, self.root, self.usual_units = house.garden.site.name, house.root, house.settings.keeper.units
        self.sheets = GardenSheets(house, self.look)
        self.curves = Curves(house, self.look)
        self.lookbacks = LookBacks(house, self.look)
        self.threads = ThreadPoolExecutor(THREADS, thread_name_prefix="page-look")
        self.desk = EntryDesk(house, self.look, self.threads)
        secret = page.secret.get_secret_value() or secrets.token_urlsafe(32)
        self.links = Links(page.base_url, secret, page.link_hours, house.root)
        self.hub = Hub(self._regions, self.look.version, self.threads)
        self.loop: asyncio.AbstractEventLoop | None = None

    def _regions(self, kinds: frozenset[ReaderKind]) -> dict[ReaderKind, Regions]:
        snapshot = self.sheets.snapshot()
        return {kind: self.sheets.regions(snapshot, kind) for kind in kinds}

    def look_again(self) -> None:
        """Something was written: nobody is shown what was known before."""
        self.sheets.look_again()
        self.curves.look_again()

    def stop(self) -> None:
        """From any thread: let all open pages go."""
        if self.loop is not None and not self.loop.is_closed():
            self.loop.call_soon_threadsafe(self.hub.stopping.set)

    async def run(self, work: Callable[..., Any], *arguments: Any) -> Any:
        """Something that reads the store, off the loop."""
        return await asyncio.get_running_loop().run_in_executor(self.threads, work, *arguments)
