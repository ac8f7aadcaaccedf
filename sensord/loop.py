"""The loop: carries out what the engine wants done, in order, and feeds back what became of it. It decides nothing.

    next_batch   the inbox waits until something arrives or the engine wants to be asked
    feed         event → step → effects, each carried out; its outcome is the next event, until there is none

Live, replay, demonstration and simulation run this same loop over their own edges.
"""

from __future__ import annotations

import gc
import logging
from collections import deque
from collections.abc import Callable
from datetime import datetime

from sensord.engine.effects import Acknowledge, Effect, LookBack, MakeDurable, Prune, Send, Summarise, Tell
from sensord.engine.events import (
    Began,
    ClockStepped,
    Committed,
    Due,
    Ends,
    Event,
    LinkBack,
    LinkLost,
    LookedBack,
    Missed,
    NotCommitted,
    Noticed,
    NotSent,
    NotTaken,
    Pruned,
    Sent,
    Surroundings,
)
from sensord.engine.recovery import lately, memory_of
from sensord.engine.state import Counts, EngineState, Given, awake
from sensord.engine.step import step
from sensord.intake.reception import Reception
from sensord.model import EPOCH
from sensord.ports import Clock, Inbox, Sender, Share, Shipping, Transient

log = logging.getLogger("sensord")

BATCH = 500
"""Most arrivals in one commit: enough to make the commit cheap, few enough to be done in a moment."""

Reviewer = Callable[[str, datetime], tuple[str, ...]]
"""The sentences of a week's review, as known at an instant. Raises ValueError or Transient where it can't be made."""


