"""Recorded feeds: reading them back exactly, refusing what is none, and recording."""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sensord.adapters.clock import SteppedClock
from sensord.adapters.feed import (
    LONGEST_LINE,
    FeedError,
    FeedInbox,
    Recorder,
    RecordingInbox,
    arrival_from,
    last_instant,
    line_of,
)
from sensord.model import EPOCH, Arrival, Gap

START = datetime(2026, 8, 20, 14, 0, tzinfo=UTC)
MS = timedelta(milliseconds=1)
FAR = START + timedelta(days=30)


def line(seconds: float = 0, topic: str = "garden/alder", payload: str = "21.5") -> str:
    at = (START + timedelta(seconds=seconds)).isoformat().replace("+00:00", "Z")
    return json.dumps({"received_at": at, "topic": topic, "payload": payload}) + "\n"


ARRIVALS = st.builds(
    Arrival,
    received_at=st.integers(0, 10**12).map(lambda ms: EPOCH + timedelta(milliseconds=ms)),
    topic=st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), min_size=1, max_size=20),
    payload=st.binary(max_size=40) | st.text(max_size=20).map(str.encode),
    retained=st.booleans(),
    redelivered=st.booleans(),
    packet=st.none() | st.integers(1, 65535),
    connection=st.just(0),  # means something only to the inbox that it came by
)


def test_long_quiet_is_an_absence() -> None:
    """For two days time passes as it did, so that silence is noticed; what is left of a year costs one step."""
    clock = SteppedClock(EPOCH)
    inbox, hour, year_s = FeedInbox([line(0), line(365 * 86_400.0)], clock), timedelta(hours=1), 365 * 86_400.0
    assert len(inbox.next_batch(START + hour, 10)) == 1
    waits = 0
    while not (batch := inbox.next_batch(clock.now() + hour, 10)):
        waits += 1
    assert waits == 49
    assert batch[0].received_at == START + timedelta(seconds=year_s)


@given(ARRIVALS)
def test_a_line_is_exactly_the_arrival(arrival: Arrival) -> None:
    """Any topic, any bytes, any flags: written and read back it is the same, in one line."""
    text = line_of(arrival)
    assert text.count("\n") == 1
    assert arrival_from(text) == arrival
    assert arrival_from(text.encode()) == arrival


def test_the_clock_steps_from_receipt_to_receipt() -> None:
    """The recorded inbox keeps the live one's promise, and time passes nowhere else."""
    clock = SteppedClock(EPOCH)
    inbox = FeedInbox([line(0), line(1), line(5), line(9)], clock)
    assert clock.now() == START
    until = START + timedelta(seconds=5)
    assert [a.received_at for a in inbox.next_batch(until, 10)] == [START, START + timedelta(seconds=1)]
    assert clock.now() == START + timedelta(seconds=1)
    assert inbox.next_batch(until, 10) == []
    assert clock.now() == until
    assert not inbox.exhausted
    assert len(inbox.next_batch(FAR, 1)) == 1
    assert len(inbox.next_batch(FAR, 10)) == 1
    assert inbox.exhausted
    assert inbox.next_batch(FAR, 10) == []
    assert clock.now() == FAR
    assert inbox.gaps() == []


def test_messages_of_one_instant_get_receipts_of_their_own() -> None:
    """As from a broker: on one topic a millisecond apart, so that none without a time of its own is lost; order is kept."""
    inbox = FeedInbox([line(0), line(0), line(0, "garden/birch"), line(1)], SteppedClock(EPOCH))
    stamps = [a.received_at - START for a in inbox.next_batch(FAR, 10)]
    assert stamps == [0 * MS, MS, MS, timedelta(seconds=1)]


