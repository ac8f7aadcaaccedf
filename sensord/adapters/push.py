"""How a message reaches the phone: any service that Apprise knows, a terminal, a file; and a fake for tests.

Every channel keeps the promise of `ports.Channel`: `send` delivers, or raises Transient (try again), or ValueError.
Errors name a service and its place in the configuration, never a URL: that is where the secrets are.
"""

from __future__ import annotations

import json
import logging
import re
import threading
import time
import warnings
from collections import OrderedDict
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC
from pathlib import Path
from types import TracebackType
from typing import Any, NamedTuple, Protocol, TextIO

from pydantic import SecretStr

from sensord.model import Message, Severity, Telling
from sensord.ports import Transient

PARTLY_KEPT = 200
"""Messages that some targets took and others did not: so many are remembered, so that a retry goes to the others only."""


class Pictures(Protocol):
    """Makes the pictures that messages ask for."""

    def get(self, attachment: str) -> Path:
        """The picture; Transient while it is being made, ValueError where it can't be."""

    def forget(self, attachment: str) -> None:
        """It is no longer needed."""


class _Target(NamedTuple):
    label: str  # service and place, without anything secret
    usual: Any
    urgent: Any  # the same with high priority, where the service knows priorities


class AppriseChannel:
    """One or more Apprise URLs; a message is delivered when all of them took it."""

    def __init__(
        self,
        urls: Sequence[SecretStr],
        timeout_s: float,
        name: str = "phone",
        pictures: Pictures | None = None,
        link: Callable[[Message], str] | None = None,
        of: str = "",
    ) -> None:
        """`link`: the address by which a message is answered, or ""; `of`: whose messages they are, where it must be said.

        Raises ValueError, naming every URL by its place, where Apprise doesn't know one.
        """
        if not urls:
            raise ValueError(f"push.{name}: no URL is given")
        self.name, self._timeout_s, self._pictures, self._link = name, timeout_s, pictures, link
        self._of = of
        with warnings.catch_warnings():  # Apprise loads all its services, some with libraries that warn of old age
            warnings.simplefilter("ignore", DeprecationWarning)
            self._targets = self._make(urls)
        self._took: OrderedDict[str, set[int]] = OrderedDict()

    def _make(self, urls: Sequence[SecretStr]) -> tuple[_Target, ...]:
        from apprise import AppriseAsset  # 26 MB: only where a push is configured

        # Apprise would name pictures on a public server, which the phone then fetches: none are sent.
        asset = AppriseAsset(
            app_id="sensord", app_desc="sensord", image_url_mask="", image_url_logo="", image_path_mask=False
        )
        made = _instances(urls, asset)
        unknown = [
            _not_known(self.name, i, url)
            for i, (url, plugin) in enumerate(zip(urls, made, strict=True))
            if plugin is None
        ]
        if unknown:
            raise ValueError("\n".join(unknown))
        with _log_of_apprise():
            return tuple(
                self._target(i, url, plugin, asset) for i, (url, plugin) in enumerate(zip(urls, made, strict=True), 1)
            )

    def _target(self, place: int, url: SecretStr, plugin: Any, asset: Any) -> _Target:
        from apprise import Apprise

        text, urgent = url.get_secret_value(), None
        if "priority" in plugin.template_args and "priority=" not in text:
            urgent = Apprise.instantiate(f"{text}{'&' if '?' in text else '?'}priority=high", asset=asset)
        for each in (plugin, urgent):
            if each is not None:
                each.socket_connect_timeout = each.socket_read_timeout = self._timeout_s
        return _Target(f"push.{self.name}[{place}] ({plugin.service_name})", plugin, urgent or plugin)

    @property
    def targets(self) -> tuple[str, ...]:
        """What the URLs are, without their secrets."""
        return tuple(target.label for target in self._targets)

    def send(self, message: Message) -> None:
        """Deliver to every target that did not take it yet; Transient names those that did not now."""
        message, picture = self._with_picture(message)
        if self._link is not None and (address := self._link(message)):
            message = replace(message, text=f"{message.text}\nAnswer: {address}")
        if self._of:
            message = replace(message, title=f"{message.title} ({self._of})")
        took = self._took.pop(message.key, set())
        failures = [
            f"{target.label}: {why}"
            for i, target in enumerate(self._targets)
            if i not in took and (why := self._try(target, message, took, i, picture))
        ]
        if failures:
            self._took[message.key] = took
            while len(self._took) > PARTLY_KEPT:
                self._took.popitem(last=False)
            raise Transient("; ".join(failures))
        if self._pictures is not None and message.attachment:
            self._pictures.forget(message.attachment)

    def _with_picture(self, message: Message) -> tuple[Message, Path | None]:
        """The message and its picture; without one where it can't be made, which the message then says."""
        if self._pictures is None or not message.attachment:
            return message, None
        try:
            return message, self._pictures.get(message.attachment)
        except ValueError as trouble:
            return replace(message, text=f"{message.text}\n(No picture: {trouble})"), None

    def _try(self, target: _Target, message: Message, took: set[int], index: int, picture: Path | None) -> str:
        """Why the target did not take the message; "" if it did."""
        from apprise import AppriseAttachment, NotifyFormat

        plugin = target.urgent if message.severity >= Severity.SEVERE else target.usual
        start = time.monotonic()
        with _log_of_apprise() as log:
            taken = plugin.notify(
                title=message.title,
                body=message.text,
                notify_type=_notify_type(message),
                body_format=NotifyFormat.TEXT,
                attach=AppriseAttachment(str(picture)) if picture else None,
            )
        if taken:
            took.add(index)
            return ""
        if status := next((m[1] for line in log if (m := _STATUS.search(line))), None):
            return f"it answered {status}"
        if time.monotonic() - start >= 0.9 * self._timeout_s:
            return f"no answer within {self._timeout_s:g} s"
        return "it can't be reached, or it refused"


