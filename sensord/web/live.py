"""Live: one watcher looks at the store for all open pages, and tells each what has changed since it was last told.

A page gets regions: named pieces of the document, ready to be put in. Nothing is computed while no page is open.
"""

from __future__ import annotations

import asyncio
import json
import logging
import time
from collections.abc import AsyncIterator, Callable, Coroutine, Mapping
from concurrent.futures import Executor
from contextlib import suppress
from typing import Any, NamedTuple

from sensord.ports import Transient

log = logging.getLogger("sensord.page")

LOOK_EVERY_S = 1.0
"""How often the store is asked whether anything was committed."""
SHARE = 8.0
"""A look is followed by a pause of so many times its own length: a small computer has other things to do."""
BEAT_S = 5.0
"""A page that hears nothing for three of these knows that it shows the past."""
MOST_PAGES = 40

Regions = Mapping[str, str]


class ReaderKind(NamedTuple):
    """Readers who are shown the same."""

    units: str
    may_write: bool


class Full(Exception):
    """Too many pages are open."""


class Hub:
    """`render` makes the regions for the kinds of readers that are there; `version` tells whether it must."""

    def __init__(
        self,
        render: Callable[[frozenset[ReaderKind]], Mapping[ReaderKind, Regions]],
        version: Callable[[], object],
        threads: Executor,
    ) -> None:
        self._render, self._version, self._threads = render, version, threads
        self._open: dict[int, ReaderKind] = {}
        self._regions: Mapping[ReaderKind, Regions] = {}
        self._turn = 0
        self._news = asyncio.Condition()
        self._wanted = asyncio.Event()
        self.stopping = asyncio.Event()
        self._trouble = ""

    @property
    def pages(self) -> int:
        """How many are open."""
        return len(self._open)

    async def watch(self) -> None:
        """Until `stopping`."""
        seen: object = None
        looked_at = 0.0
        while not self.stopping.is_set():
            if not self._open:
                self._wanted.clear()
                await self._first(self._wanted.wait(), self.stopping.wait())
                seen = None
                continue
            began = time.monotonic()
            try:
                version = (await self._in_thread(self._version), frozenset(self._open.values()))
                if version != seen or began - looked_at >= BEAT_S:
                    self._regions = await self._in_thread(self._render, version[1])
                    seen, looked_at, self._trouble = version, began, ""
                    await self._tell()
            except (Transient, ValueError, OSError) as trouble:
                if str(trouble) != self._trouble:
                    log.warning("the page can't look at the store: %s", trouble)
                self._trouble = str(trouble)
            pause = max(LOOK_EVERY_S, SHARE * (time.monotonic() - began))
            await self._first(asyncio.sleep(pause), self.stopping.wait())
        await self._tell()

    async def _in_thread(self, work: Callable[..., Any], *arguments: Any) -> Any:
        return await asyncio.get_running_loop().run_in_executor(self._threads, work, *arguments)

    async def _tell(self) -> None:
        async with self._news:
            self._turn += 1
            self._news.notify_all()

    async def _first(self, *waits: Coroutine[Any, Any, Any]) -> None:
        tasks = [asyncio.ensure_future(w) for w in waits]
        try:
            await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for task in tasks:
                task.cancel()

    async def events(self, kind: ReaderKind, is_welcome: Callable[[], bool] = lambda: True) -> AsyncIterator[bytes]:
        """What one page is sent, as server-sent events, while it may look."""
        me = object()
        self._open[id(me)] = kind
        self._wanted.set()
        told: dict[str, int] = {}
        try:
            yield b"retry: 3000\n\n"
            while not self.stopping.is_set() and is_welcome():
                turn = self._turn
                news = {n: html for n, html in self._regions.get(kind, {}).items() if told.get(n) != hash(html)}
                told.update((name, hash(html)) for name, html in news.items())
                yield _event("regions", news) if news else _event("beat", {})
                await self._news_after(turn)
        finally:
            del self._open[id(me)]

    async def _news_after(self, turn: int) -> None:
        """Wait for the next turn, a beat at the longest."""
        async with self._news:
            with suppress(TimeoutError):
                await asyncio.wait_for(self._news.wait_for(lambda: self._turn != turn), BEAT_S)

    def admit(self) -> None:
        """Raise Full where one more page would be too many."""
        if len(self._open) >= MOST_PAGES:
            raise Full


def _event(name: str, data: object) -> bytes:
    return f"event: {name}\ndata: {json.dumps(data, ensure_ascii=False)}\n\n".encode()
