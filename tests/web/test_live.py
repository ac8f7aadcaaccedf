"""Live pages over a real server: told what has changed, nothing else; gone within three seconds; memory flat."""

from __future__ import annotations

import http.client
import json
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from sensord.model import Entry, Quantity, Reading, What
from sensord.ports import Commit, Transient
from sensord.web import live
from sensord.web.server import PageServer
from tests.web.homestead import NOW, Homestead


@contextmanager
def served(home: Homestead) -> Iterator[PageServer]:
    """A real server on a free port."""
    page = home.house.settings.page.model_copy(update={"port": free_port(), "host": "127.0.0.1"})
    settings = home.house.settings.model_copy(update={"page": page})
    import dataclasses

    server = PageServer(dataclasses.replace(home.house, settings=settings))
    try:
        yield server
    finally:
        server.close()


def free_port() -> int:
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        return int(sock.getsockname()[1])


class Page(threading.Thread):
    """An open page: reads its stream until it ends."""

    def __init__(self, server: PageServer) -> None:
        super().__init__(daemon=True)
        plain = http.client.HTTPConnection(server.host, server.port, timeout=20)
        plain.request("GET", "/")
        answer = plain.getresponse()
        answer.read()
        self.cookie = (answer.getheader("set-cookie") or "").split(";")[0]
        plain.close()
        self.connection = http.client.HTTPConnection(server.host, server.port, timeout=20)
        self.connection.request("GET", "/live", headers={"Cookie": self.cookie})
        self.events: list[tuple[str, dict[str, Any]]] = []
        self.ended = threading.Event()
        self.start()

    def run(self) -> None:
        answer = None
        try:
            answer = self.connection.getresponse()
            name = ""
            while line := answer.readline():
                text = line.decode().rstrip("\n")
                if text.startswith("event: "):
                    name = text.removeprefix("event: ")
                elif text.startswith("data: "):
                    self.events.append((name, json.loads(text.removeprefix("data: "))))
        except OSError:
            pass
        finally:
            if answer is not None:
                answer.close()
            self.connection.close()
            self.ended.set()

    def regions(self) -> list[dict[str, str]]:
        return [data for name, data in self.events if name == "regions"]

    def wait_for(self, is_so: Any, seconds: float = 8.0) -> bool:
        deadline = time.monotonic() + seconds
        while time.monotonic() < deadline:
            if is_so():
                return True
            time.sleep(0.05)
        return False


def test_a_page_is_told_everything_once_and_then_only_what_changed(local: Homestead) -> None:
    """The first news is the whole page; a note afterwards is news of the log alone."""
    with served(local) as server:
        page = Page(server)
        assert page.wait_for(lambda: page.regions())
        assert {"answer", "matters", "cage-birch", "acts-birch", "post", "said", "as_of"} <= set(page.regions()[0])
        local.store.journal.commit(
            Commit(NOW, entries=[Entry("larkfield", NOW, NOW, "birch", What.NOTE, None, "a wren nearby")])
        )
        assert page.wait_for(lambda: len(page.regions()) > 1)
        assert set(page.regions()[1]) == {"said"}
        assert "a wren nearby" in page.regions()[1]["said"]


def test_a_silent_store_still_beats(local: Homestead, monkeypatch: pytest.MonkeyPatch) -> None:
    """While nothing changes, the page hears that the stream lives: silence means that it is cut off."""
    monkeypatch.setattr(live, "BEAT_S", 0.3)
    with served(local) as server:
        page = Page(server)
        assert page.wait_for(lambda: sum(name == "beat" for name, _ in page.events) >= 3)


