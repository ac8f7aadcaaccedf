"""The demonstration garden, alive and without a keeper: a morning from a feed, then on over a broker at a quick pace.

The page is served twice over the same loop: on this computer without a password, and guarded as on a network.
"""

from __future__ import annotations

import json
import socket
import threading
from contextlib import ExitStack
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from pydantic import SecretStr

from sensord.adapters.clock import SteppedClock
from sensord.adapters.feed import FeedInbox
from sensord.adapters.push import RecordingChannel
from sensord.adapters.sender import InlineSender
from sensord.commands import _build, _house
from sensord.loop import Loop
from sensord.model import EPOCH
from sensord.web.guard import hash_of
from sensord.web.server import PageServer
from sensord.web.snapshot import PageNeeds
from simulators import scenario
from simulators.broker import EmbeddedBroker
from simulators.brokered import BrokeredInbox
from simulators.feed import line
from simulators.pace import PacedClock
from simulators.publish import Connection
from tests.kept import opened

MORNING = timedelta(hours=11, minutes=50)
SPEED = 90.0
PASSWORD = "milkweed by the fence"
SECRET = "s" * 40


def free_port() -> int:
    """A port that nobody listens on."""
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        return int(sock.getsockname()[1])


class Living:
    """From ten to twelve on the first, hot day: a few garden minutes later the first concern opens."""

    def __init__(self, directory: Path) -> None:
        self._stack = ExitStack()
        broker = self._stack.enter_context(EmbeddedBroker())
        chosen = scenario.configuration("larkfield")
        at = chosen.broker.model_copy(update={"host": broker.host, "port": broker.port})
        chosen = chosen.model_copy(update={"broker": at, "page": self._page(chosen.page)})
        self.built = _house.understood(chosen, scenario.HERE / "larkfield.toml")
        self.garden = scenario.larkfield(7, settings=chosen)
        self.path = directory / "living.sqlite3"
        self.store = opened(self.built, self.path, durable=False)
        self._stack.callback(self.store.close)
        self.phone = RecordingChannel()
        self._live_through_the_morning(directory / "morning.jsonl")
        self._go_on(broker)
        self.local, self.guarded = self._serve({}), self._serve({"password_hash": SecretStr(hash_of(PASSWORD))})

    def _page(self, page: Any) -> Any:
        more = {"enabled": True, "base_url": "http://localhost", "secret": SecretStr(SECRET)}
        return page.model_copy(update=more)

    def _live_through_the_morning(self, feed: Path) -> None:
        noon = self.garden.start + MORNING
        with feed.open("w", encoding="utf-8") as out:
            while self.garden.now + self.garden.step_length <= noon:
                out.writelines(line(sent) + "\n" for sent in self.garden.step(noon))
        clock = SteppedClock(EPOCH)
        inbox = FeedInbox(feed, clock)
        self._loop(clock, inbox).run(until=noon)
        inbox.close()

    def _loop(self, clock: Any, inbox: Any, **more: Any) -> Loop:
        sender = InlineSender({"phone": self.phone, "stand-in": self.phone})
        return _build.loop(self.built, clock, inbox, self.store, sender, **more)

    def _go_on(self, broker: Any) -> None:
        self.clock = PacedClock(self.garden.now, SPEED)
        self.inbox = _build.inbox(self.built, self.clock, self.store)
        carried = BrokeredInbox(self.garden, self.clock, self.inbox, Connection(broker.host, broker.port))
        self._stack.callback(carried.close)
        self.loop = self._loop(self.clock, carried, connected=self.inbox.connected)
        self._stopped = threading.Event()
        self.trouble: list[BaseException] = []
        self._thread = threading.Thread(target=self._watch, daemon=True)
        self._thread.start()

    def _watch(self) -> None:
        try:
            self.loop.run(stopped=self._stopped.is_set)
        except BaseException as trouble:  # noqa: BLE001  # the main thread looks at it
            self.trouble.append(trouble)

    def _serve(self, more: dict[str, Any]) -> PageServer:
        page = self.built.settings.page.model_copy(update={"port": free_port(), **more})
        house = PageNeeds(
            settings=self.built.settings.model_copy(update={"page": page}),
            garden=self.built.garden,
            texts=self.built.texts,
            store=self.path,
            now=self.clock.now,
            known_at=lambda: self.loop.heartbeat,
            connected=self.inbox.connected,
            put=self.inbox.put_local,
        )
        server = PageServer(house)
        self._stack.callback(server.close)
        return server

    def write_down(self, text: str) -> None:
        """A note of the keeper's: soon in the log book."""
        topic = self.built.settings.broker.entry_topic
        self.inbox.put_local(topic, json.dumps({"what": "note", "subject": "alder", "text": text}).encode())

    def now(self) -> datetime:
        """The garden's instant."""
        return self.clock.now()

    def close(self) -> None:
        """End everything, in order."""
        for server in (self.local, self.guarded):
            server.close()
        self._stopped.set()
        self._thread.join(20)
        self._stack.close()
        if self.trouble:
            raise self.trouble[0]


__all__ = ["PASSWORD", "SECRET", "Living"]
