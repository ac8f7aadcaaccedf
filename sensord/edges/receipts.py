"""When something was received: whole milliseconds that never go back, and never twice the same for one topic."""

from __future__ import annotations

from datetime import datetime, timedelta

MILLISECOND = timedelta(milliseconds=1)


def whole_milliseconds(at: datetime) -> datetime:
    """The instant, cut to the millisecond."""
    return at.replace(microsecond=at.microsecond // 1000 * 1000)


class Receipts:
    """Stamps what comes in, so that a reading without a time of its own still has one that no other reading has.

    A topic that sends more than one message a millisecond runs ahead of the clock, and takes the others along.
    """

    def __init__(self, not_before: datetime) -> None:
        self.latest = whole_milliseconds(not_before)
        self._at_latest: set[str] = set()  # the topics stamped with `latest`

    def stamp(self, topic: str, now: datetime) -> datetime:
        """The receipt of a message on this topic."""
        if now >= self.latest + MILLISECOND:
            self.latest = whole_milliseconds(now)
            self._at_latest = {topic}
        elif topic in self._at_latest:
            self.latest += MILLISECOND
            self._at_latest = {topic}
        else:
            self._at_latest.add(topic)
        return self.latest

    def rise_to(self, instant: datetime) -> None:
        """From now on nothing is stamped earlier than `instant`."""
        floor = whole_milliseconds(instant)
        floor += MILLISECOND if floor < instant else timedelta()
        if floor > self.latest:
            self.latest, self._at_latest = floor, set()

    def start_afresh(self, now: datetime) -> None:
        """The clock has left a wrong future: follow it back."""
        self.latest, self._at_latest = whole_milliseconds(now), set()
