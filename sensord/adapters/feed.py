"""Recorded feeds: JSON Lines, one message a line, exactly as it was received.

    {"received_at": "2026-08-20T14:03:05.120Z", "topic": "garden/alder", "payload": "21.5"}

`received_at` is RFC 3339 in UTC (with Z) and never goes back. `payload` is the text received; bytes that are not UTF-8
stand in `payload_base64` instead. Optional: `retained` and `redelivered` (true), and `packet`, the broker's packet
identifier, by which a message that came twice is known. Anything else is refused with its line number.
"""

from __future__ import annotations

import base64
import binascii
import json
import os
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import TracebackType
from typing import Any

from sensord.adapters.clock import SteppedClock
from sensord.adapters.receipts import Receipts, whole_milliseconds
from sensord.model import EPOCH, Arrival, Gap
from sensord.ports import Inbox

LONGEST_LINE = 1 << 20
SYNC_EVERY_S = 30.0
"""A recording is on the disk at the latest after this long: what a power cut can cost it. The store loses nothing."""
LONGEST_QUIET = timedelta(days=2)
"""Where a feed holds nothing for longer, nobody recorded: as after an absence, the clock goes on at the next line."""
_REQUIRED = {"received_at", "topic"}
_ORDINARY = _REQUIRED | {"payload"}
_KEYS = _REQUIRED | {"payload", "payload_base64", "retained", "redelivered", "packet"}
_EXAMPLE = '{"received_at": "2026-08-20T14:03:05Z", "topic": "garden/alder", "payload": "21.5"}'


_JSON = json.JSONDecoder()


class FeedError(ValueError):
    """What is wrong with a feed: file, line, and what would be right."""


class FeedInbox:
    """The recorded inbox: hands over what the feed holds, and steps the clock from receipt to receipt.

    Time in which nothing was received passes as it did, so that silence is noticed; after `LONGEST_QUIET` of it the clock
    is stepped to the next receipt at once.
    `source` is a file, or the lines themselves. The clock is stepped to the first receipt at once. `exhausted` becomes
    true when everything was handed over.
    """

    def __init__(self, source: Path | Iterable[bytes | str], clock: SteppedClock) -> None:
        self._name = str(source) if isinstance(source, Path) else "feed"
        self._file = source.open("rb") if isinstance(source, Path) else None
        self._clock = clock
        lines: Iterable[bytes | str] = self._lines_of_file() if isinstance(source, Path) else source
        self._arrivals = self._read(lines)
        try:
            self._next = next(self._arrivals, None)
        except FeedError:
            self.close()
            raise
        if self._next is not None:
            clock.advance_to(self._next.received_at)
        self._latest = clock.now()  # when something was received last

    @property
    def exhausted(self) -> bool:
        """Whether the feed has nothing more to hand over."""
        return self._next is None

    def next_batch(self, until: datetime, limit: int) -> list[Arrival]:
        """The feed's next arrivals before `until`; with none, the clock steps to `until`."""
        batch: list[Arrival] = []
        following = self._next
        while following is not None and len(batch) < limit and following.received_at < until:
            batch.append(following)
            following = next(self._arrivals, None)
        self._next = following
        if batch:
            self._latest = batch[-1].received_at
            self._clock.advance_to(self._latest)
        elif following is not None and until - self._latest > LONGEST_QUIET:
            self._clock.advance_to(max(until, following.received_at))
        else:
            self._clock.advance_to(until)
        return batch

    def acknowledge(self, batch: Sequence[Arrival]) -> None:
        """Nobody waits for it."""

    def gaps(self) -> list[Gap]:
        """A feed knows of none."""
        return []

    def close(self) -> None:
        """Close the file."""
        if self._file is not None:
            self._file.close()

    def _lines_of_file(self) -> Iterator[bytes]:
        assert self._file is not None
        while line := self._file.readline(LONGEST_LINE + 1):
            yield line

    def _read(self, lines: Iterable[bytes | str]) -> Iterator[Arrival]:
        receipts = Receipts(EPOCH)
        earlier = EPOCH
        for number, line in enumerate(lines, 1):
            try:
                arrival = arrival_from(line)
                if arrival.received_at < earlier:
                    raise ValueError(
                        f"received_at goes back, from {_written(earlier)} to {_written(arrival.received_at)}"
                    )
            except ValueError as error:
                raise FeedError(f"{self._name}, line {number}: {error}") from None
            earlier = arrival.received_at
            receipt = receipts.stamp(arrival.topic, earlier)
            yield arrival if receipt == earlier else arrival._replace(received_at=receipt)