@pytest.mark.parametrize(
    ("bad", "words"),
    [
        ("", "no JSON"),
        ("\n", "no JSON"),
        ('{"received_at": "2026-08-20T14:00:', "cut off while it was written?"),
        ("[1]\n", "not an object"),
        ("[" * 5000 + "\n", "no JSON"),
        (line().replace("topic", "topik"), "'topic' is missing"),
        (line().replace("payload", "pay"), "unknown key 'pay'"),
        (line().replace('"topic"', '"kind": "forecast", "topic"'), "unknown key 'kind'"),
        (line().replace("payload", "retained"), "true or false"),
        (line().replace('"21.5"', "21.5"), 'exactly as received: "21.5", not 21.5'),
        (line().replace('"21.5"', "null"), "must be a text"),
        (line().replace("payload", "payload_base64"), "not base64"),
        (
            line().replace('"payload"', '"payload_base64": "MQ==", "payload"'),
            "exactly one of payload and payload_base64",
        ),
        (line().replace('"payload": "21.5"', '"retained": true'), "exactly one of"),
        (line().replace('"21.5"', '"\\ud800"'), "not UTF-8"),
        (line().replace("garden/alder", "\\ud800"), "topic must be"),
        (line().replace("garden/alder", ""), "topic must be"),
        (line().replace("garden/alder", "a\\u0000"), "topic must be"),
        (line().replace('"21.5"', '"1", "packet": 0'), "from 1 to 65535"),
        (line().replace('"21.5"', '"1", "packet": true'), "from 1 to 65535"),
        (line().replace("14:00:00Z", "14:00:00+00:00"), "RFC 3339 in UTC"),
        (line().replace("14:00:00Z", "14:00:00"), "RFC 3339 in UTC"),
        (line().replace("T14:00:00Z", " 14:00:00Z"), "RFC 3339 in UTC"),
        (line().replace("14:00:00Z", "25:00:00Z"), "RFC 3339 in UTC"),
        (line().replace('"2026-08-20T14:00:00Z"', "1787234585"), "RFC 3339 in UTC"),
        (line(-1), "received_at goes back, from 2026-08-20T14:00:00Z to 2026-08-20T13:59:59Z"),
        ("x" * (LONGEST_LINE + 1), "longer than"),
    ],
)
def test_a_bad_line_is_refused_with_its_number(tmp_path: Path, bad: str, words: str) -> None:
    """File, line, what is wrong and what would be right; what stands before it was handed over."""
    path = tmp_path / "feed.jsonl"
    path.write_text(line() + line() + bad + ("" if bad else "\n"))
    inbox = FeedInbox(path, SteppedClock(EPOCH))
    assert len(inbox.next_batch(FAR, 1)) == 1
    with pytest.raises(FeedError) as raised:
        inbox.next_batch(FAR, 10)
    inbox.close()
    assert str(raised.value).startswith(f"{path}, line 3: ")
    assert words in str(raised.value)


def test_bytes_that_are_no_text_are_refused_with_a_hint(tmp_path: Path) -> None:
    """A feed is UTF-8; other payloads have their own key."""
    path = tmp_path / "feed.jsonl"
    path.write_bytes(b'{"received_at": "\xff"}\n')
    with pytest.raises(FeedError, match=r"line 1: byte 17 is not UTF-8; such payloads are written as payload_base64"):
        FeedInbox(path, SteppedClock(EPOCH))


@given(
    st.binary(max_size=60) | st.text(max_size=60).map(lambda t: line().replace("21.5", t).encode("utf-8", "replace"))
)
def test_any_line_is_read_or_refused(raw: bytes) -> None:
    """No line raises anything but ValueError."""
    try:
        arrival = arrival_from(raw)
    except ValueError as error:
        assert str(error)
    else:
        assert arrival_from(line_of(arrival)) == arrival


def test_an_empty_feed_is_exhausted(tmp_path: Path) -> None:
    """Nothing to hand over, and no last instant."""
    path = tmp_path / "feed.jsonl"
    path.touch()
    inbox = FeedInbox(path, SteppedClock(EPOCH))
    assert inbox.exhausted
    inbox.close()
    assert last_instant(path) is None


