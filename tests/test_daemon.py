"""The loop: what it promises when the world fails it. Garden, clock and channels are the tests' own; the store is real."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from sensord.commands import _build
from sensord.daemon import Daemon
from sensord.edges.clock import SteppedClock
from sensord.edges.push import RecordingChannel
from sensord.edges.sender import InlineSender
from sensord.edges.sqlite import SqliteStore
from sensord.model import EPOCH, Arrival, Gap, GapKind, Quantity, Standing
from sensord.ports import Added, Batch, Transient
from simulators import scenario

START = datetime(2026, 8, 20, 16, 0, tzinfo=UTC)  # noon in the garden
MINUTE = timedelta(minutes=1)


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

    def acknowledge(self, batch: Sequence[Arrival]) -> None:
        """Note it."""
        self.acknowledged += batch

    def gaps(self) -> list[Gap]:
        """What was given, once."""
        gaps, self._gaps = self._gaps, []
        return gaps

    def close(self) -> None:
        """Nothing."""


class Full(SqliteStore):
    """A store whose disk is full for a while."""

    refuses = 0

    def add(self, batch: Batch) -> Added:
        """Refuse as long as told to."""
        if self.refuses:
            self.refuses -= 1
            raise Transient("the disk is full")
        return super().add(batch)


class Fuller(SqliteStore):
    """A store whose disk is full from one instant to another: nothing at all can be written."""

    full_from = full_until = EPOCH
    clock: Any = None

    def _check(self) -> None:
        if self.full_from <= self.clock.now() < self.full_until:
            raise Transient("the disk is full")

    def add(self, batch: Batch) -> Added:
        """Refuse meanwhile."""
        self._check()
        return super().add(batch)

    def record(self, *arguments: Any, **named: Any) -> None:
        """Refuse meanwhile."""
        self._check()
        super().record(*arguments, **named)

    def remember(self, name: str, fact: str) -> None:
        """Refuse meanwhile."""
        self._check()
        super().remember(name, fact)

    def delivered(self, key: str, now: datetime) -> None:
        """Refuse meanwhile."""
        self._check()
        super().delivered(key, now)


def house() -> _build.OneGarden:
    """The demonstration garden."""
    return _build.understood(scenario.configuration("larkfield"), scenario.HERE / "larkfield.toml")


def store_of(built: _build.OneGarden, path: Path, kind: type[SqliteStore] = SqliteStore) -> SqliteStore:
    """A store of that kind in `path`."""
    return kind(path, built.garden.site, _build.places(built.garden), durable=False)


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


def live(built: _build.OneGarden, store: SqliteStore, arrivals: Sequence[Arrival], channel: Any, **more: Any) -> Daemon:
    """A daemon over these arrivals."""
    start = arrivals[0].received_at if arrivals else START
    clock = SteppedClock(more.pop("start", start))
    inbox = Feed(clock, arrivals, more.pop("gaps", ()))
    sender = InlineSender({"phone": channel, "stand-in": channel})
    return Daemon(built.settings, built.garden, built.texts, clock, inbox, store, sender, **more)


def test_what_the_store_refuses_is_not_acknowledged_and_not_lost(tmp_path: Path) -> None:
    """While the disk is full nothing is acknowledged; when it has room again, everything is stored, once."""
    built = house()
    store = store_of(built, tmp_path / "s.sqlite3", Full)
    arrivals = minutes(31, 10)
    daemon = live(built, store, arrivals, RecordingChannel())
    Full.refuses = 3
    daemon.run(until=START + 20 * MINUTE)
    assert isinstance(daemon.inbox, Feed)
    assert daemon.inbox.acknowledged == arrivals
    series = store.readings("larkfield", "birch-1", Quantity.TEMPERATURE, START, START + 20 * MINUTE)
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
    assert store.counters()["refused"] == 1500
    store.close()


def test_a_full_disk_is_told_although_it_is_full(tmp_path: Path) -> None:
    """After five minutes the phone knows, by a message that can't be stored itself; once, and not again in that hour."""
    built = house()
    store = store_of(built, tmp_path / "s.sqlite3", Fuller)
    phone = RecordingChannel()
    daemon = live(built, store, minutes(31, 40), phone)
    Fuller.full_from, Fuller.full_until = START + 5 * MINUTE, START + 30 * MINUTE
    Fuller.clock = daemon.clock
    daemon.run(until=START + 60 * MINUTE)
    (told,) = [m for m in phone.messages if m.title == "Nothing can be stored: look at the computer"]
    assert timedelta(minutes=5) < told.at - START - 5 * MINUTE <= timedelta(minutes=11)
    series = store.readings("larkfield", "birch-1", Quantity.TEMPERATURE, START, START + 60 * MINUTE)
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
    daemon = live(built, store, minutes(31, 3), RecordingChannel(), facts=lambda: facts)
    daemon.run(until=START + 3 * MINUTE)
    assert store.recall("subscribed") is None
    facts["subscribed"] = '["garden/#"]'
    daemon.run(until=START + 6 * MINUTE)
    assert store.recall("subscribed") == '["garden/#"]'
    store.close()


