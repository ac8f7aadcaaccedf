"""What the log says of the broker: once for each change, not once for each attempt."""

from __future__ import annotations

import logging

from sensord.adapters.broker import may_not_read

log = logging.getLogger("sensord.broker")


class BrokerLog:
    """Remembers what it has told.

    Args:
        address: of the broker.
    """

    def __init__(self, address: str) -> None:
        self._address = address
        self._connected = self._ever = False
        self._told: set[str] = set()  # troubles, since the last change

    def connected(self, refused: list[str]) -> None:
        """It is there, but for the topics that it does not let us read."""
        if not self._connected:
            log.info("connected to the broker at %s%s", self._address, " again" if self._ever else "")
        self._connected = self._ever = True
        self._told.clear()
        if refused:
            self._told.add(may_not_read(refused))
            log.warning("%s", may_not_read(refused))

    def lost(self, trouble: str) -> None:
        """It is gone, or can't be reached."""
        trouble = trouble or "the connection ended"
        if not self._connected and trouble in self._told:
            return
        if self._connected:
            self._told.clear()
        log.warning("%s: %s", "the broker is lost" if self._connected else "the broker can't be reached", trouble)
        self._connected = False
        self._told.add(trouble)
