"""The list of gardens: the first page of a house that has several."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Any, NamedTuple

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from sensord.ports import Transient
from sensord.web.door import Door
from sensord.web.guard import Role
from sensord.web.rendering import Sheets
from sensord.web.sessions import SESSION, ask_to_log_in, greeted, visit_of
from sensord.web.shared import GardenPage

log = logging.getLogger("sensord.page")


class Unwatched(NamedTuple):
    """A garden whose configuration has mistakes."""

    name: str
    mistakes: int


class Lobby:
    """What the list of gardens needs."""

    def __init__(self, door: Door, offices: Sequence[GardenPage], unwatched: Sequence[Unwatched]) -> None:
        self.door, self.offices, self.unwatched = door, tuple(offices), tuple(unwatched)
        self.site, self.root, self.usual_units = "", "", offices[0].usual_units
        texts = offices[0].house.texts
        self.sheets = Sheets(texts, texts.say("page.nav.gardens"), "", door.guard.is_guarded, has_others=False)
        self.threads = ThreadPoolExecutor(1, thread_name_prefix="page-lobby")

    async def run(self, work: Callable[..., Any], *arguments: Any) -> Any:
        """Something that takes a moment, off the loop."""
        return await asyncio.get_running_loop().run_in_executor(self.threads, work, *arguments)


async def gardens(lobby: Lobby, request: Request) -> Response:
    """Every garden, and how things stand in it; who may look at one alone goes there."""
    session = lobby.door.guard.session_of(request.cookies.get(SESSION))
    if session is not None and session.role is Role.VIEWER:
        own = next((garden_page for garden_page in lobby.offices if garden_page.site == session.site), None)
        if own is not None:
            return RedirectResponse(f"{own.root}/", 303)
    visit = visit_of(lobby, request)
    if not visit.may_look:
        return ask_to_log_in(lobby, request, visit)
    looks = [asyncio.ensure_future(garden_page.run(_stand, garden_page, visit.units)) for garden_page in lobby.offices]
    stands = await asyncio.gather(*looks, return_exceptions=True)
    shown = []
    for garden_page, stand in zip(lobby.offices, stands, strict=True):
        kind, head = _in_trouble(lobby, garden_page, stand) if isinstance(stand, BaseException) else stand
        title = garden_page.house.garden.site.title or garden_page.site
        shown.append({"address": f"{garden_page.root}/", "title": title, "kind": kind, "head": head})
    return greeted(lobby, lobby.sheets.page("gardens", visit, {"gardens": shown, "unwatched": lobby.unwatched}), visit)


def _in_trouble(lobby: Lobby, garden_page: GardenPage, trouble: BaseException) -> tuple[str, str]:
    """What is said of a garden that can't be looked at; a defect in one must not take the others away."""
    if not isinstance(trouble, Exception):
        raise trouble
    if not isinstance(trouble, Transient):
        log.error("a defect while looking at %s for the list of gardens", garden_page.site, exc_info=trouble)
    return "unsure", lobby.sheets.say("page.gardens.trouble")


def _stand(garden_page: GardenPage, units: str) -> tuple[str, str]:
    """What the garden's own page says first."""
    answer: Any = garden_page.sheets.wording(garden_page.sheets.snapshot(), units).page()["answer"]
    return answer["kind"], answer["head"]