def test_a_message_survives_a_restart_and_arrives(tmp_path: Path) -> None:
    """What the phone did not take waits in the outbox, is shown as waiting, and goes after a restart."""
    built = house()
    store = store_of(built, tmp_path / "s.sqlite3")
    dead = RecordingChannel(failures=[Transient("no network")] * 1000)
    live(built, store, minutes(39.5, 90), dead).run(until=START + 90 * MINUTE)
    assert store.outbox(), "the heat was worth a message"
    assert store.outbox()[0].attempts >= 1
    store.close()
    store = store_of(built, tmp_path / "s.sqlite3")
    phone = RecordingChannel()
    later = START + 91 * MINUTE
    live(built, store, minutes(39.5, 30, later), phone).run(until=later + 30 * MINUTE)
    assert any("Birch" in m.title for m in phone.messages)
    assert not [p for p in store.outbox() if p.attempts]
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
    stopped = [g for g in store.gaps("larkfield", START, later + MINUTE) if g.kind is GapKind.STOPPED]
    assert len(stopped) == 1
    assert stopped[0].ended_at == later
    store.close()


def test_a_refused_payload_is_kept_and_the_stream_goes_on(tmp_path: Path) -> None:
    """Garbage between good messages is stored as refused, acknowledged, and costs no reading."""
    built = house()
    store = store_of(built, tmp_path / "s.sqlite3")
    good = minutes(25, 3)
    bad = Arrival(START + timedelta(seconds=30), "larkfield/cedar/temperature", b"\xff not a number")
    daemon = live(built, store, sorted([*good, bad], key=lambda a: a.received_at), RecordingChannel())
    daemon.run(until=START + 5 * MINUTE)
    (refusal,) = store.refusals()
    assert refusal.topic == bad.topic
    assert refusal.payload == bad.payload
    assert daemon.counts.refused == 1
    assert daemon.counts.readings == 12
    store.close()


def test_a_step_of_the_clock_is_a_gap_and_lays_the_turns_anew(tmp_path: Path) -> None:
    """What the inbox noticed of the clock is recorded, and the scheduler is told."""
    built = house()
    store = store_of(built, tmp_path / "s.sqlite3")
    step = Gap("larkfield", GapKind.CLOCK, "", START - timedelta(hours=3), START, "the clock was set forward")
    laid: list[bool] = []
    daemon = live(built, store, minutes(25, 3), RecordingChannel(), gaps=[step], on_step=lambda: laid.append(True))
    daemon.run(until=START + 5 * MINUTE)
    assert laid == [True]
    assert step in store.gaps("larkfield", START - timedelta(days=1), START + MINUTE)
    store.close()


def test_silence_is_a_gap_while_it_lasts(tmp_path: Path) -> None:
    """A probe that falls silent opens a gap at its last reading and closes it when it speaks again."""
    built = house()
    store = store_of(built, tmp_path / "s.sqlite3")
    again = START + 40 * MINUTE
    daemon = live(built, store, [*minutes(25, 10), *minutes(25, 10, again)], RecordingChannel())
    daemon.run(until=again + 10 * MINUTE)
    silent = [g for g in store.gaps("larkfield", START, again + 10 * MINUTE) if g.subject == "birch-1"]
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
    (entry,) = store.entries("larkfield", EPOCH, START + timedelta(days=1))
    assert entry.subject == "birch"
    concerns = {c.key: c for c in store.concerns("larkfield")}
    assert concerns["overheating/birch"].standing in (Standing.ANSWERED, Standing.OPEN)
    store.close()


def test_a_turn_that_cannot_be_stored_is_owed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Messages of a turn whose commit failed are stored by a later turn, and reach the phone."""
    built = house()
    store = store_of(built, tmp_path / "s.sqlite3")
    record, failing = store.record, [True]

    def sometimes(now: datetime, concerns: Any, messages: Any, *rest: Any, **more: Any) -> None:
        messages = list(messages)
        if failing and messages:
            failing.clear()
            raise Transient("the disk is full")
        record(now, concerns, messages, *rest, **more)

    monkeypatch.setattr(store, "record", sometimes)
    phone = RecordingChannel()
    live(built, store, minutes(39.5, 60), phone).run(until=START + 60 * MINUTE)
    assert not failing
    keys = [m.key for m in phone.messages]
    stored = {p.message.key for p in store.messages("larkfield", START, START + 2 * 60 * MINUTE)}
    assert set(keys) <= stored
    assert any("Birch" in m.title for m in phone.messages)
    store.close()
