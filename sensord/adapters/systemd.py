"""The service manager: readiness, status, and a watchdog that is fed only while every part of the daemon is fresh.

The protocol is one datagram with lines of KEY=VALUE (sd_notify(3)), so it is spoken here: the libraries for it ask the wall
clock whether the watchdog is due, and on a machine without a battery clock a step back by an hour would then have a healthy
daemon killed; and they block when the manager is slow. Without NOTIFY_SOCKET (a terminal, a test) nothing is sent.
"""

from __future__ import annotations

import os
import socket
import time
from collections.abc import Callable, Mapping

LIMITS_S: Mapping[str, float] = {"loop": 60.0, "inbox": 180.0, "scheduler": 600.0, "outbox": 300.0}
"""How old the last sign of life of each part may be [s]. The loop takes in, commits and judges on one thread: it is the
writer too. The outbox is given longer, because one attempt at the push may use up all its time-outs."""
STATUS_LENGTH = 200


class Heart:
    """What the daemon tells the service manager. Never raises for the manager's sake; `trouble` says what went wrong."""

    def __init__(
        self,
        limits_s: Mapping[str, float] = LIMITS_S,
        environment: Mapping[str, str] = os.environ,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        self.trouble: str | None = None
        self._limits_s, self._monotonic = dict(limits_s), monotonic
        self._address = environment.get("NOTIFY_SOCKET", "")
        watched = environment.get("WATCHDOG_PID", str(os.getpid())) == str(os.getpid())
        usec = environment.get("WATCHDOG_USEC", "")
        self.timeout_s = int(usec) / 1e6 if self._address and watched and usec.isdecimal() and int(usec) else None
        self._fed = float("-inf")
        self._stale: tuple[str, ...] = ()
        self._status = ""

    def ready(self) -> None:
        """The daemon has opened everything and is about to work."""
        self._tell("READY=1")

    def stopping(self) -> None:
        """The daemon is on its way out, on purpose."""
        self._tell("STOPPING=1")

    def status(self, text: str) -> None:
        """One line for `systemctl status`, sent when it changes."""
        line = " ".join(text.split())[:STATUS_LENGTH]
        if line != self._status and self._tell(f"STATUS={line}"):
            self._status = line

    def beat(self, fresh: Mapping[str, float]) -> tuple[str, ...]:
        """Feed the watchdog if every part is fresh; returns what is not, in words.

        `fresh` gives the age of the last sign of life of every part that has a limit [s]; a part that is left out is not
        fresh. Datagrams go out at most four times in a time-out, however often this is called.
        """
        unknown = set(fresh) - set(self._limits_s)
        if unknown:
            raise ValueError(f"no limit is set for {', '.join(sorted(unknown))}")
        stale = tuple(
            f"{part} was not heard of" if part not in fresh else f"{part} silent for {fresh[part]:.0f} s"
            for part, limit_s in self._limits_s.items()
            if not fresh.get(part, float("inf")) <= limit_s
        )
        now = self._monotonic()
        if not stale:
            if self.timeout_s is not None and now - self._fed >= self.timeout_s / 4 and self._tell("WATCHDOG=1"):
                self._fed = now
            if self._stale:
                self._tell(f"STATUS={self._status}")
        elif not self._stale:
            self._tell(f"STATUS={'; '.join(stale)[:STATUS_LENGTH]}")
        self._stale = stale
        return stale

    def _tell(self, text: str) -> bool:
        """Send one datagram without waiting; True if there was nothing to send it to, or it was taken."""
        if not self._address:
            return True
        if self._address[0] not in "/@":
            self.trouble = f"NOTIFY_SOCKET={self._address}: only a path or an abstract name is supported"
            return False
        address = "\0" + self._address[1:] if self._address[0] == "@" else self._address
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as line:
                line.setblocking(False)
                line.sendto(text.encode(), address)
        except OSError as error:
            self.trouble = f"the service manager can't be told {text.partition('=')[0]}: {error}"
            return False
        self.trouble = None
        return True