def arrival_from(line: bytes | str) -> Arrival:
    """One line of a feed; ValueError says what is wrong with it and what would be right."""
    if len(line) > LONGEST_LINE:
        raise ValueError(f"longer than {LONGEST_LINE} bytes")
    try:
        text = line.decode("utf-8") if isinstance(line, bytes) else line
    except UnicodeDecodeError as error:
        raise ValueError(f"byte {error.start} is not UTF-8; such payloads are written as payload_base64") from None
    try:
        fields = _fields_from(text)
    except json.JSONDecodeError as error:
        cut = "" if text.endswith("\n") else " (cut off while it was written?)"
        raise ValueError(f"no JSON: {error.msg}, column {error.colno}{cut}; right is {_EXAMPLE}") from None
    except (ValueError, RecursionError):
        raise ValueError(f"no JSON that can be read; right is {_EXAMPLE}") from None
    if type(fields) is not dict:
        raise ValueError(f"not an object; right is {_EXAMPLE}")
    try:
        received_at, topic = fields["received_at"], fields["topic"]
    except KeyError as error:
        raise ValueError(f"{error} is missing; right is {_EXAMPLE}") from None
    if type(topic) is not str or not topic or "\0" in topic or not _is_text(topic):
        raise ValueError("topic must be a text of at least one character, without NUL")
    if fields.keys() == _ORDINARY:
        return Arrival(_instant(received_at), topic, _payload(fields))
    if not fields.keys() <= _KEYS:
        unknown = ", ".join(ascii(key[:40]) for key in sorted(fields.keys() - _KEYS)[:5])
        raise ValueError(f"unknown key {unknown}; known are {', '.join(sorted(_KEYS))}")
    retained, redelivered = fields.get("retained", False), fields.get("redelivered", False)
    if type(retained) is not bool or type(redelivered) is not bool:
        raise ValueError("retained and redelivered must be true or false")
    packet = fields.get("packet")
    if packet is not None and (type(packet) is not int or not 1 <= packet <= 65535):
        raise ValueError("packet must be a whole number from 1 to 65535")
    return Arrival(_instant(received_at), topic, _payload(fields), retained, redelivered, packet)


def _fields_from(text: str) -> Any:
    try:  # `decode` looks for white space around them first, where no feed has any: a third of its time
        fields, end = _JSON.raw_decode(text)
    except json.JSONDecodeError:
        return _JSON.decode(text)
    return fields if text[end:] in ("", "\n") else _JSON.decode(text)


def _is_text(text: str) -> bool:
    return text.isascii() or not any("\ud800" <= character <= "\udfff" for character in text)


FIRST, LAST = EPOCH, datetime(2100, 1, 1, tzinfo=UTC)
"""Between which a message can have been received: a recording of a computer without a set clock begins in 1970."""


def _instant(text: Any) -> datetime:
    if type(text) is str and 20 <= len(text) <= 30 and text[10] == "T" and text[19] in ".Z" and text[-1] == "Z":
        try:
            at = datetime.fromisoformat(text)
        except ValueError:
            pass
        else:
            if not FIRST <= at < LAST:
                raise ValueError(f'received_at must be of {FIRST.year} to {LAST.year - 1}, like "2026-08-20T14:03:05Z"')
            return whole_milliseconds(at) if at.microsecond % 1000 else at
    raise ValueError('received_at must be RFC 3339 in UTC, like "2026-08-20T14:03:05Z"')