def test_nothing_is_computed_while_nobody_looks(local: Homestead, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without an open page the store is not looked at; when the last one closes, looking ends."""
    looks = []
    whole = type(local.garden_page.look).snapshot
    monkeypatch.setattr(type(local.garden_page.look), "snapshot", lambda self: looks.append(1) or whole(self))
    with served(local) as server:
        time.sleep(2.5)
        before = len(looks)
        assert before <= 1  # warming up
        page = Page(server)
        assert page.wait_for(lambda: page.regions())
        sock = page.connection.sock
        assert sock is not None
        sock.shutdown(socket.SHUT_RDWR)
        assert page.wait_for(lambda: server.pages == 0)
        time.sleep(0.5)
        after = len(looks)
        local.store.journal.commit(
            Commit(NOW, readings=[Reading("larkfield", "birch-1", Quantity.TEMPERATURE, NOW, NOW, 30.0)])
        )
        time.sleep(2.5)
        assert len(looks) == after


def test_an_open_page_ends_with_its_session(local: Homestead, monkeypatch: pytest.MonkeyPatch) -> None:
    """Who has logged out in one tab is told nothing more in another."""
    monkeypatch.setattr(live, "BEAT_S", 0.3)
    with served(local) as server:
        page = Page(server)
        assert page.wait_for(lambda: page.regions())
        guard = server._offices[0].door.guard
        session = guard.session_of(page.cookie.partition("=")[2])
        assert session is not None
        guard.end(session)
        assert page.ended.wait(5)


def test_too_many_pages_are_refused(local: Homestead, monkeypatch: pytest.MonkeyPatch) -> None:
    """There is a limit on everything; the others go on."""
    monkeypatch.setattr(live, "MOST_PAGES", 2)
    with served(local) as server:
        first, second = Page(server), Page(server)
        assert first.wait_for(lambda: server.pages == 2)
        third = Page(server)
        assert third.ended.wait(5)
        assert not third.events
        assert second.regions() or second.wait_for(lambda: second.regions())


def test_it_is_gone_within_three_seconds_with_pages_open(local: Homestead) -> None:
    """Ten open streams do not hold up the end."""
    with served(local) as server:
        pages = [Page(server) for _ in range(10)]
        assert pages[0].wait_for(lambda: all(p.regions() for p in pages), 15)
        began = time.monotonic()
        server.close()
        took_s = time.monotonic() - began
        assert took_s < 3.0
        assert all(p.ended.wait(2) for p in pages)


def test_it_can_be_closed_before_it_is_open(local: Homestead) -> None:
    """An end right after the start waits for nothing."""
    began = time.monotonic()
    with served(local):
        pass
    assert time.monotonic() - began < 3.0


def test_an_address_that_is_taken_is_said(local: Homestead) -> None:
    """The start fails in words that name it."""
    with served(local) as server:
        import dataclasses

        page = local.house.settings.page.model_copy(update={"port": server.port})
        house = dataclasses.replace(local.house, settings=local.house.settings.model_copy(update={"page": page}))
        with pytest.raises(Transient, match=f"port {server.port}"):
            PageServer(house)


def test_a_store_that_can_not_be_read_is_said_and_mends_itself(local: Homestead) -> None:
    """While the store can't be opened the page says so in words; when it is back, it is shown again."""
    client = local.client()
    path, away = local.house.store, local.house.store.with_suffix(".away")
    local.garden_page.look.close()
    local.garden_page.look._local = threading.local()
    local.garden_page.sheets.look_again()
    path.rename(away)
    try:
        answer = client.get("/")
        assert answer.status_code == 503
        assert "Try again" in answer.text
    finally:
        away.rename(path)
    assert client.get("/").status_code == 200


@pytest.mark.slow
@pytest.mark.timeout(280)
def test_ten_pages_on_an_accelerated_garden_leave_memory_flat(tmp_path: Path) -> None:
    """An hour of the garden and more, ten pages open all the time, in a process of its own: after warming up its memory
    does not grow, and it ends within three seconds of being told to."""
    import os
    import re
    import signal
    import subprocess
    import sys

    import psutil

    command = [sys.executable, "-m", "sensord", "demo", "--page", "--seconds", "66", "--days", "2"]
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, text=True, env={**os.environ, "PYTHONUNBUFFERED": "1"},
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),  # a run in the background ignores it
    ) as run:  # fmt: skip
        assert run.stdout is not None
        found = None
        while found is None:
            said = run.stdout.readline()
            assert said, "it ended without saying where its page is"
            found = re.search(r"http://([\d.]+):(\d+)", said)
        threading.Thread(target=run.stdout.read, daemon=True).start()
        server = type("At", (), {"host": found[1], "port": int(found[2])})()
        pages = [Page(server) for _ in range(10)]  # type: ignore[arg-type]
        assert pages[0].wait_for(lambda: all(p.regions() for p in pages), 30)
        process, sizes = psutil.Process(run.pid), []
        for _ in range(100):
            time.sleep(0.44)
            sizes.append(process.memory_info().rss / 1e6)
        assert not any(p.ended.is_set() for p in pages)
        told = [len(p.events) for p in pages]
        began = time.monotonic()
        run.send_signal(signal.SIGINT)
        run.wait(10)
        took_s = time.monotonic() - began
    early, late = sum(sizes[30:45]) / 15, sum(sizes[-15:]) / 15
    print(f"memory {early:.1f} MB, then {late:.1f} MB; ended in {took_s:.1f} s; {min(told)} events a page")
    assert min(told) > 20
    assert late - early < 6.0  # the store keeps the newest readings in memory: a little more with each hour, bounded
    assert took_s < 3.0
