"""One seed: two sites of one store in an adverse world, every promise checked after every step; and its undying twin."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from functools import cache
from pathlib import Path
from random import Random

from sensord.adapters.memory import MemoryStore
from sensord.commands import _build, _house
from sensord.config import load
from sensord.engine.effects import Acknowledge, Effect, MakeDurable, Send
from sensord.engine.events import ClockStepped, Ends, Event
from sensord.loop import Loop
from sensord.model import Message
from sensord.ports import Share
from simulators.adversity import checks
from simulators.adversity.outdoors import Course, Published, course_of
from simulators.adversity.twins import A_MOMENT, same
from simulators.adversity.world import Broker, Disk, Keeper, Killed, Phone, Truth, WorldClock, WorldInbox, WorldSender

SITES = ("larkfield", "schoolyard")
SETTLING = timedelta(minutes=50)
"""After the last publication nothing fails any more: what was owed must come right by itself."""
HERE = Path(__file__).parent


class Failed(AssertionError):
    """A promise was broken: says the seed that shows it."""


@cache
def built(site: str, directory: Path) -> _house.OneGarden:
    """The garden's configuration."""
    path = directory / f"{site}.toml"
    path.write_text((HERE / "garden.toml").read_text(encoding="utf-8").replace("SITE", site), encoding="utf-8")
    return _house.understood(load(path, parameters={}, environment={}), path)


@dataclass
class Fate:
    """Whether the process dies at this effect, before or after it was carried out."""

    chance: Random
    share: float  # of the effects
    spared: Callable[[], bool] = lambda: False
    deaths: int = 0

    def passes(self) -> None:
        """Live on, or raise Killed."""
        if self.share and not self.spared() and self.chance.random() < self.share:
            self.deaths += 1
            raise Killed


class MortalLoop(Loop):
    """The product's loop, in a process that can die at every effect, and whose steps are looked at."""

    inbox: WorldInbox
    fate: Fate
    looked_at: Callable[[Loop, Event], None]

    def feed(self, event: Event) -> None:
        """As the loop; then every promise is checked."""
        super().feed(event)
        self.looked_at(self, event)

    def _carry_out(self, effect: Effect) -> Event | None:
        if isinstance(effect, MakeDurable | Acknowledge | Send):
            self.fate.passes()
        outcome = super()._carry_out(effect)
        if isinstance(effect, MakeDurable | Acknowledge | Send):
            self.fate.passes()
        return outcome


