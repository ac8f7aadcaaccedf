"""A garden over a broker says the same as one without, whatever the pace of the demonstration and of the machine."""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from sensord.adapters.clock import SteppedClock
from sensord.adapters.sender import InlineSender
from sensord.commands import _build, _house
from sensord.model import Arrival, Message
from simulators import brokered, scenario
from simulators.broker import EmbeddedBroker
from simulators.brokered import BrokeredInbox, NotCarried
from simulators.garden import Garden
from simulators.inbox import GardenInbox
from simulators.pace import PacedClock
from simulators.probes import Sent
from simulators.publish import Connection
from tests.kept import opened

FROM, UNTIL = timedelta(days=1, hours=17), timedelta(days=1, hours=21)
"""The evening of the thunderstorm."""


class Phone:
    """Keeps what it got; the keeper reads it."""

    name = "phone"

    def __init__(self, garden: Garden) -> None:
        self.got: list[Message] = []
        self._garden = garden

    def send(self, message: Message) -> None:
        """To both."""
        self.got.append(message)
        assert self._garden.keeper is not None
        self._garden.keeper.read(message)


class Evening:
    """One run over the same four hours."""

    def __init__(self, folder: Path, broker: EmbeddedBroker | None = None) -> None:
        chosen = scenario.configuration("larkfield")
        if broker is not None:
            at = chosen.broker.model_copy(update={"host": broker.host, "port": broker.port})
            chosen = chosen.model_copy(update={"broker": at})
        self.built = _house.understood(chosen, scenario.HERE / "larkfield.toml")
        self.garden = scenario.larkfield(7, settings=chosen)
        self.end = self.garden.start + UNTIL
        self.garden.step(self.garden.start + FROM)
        folder.mkdir()
        self.store = opened(self.built, folder / "s.sqlite3", durable=False)
        self.phone = Phone(self.garden)

    def run(self, clock: Any, inbox: Any, stopped: Callable[[], bool] = lambda: False) -> list[Message]:
        """What the phone got."""
        sender = InlineSender({"phone": self.phone})
        b = self.built
        _build.loop(b, clock, inbox, self.store, sender).run(until=self.end, stopped=stopped)
        self.store.close()
        return self.phone.got


def without_a_broker(folder: Path) -> list[Message]:
    """As a replay would go."""
    evening = Evening(folder)
    clock = SteppedClock(evening.garden.now)
    return evening.run(clock, GardenInbox(evening.garden, clock))


def over_a_broker(folder: Path, seconds: float, dawdles: Callable[[], bool] = lambda: False) -> list[Message]:
    """As the demonstration goes, in about so many seconds; `dawdles` is called at every round of the loop."""
    with EmbeddedBroker() as broker:
        evening = Evening(folder, broker)
        clock = PacedClock(evening.garden.now, (UNTIL - FROM).total_seconds() / seconds)
        live = _build.inbox(evening.built, clock, evening.store)
        while not live.status().connected:
            time.sleep(0.01)
        inbox = BrokeredInbox(evening.garden, clock, live, Connection(broker.host, broker.port))
        try:
            return evening.run(clock, inbox, dawdles)
        finally:
            inbox.close()


def test_fast_slow_and_without_a_broker_the_storm_reads_the_same(tmp_path: Path) -> None:
    """Message for message, field for field: on a quick machine, and with a loop that now and then takes as long as an
    hour of the garden."""
    expected = without_a_broker(tmp_path / "without")
    assert "Stay in: a gust front is here" in {m.title for m in expected}
    assert over_a_broker(tmp_path / "fast", seconds=0.1) == expected
    rounds = iter(range(1_000_000))

    def dawdles() -> bool:
        time.sleep(0.5 if next(rounds) % 100 == 50 else 0.0)
        return False

    assert over_a_broker(tmp_path / "slow", 2.0, dawdles) == expected


class Hearsay:
    """A live inbox that hands over what the test puts there."""

    def __init__(self) -> None:
        self.next: list[Arrival] = []

    def next_batch(self, until: datetime, limit: int) -> list[Arrival]:
        """At once, or nothing after a moment."""
        time.sleep(0.0 if self.next else 0.002)
        return [self.next.pop(0) for _ in range(min(limit, len(self.next)))]

    def wake(self) -> None:
        """Nobody waits long."""

    def close(self) -> None:
        """Nothing to close."""


class Wire:
    """A connection whose messages come back by the hearsay, or do not."""

    def __init__(self, back: Hearsay, loses: bool = False) -> None:
        self._back, self._loses = back, loses

    def publish(self, message: Sent) -> None:
        """Comes back at once, stamped by a clock that is far off."""
        if not self._loses:
            at = message.at + timedelta(days=3)
            self._back.next.append(Arrival(at, message.topic, message.payload, connection=1))

    def close(self) -> None:
        """Nothing to close."""


def garden_inbox(loses: bool = False) -> tuple[BrokeredInbox, Hearsay, Garden]:
    """An inbox whose broker is pretended."""
    garden, hearsay = scenario.larkfield(7), Hearsay()
    clock = PacedClock(garden.start, 1e6)
    return BrokeredInbox(garden, clock, hearsay, Wire(hearsay, loses)), hearsay, garden  # type: ignore[arg-type]


def test_what_somebody_says_meanwhile_comes_along_and_stands_for_nothing_else() -> None:
    """An entry of the page is handed over by itself, before what the garden sends; and the same bytes from the page
    make up for nothing that did not come by the broker."""
    inbox, hearsay, garden = garden_inbox()
    expected = scenario.larkfield(7).step(garden.start + timedelta(minutes=1))
    entry = Arrival(garden.start, expected[0].topic, expected[0].payload, connection=0)
    hearsay.next.append(entry)
    minute = garden.start + timedelta(minutes=1, milliseconds=1)
    assert inbox.next_batch(minute, 100) == [entry]
    came = inbox.next_batch(minute, 100)
    assert [(a.topic, a.payload) for a in came] == [(m.topic, m.payload) for m in expected]
    assert all(abs(a.received_at - m.at) < timedelta(milliseconds=1) for a, m in zip(came, expected, strict=True))
    assert inbox.carried == len(expected)
    inbox.close()


def test_while_nothing_can_be_stored_nothing_is_handed_over() -> None:
    """Asked for none, it lets time pass and keeps everything."""
    inbox, hearsay, garden = garden_inbox()
    minute = garden.start + timedelta(minutes=1, milliseconds=1)
    hearsay.next.append(Arrival(garden.start, "larkfield/said", b"{}", connection=0))
    assert inbox.next_batch(minute, 0) == []
    assert len(inbox.next_batch(minute, 100)) == 1
    assert len(inbox.next_batch(minute, 100)) > 1
    inbox.close()


def test_what_does_not_come_back_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """A broker that loses something ends the run, with how much it was."""
    monkeypatch.setattr(brokered, "COMES_BACK_WITHIN_S", 0.05)
    inbox, _, garden = garden_inbox(loses=True)
    with pytest.raises(NotCarried, match=r"\d+ messages did not come back"):
        inbox.next_batch(garden.start + timedelta(hours=1), 100)
    inbox.close()
