"""Writes points to an InfluxDB 2 or 3, by its client's synchronous interface, and finds out which point is refused.

Every error is one of three. The server or the way to it is in trouble, or it does not let us in: `Transient`, nothing is
lost, the same points are sent again later. It refuses the batch as too large: smaller ones are sent. It refuses something
in the batch: halves are sent, and halves of those, until the points that it refuses are found; they are handed back with
its words. If it accepts nothing at all, it is not the points: that is `Transient` too.
"""

from __future__ import annotations

import json
import re
from collections import deque
from collections.abc import Sequence
from typing import Any

from sensord.adapters.influx_lines import Lines
from sensord.config import InfluxSettings
from sensord.ports import Parked, Transient

REFUSES = frozenset({400, 422})
TOO_LARGE = 413
NOT_LET_IN = {
    401: "the token is not accepted: see influx__token among the secrets",
    403: "the token may not write to this bucket",
    404: "there is no such bucket, organisation or interface",
}
MOST_REFUSALS = 128
"""So many parts of a batch may be refused before one is accepted; then it is not the points."""

LONGEST_WAIT_S = 600.0
LONGEST_WORDS = 300
FEWEST_AT_ONCE = 50


class Later(Transient):
    """The server asks to be left alone for so long."""

    def __init__(self, words: str, after_s: float) -> None:
        super().__init__(words)
        self.after_s = after_s


class BatchRefused(Exception):
    """The server takes something in the batch for wrong."""

    def __init__(self, words: str) -> None:
        super().__init__(words)
        found = re.search(r"dropped=(\d+)", words)
        self.dropped = int(found[1]) if found else None  # InfluxDB 1 and 2 then wrote the others
        self.is_too_old = "retention" in words  # the bucket keeps nothing as old as that


class BatchTooLarge(Exception):
    """The server takes only smaller batches."""


class InfluxWriter:
    """One connection, used by one thread. The client's library is loaded when the first batch is sent (23 MB)."""

    def __init__(self, settings: InfluxSettings) -> None:
        self._settings = settings
        self.at_once = settings.points_at_once
        self._client: Any = None
        self._write: Any = None

    def deliver(self, lines: Lines) -> list[Parked]:
        """Write the points; returns those that the server refuses for good. Raises Transient when it must be done again."""
        misfits = lines.misfits()
        refused = [Parked(lines[i].mark, lines[i].text, "dated outside 1677 to 2262") for i in misfits]
        fitting: Sequence[int] = sorted({*range(len(lines))}.difference(misfits)) if misfits else range(len(lines))
        parts = deque(fitting[i : i + self.at_once] for i in range(0, len(fitting), self.at_once))
        accepted, refusals, last = 0, 0, None
        while parts:
            part = parts.popleft()
            texts = [lines.texts[i] for i in part]
            try:
                self._send(texts)
                accepted += len(part)
            except BatchTooLarge:
                if len(part) == 1:
                    raise Transient("the server takes not even a single point: too large") from None
                self.at_once = max(FEWEST_AT_ONCE, min(self.at_once, len(part) // 2))
                parts.extend(_halves(part))
            except BatchRefused as refusal:
                refusals, last = refusals + 1, refusal
                if refusal.is_too_old and refusal.dropped is not None:
                    accepted += len(part)  # of those that it can keep at all
                elif refusal.dropped is not None:
                    accepted += len(part) - refusal.dropped
                if len(part) == 1 or refusal.dropped == len(part):
                    refused += [Parked(lines[i].mark, lines[i].text, str(refusal)) for i in part]
                else:  # those of one series side by side: often all or none are wrong
                    parts.extend(_halves(sorted(part, key=lines.texts.__getitem__)))
                if not accepted and refusals >= MOST_REFUSALS:
                    break
        if last is not None and not accepted:
            raise Transient(f"everything is refused: {last}")
        return refused

    def close(self) -> None:
        """Close the connection."""
        if self._client is not None:
            self._client.close()
            self._client = self._write = None

    def _open(self) -> None:
        from influxdb_client.client.influxdb_client import InfluxDBClient
        from influxdb_client.client.write_api import SYNCHRONOUS

        s = self._settings
        self._client = InfluxDBClient(
            url=s.url,
            token=s.token.get_secret_value(),
            org=s.organisation or "-",
            timeout=int(s.timeout_s * 1000),
            enable_gzip=s.compress,
            ssl_ca_cert=s.ca_file or None,
        )
        self._write = self._client.write_api(write_options=SYNCHRONOUS).write

    def _send(self, texts: Sequence[str]) -> None:
        """One request."""
        if self._client is None:
            self._open()
        from influxdb_client.rest import ApiException
        from urllib3.exceptions import HTTPError

        body = "\n".join(texts).encode()
        try:
            self._write(self._settings.bucket, self._settings.organisation or "-", body, write_precision="ms")
        except ApiException as error:
            _raise(error)
        except (HTTPError, OSError, UnicodeDecodeError) as error:
            raise Transient(f"{self._settings.url}: {_in_short(error)}") from error
        status = self._client.api_client.last_response.status
        if status != 204:  # anything that answers to everything, like the sign-in page of a guest network
            raise Transient(f"{self._settings.url}: answers {status} where InfluxDB answers 204: is it one?")


def _halves(part: Sequence[int]) -> tuple[Sequence[int], Sequence[int]]:
    middle = len(part) // 2
    return part[:middle], part[middle:]


def _raise(error: Any) -> None:
    """What a status means."""
    words = f"{error.status} {_words(error)}".strip()
    if error.status in REFUSES:
        raise BatchRefused(words) from None
    if error.status == TOO_LARGE:
        raise BatchTooLarge from None
    if error.status in NOT_LET_IN:
        raise Transient(f"{NOT_LET_IN[error.status]} ({words})") from None
    wait = (error.headers or {}).get("Retry-After", "")
    if re.fullmatch(r"\d{1,6}", wait or ""):
        raise Later(words, min(float(wait), LONGEST_WAIT_S)) from None
    raise Transient(words) from None


def _words(error: Any) -> str:
    """What the server says, or what the library says where there was no server."""
    text = str(error.body or error.reason or "")
    try:
        said = json.loads(text)
        text = str(said.get("message") or said.get("error") or text)
    except (ValueError, AttributeError):
        pass
    return " ".join(text.split())[:LONGEST_WORDS]


def _in_short(error: BaseException) -> str:
    """The cause within what the connection pool wraps around it."""
    cause = getattr(error, "reason", None) or error
    text = str(cause).rsplit(": ", 1)[-1] if cause.args else ""
    return f"{type(cause).__name__}: {text}"[:LONGEST_WORDS]
