"""What the broker keeps until it hears that it is durable here: one session's packets, over all its connections."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence

from sensord.model import Arrival

DURABLE = -1
"""In the place of the owning connection: it was committed after that connection was lost."""


class Unacknowledged:
    """Packets that were handed over, each with the connection that may acknowledge it.

    What is not acknowledged comes again on the next connection: what is still held here, or became durable while nobody was
    there to tell, is recognised by its packet identifier. Only the network thread uses it, but for `committed`.
    """

    def __init__(self) -> None:
        self._held: dict[int, tuple[Arrival, int]] = {}
        self._durable: deque[list[Arrival]] = deque()  # committed batches, still to be acknowledged
        self._come_again: list[int] = []  # packets that were durable before they came a second time

    def committed(self, batch: Sequence[Arrival]) -> bool:
        """These may be acknowledged; whether any of them waits for it. From any thread."""
        mine = [arrival for arrival in batch if arrival.packet is not None]
        if mine:
            self._durable.append(mine)
        return bool(mine)

    def hold(self, packet: int, arrival: Arrival, connection: int) -> None:
        """It came by this connection."""
        self._held[packet] = (arrival, connection)

    def is_known(self, packet: int, topic: str, payload: bytes, connection: int) -> bool:
        """Whether what comes again is held here; then it is this connection's to acknowledge, at once if it is durable."""
        held = self._held.get(packet)
        if held is None or held[0].topic != topic or held[0].payload != payload:
            return False
        if held[1] == DURABLE:
            self._come_again.append(packet)
        else:
            self._held[packet] = (held[0], connection)
        return True

    def new_connection(self) -> None:
        """What came again on the last one will come once more."""
        self._come_again = []

    def new_session(self) -> None:
        """The broker has forgotten all of them."""
        self._held.clear()

    def due(self, connection: int | None) -> list[int]:
        """The packets to acknowledge now by this connection; None: nobody is there to tell."""
        due: list[int] = []
        if connection is not None:
            due, self._come_again = self._come_again, []
        while self._durable:
            for arrival in self._durable.popleft():
                assert arrival.packet is not None
                held = self._held.get(arrival.packet)
                if held is None or held[0].connection != arrival.connection:
                    continue
                if held[1] == connection:
                    due.append(arrival.packet)
                self._held[arrival.packet] = (arrival, DURABLE)  # it may come again
        return due

    def acknowledged(self, packets: Sequence[int]) -> None:
        """The broker was told: it forgets them, and so may we. Not before: who is not told sends again."""
        for packet in packets:
            del self._held[packet]