def _payload(fields: dict[str, Any]) -> bytes:
    if ("payload" in fields) == ("payload_base64" in fields):
        raise ValueError("exactly one of payload and payload_base64 must be there")
    text = fields.get("payload", fields.get("payload_base64"))
    if type(text) is not str:
        raise ValueError('the payload must be a text, exactly as received: "21.5", not 21.5')
    try:
        if "payload" in fields:
            return text.encode("utf-8")
        return base64.b64decode(text.encode("ascii"), validate=True)
    except (UnicodeEncodeError, binascii.Error):
        raise ValueError("the payload is not UTF-8 text, or payload_base64 not base64 (RFC 4648)") from None


def last_instant(path: Path) -> datetime | None:
    """The receipt of a feed's last line, without reading the feed; None if it is empty."""
    with path.open("rb") as file:
        size = file.seek(0, os.SEEK_END)
        file.seek(max(0, size - LONGEST_LINE - 1))
        lines = file.read().splitlines(keepends=True)
    if not lines:
        return None
    try:
        return arrival_from(lines[-1]).received_at
    except ValueError as error:
        with path.open("rb") as file:
            number = sum(1 for _ in file)
        raise FeedError(f"{path}, line {number} (the last): {error}") from None


# --- recording --------------------------------------------------------------------------------------------------------


def _written(at: datetime) -> str:
    text = at.astimezone(UTC).isoformat(timespec="milliseconds" if at.microsecond else "seconds")
    return text.replace("+00:00", "Z")


def line_of(arrival: Arrival) -> str:
    """The arrival as a line of a feed."""
    fields: dict[str, Any] = {"received_at": _written(arrival.received_at), "topic": arrival.topic}
    try:
        fields["payload"] = arrival.payload.decode("utf-8")
    except UnicodeDecodeError:
        fields["payload_base64"] = base64.b64encode(arrival.payload).decode("ascii")
    if arrival.retained:
        fields["retained"] = True
    if arrival.redelivered:
        fields["redelivered"] = True
    if arrival.packet:
        fields["packet"] = arrival.packet
    return json.dumps(fields, ensure_ascii=False) + "\n"


class Recorder:
    """Appends arrivals to a feed: every batch is given to the system at once, and is on the disk after `SYNC_EVERY_S`.

    A last line that a power cut left unfinished is removed, because no reader could get past it.
    """

    def __init__(self, path: Path) -> None:
        self._file = path.open("a+b", buffering=0)
        self._remove_unfinished_line()
        self._synced = time.monotonic()

    def _remove_unfinished_line(self) -> None:
        size = self._file.seek(0, os.SEEK_END)
        start = max(0, size - LONGEST_LINE - 1)
        self._file.seek(start)
        tail = self._file.read(size - start)
        if tail and not tail.endswith(b"\n"):
            self._file.truncate(start + tail.rfind(b"\n") + 1)

    def record(self, batch: Iterable[Arrival]) -> None:
        """Append what was received."""
        text = "".join(map(line_of, batch)).encode("utf-8", "backslashreplace")
        while text:
            text = text[self._file.write(text) :]
        if time.monotonic() - self._synced >= SYNC_EVERY_S:
            self._sync()

    def _sync(self) -> None:
        os.fsync(self._file.fileno())
        self._synced = time.monotonic()

    def close(self) -> None:
        """Put everything on the disk and close."""
        self._sync()
        self._file.close()

    def __enter__(self) -> Recorder:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


class RecordingInbox:
    """An inbox that writes down what another one hands over.

    When writing fails (a full disk), `on_trouble` is told once and the recording ends; the watch goes on without it.
    """

    def __init__(self, inbox: Inbox, recorder: Recorder, on_trouble: Callable[[str], None]) -> None:
        self._inbox, self._recorder, self._on_trouble = inbox, recorder, on_trouble
        self._recording = True
        self.acknowledge = inbox.acknowledge
        self.gaps = inbox.gaps

    def next_batch(self, until: datetime, limit: int) -> list[Arrival]:
        """What the other inbox hands over, recorded first."""
        batch = self._inbox.next_batch(until, limit)
        if batch and self._recording:
            try:
                self._recorder.record(batch)
            except OSError as error:
                self._recording = False
                self._on_trouble(f"the recording has ended: {error}")
        return batch

    def close(self) -> None:
        """Close both."""
        self._inbox.close()
        self._recorder.close()