def unknown_addresses(urls: Sequence[SecretStr], key: str) -> list[str]:
    """A line for every address that can't be used, with its place under [push], and nothing secret of it."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)
        made = _instances(urls)
    return [_not_known(key, i, url) for i, (url, plugin) in enumerate(zip(urls, made, strict=True)) if plugin is None]


def _instances(urls: Sequence[SecretStr], asset: Any = None) -> list[Any]:
    """What carries to each address; None where Apprise doesn't know it."""
    from apprise import Apprise

    with _log_of_apprise():
        return [Apprise.instantiate(url.get_secret_value(), asset=asset) for url in urls]


def _not_known(key: str, index: int, url: SecretStr) -> str:
    """What is wrong with an address; only how it begins may be shown, if it begins as an address does."""
    scheme = re.match(r"([a-z][a-z0-9+-]{1,19})://", url.get_secret_value(), re.IGNORECASE)
    begins = f'begins with "{scheme[1]}://"' if scheme else "does not begin as one, like ntfy://"
    return f"push.{key.replace('-', '_')}[{index + 1}]: {_UNKNOWN}; it {begins}"


_UNKNOWN = "no address that Apprise knows, or not a complete one; see its list of services for how each is written"
_STATUS = re.compile(r"\berror[=: ]+([1-5]\d\d)\b")


def _notify_type(message: Message) -> Any:
    from apprise import NotifyType

    if message.telling is Telling.OVER:
        return NotifyType.SUCCESS
    if message.severity >= Severity.SEVERE:
        return NotifyType.FAILURE
    return NotifyType.WARNING if message.severity >= Severity.MODERATE else NotifyType.INFO


@contextmanager
def _log_of_apprise() -> Iterator[list[str]]:
    """What Apprise logs in this thread, kept from going anywhere else: it may hold parts of a URL."""
    lines: list[str] = []
    here = threading.get_ident()

    class Keep(logging.Handler):
        def emit(self, record: logging.LogRecord) -> None:
            if record.thread == here:
                lines.append(record.getMessage())

    logger, handler = logging.getLogger("apprise"), Keep(logging.WARNING)
    logger.propagate = False
    logger.addHandler(handler)
    try:
        yield lines
    finally:
        logger.removeHandler(handler)


class ConsoleChannel:
    """Writes messages as lines of text: without a phone, or while trying things out."""

    def __init__(self, write: Callable[[str], object] = print, name: str = "console") -> None:
        self.name, self._write = name, write

    def send(self, message: Message) -> None:
        """Write the message."""
        self._write(f"{message.at:%Y-%m-%d %H:%M} {message.severity.word}: {message.title}\n{message.text}")


class LogChannel(ConsoleChannel):
    """Writes messages to the daemon's log: where no phone is configured."""

    def __init__(self) -> None:
        super().__init__(logging.getLogger("sensord").warning, "log")


class RecordingChannel:
    """A small fake: keeps what it was sent, and fails as often as it is told to."""

    def __init__(self, failures: Sequence[Exception | None] = (), name: str = "recording") -> None:
        self.name, self.messages = name, list[Message]()
        self._failures = list(failures)

    def send(self, message: Message) -> None:
        """Keep the message, or raise the next failure that was ordered."""
        failure = self._failures.pop(0) if self._failures else None
        if failure is not None:
            raise failure
        self.messages.append(message)


class JsonLinesChannel:
    """Writes one JSON object a line; the same messages give the same bytes. A context manager."""

    def __init__(self, path: Path, name: str = "messages") -> None:
        """Raises OSError where the file can't be written."""
        self.name = name
        self._file: TextIO = path.open("w", encoding="utf-8", newline="\n")

    def send(self, message: Message) -> None:
        """Write the message, with the instant at which it reached the phone."""
        self._file.write(json.dumps(as_json(message), ensure_ascii=False) + "\n")

    def close(self) -> None:
        """Close the file."""
        self._file.close()

    def __enter__(self) -> JsonLinesChannel:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def as_json(message: Message) -> dict[str, str]:
    """A message as it is written into a file."""
    at = max(message.at, message.not_before or message.at)
    return {
        "at": at.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z"),
        "rule": message.rule,
        "subject": message.subject,
        "severity": message.severity.word,
        "urgency": message.urgency.value,
        "certainty": message.certainty.value,
        "title": message.title,
        "text": message.text,
        "action": message.action,
        "telling": message.telling.value,
        "route": message.route,
        "key": message.key,
    }
