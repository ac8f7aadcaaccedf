"""The page on a thread of its own, beside the loop: started after the store is open, gone within three seconds."""

from __future__ import annotations

import logging
import socket
import threading
from collections.abc import Sequence

import uvicorn

from sensord.ports import Transient
from sensord.web.app import application
from sensord.web.gardens import Unwatched
from sensord.web.snapshot import PageNeeds

log = logging.getLogger("sensord.page")

STOP_S = 3.0
MOST_CONNECTIONS = 100


class PageServer:
    """Serves from the moment it is made until `close`."""

    def __init__(self, *houses: PageNeeds, unwatched: Sequence[Unwatched] = ()) -> None:
        """Raises Transient where the address can't be listened on."""
        page = houses[0].settings.page
        self._socket = _listen(page.host, page.port)
        self.host, self.port = self._socket.getsockname()[:2]
        app, self._offices = application(*houses, unwatched=unwatched)
        config = uvicorn.Config(
            app,
            loop="asyncio",
            http="h11",
            ws="none",
            lifespan="on",
            log_config=None,
            access_log=False,  # addresses carry tokens
            server_header=False,
            proxy_headers=False,
            limit_concurrency=MOST_CONNECTIONS,
            timeout_keep_alive=20,
            timeout_graceful_shutdown=1,
        )
        self._server = uvicorn.Server(config)
        self._thread = threading.Thread(target=self._run, name="page", daemon=True)
        self._thread.start()

    @property
    def address(self) -> str:
        """Where it is."""
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"http://{host}:{self.port}"

    @property
    def pages(self) -> int:
        """How many are open and live."""
        return sum(garden_page.hub.pages for garden_page in self._offices)

    def _run(self) -> None:
        try:
            self._server.run(sockets=[self._socket])
        except Exception:
            log.exception("the page stopped; the watching goes on without it")

    def close(self) -> None:
        """End every open page and the thread."""
        self._server.should_exit = True
        for garden_page in self._offices:
            garden_page.stop()
        self._thread.join(STOP_S)
        if self._thread.is_alive():
            self._server.force_exit = True
            self._thread.join(STOP_S)
        self._socket.close()


def _listen(host: str, port: int) -> socket.socket:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    sock = socket.socket(family, socket.SOCK_STREAM)
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        sock.bind((host, port))
        sock.listen(64)
    except OSError as error:
        sock.close()
        raise Transient(f"page: {host} port {port} can't be listened on: {error.strerror}") from None
    sock.setblocking(False)
    return sock