class Loop:
    """One garden's loop. What the world tells beside what comes through the inbox:

    Args:
        connected: whether the broker is there, and since when not.
        facts: what the edges must know again after a restart.
        on_step: the clock has stepped: whoever waits for an instant lays it anew.
        shipping: what carries everything to another database as well.
        sums_up_late: hours and days are brought up to date only when somebody looks: in a replay nobody does meanwhile.
    """

    def __init__(
        self,
        given: Given,
        reception: Reception,
        clock: Clock,
        inbox: Inbox,
        store: Share,
        sender: Sender,
        review: Reviewer,
        connected: Callable[[], tuple[bool, datetime | None]] = lambda: (True, None),
        facts: Callable[[], dict[str, str]] = dict,
        on_step: Callable[[], None] = lambda: None,
        shipping: Shipping | None = None,
        sums_up_late: bool = False,
    ) -> None:
        self.given, self.reception = given, reception
        self.clock, self.inbox, self.store, self.sender = clock, inbox, store, sender
        self._connected, self._facts, self._on_step = connected, facts, on_step
        self._review, self._shipping, self._sums_up_late = review, shipping, sums_up_late
        self.heartbeat: datetime = EPOCH  # until when everything was taken in and judged
        self.state = EngineState(EPOCH, EPOCH)

    @property
    def counts(self) -> Counts:
        """What was done since the loop began."""
        return self.state.counts

    def run(
        self, until: datetime | None = None, stopped: Callable[[], bool] = lambda: False, sums_up: bool = True
    ) -> None:
        """Go on until `until` (replay, demonstration) or until `stopped` says so.

        `sums_up`: hours and days are brought up to date at the end. A store that is thrown away needs none: it is a
        twentieth of a replay.
        """
        gc.freeze()  # what was built stays: no need to look through it for garbage again and again
        self.begin()
        while not stopped():
            if self.once(until) and until is not None and self.clock.now() >= until:
                break
        self.note_results()
        self.feed(Ends(self.clock.now()))
        if sums_up:
            self._although_full("summaries wait", lambda: self.store.journal.summarise(self.clock.now()))

    def begin(self) -> None:
        """Take up where the last run left off."""
        now = self.clock.now()
        self.state = awake(self.given, memory_of(self.store, self.given, now), now)
        self.reception.prime(lately(self.store.readings, self.given, now))
        self.feed(Began(now))

    def once(self, until: datetime | None = None) -> bool:
        """Wait for what comes next and deal with it; True where nothing came in."""
        state = self.state
        horizon = state.wakes_at if until is None else min(state.wakes_at, until)
        batch = self.inbox.next_batch(horizon, BATCH if state.has_room else 0)
        now = self._note_steps()
        self._note_world(now)
        if batch:
            self.feed(self.reception.take(batch, now, self.store.journal.first_receipt, self._clock_is_set()))
        self.note_results()
        if not batch and now >= self.state.wakes_at:
            self.feed(Due(now, self._surroundings(now)))
        self.heartbeat = now
        return not batch

    def feed(self, event: Event) -> None:
        """One event, and all that follows from it."""
        events = deque([event])
        while events:
            self.state, effects = step(self.given, self.state, events.popleft())
            for effect in effects:
                outcome = self._carry_out(effect)
                if outcome is not None:
                    events.append(outcome)
            events.extend(self._results())

    def note_results(self) -> None:
        """What became of the attempts since the last look."""
        for event in self._results():
            self.feed(event)

    def _results(self) -> list[Event]:
        now = self.clock.now()
        return [Sent(now, key) if why is None else NotSent(now, key, why) for key, why in self.sender.results()]

    # --- the world around

    def _note_steps(self) -> datetime:
        """The time as it is once every step of the clock is known."""
        now = self.clock.now()
        for before, after in self.clock.steps():
            self._on_step()
            self.feed(ClockStepped(after, before))
            now = self.clock.now()
        return now

    def _note_world(self, now: datetime) -> None:
        gaps = self.inbox.gaps()
        if gaps:
            self.feed(Missed(now, tuple(gaps)))
        connected, since = self._connected()
        if connected != self.state.connected or (not connected and since != self.state.disconnected_since):
            self.feed(LinkBack(now) if connected else LinkLost(now, since))
        if self._shipping is not None:
            try:
                self._shipping.settle(now)
            except Transient as trouble:
                log.error("the store can't be used at the moment: %s", trouble)
            if self._shipping.trouble != self.state.shipping_trouble:
                self.feed(Noticed(now, self._surroundings(now)))

    def _clock_is_set(self) -> bool:
        return bool(getattr(self.clock, "is_set", True))

    def _surroundings(self, now: datetime) -> Surroundings:
        shipping = self._shipping
        return Surroundings(
            clock_is_set=self._clock_is_set(),
            shipping_trouble=shipping.trouble if shipping else "",
            unshipped_since=shipping.unshipped_since if shipping else None,
            facts=self._facts(),
        )

    # --- effects

    def _carry_out(self, effect: Effect) -> Event | None:  # one line an effect is the point
        now = self.clock.now()
        match effect:
            case MakeDurable(number, commit):
                try:
                    return Committed(now, number, self.store.journal.commit(commit))
                except Transient as trouble:
                    return NotCommitted(now, number, str(trouble))
            case Acknowledge(arrivals):
                self.inbox.acknowledge(arrivals)
            case Send(message):
                return None if self.sender.offer(message) else NotTaken(now, message.key)
            case Tell(level, line, defect):
                log.log(level, "%s", line, exc_info=defect)
            case Summarise(at):
                if not self._sums_up_late:
                    self._although_full("summaries wait", lambda: self.store.journal.summarise(at))
            case Prune(before, most):
                deleted = self._although_full("old readings stay", lambda: self.store.journal.prune(before, most))
                return Pruned(now, deleted or 0)
            case LookBack(week, at):
                if self._sums_up_late:
                    self._although_full("summaries wait", lambda: self.store.journal.summarise(at))
                return self._looked_back(week, at)
        return None

    def _although_full(self, what: str, work: Callable[[], int]) -> int | None:
        """Go on where something beside the watch can't be stored."""
        try:
            return work()
        except Transient as trouble:
            log.error("%s: %s", what, trouble)
            return None

    def _looked_back(self, week: str, at: datetime) -> LookedBack:
        """Whatever a review comes upon, the watch goes on."""
        try:
            return LookedBack(at, week, self._review(week, at))
        except (Transient, ValueError) as trouble:
            log.error("the week can't be looked back on: %s", trouble)
            return LookedBack(at, week, ())
        except Exception:
            log.exception(
                "week %s can't be looked back on, by a defect; it is not tried again before the next start", week
            )
            return LookedBack(at, week, (), is_hopeless=True)
