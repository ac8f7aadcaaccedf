"""Shared by all tests: the garden's configuration as a file, a real broker, a real receiver of pushes."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, settings

from tests.edges.broker import Mosquitto

# Property tests measure truth, not time: the machine may be slow or busy.
settings.register_profile("truth", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("truth")


@pytest.fixture
def mosquitto(tmp_path: Path) -> Iterator[Mosquitto]:
    """A real broker with our limits."""
    with Mosquitto(tmp_path / "broker") as broker:
        yield broker


class Receiver:
    """A real HTTP server that takes what the push channel posts; `fails` says with which status it answers."""

    def __init__(self) -> None:
        self.posts: list[dict[str, Any]] = []
        self.status = 200
        self.came = threading.Condition()
        outer = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                import json

                body = self.rfile.read(int(self.headers["Content-Length"]))
                with outer.came:
                    if outer.status == 200:
                        outer.posts.append(json.loads(body))
                    outer.came.notify_all()
                self.send_response(outer.status)
                self.send_header("Content-Length", "0")
                self.end_headers()

            def log_message(self, *_: Any) -> None:
                """Say nothing."""

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.port = self._server.server_address[1]
        threading.Thread(target=self._server.serve_forever, daemon=True).start()

    @property
    def url(self) -> str:
        """As the push channel wants it."""
        return f"json://127.0.0.1:{self.port}/"

    def wait_for(self, count: int, seconds: float) -> bool:
        """Whether so many posts came within so many seconds."""
        with self.came:
            return self.came.wait_for(lambda: len(self.posts) >= count, seconds)

    def close(self) -> None:
        """Stop listening."""
        self._server.shutdown()
        self._server.server_close()


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    """Where pushes arrive."""
    server = Receiver()
    yield server
    server.close()
