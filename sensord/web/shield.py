"""What holds for every request and every answer, whatever it is about: headers, known hosts, sizes. Plain ASGI."""

from __future__ import annotations

import re
import socket
from collections.abc import Callable, Collection
from ipaddress import ip_address
from typing import Any
from urllib.parse import urlsplit

from sensord.config import PageSettings

Scope = Any
LARGEST_BODY = 16_384
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; manifest-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
HEADERS = (
    (b"content-security-policy", POLICY.encode()),
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"same-origin"),  # "no-referrer" would take the Origin from our own forms
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"permissions-policy", b"camera=(), microphone=(), geolocation=(), payment=(), usb=()"),
    (b"x-frame-options", b"DENY"),
)


class Shield:
    """Around the whole application."""

    def __init__(self, app: Any, hosts: Collection[str], say: Callable[[str], str], numbers_allowed: bool) -> None:
        self._app, self._hosts, self._say, self._numbers_allowed = app, frozenset(hosts), say, numbers_allowed

    async def __call__(self, scope: Scope, receive: Any, send: Any) -> None:
        """One request."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def guarded(message: Any) -> None:
            if message["type"] == "http.response.start":
                given = {name.lower() for name, _ in message["headers"]}
                more = [(name, value) for name, value in HEADERS if name not in given]
                if b"cache-control" not in given:
                    more.append((b"cache-control", b"no-store"))
                message = {**message, "headers": [*message["headers"], *more]}
            await send(message)

        headers = dict(scope["headers"])
        if not self._is_known(headers.get(b"host", b"").decode("latin-1")):
            await _refuse(guarded, 421, self._say("page.no.other_name"))
        elif not _length_is_small(headers.get(b"content-length", b"0")):
            await _refuse(guarded, 413, self._say("page.no.too_much"))
        else:
            await self._app(scope, _counted(receive), guarded)

    def _is_known(self, host: str) -> bool:
        """Another site's name that was made to point here is not ours."""
        name = host_name(host)
        if name in self._hosts:
            return True
        try:
            return self._numbers_allowed and bool(ip_address(name))
        except ValueError:
            return False


class TooLarge(Exception):
    """A body is longer than any form of ours."""


def _counted(receive: Any) -> Any:
    received = 0

    async def counted() -> Any:
        nonlocal received
        message = await receive()
        received += len(message.get("body", b""))
        if received > LARGEST_BODY:
            raise TooLarge
        return message

    return counted


def _length_is_small(length: bytes) -> bool:
    return length.isdigit() and len(length) < 10 and int(length) <= LARGEST_BODY


def host_name(host: str) -> str:
    """The name of a Host header, without port and brackets; "" where it is none, as with anything but IPv6 in brackets."""
    found = re.fullmatch(r"(?:\[([0-9a-fA-F.]*:[0-9a-fA-F:.]*)\]|([^:\[\]]*))(:\d*)?", host)
    return (found[1] or found[2] or "").lower().rstrip(".") if found else ""


def hosts_of(page: PageSettings) -> set[str]:
    """The names by which this page may be called; numbers are let through where it listens on a network."""
    hosts = {"localhost", "127.0.0.1", "::1", page.host.lower()}
    if page.base_url:
        hosts.add((urlsplit(page.base_url).hostname or "").lower())
    if not page.is_local:
        name = socket.gethostname().lower()
        hosts |= {name, f"{name}.local"}
    return hosts - {""}


async def _refuse(send: Any, status: int, text: str) -> None:
    headers = [(b"content-type", b"text/plain; charset=utf-8"), (b"connection", b"close")]
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": text.encode() + b"\n"})
