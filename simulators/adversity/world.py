"""The edges of a simulated world. What survives a crash: the broker, the disk, the phone, and the true time."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from heapq import heappop, heappush
from itertools import count
from random import Random

from sensord.adapters.receipts import Receipts
from sensord.model import Arrival, Gap, Message
from sensord.ports import Added, Commit, Journal, Transient
from simulators.adversity.outdoors import Course, Published, published

NEVER = datetime.max.replace(tzinfo=UTC)


class Killed(BaseException):
    """The process was killed at this moment: no handler of it runs."""


class Truth:
    """The true time of a garden; it only moves when somebody waits for something."""

    def __init__(self, start: datetime) -> None:
        self.now = start


class Broker:
    """Keeps what is published until it is acknowledged, and hands it out again to every new connection."""

    def __init__(self, course: Course, site: str, truth: Truth) -> None:
        self.course, self.truth = course, truth
        self._coming = published(course, site)
        self._next: Published | None = next(self._coming)
        self._said: list[tuple[datetime, int, Published]] = []
        self._numbers = count(1)
        self.waiting: dict[int, Published] = {}  # by packet identifier, in the order in which it came
        self.handed: set[int] = set()
        self.acknowledged: list[Published] = []

    def say(self, at: datetime, topic: str, payload: bytes) -> None:
        """Something that is published later."""
        heappush(self._said, (at, next(self._numbers), Published(at, topic, payload, ())))

    @property
    def link(self) -> bool:
        """Whether it can be reached."""
        return not any(s.holds(self.truth.now) for s in self.course.no_link)

    def next_at(self) -> datetime:
        """When something happens here: something is published, or the link comes or goes."""
        ahead = [edge for span in self.course.no_link for edge in span if edge > self.truth.now]
        if self._next is not None:
            ahead.append(self._next.at)
        if self._said:
            ahead.append(self._said[0][0])
        return min(ahead, default=NEVER)

    def take_in(self) -> None:
        """Everything that is published by now."""
        while self._next is not None and self._next.at <= self.truth.now:
            self.waiting[next(self._numbers)] = self._next
            self._next = next(self._coming, None)
        while self._said and self._said[0][0] <= self.truth.now:
            self.waiting[next(self._numbers)] = heappop(self._said)[2]


class WorldClock:
    """The clock of one process: the true time, and how far it is off since the last step."""

    is_set = True

    def __init__(self, course: Course, truth: Truth) -> None:
        self._course, self._truth = course, truth
        self._off = self._should_be()

    def _should_be(self) -> timedelta:
        return next((off for at, off in reversed(self._course.steps) if at <= self._truth.now), timedelta())

    def now(self) -> datetime:
        """What the clock shows."""
        return self._truth.now + self._off

    def steps(self) -> list[tuple[datetime, datetime]]:
        """The step since the last call, if there was one."""
        off = self._should_be()
        if off == self._off:
            return []
        before, self._off = self.now(), off
        return [(before, self.now())]

    def true(self, shown: datetime) -> datetime:
        """The true time when the clock will show that."""
        return shown - self._off


class WorldInbox:
    """One connection of one process."""

    def __init__(
        self, broker: Broker, clock: WorldClock, not_before: datetime, on_acknowledged: Callable[[Published], None]
    ) -> None:
        self._broker, self._clock, self._on_acknowledged = broker, clock, on_acknowledged
        self._receipts = Receipts(not_before)
        self._held: dict[int, Arrival] = {}  # received, not handed over yet
        self._mine: dict[int, datetime] = {}  # packet → receipt, of what is not acknowledged yet

    def next_batch(self, until: datetime, limit: int) -> list[Arrival]:
        """As the live inbox; the true time moves on here, and nowhere else."""
        broker, truth = self._broker, self._broker.truth
        while True:
            self._receive()
            batch = [a for a in self._held.values() if a.received_at < until][:limit]
            if batch:
                for arrival in batch:
                    assert arrival.packet is not None
                    del self._held[arrival.packet]
                return batch
            if self._clock.now() >= until:
                self._receipts.rise_to(until)
                return []
            step = min((at for at, _ in broker.course.steps if at > truth.now), default=NEVER)
            truth.now = max(truth.now, min(self._clock.true(until), broker.next_at(), step))
            if truth.now == step:
                return []

    def _receive(self) -> None:
        self._broker.take_in()
        if not self._broker.link:
            return
        if self._receipts.latest - self._clock.now() > timedelta(minutes=10):
            self._receipts.start_afresh(self._clock.now())
        for packet, one in self._broker.waiting.items():
            if packet not in self._mine:
                receipt = self._mine[packet] = self._receipts.stamp(one.topic, self._clock.now())
                again = packet in self._broker.handed
                self._broker.handed.add(packet)
                self._held[packet] = Arrival(receipt, one.topic, one.payload, False, again, packet, 1)

    def acknowledge(self, batch: Sequence[Arrival]) -> None:
        """The broker forgets them."""
        for arrival in batch:
            assert arrival.packet is not None
            self._on_acknowledged(self._broker.waiting[arrival.packet])
            del self._mine[arrival.packet]
            self._broker.acknowledged.append(self._broker.waiting.pop(arrival.packet))

    def oldest_receipt(self) -> datetime:
        """Of what the broker has not been told to forget; NEVER where there is nothing."""
        return min(self._mine.values(), default=NEVER)

    def gaps(self) -> list[Gap]:
        """The session is kept: none."""
        return []

    def close(self) -> None:
        """Nothing is to be left."""

    def connected(self) -> tuple[bool, datetime | None]:
        """Whether the broker is reached."""
        if self._broker.link:
            return True, None
        span = next(s for s in self._broker.course.no_link if s.holds(self._broker.truth.now))
        return False, span.start


class Disk:
    """A journal that fails while the disk does; `journal` has the promises that all stores have."""

    def __init__(self, journal: Journal, course: Course, truth: Truth) -> None:
        self._journal, self._course, self._truth = journal, course, truth
        self.first_receipt, self.prune, self.close = journal.first_receipt, journal.prune, journal.close

    def _check(self) -> None:
        if any(s.holds(self._truth.now) for s in self._course.no_disk):
            raise Transient("the disk is full")

    def commit(self, commit: Commit) -> Added:
        """All or nothing."""
        self._check()
        return self._journal.commit(commit)

    def summarise(self, now: datetime) -> int:
        """As the journal."""
        self._check()
        return self._journal.summarise(now)


class Phone:
    """What reached the keeper and the stand-in, and when by the true time; it shows one key once."""

    def __init__(self) -> None:
        self.got: list[tuple[datetime, Message]] = []

    def keys(self) -> list[str]:
        """In order."""
        return [m.key for _, m in self.got]


class WorldSender:
    """Hands messages to the phone: now, a little later, or not at all. Busy now and then."""

    def __init__(self, phone: Phone, course: Course, truth: Truth, on_delivered: Callable[[Message], None]) -> None:
        self._phone, self._course, self._truth, self._on_delivered = phone, course, truth, on_delivered
        self._results: list[tuple[str, str | None]] = []

    def offer(self, message: Message) -> bool:
        """Take it; False where there is too much to do."""
        chance = Random(f"{self._course.seed} {message.key} {self._truth.now}")
        if self._course.steps and chance.random() < 0.05:  # a twin that died offers it again at another moment
            return False
        if any(s.holds(self._truth.now) for s in self._course.no_phone):
            self._results.append((message.key, "no network"))
            return True
        self._phone.got.append((self._truth.now, message))
        self._results.append((message.key, None))
        self._on_delivered(message)
        return True

    def results(self) -> list[tuple[str, str | None]]:
        """What became of them."""
        results, self._results = self._results, []
        return results


class Keeper:
    """Answers some of what the phone shows, after a while, over the broker; the same for the same message."""

    def __init__(self, course: Course, site: str, broker: Broker, truth: Truth) -> None:
        self._course, self._site, self._broker, self._truth = course, site, broker, truth
        self._read: set[str] = set()

    def read(self, message: Message) -> None:
        """A message is on the phone."""
        if message.key in self._read or not message.concerns:
            return
        self._read.add(message.key)
        chance = Random(f"{self._course.seed} keeper {message.key}")
        if chance.random() < 0.4:
            return
        what = chance.choice(["seen", "done", "not now"])
        said = {"what": what, "subject": chance.choice(message.concerns), "source": "simulation"}
        at = self._truth.now + timedelta(seconds=chance.uniform(60, 2400))
        self._broker.say(at, f"{self._site}/entry", json.dumps(said).encode())
