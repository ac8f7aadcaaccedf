"""The routes of the page, and what every writing one asks for first.

A POST is taken from a session of ours, with the token that this session's forms carry, from our own origin, not too often:
anything else is refused before it is looked at. Looking never writes.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager, suppress

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from sensord.edges.page import answering, looking, visiting, weekly
from sensord.edges.page.look import House
from sensord.edges.page.office import Office
from sensord.edges.page.paper import HERE
from sensord.edges.page.shield import Shield, TooLarge, hosts_of
from sensord.ports import Transient

log = logging.getLogger("sensord.page")


def application(house: House) -> tuple[Shield, Office]:
    """The page as an ASGI application."""
    office = Office(house)

    @asynccontextmanager
    async def life(_: Starlette) -> AsyncIterator[None]:
        office.loop = asyncio.get_running_loop()
        watcher = asyncio.create_task(office.hub.watch())
        with suppress(Transient, ValueError, OSError):
            await office.run(office.paper.warm)
        yield
        office.hub.stopping.set()
        await watcher
        office.lookbacks.close()
        office.threads.shutdown(wait=True, cancel_futures=True)
        office.look.close()

    app = Starlette(
        routes=[*_routes(office), Mount("/static", StaticFiles(directory=HERE / "static"), name="static")],
        lifespan=life,
        exception_handlers={
            HTTPException: _told(office),
            Transient: _busy(office),
            TooLarge: _too_large(office),
            Exception: _defect(office),
        },
    )
    app.state.office = office
    return Shield(app, hosts_of(house.settings.page), numbers_allowed=not house.settings.page.is_local), office


Handler = Callable[[Request], Awaitable[Response]]


def _routes(office: Office) -> list[Route]:
    def route(path: str, work: Callable[[Office, Request], Awaitable[Response]], *methods: str) -> Route:
        async def endpoint(request: Request) -> Response:
            return await work(office, request)

        return Route(path, endpoint, methods=list(methods) or ["GET"], name=work.__name__)

    return [
        route("/", looking.now),
        route("/live", looking.live),
        route("/curves", looking.curves),
        route("/curves.json", looking.curves_data),
        route("/book", looking.book),
        route("/week", weekly.week),
        route("/week.css", weekly.week_css),
        route("/say", answering.say, "POST"),
        route("/units", visiting.units, "POST"),
        route("/login", visiting.login_form),
        route("/login", visiting.login, "POST"),
        route("/logout", visiting.logout, "POST"),
        route("/share", visiting.share_form),
        route("/share", visiting.share, "POST"),
        route("/view/{token}", visiting.view),
        route("/a/{token}", answering.link_form),
        route("/a/{token}", answering.link, "POST"),
    ]


def _told(office: Office) -> Callable[[Request, Exception], Awaitable[Response]]:
    async def handler(request: Request, error: Exception) -> Response:
        assert isinstance(error, HTTPException)
        words = {404: "There is no such page here.", 405: "That can't be done here."}
        return office.paper.message(request, error.status_code, words.get(error.status_code, str(error.detail)))

    return handler


def _busy(office: Office) -> Callable[[Request, Exception], Awaitable[Response]]:
    async def handler(request: Request, error: Exception) -> Response:
        log.warning("the page had to say no: %s", error)
        return office.paper.message(request, 503, "Not now: the store is busy or full. Try again in a minute.")

    return handler


def _too_large(office: Office) -> Callable[[Request, Exception], Awaitable[Response]]:
    async def handler(request: Request, error: Exception) -> Response:
        return office.paper.message(request, 413, "That is too much at once.")

    return handler


def _defect(office: Office) -> Callable[[Request, Exception], Awaitable[Response]]:
    async def handler(request: Request, error: Exception) -> Response:
        return office.paper.message(request, 500, "Something is wrong with the page itself; the log says more.")

    return handler