class Source:
    """An inbox with one prepared batch."""

    def __init__(self, batch: list[Arrival]) -> None:
        self._batch, self.acknowledged, self.closed = batch, 0, False

    def next_batch(self, until: datetime, limit: int) -> list[Arrival]:
        batch, self._batch = self._batch[:limit], self._batch[limit:]
        return batch

    def acknowledge(self, batch: Sequence[Arrival]) -> None:
        self.acknowledged += len(batch)

    def gaps(self) -> list[Gap]:
        return []

    def close(self) -> None:
        self.closed = True


def test_a_recording_replays_as_what_was_received(tmp_path: Path) -> None:
    """What the live inbox hands over, its recording hands over too, in the same order; recording may go on later."""
    path = tmp_path / "feed.jsonl"
    arrivals = [
        Arrival(START + i * MS, f"garden/{i % 3}", bytes([i % 256]) * 3, i % 5 == 0, i % 7 == 0, i + 1)
        for i in range(300)
    ]
    for part in (arrivals[:200], arrivals[200:]):
        source = Source(list(part))
        inbox = RecordingInbox(source, Recorder(path), on_trouble=pytest.fail)
        while batch := inbox.next_batch(FAR, 70):
            inbox.acknowledge(batch)
        inbox.close()
        assert source.acknowledged == len(part)
        assert source.closed
    replayed = FeedInbox(path, SteppedClock(EPOCH))
    assert replayed.next_batch(FAR, 1000) == arrivals
    replayed.close()
    assert last_instant(path) == arrivals[-1].received_at


def test_a_line_that_a_power_cut_left_unfinished_is_removed(tmp_path: Path) -> None:
    """The recording goes on behind the last whole line."""
    path = tmp_path / "feed.jsonl"
    path.write_text(line(0) + line(1)[:30])
    with Recorder(path) as recorder:
        recorder.record([Arrival(START + timedelta(seconds=2), "garden/alder", b"1")])
    inbox = FeedInbox(path, SteppedClock(EPOCH))
    assert [a.payload for a in inbox.next_batch(FAR, 10)] == [b"21.5", b"1"]
    inbox.close()


def test_a_full_disk_ends_the_recording_and_not_the_watch(tmp_path: Path) -> None:
    """It is said once, and messages go on coming."""

    class Full(Recorder):
        def record(self, batch: object) -> None:
            raise OSError(28, "No space left on device")

    said: list[str] = []
    inbox = RecordingInbox(Source([Arrival(START, "t", b"1")] * 3), Full(tmp_path / "feed.jsonl"), said.append)
    assert [len(inbox.next_batch(FAR, 1)) for _ in range(3)] == [1, 1, 1]
    assert len(said) == 1
    assert "No space left" in said[0]
    inbox.close()


@pytest.mark.slow
def test_reading_costs_little_more_than_parsing(tmp_path: Path) -> None:
    """A season of two million lines takes minutes on the slowest machine: at most six times what parsing alone takes."""
    path = tmp_path / "feed.jsonl"
    with Recorder(path) as recorder:
        recorder.record(
            Arrival(START + timedelta(seconds=i), f"garden/{i % 20}", b'{"t": 21.5}') for i in range(50_000)
        )

    def read() -> int:
        inbox = FeedInbox(path, SteppedClock(EPOCH))
        count = 0
        while batch := inbox.next_batch(FAR, 500):
            count += len(batch)
        inbox.close()
        return count

    def parse() -> int:
        with path.open("rb") as file:
            return sum(1 for raw in file if json.loads(raw))

    def seconds(work: Callable[[], int]) -> float:
        started = time.process_time()
        assert work() == 50_000
        return time.process_time() - started

    assert min(seconds(read) for _ in range(3)) < 6 * min(seconds(parse) for _ in range(3))
