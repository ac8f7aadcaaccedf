"""The loop: the only order of calls. Live and replay run this same code; only the edges handed in differ.

    take in   what the inbox hands over: decode, assess, commit, and only then acknowledge
    turn      at each instant of the timetable: ask the rules, judge, compose messages, commit
    post      revise what waits in the outbox and hand it to the sender; note what became of it

One thread does all of it, so there is one writer and one order. Nothing here waits but `inbox.next_batch`.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Protocol

from sensord import entries, judge, ledger, lookback, postman, timetable, turn
from sensord.config import Settings
from sensord.config.people import WEEKDAYS
from sensord.garden import Garden
from sensord.language import Catalogue, Measure
from sensord.model import (
    AMBIENT,
    EPOCH,
    Arrival,
    Concern,
    Doubt,
    Entry,
    Gap,
    GapKind,
    Message,
    Quantity,
    Reading,
    Refusal,
    Severity,
    Standing,
    Telling,
    Verdict,
    concern_key,
    instant,
)
from sensord.payload import Decoder
from sensord.ports import Batch, Clock, Commit, Inbox, Sending, Shipping, Store, Transient
from sensord.quality import Assessor
from sensord.review import weeks
from sensord.review.words import sentences
from sensord.rules import Watch
from sensord.rules._watching import Patience, is_silent

log = logging.getLogger("sensord")

BATCH = 500
"""Most arrivals in one commit: enough to make the commit cheap, few enough to be done in a moment."""
SUMMARISE_EVERY = timedelta(minutes=10)
ALIVE_EVERY = timedelta(minutes=1)
SILENT_AFTER = 5
"""Intervals without a reading after which a probe's silence is recorded as a gap."""
ABSENCE = timedelta(minutes=15)
"""An absence of the daemon that the keeper is told of."""
MIDWEEK = 3
"""From Thursday on, a week's review is of the running week; before, of the last one. Chosen."""
PRUNE_EVERY = timedelta(days=1)
PRUNED_AT_ONCE = 50_000
"""Old readings deleted between two batches: few enough to be done in a moment."""
RETRY_COMMIT = timedelta(seconds=2)
REFUSALS_TOLD_EVERY = timedelta(minutes=10)
MOST_TOPICS = 1000
TOLD_WITHIN = timedelta(days=2)
"""No message holds for so long."""


class Sender(Protocol):
    """Carries messages off the loop's thread (live) or at once (replay)."""

    def offer(self, message: Message) -> bool:
        """Take the message for an attempt; False while busy."""

    def results(self) -> list[tuple[str, str | None]]:
        """(key, None) for what was delivered, (key, why) for what was not."""


@dataclass(slots=True)
class Counts:
    """What the loop has done since it started."""

    arrivals: int = 0
    readings: int = 0
    duplicates: int = 0
    refused: int = 0
    turns: int = 0
    messages: int = 0
    sent: int = 0
    heartbeat: datetime = field(default=EPOCH)


