"""Shared by all tests: the garden's configuration as a file, a real broker, a real receiver of pushes."""

from __future__ import annotations

import os
import shutil
import threading
from collections import Counter
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import HealthCheck, Phase, settings

from tests.adapters.broker import Mosquitto
from tests.between_workers import shared_by_workers

if TYPE_CHECKING:
    from playwright.sync_api import Browser

# Property tests measure truth, not time: the machine may be slow or busy.
settings.register_profile("truth", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.register_profile("brief", settings.get_profile("truth"), max_examples=25, derandomize=True, database=None)
FIRST = tuple(phase for phase in Phase if phase is not Phase.shrink)
settings.register_profile("first", settings.get_profile("brief"), phases=FIRST)  # the first failure is enough
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "truth"))

LEFT_OUT_OF_QUICK = {
    "adapters",
    "bench",
    "browser",
    "commands",
    "deploy",
    "report",
    "simulators",
    "web",
}
"""Folders whose tests need a server, a browser or a package of Debian, or take long; the rest is core, engine, language."""
NEEDS_THE_WORLD = {"mosquitto", "receiver"}
_left_out = pytest.StashKey[Counter[str]]()
_run = pytest.StashKey[str]()


def pytest_addoption(parser: pytest.Parser) -> None:
    """`--quick`: an answer in a minute, and what it left out."""
    parser.addoption("--quick", action="store_true", help="only core, engine and language: no browser, no servers")


def pytest_configure(config: pytest.Config) -> None:
    """Nothing is left out yet."""
    config.stash[_left_out] = Counter()


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """The longest first, so that no worker ends alone; leave out what is not quick, and remember how much it was."""
    items.sort(key=lambda item: item.get_closest_marker("slow") is None)
    if not config.getoption("--quick"):
        return
    chosen, left_out = [], []
    for item in items:
        folder = item.path.relative_to(Path(__file__).parent).parts[0]
        slow = item.get_closest_marker("slow") is not None
        world = bool(NEEDS_THE_WORLD & set(getattr(item, "fixturenames", ())))
        why = folder if folder in LEFT_OUT_OF_QUICK else "slow" if slow else "with servers" if world else ""
        (left_out if why else chosen).append(item)
        config.stash[_left_out].update([why] if why else [])
    items[:] = chosen
    config.hook.pytest_deselected(items=left_out)


def pytest_unconfigure(config: pytest.Config) -> None:
    """The controller takes away what the workers have made once for all of them."""
    run = config.stash.get(_run, "")
    if run:
        shutil.rmtree(shared_by_workers(run), ignore_errors=True)


def pytest_sessionfinish(session: pytest.Session) -> None:
    """A worker of xdist tells the controller."""
    output = getattr(session.config, "workeroutput", None)
    if output is not None:
        output["left out"] = dict(session.config.stash[_left_out])


@pytest.hookimpl(optionalhook=True)
def pytest_testnodedown(node: Any) -> None:
    """The controller of xdist hears what a worker left out; all of them leave out the same."""
    node.config.stash[_run] = node.workerinput["testrunuid"]
    node.config.stash[_left_out] |= Counter(getattr(node, "workeroutput", {}).get("left out", {}))


def pytest_terminal_summary(terminalreporter: Any, config: pytest.Config) -> None:
    """What this answer does not speak of."""
    left_out = config.stash[_left_out]
    if left_out:
        words = ", ".join(f"{count} {what}" for what, count in left_out.most_common())
        examples = settings().max_examples
        terminalreporter.write_line(
            f"left out: {words}; {examples} random examples each; `sh tests/run` is the whole truth"
        )


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


CHROMIUM = "/usr/bin/chromium"
FLAGS = [
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
]  # fmt: skip


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """One Chromium for all: a second one beside it can't be driven from the same process."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        found = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield found
        found.close()
