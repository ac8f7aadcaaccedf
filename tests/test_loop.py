"""The loop: what it promises when the world fails it. Garden, clock and channels are the tests' own; the store is real."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from sensord.adapters.clock import SteppedClock
from sensord.adapters.push import RecordingChannel
from sensord.adapters.sender import InlineSender
from sensord.commands import _build, _house
from sensord.intake import entries
from sensord.intake.quality import Assessor
from sensord.loop import Loop
from sensord.model import EPOCH, Arrival, Gap, GapKind, Message, Quantity, Reading, Severity, Standing
from sensord.ports import Added, Commit, Journal, Sending, Transient
from simulators import scenario
from tests.kept import Kept, opened

START = datetime(2026, 8, 20, 16, 0, tzinfo=UTC)  # noon in the garden
MINUTE, DAY = timedelta(minutes=1), timedelta(days=1)
BIRCH = "overheating/birch"


class Feed:
    """An inbox of made-up arrivals that notes what was acknowledged."""

    def __init__(self, clock: SteppedClock, arrivals: Sequence[Arrival], gaps: Sequence[Gap] = ()) -> None:
        self._clock, self._arrivals, self._gaps = clock, list(arrivals), list(gaps)
        self.acknowledged: list[Arrival] = []

    def next_batch(self, until: datetime, limit: int) -> list[Arrival]:
        """What comes before `until`."""
        batch = [a for a in self._arrivals if a.received_at < until][:limit]
        del self._arrivals[: len(batch)]
        self._clock.advance_to(batch[-1].received_at if batch else until)
        return batch

    def will_come(self, arrivals: Sequence[Arrival]) -> None:
        """More than was known at the start."""
        self._arrivals += arrivals

    def acknowledge(self, batch: Sequence[Arrival]) -> None:
        """Note it."""
        self.acknowledged += batch

    def gaps(self) -> list[Gap]:
        """What was given, once."""
        gaps, self._gaps = self._gaps, []
        return gaps

    def close(self) -> None:
        """Nothing."""


class Full:
    """A journal whose disk is full for a while."""

    refuses = 0

    def __init__(self, journal: Journal) -> None:
        self._journal = journal

    def __getattr__(self, name: str) -> Any:
        return getattr(self._journal, name)

    def commit(self, commit: Commit) -> Added:
        """Refuse as long as told to."""
        if self.refuses:
            self.refuses -= 1
            raise Transient("the disk is full")
        return self._journal.commit(commit)


class Fuller(Full):
    """A journal whose disk is full from one instant to another: nothing at all can be written."""

    full_from = full_until = EPOCH
    clock: Any = None

    def commit(self, commit: Commit) -> Added:
        """Refuse meanwhile."""
        if self.full_from <= self.clock.now() < self.full_until:
            raise Transient("the disk is full")
        return self._journal.commit(commit)


def house() -> _house.OneGarden:
    """The demonstration garden."""
    return _house.understood(scenario.configuration("larkfield"), scenario.HERE / "larkfield.toml")


def store_of(built: _house.OneGarden, path: Path, kind: Callable[[Journal], Any] = lambda journal: journal) -> Kept:
    """A store in `path`, with a journal of that kind."""
    store = opened(built, path, durable=False)
    store.parts = replace(store.parts, journal=kind(store.parts.journal))
    return store


def minutes(temperature_c: float, count: int, start: datetime = START) -> list[Arrival]:
    """Birch's probe at a steady temperature, and the shaded post at 30 °C."""
    found = []
    for n in range(count):
        at = start + n * MINUTE
        wiggle = 0.0625 * (n % 3)
        air = f'{{"celsius": {temperature_c + wiggle}, "percent": {40 + n % 2}}}'
        found.append(Arrival(at, "larkfield/birch/climate", f'{{"air": {air}, "taken": "{at.isoformat()}"}}'.encode()))
        pack = f'[{{"n":"x:temperature","u":"Cel","v":{30 + wiggle}}},{{"n":"x:humidity","u":"%RH","v":{50 + n % 2}}}]'
        found.append(Arrival(at + timedelta(seconds=1), "larkfield/post/climate", pack.encode()))
    return found