@dataclass
class SiteTrial:
    """One site of a trial."""

    site: str
    course: Course
    garden: _house.OneGarden
    share: Share
    fate: Fate
    tell: Callable[[str], None]
    truth: Truth = field(init=False)
    broker: Broker = field(init=False)
    phone: Phone = field(default_factory=Phone)
    maybe_twice: set[str] = field(default_factory=set)
    steps: int = 0
    loop: MortalLoop | None = None
    _on_its_way: set[str] = field(default_factory=set)  # the phone has it, and the store does not know yet
    _last: datetime | None = None

    def __post_init__(self) -> None:
        self.truth = Truth(self.course.start)
        self.broker = Broker(self.course, self.site, self.truth)
        self._keeper = Keeper(self.course, self.site, self.broker, self.truth)
        if not self.course.steps:
            self.fate.spared = self._would_differ
        self._look = Random(f"{self.course.seed} looking")

    @property
    def over(self) -> bool:
        """Whether the days are over."""
        return self.truth.now >= self.course.end + SETTLING

    def go_on(self) -> None:
        """Until something came or was due, or the process died; then a new one begins at once."""
        try:
            self.living().once()
        except Killed:
            self.tell(f"{self.truth.now:%d %H:%M:%S} {self.site}: killed")
            self.maybe_twice |= self._on_its_way
            self.loop = None

    def living(self) -> MortalLoop:
        """The process that lives, or a new one."""
        if self.loop is None:
            self.loop = self._process()
            self.loop.begin()
        return self.loop

    def _would_differ(self) -> bool:
        """Whether, rightly, not all would be as without it if the process died now: what nobody could store is gone with it.

        Of what came while the disk was full that is the receipt as well. A message lay in the process until there was room
        again; the broker hands it out to the next process only at that moment, so a probe was last heard, and a reading
        without a time of its own was measured, as much later.
        """
        full = any(s.holds(self.truth.now) for s in self.course.no_disk)
        if full or self.loop is None:
            return full
        return (
            self.loop.state.unstored_since is not None or self.loop.inbox.oldest_receipt() < self.truth.now - A_MOMENT
        )

    def _process(self) -> MortalLoop:
        clock = WorldClock(self.course, self.truth)
        newest = _build.last_receipt(self.garden, self.share) or self.course.start
        inbox = WorldInbox(self.broker, clock, min(newest, clock.now()), self._is_durable)
        sender = WorldSender(self.phone, self.course, self.truth, self._delivered)
        disk = replace(self.share, journal=Disk(self.share.journal, self.course, self.truth))
        loop = MortalLoop(
            _build.given(self.garden),
            _build.reception(self.garden),
            clock,
            inbox,
            disk,
            sender,
            _build.reviewer(self.garden, self.share),
            connected=inbox.connected,
        )
        loop.fate, loop.looked_at = self.fate, self._look_at
        self._last = None
        return loop

    def _is_durable(self, published: Published) -> None:
        """Before the broker forgets it."""
        assert self.loop is not None
        checks.is_durable(self.share, [published], self.loop.clock.now())

    def _delivered(self, message: Message) -> None:
        self.tell(f"{self.truth.now:%d %H:%M:%S} {self.site}: {message.title}")
        self._on_its_way.add(message.key)
        self._keeper.read(message)

    def _look_at(self, loop: Loop, event: Event) -> None:
        """After every step."""
        self.steps += 1
        self.tell(f"{self.truth.now:%d %H:%M:%S} {self.site}: {type(event).__name__}")
        forward = self._last is None or event.at >= self._last or isinstance(event, ClockStepped)
        assert forward, f"time went back from {self._last} to {event.at} with {type(event).__name__}"
        self._last = event.at
        state = loop.state
        owed = {s.key for s in (*state.owed.sendings, *(state.committing.sendings if state.committing else ()))}
        self._on_its_way -= {k for k, p in state.parcels.items() if p.state == "sent" and k not in owed}
        checks.told_once(self.phone, self.maybe_twice)
        checks.none_lingers(state)
        misdated = any(at <= self.truth.now for at, _ in self.course.steps)  # what a wrong clock wrote is in the store
        if not misdated and self._look.random() < 0.04:
            checks.recovered(loop.given, loop.state, self.share, loop.clock.now())

    def end(self) -> None:
        """Nothing dies any more: what is left is taken in, the process ends, and all that must hold in the end is checked."""
        self.fate.share = 0.0
        loop = self.living()
        while loop.state.batch is not None or self.broker.waiting or loop.state.wakes_at <= loop.clock.now():
            self.go_on()
        loop.note_results()
        loop.feed(Ends(loop.clock.now()))
        now = loop.clock.now()
        assert not self.broker.waiting, f"{len(self.broker.waiting)} messages were never taken in"
        checks.each_once(self.share, self.broker.acknowledged, now)
        checks.none_forgotten(self.share, self.phone, now)
        checks.severe_was_told(loop.state, now)
        checks.apart(self.site, self.share, self.phone, now)


def run(seed: int, hours: int, directory: Path, crashes: bool, tell: Callable[[str], None]) -> list[SiteTrial]:
    """Both sites of a seed, by turns, until their days are over."""
    store = MemoryStore()
    chance = Random(f"{seed} fate")
    steps = chance.random() < 0.3
    often = chance.choice([0.0005, 0.003, 0.02, 0.1]) if crashes else 0.0
    trials = []
    for site in SITES:
        garden = built(site, directory)
        share = store.of(garden.garden.site, _build.places(garden.garden))
        fate = Fate(Random(f"{seed} {site} deaths"), often)
        trials.append(SiteTrial(site, course_of(seed, site, hours, steps), garden, share, fate, tell))
    while not all(t.over for t in trials):
        for trial in trials:
            if not trial.over:
                trial.go_on()
    for trial in trials:
        trial.end()
    return trials


def trial(seed: int, hours: int, directory: Path, tell: Callable[[str], None] = lambda line: None) -> int:
    """The seed, and its twin that never dies: both keep every promise, and end with the same. Returns the steps taken.

    Raises:
        Failed: with the seed and what was broken.
    """
    try:
        died = run(seed, hours, directory, True, tell)
        steps = sum(t.steps for t in died)
        if any(t.course.steps for t in died) or not sum(t.fate.deaths for t in died):
            return (
                steps  # which step of the clock a dead process misses makes a difference; that promises hold was seen
            )
        lived = run(seed, hours, directory, False, lambda line: None)
        for one, other in zip(died, lived, strict=True):
            same(one.site, one.course, (one.share, one.phone), (other.share, other.phone))
        return steps + sum(t.steps for t in lived)
    except AssertionError as broken:
        raise Failed(f"seed {seed}: {broken}") from broken