class Daemon:
    """The loop and what it keeps between two calls."""

    def __init__(
        self,
        settings: Settings,
        garden: Garden,
        texts: Catalogue,
        clock: Clock,
        inbox: Inbox,
        store: Store,
        sender: Sender,
        connected: Callable[[], tuple[bool, datetime | None]] = lambda: (True, None),
        on_step: Callable[[], None] = lambda: None,
        shipping: Shipping | None = None,
        facts: Callable[[], dict[str, str]] = dict,
    ) -> None:
        self.settings, self.garden, self.texts = settings, garden, texts
        self.clock, self.inbox, self.store, self.sender = clock, inbox, store, sender
        self.connected, self.on_step, self.shipping, self.facts = connected, on_step, shipping, facts
        self.counts = Counts()
        self.site = garden.site.name
        self._cadences = garden.cadences
        self._decoder = Decoder(settings.recipes)
        self._assessor = Assessor(garden.probes, garden.enclosures, garden.site)
        self._entry_topic = settings.broker.entry_topic
        self._spoken: list[Entry] = []
        self._standing: dict[str, Concern] = {}
        self._last_heard: dict[str, datetime] = {}
        self._silent: dict[str, Gap] = {}
        self._started: datetime | None = None
        self._waiting: tuple[list[Arrival], Batch] | None = None  # committed to nothing yet: the disk was full
        self._retry_at = EPOCH
        self._in_hand: set[str] = set()
        self._unwritten: list[Gap] = []
        self._owed_concerns: dict[tuple[str, datetime], Concern] = {}
        self._owed_messages: list[Message] = []
        self._owed_results: dict[str, str | None] = {}
        self._results: list[tuple[str, str | None]] = []
        self._shipping_trouble = ""
        self._failing: dict[str, str] = {}  # rules with a defect, by concern's key, with its words
        # topic → when a refusal was last logged, and how many came since
        self._refused: dict[str, tuple[datetime, int]] = {}
        self._unstored_since: datetime | None = None
        self._prune_at = EPOCH

    # --- the loop -------------------------------------------------------------------------------------------------

    def run(self, until: datetime | None = None, stopped: Callable[[], bool] = lambda: False) -> None:
        """Go on until `until` (replay, demonstration) or until `stopped` says so."""
        now = self.clock.now()
        self._begin(now)
        next_turn = timetable.next_turn(now, self._cadences.values())
        while not stopped():
            horizon = next_turn if until is None else min(next_turn, until)
            batch = self._hand_over(horizon)
            if batch:
                self._take_in(batch)
            now = self.clock.now()
            self.counts.heartbeat = now
            try:
                self._note_gaps()
                self._note_results()
                self._note_shipped(now)
                if not batch and now >= next_turn:
                    turn_at, next_turn = next_turn, timetable.turn_after(next_turn, now, self._cadences.values())
                    self._turn(turn_at)
            except Transient as trouble:
                log.error("the store can't be used at the moment: %s", trouble)
            if until is not None and not batch and now >= until:
                break
        self._note_results()
        self.store.summarise(self.clock.now())

    def _begin(self, now: datetime) -> None:
        """Take up where the last run left off."""
        self._started = now
        self._spoken = self.store.entries(self.site, EPOCH, now + timedelta(days=1))
        self._standing = {c.key: c for c in self.store.concerns(self.site)}
        lately: list[Reading] = []
        for probe in self.garden.probes:
            for quantity in sorted(probe.quantities):
                # what is dated ahead says nothing of what is usual now
                newest = self.store.latest(self.site, probe.name, quantity, now) or self.store.latest(
                    self.site, probe.name, quantity
                )
                if newest is None:
                    continue
                lately += self._before(newest)
            heard = turn.last_heard(self.store, probe, now)
            if heard is not None:
                self._last_heard[probe.name] = heard
        self._assessor.prime(lately)
        for gap in self.store.gaps(self.site, now - timedelta(days=30), now):
            if gap.kind is GapKind.SILENCE and gap.ended_at is None:
                self._silent[gap.subject] = gap
        alive = self.store.recall("alive")
        if alive is not None:
            self._say_absence(datetime.fromisoformat(alive), now)

    def _before(self, newest: Reading) -> list[Reading]:
        """The last hour of a series, by which the assessor knows what is usual for it."""
        site, probe, quantity, at = newest[:4]
        series = self.store.readings(site, probe, quantity, at - timedelta(hours=1), at + timedelta(milliseconds=1))
        return [
            Reading(site, probe, quantity, when, when, value, doubts)
            for seconds, value, doubts in zip(*series, strict=True)
            for when in (instant(round(seconds * 1000)),)
        ]

    def _say_absence(self, alive: datetime, now: datetime) -> None:
        """After an outage: record the gap, and tell the keeper from when to when nobody watched."""
        if now - alive <= 2 * ALIVE_EVERY:
            return
        self.store.add(Batch(gaps=[Gap(self.site, GapKind.STOPPED, "", alive, now)]))
        if now - alive >= ABSENCE:
            self.store.record(now, (), [postman.watched_again(alive, now, self._desk(now))])
        self.store.remember("alive", now.isoformat())

    def _desk(self, now: datetime) -> postman.Desk:
        """What the postman needs to know of the site, the keeper and the day."""
        day = now.astimezone(self.settings.zone).replace(hour=0, minute=0, second=0, microsecond=0)
        return postman.Desk(
            site=self.garden.site,
            enclosures=self.garden.enclosures,
            keeper=self.settings.keeper,
            texts=self.texts,
            standing=self._standing,
            lately=tuple(self.store.messages(self.site, now - timedelta(hours=36), now + timedelta(seconds=1))),
            day_began=day,
            has_stand_in=bool(self.settings.push.stand_in),
        )

    def _note_gaps(self) -> None:
        """Gaps that the inbox noticed: session lost, queue overflow, clock stepped."""
        gaps = self.inbox.gaps()
        if not gaps:
            return
        self._unwritten += gaps
        for gap in gaps:
            log.warning("gap (%s) from %s to %s: %s", gap.kind, gap.started_at, gap.ended_at, gap.detail)
            if gap.kind is GapKind.CLOCK:
                self.on_step()
        self.store.add(Batch(gaps=self._unwritten))
        self._unwritten.clear()

    # --- another database -----------------------------------------------------------------------------------------

    def _note_shipped(self, now: datetime) -> None:
        """Strike off what another database has got, and say when it can't be reached, or can again."""
        if self.shipping is None:
            return
        self.shipping.settle(now)
        trouble = self.shipping.trouble
        if trouble != self._shipping_trouble:
            if trouble:
                log.warning("not shipped: %s; what waits is kept and goes later", trouble)
            else:
                log.info("shipping works again")
            self._shipping_trouble = trouble
            self.store.remember("shipping trouble", trouble)

    def _prune(self, now: datetime) -> None:
        """Where another database has them, raw readings are kept here for a set time only; what is derived, for ever."""
        if self.shipping is None or now < self._prune_at:
            return
        kept = timedelta(days=self.settings.influx.raw_days_kept)
        deleted = self.store.prune(now - kept, PRUNED_AT_ONCE)
        self._prune_at = now + (SUMMARISE_EVERY if deleted >= PRUNED_AT_ONCE else PRUNE_EVERY)
        if deleted:
            log.info("deleted %d raw readings older than %d days", deleted, kept.days)

    # --- take in --------------------------------------------------------------------------------------------------

    def _hand_over(self, until: datetime) -> list[Arrival]:
        """The next arrivals; nothing new while an earlier batch could not be committed."""
        if self._waiting is not None and self.clock.now() >= self._retry_at:
            self._commit(*self._waiting)
        if self._waiting is None:
            return self.inbox.next_batch(until, BATCH)
        self.inbox.next_batch(min(until, self._retry_at), 0)
        return []

    def _take_in(self, arrivals: list[Arrival]) -> None:
        if self._waiting is not None:
            return
        readings: list[Reading] = []
        refusals: list[Refusal] = []
        spoken: list[Entry] = []
        undated: list[Arrival] = []
        for arrival in arrivals:
            if arrival.redelivered:
                first = self.store.first_receipt(arrival)
                if first is not None:
                    arrival = arrival._replace(received_at=first)  # it is the same message
            if arrival.topic == self._entry_topic:
                said = entries.decode(
                    arrival,
                    self.site,
                    [e.name for e in self.garden.enclosures],
                    [c.name for c in self.garden.cohorts],
                    self.garden.rules.keys(),
                )
                undated.append(arrival)
                if isinstance(said, Entry):
                    spoken.append(said)
                    concern = self._standing.get(said.subject)
                    act = ledger.implied(said, concern) if concern is not None else None
                    if act is not None:
                        spoken.append(act)  # "done" to "shade it" is shade
                else:
                    refusals.append(said)
                continue
            decoded = self._decoder.decode(arrival)
            readings += decoded.readings
            refusals += decoded.refusals
            if decoded.undated:
                undated.append(arrival)
        if not getattr(self.clock, "is_set", True):
            readings = [r._replace(doubts=r.doubts | Doubt.CLOCK) for r in readings]
        readings = self._assessor.assess(readings)
        self._commit(arrivals, Batch(readings, refusals, spoken, (), undated))

    def _commit(self, arrivals: list[Arrival], batch: Batch) -> None:
        """Durable first, acknowledged after."""
        try:
            added = self.store.add(batch)
        except Transient as trouble:
            if self._waiting is None:
                log.error("nothing can be stored: %s; the broker keeps what comes until this is mended", trouble)
                self._unstored_since = self.clock.now()
            self._waiting = (arrivals, batch)
            self._retry_at = self.clock.now() + RETRY_COMMIT
            return
        if self._waiting is not None:
            log.warning("storing works again")
            self._waiting = self._unstored_since = None
        self.inbox.acknowledge(arrivals)
        self._log_refusals(batch.refusals)
        for reading in batch.readings:
            if reading.received_at > self._last_heard.get(reading.probe, EPOCH):
                self._last_heard[reading.probe] = reading.received_at
        if batch.entries:
            self._spoken = sorted({*self._spoken, *batch.entries}, key=lambda e: e.at)
        self.counts.arrivals += len(arrivals)
        self.counts.readings += added.stored
        self.counts.duplicates += added.duplicates
        self.counts.refused += added.refused

    def _log_refusals(self, refusals: Sequence[Refusal]) -> None:
        """The first of a topic, then one in ten minutes with the number of the others: the store keeps them all the same."""
        for topic, reason in ((r.topic, r.reason) for r in refusals):
            now = self.clock.now()
            since, others = self._refused.get(topic, (EPOCH, 0))
            if now - since < REFUSALS_TOLD_EVERY:
                self._refused[topic] = (since, others + 1)
                continue
            log.warning(
                "refused: %s: %s%s", topic, reason, f" (and {others} more since {since:%H:%M} UTC)" if others else ""
            )
            if len(self._refused) >= MOST_TOPICS:
                self._refused.clear()
            self._refused[topic] = (now, 0)

    # --- turn -----------------------------------------------------------------------------------------------------

    def _turn(self, now: datetime) -> None:
        self.counts.turns += 1
        with self._although_full("gaps and summaries wait"):
            self._note_silence(now)
            if (now - EPOCH) % SUMMARISE_EVERY == timedelta():
                self.store.summarise(now)
                self._prune(now)
        outcome = turn.take(
            self.garden,
            self.store,
            timetable.due(now, self._cadences),
            self._standing,
            self._spoken,
            self._watch(),
            now,
        )
        self._note_defects(outcome)
        self._take_over(outcome.concerns)
        desk = self._desk(now)
        post = postman.compose(outcome.notices, desk, now)
        self._take_over(post.concerns)
        messages = [*post.messages, *postman.stand_in(desk, now)]
        with self._although_full("a line of the day waits"):
            messages += [*self._morning_line(desk, now), *self._week_told(desk, now)]
        for message, why in (*post.held, *post.waiting):
            log.info("held back: %s (%s)", message.title, why)
        for name in post.missing:
            log.error("a text names a number that its rule did not give: %s", name)
        self._record(now, [*outcome.concerns, *post.concerns], outcome.verdicts, messages, post.held)
        self.counts.messages += len(messages)
        self._post(now)

    def _take_over(self, concerns: Iterable[Concern]) -> None:
        """What stands is what was found last."""
        for concern in concerns:
            if concern.standing is Standing.OVER:
                self._standing.pop(concern.key, None)
            else:
                self._standing[concern.key] = concern

    def _note_defects(self, outcome: turn.Outcome) -> None:
        """Log a rule's defect when it is news; the `watch` rule tells the keeper at the next turn."""
        found = {key: f"{type(defect).__name__}: {defect}" for key, defect in outcome.defects}
        for key, defect in outcome.defects:
            if self._failing.get(key) != found[key]:
                log.error("the rule %s has a defect and can't judge: %s", key, found[key], exc_info=defect)
        for verdict in outcome.verdicts:
            self._failing.pop(concern_key(verdict.rule, verdict.subject), None)
        self._failing |= found

    @contextmanager
    def _although_full(self, what: str) -> Iterator[None]:
        """Go on with the turn where something beside it can't be stored."""
        try:
            yield
        except Transient as trouble:
            log.error("%s: %s", what, trouble)

    def _record(
        self,
        now: datetime,
        concerns: Sequence[Concern],
        verdicts: Sequence[Verdict],
        messages: list[Message],
        held: Sequence[tuple[Message, str]],
    ) -> None:
        """One transaction for the turn; what can't be stored is owed to the next one, and what is Severe goes anyway."""
        for concern in concerns:
            self._owed_concerns[concern.key, concern.breached_since] = concern
        self._owed_messages += messages
        try:
            self.store.record(
                now, self._owed_concerns.values(), self._owed_messages, verdicts, held=held
            )  # fmt: skip
        except Transient as trouble:
            log.error("a turn could not be stored: %s; what is urgent in it goes out all the same", trouble)
            for message in messages:
                if message.severity >= Severity.SEVERE:
                    self.sender.offer(message)
            return
        self._owed_concerns.clear()
        self._owed_messages.clear()
        for key in list(self._owed_results):
            self._note_result(key, self._owed_results.pop(key))
        if (now - EPOCH) % ALIVE_EVERY == timedelta():
            self.store.remember("alive", now.isoformat())
            for name, fact in self.facts().items():
                if self.store.recall(name) != fact:
                    self.store.remember(name, fact)

    def _watch(self) -> Watch:
        connected, since = self.connected()
        return Watch(
            running_since=self._started or EPOCH,
            clock_is_set=getattr(self.clock, "is_set", True),
            last_heard=self._last_heard,
            connected=connected,
            disconnected_since=since,
            open_gaps=tuple(self._silent.values()),
            unshipped_since=self.shipping.unshipped_since if self.shipping else None,
            shipping_trouble=self._shipping_trouble,
            failing=tuple(sorted(self._failing)),
            unstored_since=self._unstored_since,
        )

    def _note_silence(self, now: datetime) -> None:
        """A probe's silence is a gap while it lasts."""
        for probe in self.garden.probes:
            heard = self._last_heard.get(probe.name, self._started or now)
            silent = now - heard > SILENT_AFTER * timedelta(seconds=probe.interval_s)
            gap = self._silent.get(probe.name)
            if silent and gap is None:
                gap = Gap(self.site, GapKind.SILENCE, probe.name, heard, None)
                self.store.add(Batch(gaps=[gap]))
                self._silent[probe.name] = gap
            elif not silent and gap is not None:
                self.store.close_gap(gap._replace(ended_at=heard))
                del self._silent[probe.name]

    def _morning_line(self, desk: postman.Desk, now: datetime) -> Sequence[Message]:
        """Once a day, at the keeper's time: so that silence means trouble."""
        local = now.astimezone(self.settings.zone)
        at = self.settings.keeper.morning_line_at
        if not at or not at <= local.strftime("%H:%M") < f"{int(at[:2]) + 2:02d}{at[2:]}":
            return ()
        if self.store.recall("morning line") == local.date().isoformat():
            return ()
        night = self._night_minimum(now)
        held = sum(p.state == "held" for p in self.store.messages(self.site, now - timedelta(days=1), now))
        self.store.remember("morning line", local.date().isoformat())
        watch, patience = self._watch(), self.garden.parameters["silent", ""]
        assert isinstance(patience, Patience)
        heard = (p for p in self.garden.probes if p.name in self._last_heard and not is_silent(watch, p, patience, now))
        watched = {p.place for p in heard}
        return (postman.morning_line(desk, night, watched - {AMBIENT}, now, held, self._spoken),)

    def _week_told(self, desk: postman.Desk, now: datetime) -> Sequence[Message]:
        """Once a week, at the chosen day and time: how it was. The picture is made when the message is sent."""
        chosen, local = self.settings.review, now.astimezone(self.settings.zone)
        if not chosen.at or WEEKDAYS[local.weekday()] != chosen.day:
            return ()
        if not chosen.at <= local.strftime("%H:%M") < f"{int(chosen.at[:2]) + 2:02d}{chosen.at[2:]}":
            return ()
        days_back = 0 if local.weekday() >= MIDWEEK else 7  # early in a week, it is the last one that is told
        week = weeks.week_label(local.date() - timedelta(days=days_back))
        told = {m.attachment for m in (*(p.message for p in desk.lately), *self._owed_messages)}
        if postman.picture_of(week) in told:
            return ()
        since = lookback.season_start(self.garden, chosen.season_start, local.date())
        try:
            span = weeks.week(week, self.settings.zone)
            review = lookback.look_back(self.store, self.garden, span, since, now)
        except (Transient, ValueError) as trouble:  # whatever a review comes upon, the watch goes on
            log.error("the week can't be looked back on: %s", trouble)
            return ()
        words = sentences(review, Measure(self.texts, self.settings.keeper.units, self.settings.zone))
        return (postman.week_told(words, week, desk, now),)

    def _night_minimum(self, now: datetime) -> float | None:
        """Of all enclosures since the evening before [°C]."""
        low = [
            value
            for enclosure in self.garden.enclosures
            for probe in self.garden.probes_at(enclosure.name, Quantity.TEMPERATURE)[:1]
            for value, doubts in zip(
                *self.store.readings(self.site, probe.name, Quantity.TEMPERATURE, now - timedelta(hours=11), now)[1:],
                strict=True,
            )
            if not doubts & Doubt.UNUSABLE
        ]
        return min(low, default=None)

    # --- post -----------------------------------------------------------------------------------------------------

    def _post(self, now: datetime) -> None:
        """Judge again what waits, and hand over what still holds."""
        for parcel in self.store.outbox(now):
            if parcel.message.key in self._in_hand:
                continue
            revised = postman.revise(parcel, self._desk(now), now)  # with all that was recorded up to here
            if isinstance(revised, postman.Keep):
                self._hand_to_sender(parcel.message)
            elif isinstance(revised, postman.Replace):
                withdrawn = [(parcel.message.key, revised.why)]
                self.store.record(now, revised.concerns, [revised.message], withdrawn=withdrawn)
                self._take_over(revised.concerns)
                log.info("replaced before sending: %s (%s)", parcel.message.title, revised.why)
                if revised.message.not_before is None or revised.message.not_before <= now:
                    self._hand_to_sender(revised.message)
            elif revised.undelivered:
                given_up = Sending(parcel.message.key, now, revised.why, None)
                self.store.commit(Commit(now, concerns=revised.concerns, sendings=[given_up]))
                self._take_over(revised.concerns)
                log.error("never delivered: %s (%s)", parcel.message.title, revised.why)
            else:
                self.store.record(now, revised.concerns, (), withdrawn=[(parcel.message.key, revised.why)])
                self._take_over(revised.concerns)
                log.info("withdrawn before sending: %s (%s)", parcel.message.title, revised.why)
        self._note_results()

    def _hand_to_sender(self, message: Message) -> None:
        if self.sender.offer(message):
            self._in_hand.add(message.key)

    def _note_results(self) -> None:
        """What became of the attempts; a failure waits for its next attempt in the outbox."""
        self._results += self.sender.results()
        while self._results:
            key, trouble = self._results[0]
            if any(message.key == key for message in self._owed_messages):
                self._owed_results[key] = trouble  # sent before it could be stored
            else:
                self._note_result(key, trouble)  # raises while nothing can be stored; then it stays the first
            self._in_hand.discard(key)
            self._results.pop(0)

    def _note_result(self, key: str, trouble: str | None) -> None:
        now = self.clock.now()
        if trouble is None:
            told = self._told(key, now)
            self.store.commit(Commit(now, concerns=told, sendings=[Sending(key, now, None, None)]))
            self._take_over(told)
            self.counts.sent += 1
            return
        parcel = next((p for p in self.store.outbox() if p.message.key == key), None)
        if parcel is not None:
            self.store.failed(key, now, now + postman.next_attempt(parcel.attempts + 1), trouble)
            log.warning("not delivered (%s), attempt %d: %s", parcel.message.title, parcel.attempts + 1, trouble)

    def _told(self, key: str, now: datetime) -> list[Concern]:
        """The concerns that the phone knows of now, also of those that ended with this message."""
        parcels = self.store.messages(self.site, now - TOLD_WITHIN, now + timedelta(seconds=1))
        message = next((p.message for p in parcels if p.message.key == key), None)
        if message is None:
            return []
        ended: dict[str, Concern] = {}
        if message.telling is Telling.OVER:
            past = self.store.past_concerns(self.site, now - TOLD_WITHIN, now + timedelta(seconds=1))
            ended = {c.key: c for c in past}
        found = [self._standing.get(key) or ended.get(key) for key in message.concerns]
        return [after for c in found if c is not None and (after := judge.delivered(c, message, now)) != c]