def live(built: _house.OneGarden, store: Kept, arrivals: Sequence[Arrival], channel: Any, **more: Any) -> Loop:
    """A loop over these arrivals."""
    start = arrivals[0].received_at if arrivals else START
    clock = SteppedClock(more.pop("start", start))
    inbox = Feed(clock, arrivals, more.pop("gaps", ()))
    sender = InlineSender({"phone": channel, "stand-in": channel})
    return _build.loop(built, clock, inbox, store, sender, **more)


def test_what_the_store_refuses_is_not_acknowledged_and_not_lost(tmp_path: Path) -> None:
    """While the disk is full nothing is acknowledged; when it has room again, everything is stored, once."""
    built = house()
    store = store_of(built, tmp_path / "s.sqlite3", Full)
    arrivals = minutes(31, 10)
    loop = live(built, store, arrivals, RecordingChannel())
    Full.refuses = 3
    loop.run(until=START + 20 * MINUTE)
    assert isinstance(loop.inbox, Feed)
    assert loop.inbox.acknowledged == arrivals
    series = store.readings.series("birch-1", Quantity.TEMPERATURE, START, START + 20 * MINUTE)
    assert len(series.values) == 10
    store.close()


def test_a_stream_of_refusals_does_not_flood_the_log(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    """The first of a topic is logged at once, then one in ten minutes with the number of the others; all are kept."""
    built = house()
    store = store_of(built, tmp_path / "s.sqlite3")
    bad = [Arrival(START + timedelta(seconds=n), "larkfield/birch/climate", b"nonsense") for n in range(1500)]
    live(built, store, bad, RecordingChannel()).run(until=START + 30 * MINUTE)
    said = [r.getMessage() for r in caplog.records if r.getMessage().startswith("refused")]
    assert len(said) == 3
    assert "more since" in said[1]
    assert store.accounts.counters()["refused"] == 1500
    store.close()


def test_a_full_disk_is_told_although_it_is_full(tmp_path: Path) -> None:
    """After five minutes the phone knows, by a message that can't be stored itself; once, and not again in that hour."""
    built = house()
    store = store_of(built, tmp_path / "s.sqlite3", Fuller)
    phone = RecordingChannel()
    loop = live(built, store, minutes(31, 40), phone)
    Fuller.full_from, Fuller.full_until = START + 5 * MINUTE, START + 30 * MINUTE
    Fuller.clock = loop.clock
    loop.run(until=START + 60 * MINUTE)
    (told,) = [m for m in phone.messages if m.title == "Nothing can be stored: look at the computer"]
    assert timedelta(minutes=5) < told.at - START - 5 * MINUTE <= timedelta(minutes=11)
    series = store.readings.series("birch-1", Quantity.TEMPERATURE, START, START + 60 * MINUTE)
    assert len(series.values) == 40
    store.close()


def test_a_rule_that_fails_takes_no_other_with_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """It is logged once with its cause, the keeper is told what is not watched, and heat is told all the same."""
    built = house()

    def fail(*_: object) -> None:
        raise ArithmeticError("the ballast must be between 0 and 1000 kg")

    monkeypatch.setattr(type(built.garden.rules["storm"]), "decide", fail)
    store = store_of(built, tmp_path / "s.sqlite3")
    phone = RecordingChannel()
    live(built, store, minutes(39.5, 90), phone).run(until=START + 90 * MINUTE)
    (told,) = [m for m in phone.messages if m.rule == "watch"]
    assert told.title == "A part of the watch has failed"
    assert "storm/alder, storm/birch, storm/cedar" in told.text
    assert any(m.rule == "overheating" for m in phone.messages)
    logged = [r for r in caplog.records if "storm/birch has a defect" in r.getMessage()]
    assert len(logged) == 1
    assert logged[0].exc_info
    store.close()


def test_what_the_inbox_must_know_after_a_restart_is_remembered(tmp_path: Path) -> None:
    """As it was at the last minute."""
    built = house()
    store = store_of(built, tmp_path / "s.sqlite3")
    facts: dict[str, str] = {}
    loop = live(built, store, minutes(31, 3), RecordingChannel(), facts=lambda: facts)
    loop.run(until=START + 3 * MINUTE)
    assert store.facts.recall("subscribed") is None
    facts["subscribed"] = '["garden/#"]'
    loop.run(until=START + 6 * MINUTE)
    assert store.facts.recall("subscribed") == '["garden/#"]'
    store.close()


def test_a_message_survives_a_restart_and_arrives(tmp_path: Path) -> None:
    """What the phone did not take waits in the outbox, is shown as waiting, and goes after a restart."""
    built = house()
    store = store_of(built, tmp_path / "s.sqlite3")
    dead = RecordingChannel(failures=[Transient("no network")] * 1000)
    live(built, store, minutes(39.5, 90), dead).run(until=START + 90 * MINUTE)
    assert store.outbox.due(), "the heat was worth a message"
    assert store.outbox.due()[0].attempts >= 1
    store.close()
    store = store_of(built, tmp_path / "s.sqlite3")
    phone = RecordingChannel()
    later = START + 91 * MINUTE
    live(built, store, minutes(39.5, 30, later), phone).run(until=later + 30 * MINUTE)
    assert any("Birch" in m.title for m in phone.messages)
    assert not [p for p in store.outbox.due() if p.attempts]
    store.close()


def test_told_is_stored_with_the_delivery(tmp_path: Path) -> None:
    """While the phone is out of reach the store says asked, not told; after the delivery it says told, for ever."""
    built = house()
    store = store_of(built, tmp_path / "s.sqlite3")
    dead = RecordingChannel(failures=[Transient("no network")] * 1000)
    live(built, store, minutes(39.5, 60), dead).run(until=START + 60 * MINUTE)
    (hot,) = [c for c in store.concerns.standing() if c.key == BIRCH]
    assert (hot.tellings, hot.told_at) == (0, None)
    assert hot.asked is not None
    phone = RecordingChannel()
    later = START + 61 * MINUTE
    live(built, store, minutes(39.5, 45, later), phone).run(until=later + 45 * MINUTE)
    (hot,) = [c for c in store.concerns.standing() if c.key == BIRCH]
    assert hot.tellings == sum(BIRCH in m.concerns and m.route == "phone" for m in phone.messages) > 0
    assert hot.told_at is not None
    assert hot.told_at >= later
    store.close()


def test_one_push_for_one_thing_after_an_outage(tmp_path: Path) -> None:
    """It gets worse in the very turn in which the older message is due again: only the newer one goes.

    The loop must judge what is due by what it has just recorded, not by what it knew before.
    """
    built, arrivals = house(), [*minutes(34.5, 90), *minutes(39.0, 120, START + 90 * MINUTE)]
    store = store_of(built, tmp_path / "first.sqlite3")
    live(built, store, arrivals, RecordingChannel(failures=[Transient("no network")] * 1000)).run(START + 210 * MINUTE)
    about = [p.message for p in store.outbox.between(START, START + DAY) if BIRCH in p.message.concerns]
    worse_at = next(m.at for m in about if m.severity > about[0].severity and m.at > about[0].at)
    store.close()

    store = store_of(built, tmp_path / "second.sqlite3")
    before = [a for a in arrivals if a.received_at < worse_at - MINUTE]
    dead = RecordingChannel(failures=[Transient("no network")] * 1000)
    live(built, store, before, dead).run(worse_at - MINUTE)
    waiting = [p.message.key for p in store.outbox.due() if BIRCH in p.message.concerns]
    assert waiting
    store.journal.commit(
        Commit(worse_at - MINUTE, sendings=[Sending(key, worse_at - MINUTE, "no network", worse_at) for key in waiting])
    )
    phone = RecordingChannel()
    live(built, store, arrivals[len(before) :], phone, start=worse_at - MINUTE).run(worse_at + timedelta(seconds=1))
    assert sum(BIRCH in m.concerns and m.route == "phone" for m in phone.messages) == 1
    (hot,) = [c for c in store.concerns.standing() if c.key == BIRCH]
    assert (hot.tellings, hot.asked) == (1, None)
    store.close()


def test_after_an_outage_the_keeper_learns_from_when_to_when_nobody_watched(tmp_path: Path) -> None:
    """A stop of two hours is recorded as a gap and told once."""
    built = house()
    store = store_of(built, tmp_path / "s.sqlite3")
    live(built, store, minutes(25, 10), RecordingChannel()).run(until=START + 10 * MINUTE)
    later = START + timedelta(hours=2)
    phone = RecordingChannel()
    live(built, store, minutes(25, 5, later), phone).run(until=later + 5 * MINUTE)
    told = [m for m in phone.messages if m.rule == "watched again"]
    assert len(told) == 1
    stopped = [g for g in store.readings.gaps(START, later + MINUTE) if g.kind is GapKind.STOPPED]
    assert len(stopped) == 1
    assert stopped[0].ended_at == later
    store.close()


def test_a_refused_payload_is_kept_and_the_stream_goes_on(tmp_path: Path) -> None:
    """Garbage between good messages is stored as refused, acknowledged, and costs no reading."""
    built = house()
    store = store_of(built, tmp_path / "s.sqlite3")
    good = minutes(25, 3)
    bad = Arrival(START + timedelta(seconds=30), "larkfield/cedar/temperature", b"\xff not a number")
    loop = live(built, store, sorted([*good, bad], key=lambda a: a.received_at), RecordingChannel())
    loop.run(until=START + 5 * MINUTE)
    (refusal,) = store.accounts.refusals()
    assert refusal.topic == bad.topic
    assert refusal.payload == bad.payload
    assert loop.counts.refused == 1
    assert loop.counts.readings == 12
    store.close()


def test_a_message_that_meets_a_defect_is_refused_and_the_others_are_taken(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """A reading and an entry that bring down what understands them: both are acknowledged and kept with the reason, the
    traceback is logged, and every other message of the same batch is stored."""
    built = house()
    store = store_of(built, tmp_path / "s.sqlite3")
    good = minutes(25, 3)
    bad = [
        Arrival(START, "larkfield/cedar/temperature", b"13.0"),
        Arrival(START, "sensord/entry", b'{"what": "shaded", "subject": "cedar"}'),
        Arrival(START + timedelta(seconds=9), "larkfield/cedar/temperature", b"13.0"),
    ]
    decode, assess = entries.decode, Assessor._assess

    def fails(arrival: Arrival, *more: Any) -> Any:
        return decode(arrival, *more) if b"cedar" not in arrival.payload else {}["shade"]

    def fails_too(self: Assessor, reading: Reading) -> Reading:
        return assess(self, reading) if reading.value != 13.0 else reading._replace(value=1 / 0)

    monkeypatch.setattr(entries, "decode", fails)
    monkeypatch.setattr(Assessor, "_assess", fails_too)
    loop = live(built, store, [*bad, *good], RecordingChannel())
    loop.run(until=START + 5 * MINUTE)
    assert isinstance(loop.inbox, Feed)
    assert loop.inbox.acknowledged == [*bad, *good]
    kept = sorted((r.topic, r.payload, r.reason) for r in store.accounts.refusals())
    assert [(topic, payload) for topic, payload, _ in kept] == sorted((a.topic, a.payload) for a in bad)
    assert {reason for _, _, reason in kept} == {
        "a defect of sensord's: ZeroDivisionError: division by zero",
        "a defect of sensord's: KeyError: 'shade'",
    }
    assert loop.counts.readings == 12
    logged = [r.exc_info[0] for r in caplog.records if "a defect of sensord's" in r.getMessage() and r.exc_info]
    assert logged == [ZeroDivisionError, KeyError], "each kind once"
    store.close()


def test_a_week_that_can_not_be_looked_back_on_stops_no_watch(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """A defect in the review is logged once, with its traceback, and the readings after it are stored."""
    built = house()
    review = built.settings.review.model_copy(update={"day": "thursday", "at": "12:10"})
    built = replace(built, settings=built.settings.model_copy(update={"review": review}))

    def look_back(week: str, at: datetime) -> tuple[str, ...]:
        raise OverflowError("date value out of range")

    monkeypatch.setattr(_build, "reviewer", lambda *_: look_back)
    store = store_of(built, tmp_path / "s.sqlite3")
    loop = live(built, store, minutes(25, 40), RecordingChannel())
    loop.run(until=START + 40 * MINUTE)
    assert loop.counts.readings == 4 * 40
    (logged,) = [r for r in caplog.records if "can't be looked back on" in r.getMessage()]
    assert logged.exc_info
    store.close()


def test_a_full_disk_at_the_end_is_logged_and_the_watch_ends_in_order(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """Summaries are made up for after the next start."""
    built = house()
    store = store_of(built, tmp_path / "s.sqlite3")

    def full(now: datetime) -> int:
        raise Transient("the disk is full")

    monkeypatch.setattr(store.journal, "summarise", full)
    live(built, store, minutes(25, 3), RecordingChannel()).run(until=START + 5 * MINUTE)
    assert "summaries wait: the disk is full" in caplog.messages
    store.close()


def test_what_is_known_is_known_only_when_it_is_taken_in_and_judged(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While a batch or a turn is being made durable, the heartbeat is still that of the round before."""
    built = house()
    store = store_of(built, tmp_path / "s.sqlite3")
    commit, ahead = store.journal.commit, list[bool]()
    loop = live(built, store, minutes(25, 10), RecordingChannel())

    def noting(asked: Commit) -> Added:
        ahead.append(loop.heartbeat >= loop.clock.now())
        return commit(asked)

    loop.begin()
    monkeypatch.setattr(store.journal, "commit", noting)
    while loop.clock.now() < START + 10 * MINUTE:
        loop.once(START + 10 * MINUTE)
        assert loop.heartbeat == loop.clock.now()
    assert ahead
    assert not any(ahead)
    store.close()


class Stepping(SteppedClock):
    """A clock that lives `ahead` of the truth until it is put right, once, at `right_at` of its own time."""

    def __init__(self, start: datetime, ahead: timedelta, right_at: datetime) -> None:
        super().__init__(start)
        self._ahead, self._right_at = ahead, right_at
        self._told: list[tuple[datetime, datetime]] = []

    def advance_to(self, instant: datetime) -> None:
        """Go on; past `right_at` by the truth."""
        if self._ahead and instant >= self._right_at:
            self._told.append((instant, instant - self._ahead))
            self._now, self._ahead = instant - self._ahead, timedelta()
        else:
            super().advance_to(instant)

    def steps(self) -> list[tuple[datetime, datetime]]:
        """What was noticed since the last call."""
        told, self._told = self._told, []
        return told


@pytest.mark.parametrize("ahead", [timedelta(hours=1), timedelta(days=1), timedelta(days=400), -timedelta(hours=3)])
def test_after_a_step_of_the_clock_the_watch_goes_on(tmp_path: Path, ahead: timedelta) -> None:
    """Turns are laid anew, the gap is recorded, whoever waits is told, and heat that comes then reaches the phone."""
    built = house()
    store = store_of(built, tmp_path / "s.sqlite3")
    wrong = START + ahead
    clock = Stepping(wrong, ahead, wrong + 20 * MINUTE)
    inbox, phone, laid = Feed(clock, minutes(25, 20, wrong)), RecordingChannel(), list[bool]()
    sender = InlineSender({"phone": phone, "stand-in": phone})
    loop = _build.loop(built, clock, inbox, store, sender, on_step=lambda: laid.append(True))
    loop.begin()
    while not laid:
        loop.once()
    inbox.will_come(minutes(44, 40, START + 20 * MINUTE))
    while clock.now() < START + 60 * MINUTE:
        loop.once(START + 60 * MINUTE)
    assert laid == [True]
    hot = [m for m in phone.messages if m.rule == "overheating"]
    assert hot, "44 °C for forty minutes was worth a push"
    assert abs(hot[0].at - _told_of_heat(tmp_path)) <= timedelta(minutes=10), "as with a clock that was right all along"
    (gap,) = [g for g in store.readings.gaps(EPOCH, START + timedelta(days=500)) if g.kind is GapKind.CLOCK]
    assert START + 20 * MINUTE in (gap.started_at, gap.ended_at)
    store.close()


def _told_of_heat(tmp_path: Path) -> datetime:
    """When the phone is told of the same heat by a clock that never stepped."""
    built = house()
    store = store_of(built, tmp_path / "right.sqlite3")
    phone = RecordingChannel()
    arrivals = [*minutes(25, 20), *minutes(44, 40, START + 20 * MINUTE)]
    live(built, store, arrivals, phone).run(until=START + 60 * MINUTE)
    store.close()
    return next(m.at for m in phone.messages if m.rule == "overheating")


def test_silence_is_a_gap_while_it_lasts(tmp_path: Path) -> None:
    """A probe that falls silent opens a gap at its last reading and closes it when it speaks again."""
    built = house()
    store = store_of(built, tmp_path / "s.sqlite3")
    again = START + 40 * MINUTE
    loop = live(built, store, [*minutes(25, 10), *minutes(25, 10, again)], RecordingChannel())
    loop.run(until=again + 10 * MINUTE)
    silent = [g for g in store.readings.gaps(START, again + 10 * MINUTE) if g.subject == "birch-1"]
    assert len(silent) == 1
    assert silent[0].started_at == START + 9 * MINUTE
    assert silent[0].ended_at is not None
    assert silent[0].ended_at >= again
    store.close()


def test_an_answer_over_the_broker_is_heard_by_the_rules(tmp_path: Path) -> None:
    """`shaded` said by message answers the concern about that enclosure."""
    built = house()
    store = store_of(built, tmp_path / "s.sqlite3")
    heat = minutes(39.5, 60)
    said = Arrival(START + 40 * MINUTE, "sensord/entry", b'{"what": "shaded", "subject": "birch"}')
    arrivals = sorted([*heat, said], key=lambda a: a.received_at)
    live(built, store, arrivals, RecordingChannel()).run(until=START + 60 * MINUTE)
    (entry,) = store.entries.between(EPOCH, START + timedelta(days=1))
    assert entry.subject == "birch"
    concerns = {c.key: c for c in store.concerns.standing()}
    assert concerns["overheating/birch"].standing in (Standing.ANSWERED, Standing.OPEN)
    store.close()


def test_a_turn_that_cannot_be_stored_is_owed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Messages of a turn whose commit failed are stored by a later turn, and reach the phone."""
    built = house()
    store = store_of(built, tmp_path / "s.sqlite3")
    commit, failing = store.journal.commit, [True]

    def sometimes(asked: Commit) -> Added:
        if failing and asked.messages:
            failing.clear()
            raise Transient("the disk is full")
        return commit(asked)

    monkeypatch.setattr(store.journal, "commit", sometimes)
    phone = RecordingChannel()
    live(built, store, minutes(39.5, 60), phone).run(until=START + 60 * MINUTE)
    assert not failing
    keys = [m.key for m in phone.messages]
    stored = {p.message.key for p in store.outbox.between(START, START + 2 * 60 * MINUTE)}
    assert set(keys) <= stored
    assert any("Birch" in m.title for m in phone.messages)
    store.close()


class OutOfReach(RecordingChannel):
    """A phone that can't be reached before `from_at`."""

    def __init__(self, clock: SteppedClock, from_at: datetime) -> None:
        super().__init__()
        self._clock, self._from_at = clock, from_at

    def send(self, message: Message) -> None:
        """Take it, or fail."""
        if self._clock.now() < self._from_at:
            raise Transient("no network")
        super().send(message)


def _through_an_outage(tmp_path: Path, name: str, mild: int, back_at: datetime) -> list[Message]:
    """What the phone gets of `mild` minutes of 34 °C and then 39 °C, when it is in reach from `back_at` on."""
    built = house()
    store = store_of(built, tmp_path / name)
    arrivals = [*minutes(34, mild), *minutes(39, 60, START + mild * MINUTE)]
    clock = SteppedClock(START)
    phone = OutOfReach(clock, back_at)
    sender = InlineSender({"phone": phone, "stand-in": phone})
    _build.loop(built, clock, Feed(clock, arrivals), store, sender).run(until=START + (mild + 60) * MINUTE)
    store.close()
    return [m for m in phone.messages if "overheating/birch" in m.concerns]


@pytest.mark.parametrize("mild", [50, 55, 60, 65])
def test_after_an_outage_the_phone_hears_of_one_thing_once(tmp_path: Path, mild: int) -> None:
    """The message that waited is not sent beside the worse one that was made in the very turn when the phone came back."""
    worse_at = next(m.at for m in _through_an_outage(tmp_path, "a", mild, START) if m.severity >= Severity.SEVERE)
    told = _through_an_outage(tmp_path, "b", mild, worse_at)
    assert told[0].severity >= Severity.SEVERE
    assert len([m for m in told if m.at - told[0].at < 5 * MINUTE]) == 1
