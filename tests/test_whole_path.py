"""From a probe's reading to the keeper's phone: real broker, real threads, a real receiver; and live equals replay."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from pydantic import SecretStr

from sensord.adapters.clock import ScaledClock, SteppedClock
from sensord.adapters.feed import FeedInbox, Recorder, RecordingInbox, last_instant
from sensord.adapters.push import AppriseChannel, JsonLinesChannel
from sensord.adapters.sender import InlineSender, ThreadSender
from sensord.commands import _build, _house
from sensord.loop import Loop
from sensord.model import Message
from simulators import scenario
from simulators.publish import Publisher
from tests.adapters.broker import Mosquitto
from tests.conftest import Receiver
from tests.kept import Kept, opened

SPEED = 400.0
FROM, HOURS = timedelta(hours=10), timedelta(hours=4)


def house(mosquitto: Mosquitto) -> _house.OneGarden:
    """The demonstration garden, at this broker."""
    chosen = scenario.configuration("larkfield")
    broker = chosen.broker.model_copy(update={"host": "127.0.0.1", "port": mosquitto.port})
    return _house.understood(chosen.model_copy(update={"broker": broker}), scenario.HERE / "larkfield.toml")


class Both:
    """The phone, and the keeper who reads it."""

    name = "phone"

    def __init__(self, channel: AppriseChannel, also: JsonLinesChannel) -> None:
        self._channel, self._also = channel, also

    def send(self, message: Message) -> None:
        """To the phone first; what it does not take is not written down either."""
        self._channel.send(message)
        self._also.send(message)


@contextmanager
def live(
    directory: Path,
    mosquitto: Mosquitto,
    receiver: Receiver,
    built: _house.OneGarden,
    store: Kept,
    start: datetime,
) -> Iterator[tuple[Loop, ScaledClock]]:
    """The daemon with all its real edges, on a fast clock, recording."""
    clock = ScaledClock(start - timedelta(minutes=5), SPEED)
    inbox = _build.inbox(built, clock, store)
    phone = AppriseChannel([SecretStr(receiver.url)], timeout_s=5)
    with JsonLinesChannel(directory / "live.jsonl") as lines:
        sender = ThreadSender({"phone": Both(phone, lines)}, wake=inbox.wake)
        source = RecordingInbox(inbox, Recorder(directory / "feed.jsonl"), on_trouble=pytest.fail)
        try:
            yield _build.loop(built, clock, source, store, sender), clock
        finally:
            sender.close()
            source.close()


@pytest.mark.slow
@pytest.mark.timeout(240)
def test_a_hot_day_reaches_the_phone_and_a_replay_of_it_says_the_same(
    tmp_path: Path, mosquitto: Mosquitto, receiver: Receiver
) -> None:
    """Readings published to a real broker become posts to a real receiver; replaying the recording gives the same
    messages, and the same readings in the store."""
    built = house(mosquitto)
    garden = scenario.larkfield(7, settings=built.settings)
    start = garden.start + FROM
    garden.step(start)
    store = opened(built, tmp_path / "live.sqlite3")
    publisher, trouble = Publisher(), []

    def outdoors() -> None:
        try:
            publisher.run(garden, clock, "127.0.0.1", mosquitto.port, start + HOURS)
        except Exception as error:  # noqa: BLE001  # told by the main thread
            trouble.append(error)

    with live(tmp_path, mosquitto, receiver, built, store, start) as (loop, clock):
        thread = threading.Thread(target=outdoors)
        thread.start()
        loop.run(until=start + HOURS)
        thread.join(20)
        loop.note_results()
    assert not trouble
    said = [json.loads(line) for line in (tmp_path / "live.jsonl").read_text().splitlines()]
    assert any(m["title"].startswith("Shade Alder") for m in said)
    assert [p["title"] for p in receiver.posts] == [m["title"] for m in said]

    replayed = replay(tmp_path, built)
    assert sorted(m["key"] for m in replayed) == sorted(m["key"] for m in said)
    assert sorted(m["text"] for m in replayed) == sorted(m["text"] for m in said)
    store.close()


def replay(directory: Path, built: _house.OneGarden) -> list[dict[str, str]]:
    """The recorded feed through the same loop."""
    end = last_instant(directory / "feed.jsonl")
    assert end is not None
    clock = SteppedClock(datetime.fromisoformat("2026-08-20T00:00:00+00:00"))
    inbox = FeedInbox(directory / "feed.jsonl", clock)
    store = opened(built, directory / "replay.sqlite3", durable=False)
    with JsonLinesChannel(directory / "replay.jsonl") as lines:
        _build.loop(built, clock, inbox, store, InlineSender({"phone": lines})).run(
            until=end + timedelta(milliseconds=1)
        )
    inbox.close()
    store.close()
    return [json.loads(line) for line in (directory / "replay.jsonl").read_text().splitlines()]
