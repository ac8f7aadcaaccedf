"""What the loop needs of the world: where messages come from, what time it is, how a message reaches the phone."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Protocol

from sensord.model import Arrival, Gap, Message


class Transient(Exception):
    """The world is not there at the moment (network, broker, disk full): nothing was lost, try again."""


class Inbox(Protocol):
    """Where messages from outside come in. The only place where time passes."""

    def next_batch(self, until: datetime, limit: int) -> list[Arrival]:
        """Hand over, in order of receipt, what was received before `until`, at most `limit`; empty means `until` is reached.

        The live inbox waits (by a monotonic clock), the recorded one steps the clock; the promise is the same. Live, it
        may also return early and empty when it was woken; callers look at the clock, not at the emptiness.
        """

    def acknowledge(self, batch: Sequence[Arrival]) -> None:
        """Tell the sender that these are durable. Called only after the commit."""

    def gaps(self) -> list[Gap]:
        """Gaps that became known since the last call (session lost, queue overflow, clock step)."""

    def close(self) -> None:
        """Leave; what was not acknowledged comes again."""


class Clock(Protocol):
    """The one source of `now`. Real, scaled (demonstration) or stepped (replay)."""

    def now(self) -> datetime:
        """The instant [UTC, aware]; goes back only with a step that `steps` tells."""

    def steps(self) -> Sequence[tuple[datetime, datetime]]:
        """The steps noticed since the last call: the instant that was left, and the one that it went on at."""


class Channel(Protocol):
    """How a message reaches the phone."""

    name: str

    def send(self, message: Message) -> None:
        """Deliver, or raise Transient (retry) or ValueError (this message can never be delivered this way)."""


class Sender(Protocol):
    """Carries messages off the loop's thread (live) or at once (replay)."""

    def offer(self, message: Message) -> bool:
        """Take the message for an attempt; False while busy."""

    def results(self) -> list[tuple[str, str | None]]:
        """(key, None) for what was delivered, (key, why) for what was not."""


class Shipping(Protocol):
    """Carries what is stored to another database as well, off the loop's thread."""

    trouble: str  # why nothing is delivered at the moment; "" while all is well

    @property
    def unshipped_since(self) -> datetime | None:
        """Receipt of the oldest reading that is still to be delivered."""

    def settle(self, now: datetime) -> None:
        """Strike off in the store what was delivered; for the loop's thread, and it never waits for the network."""
