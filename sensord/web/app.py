"""The routes of the page, and what every writing one asks for first.

A POST is taken from a session of ours, with the token that this session's forms carry, from our own origin, not too often:
anything else is refused before it is looked at. Looking never writes.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from contextlib import AsyncExitStack, asynccontextmanager, suppress
from typing import Any, TypeVar

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Mount, Route
from starlette.staticfiles import StaticFiles

from sensord.ports import Transient
from sensord.web import answers, screens, sessions, weekly
from sensord.web.door import Door
from sensord.web.gardens import Lobby, Unwatched, gardens
from sensord.web.rendering import HERE
from sensord.web.sessions import Room
from sensord.web.shared import GardenPage
from sensord.web.shield import Shield, TooLarge, hosts_of
from sensord.web.snapshot import PageNeeds

log = logging.getLogger("sensord.page")


def application(*houses: PageNeeds, unwatched: Sequence[Unwatched] = ()) -> tuple[Shield, list[GardenPage]]:
    """The page as an ASGI application: one garden's, or that of several, each below its own address (`House.root`)."""
    page = houses[0].settings.page
    door = Door(page)
    offices = [GardenPage(house, door) for house in houses]
    lobby = Lobby(door, offices, unwatched) if houses[0].root else None

    @asynccontextmanager
    async def life(_: Starlette) -> AsyncIterator[None]:
        async with AsyncExitStack() as stack:
            for garden_page in offices:
                await stack.enter_async_context(_open(garden_page))
            yield
        if lobby is not None:
            lobby.threads.shutdown(wait=True, cancel_futures=True)

    static = Mount("/static", StaticFiles(directory=HERE / "static"), name="static")
    if lobby is None:
        routes = [*_routes(offices[0]), static]
    else:
        routes = [
            *(Mount(garden_page.root, routes=_routes(garden_page)) for garden_page in offices),
            *_lobby_routes(lobby),
            static,
        ]
    app = Starlette(routes=routes, lifespan=life, exception_handlers=_handlers(lobby or offices[0]))
    say = offices[0].sheets.say
    return Shield(app, hosts_of(page), say, numbers_allowed=not page.is_local), offices


@asynccontextmanager
async def _open(garden_page: GardenPage) -> AsyncIterator[None]:
    """One garden's part, from its first look to its last."""
    garden_page.loop = asyncio.get_running_loop()
    watcher = asyncio.create_task(garden_page.hub.watch())
    with suppress(Transient, ValueError, OSError):
        await garden_page.run(garden_page.sheets.warm)
    yield
    garden_page.hub.stopping.set()
    await watcher
    garden_page.lookbacks.close()
    garden_page.threads.shutdown(wait=True, cancel_futures=True)
    garden_page.look.close()


Where = TypeVar("Where", bound=Room)


def _route(room: Where, path: str, work: Callable[[Where, Request], Awaitable[Response]], *methods: str) -> Route:
    async def endpoint(request: Request) -> Response:
        return await work(room, request)

    return Route(path, endpoint, methods=list(methods) or ["GET"], name=work.__name__)


def _routes(garden_page: GardenPage) -> list[BaseRoute]:
    return [
        _route(garden_page, "/", screens.now),
        _route(garden_page, "/live", screens.live),
        _route(garden_page, "/curves", screens.curves),
        _route(garden_page, "/curves.json", screens.curves_data),
        _route(garden_page, "/book", screens.book),
        _route(garden_page, "/week", weekly.week),
        _route(garden_page, "/week.css", weekly.week_css),
        _route(garden_page, "/say", answers.say, "POST"),
        _route(garden_page, "/units", sessions.units, "POST"),
        *_ways_in(garden_page),
        _route(garden_page, "/share", sessions.share_form),
        _route(garden_page, "/share", sessions.share, "POST"),
        _route(garden_page, "/view/{token}", sessions.view),
        _route(garden_page, "/a/{token}", answers.link_form),
        _route(garden_page, "/a/{token}", answers.link, "POST"),
    ]


def _lobby_routes(lobby: Lobby) -> list[BaseRoute]:
    return [_route(lobby, "/", gardens), *_ways_in(lobby)]


def _ways_in(room: Room) -> list[BaseRoute]:
    return [
        _route(room, "/login", sessions.login_form),
        _route(room, "/login", sessions.login, "POST"),
        _route(room, "/logout", sessions.logout, "POST"),
    ]


def _handlers(room: Room) -> dict[Any, Callable[[Request, Exception], Awaitable[Response]]]:
    return {
        HTTPException: _told(room),
        Transient: _busy(room),
        TooLarge: _too_large(room),
        Exception: _defect(room),
    }


def _told(room: Room) -> Callable[[Request, Exception], Awaitable[Response]]:
    async def handler(request: Request, error: Exception) -> Response:
        assert isinstance(error, HTTPException)
        key = "no.no_page" if error.status_code == 404 else "no.not_so"
        return room.sheets.message(request, error.status_code, key)

    return handler


def _busy(room: Room) -> Callable[[Request, Exception], Awaitable[Response]]:
    async def handler(request: Request, error: Exception) -> Response:
        log.warning("the page had to say no: %s", error)
        return room.sheets.message(request, 503, "no.busy")

    return handler


def _too_large(room: Room) -> Callable[[Request, Exception], Awaitable[Response]]:
    async def handler(request: Request, error: Exception) -> Response:
        return room.sheets.message(request, 413, "no.too_much")

    return handler


def _defect(room: Room) -> Callable[[Request, Exception], Awaitable[Response]]:
    async def handler(request: Request, error: Exception) -> Response:
        return room.sheets.message(request, 500, "no.defect")

    return handler
