"""What a store promises of its journal, of entries, accounts and facts.

A store's test module subclasses these and says how the store opens.
"""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sensord.model import (
    Advice,
    Arrival,
    Concern,
    Entry,
    Gap,
    GapKind,
    Quantity,
    Refusal,
    Severity,
    Standing,
    State,
    Verdict,
    What,
)
from sensord.ports import Commit, Sending
from tests.promises_measured import Opened
from tests.store_promises import (
    ALDER,
    HOUR,
    LOW,
    NEVER,
    SITE,
    START,
    a_concern,
    a_message,
    a_verdict,
    afternoon,
    reading,
)


class JournalPromises(Opened):
    """`ports.Journal`: a commit is one thing."""

    def test_a_batch_is_all_or_nothing(self, store: Any) -> None:
        """A batch with one reading that can't be stored leaves nothing behind, and the store goes on."""
        bad = reading(60, 21)._replace(measured_at=datetime(2026, 8, 20))  # without a zone: a defect
        entry = Entry(SITE, START, START, ALDER, What.SHADED)
        with pytest.raises(TypeError):
            store.journal.commit(
                Commit(START, [reading(0, 20), bad], entries=[entry], undated=[Arrival(START, "t", b"1", packet=1)])
            )
        assert store.readings.latest(LOW, Quantity.TEMPERATURE) is None
        assert store.entries.between(START, NEVER) == []
        assert store.journal.commit(Commit(START, [reading(0, 20)])) == (1, 0, 0)
        assert store.accounts.counters()["readings"] == 1

    def test_everything_is_there_after_reopening(self, tmp_path: Path) -> None:
        """What was committed before closing is answered after opening."""
        store = self.open(tmp_path)
        entry = Entry(SITE, START, START + HOUR, ALDER, What.ANCHORED, 4.0, "two bricks", "Kim", "command")
        store.journal.commit(Commit(START, afternoon(2), entries=[entry]))
        store.journal.commit(Commit(START, concerns=[a_concern()], messages=[a_message("one")], verdicts=[a_verdict()]))
        store.journal.commit(Commit(START, facts={"alive": "2026-08-20"}))
        store.journal.summarise(NEVER)
        before = [
            store.readings.series(LOW, Quantity.TEMPERATURE, START, NEVER),
            store.summaries.hours(LOW, Quantity.TEMPERATURE, START, NEVER),
            store.summaries.tally(ALDER, START, NEVER),
            store.entries.between(START, NEVER),
            store.concerns.standing(),
            store.outbox.due(),
            store.facts.recall("alive"),
            store.accounts.counters(),
        ]
        store.close()
        store = self.open(tmp_path)
        after = [
            store.readings.series(LOW, Quantity.TEMPERATURE, START, NEVER),
            store.summaries.hours(LOW, Quantity.TEMPERATURE, START, NEVER),
            store.summaries.tally(ALDER, START, NEVER),
            store.entries.between(START, NEVER),
            store.concerns.standing(),
            store.outbox.due(),
            store.facts.recall("alive"),
            store.accounts.counters(),
        ]
        store.close()
        assert after == before

    def test_a_redelivered_message_is_recognised(self, tmp_path: Path) -> None:
        """Only the same packet with the same content, and only where the broker says that it comes again."""
        store = self.open(tmp_path)
        first = Arrival(START, "garden/alder", b"23.4", packet=7)
        store.journal.commit(
            Commit(START, [reading(0, 23.4)], undated=[first, first._replace(packet=None, payload=b"5")])
        )
        store.close()
        store = self.open(tmp_path)
        again = first._replace(received_at=START + HOUR, redelivered=True, connection=2)
        assert store.journal.first_receipt(again) == START
        assert store.journal.first_receipt(again._replace(redelivered=False)) is None
        assert store.journal.first_receipt(again._replace(packet=8)) is None
        assert store.journal.first_receipt(again._replace(packet=None)) is None
        assert store.journal.first_receipt(again._replace(payload=b"23.5")) is None
        assert store.journal.first_receipt(again._replace(topic="garden/alder2", payload=b"3.4")) is None
        store.journal.commit(Commit(START, undated=[first._replace(received_at=START + HOUR, payload=b"9")]))
        assert store.journal.first_receipt(again) is None
        store.close()

    def test_a_commit_is_one_thing(self, tmp_path: Path) -> None:
        """Everything of a commit is there after a restart, also what became of a message of that very commit."""
        store = self.open(tmp_path)
        silence = Gap(SITE, GapKind.SILENCE, LOW, START, None)
        entry = Entry(SITE, START, START, ALDER, What.SHADED)
        packet = Arrival(START, "garden/alder", b"23.4", packet=7)
        store.journal.commit(Commit(START, gaps=[silence], messages=[a_message("early")]))
        added = store.journal.commit(
            Commit(
                START + HOUR,
                readings=[reading(0, 20), reading(0, 21)],
                refusals=[Refusal(START, "garden/x", b"?", "no number")],
                entries=[entry],
                gaps=[silence._replace(ended_at=START + HOUR)],
                undated=[packet],
                concerns=[a_concern()],
                verdicts=[a_verdict()],
                messages=[a_message("one"), a_message("two"), a_message("three")],
                withdrawn=[("early", "too late")],
                held=[(a_message("held"), "budget spent")],
                sendings=[
                    Sending("one", START + HOUR),
                    Sending("two", START + HOUR, "no network", START + 2 * HOUR),
                    Sending("three", START + HOUR, "expired"),
                ],
                facts={"alive": "a"},
            )
        )
        assert added == (1, 1, 1)
        store.close()
        store = self.open(tmp_path)
        assert store.readings.series(LOW, Quantity.TEMPERATURE, START, NEVER).values == [20]
        assert [r.reason for r in store.accounts.refusals()] == ["no number"]
        assert store.entries.between(START, NEVER) == [entry]
        assert store.readings.gaps(START, NEVER) == [silence._replace(ended_at=START + HOUR)]
        assert store.journal.first_receipt(packet._replace(redelivered=True)) == START
        assert store.concerns.standing() == [a_concern()]
        assert store.concerns.verdicts(START, NEVER) == [a_verdict()]
        assert {p.message.key: (p.state, p.attempts, p.detail) for p in store.outbox.between(START, NEVER)} == {
            "early": ("withdrawn", 0, "too late"),
            "one": ("sent", 1, ""),
            "two": ("waiting", 1, "no network"),
            "three": ("undelivered", 1, "expired"),
            "held": ("held", 0, "budget spent"),
        }
        assert [p.due_at for p in store.outbox.due()] == [START + 2 * HOUR]
        assert store.facts.recall("alive") == "a"
        store.close()

    def test_a_commit_that_fails_leaves_nothing(self, store: Any) -> None:
        """A sending of a message that nobody knows is a defect: nothing of its commit is stored."""
        with pytest.raises(ValueError, match="nobody"):
            store.journal.commit(
                Commit(
                    START,
                    readings=[reading(0, 20)],
                    verdicts=[a_verdict()],
                    messages=[a_message("one")],
                    sendings=[Sending("nobody", START)],
                    facts={"alive": "a"},
                )
            )
        assert store.readings.series(LOW, Quantity.TEMPERATURE, START, NEVER).values == []
        assert store.outbox.due() == store.concerns.verdicts(START, NEVER) == []
        assert store.facts.recall("alive") is None
        store.journal.commit(Commit(START, verdicts=[a_verdict()]))
        assert store.concerns.verdicts(START, NEVER) == [a_verdict()]

    def test_nouns_come_back_equal(self, tmp_path_factory: pytest.TempPathFactory) -> None:
        """Any entry, refusal, concern or message comes back as it was given."""

        # within the method: a decorated one would be shared by every store's class, which hypothesis refuses
        @settings(deadline=None, max_examples=40)
        @given(st.data())
        def holds(data: st.DataObject) -> None:
            self.holds_nouns(tmp_path_factory.mktemp("nouns"), data)

        holds()

    def holds_nouns(self, folder: Path, data: st.DataObject) -> None:
        """One example of it."""
        times = st.datetimes(datetime(2020, 1, 1), datetime(2099, 1, 1), timezones=st.just(UTC))
        words = st.text(st.characters(exclude_categories=["Cs"]), max_size=40)
        entry = data.draw(st.builds(Entry, st.just(SITE), times, times, words, st.sampled_from(What),
                                    st.none() | st.floats(0, 1e6), words, words, words))  # fmt: skip
        numbers = st.dictionaries(
            words, st.none() | st.booleans() | st.integers(-9, 9) | st.floats(-1e9, 1e9) | words, max_size=4
        )
        verdict = data.draw(st.builds(Verdict, rule=words, subject=words, state=st.sampled_from(State), at=times,
                                      reason=words, severity=st.sampled_from(Severity), numbers=numbers,
                                      advice=st.none() | st.builds(Advice, words, st.none() | times)))  # fmt: skip
        concern = data.draw(st.builds(Concern, site=st.just(SITE), rule=words, subject=words,
                                      standing=st.sampled_from([Standing.OPEN, Standing.ANSWERED]),
                                      verdict=st.just(verdict), breached_since=times, opened_at=times,
                                      answer=st.none() | st.sampled_from(What)))  # fmt: skip
        message = a_message(
            data.draw(words), data.draw(times), text=data.draw(words), concerns=tuple(data.draw(st.lists(words)))
        )
        store = self.open(folder)
        store.journal.commit(Commit(START, entries=[entry]))
        store.journal.commit(Commit(START, concerns=[concern], messages=[message], verdicts=[verdict]))
        past = datetime(2000, 1, 1, tzinfo=UTC)
        assert store.entries.between(past, NEVER) == [entry]
        assert store.concerns.standing() == [concern]
        assert store.concerns.verdicts(past, NEVER) == [verdict]
        assert [p.message for p in store.outbox.due()] == [message]
        store.close()


class AccountsPromises(Opened):
    """`ports.Accounts`."""

    def test_refusals_are_bounded_and_counted(self, store: Any) -> None:
        """The newest refusals are kept, newest first, payloads cut; the count goes on."""
        store.journal.commit(Commit(START, refusals=[Refusal(START, "garden/x", bytes([7]) * 100_000, "no number")]))
        (kept,) = store.accounts.refusals()
        assert (kept.topic, kept.reason, kept.received_at) == ("garden/x", "no number", START)
        assert 0 < len(kept.payload) < 100_000
        for batch in range(12):
            refusals = [Refusal(START, "garden/\ud800", b"\xff", f"{batch}-{i}") for i in range(500)]
            assert store.journal.commit(Commit(START, refusals=refusals)) == (0, 0, 500)
        assert [r.reason for r in store.accounts.refusals(3)] == ["11-499", "11-498", "11-497"]
        assert 100 <= len(store.accounts.refusals(10**6)) < 6001
        assert store.accounts.counters()["refused"] == 6001


class EntriesPromises(Opened):
    """`ports.Entries`, and gaps."""

    def test_an_entry_said_twice_is_one(self, store: Any) -> None:
        """Entries are the same by what they say, not by how or when they came; they are answered by time."""
        shaded = Entry(SITE, START + HOUR, START + HOUR, ALDER, What.SHADED, None, "", "Kim", "page")
        anchored = Entry(SITE, START, START + HOUR, ALDER, What.ANCHORED, 4.0, "bricks", "Kim", "command")
        again = shaded._replace(source="mqtt", received_at=START + 2 * HOUR)
        store.journal.commit(Commit(START, entries=[shaded, anchored, shaded]))
        store.journal.commit(
            Commit(START, entries=[again, anchored._replace(amount=5.0), shaded._replace(author="Lee")])
        )
        found = store.entries.between(START, NEVER)
        assert found == [anchored, anchored._replace(amount=5.0), shaded, shaded._replace(author="Lee")]
        assert store.entries.between(START, START + HOUR) == found[:2]
        assert store.accounts.counters()["entries"] == 4

    def test_gaps(self, store: Any) -> None:
        """A gap is open until it is closed, is answered where it touches the span, and is one however often told."""
        silence = Gap(SITE, GapKind.SILENCE, LOW, START, None, "nothing since 04:00")
        stopped = Gap(SITE, GapKind.STOPPED, "", START + HOUR, START + 2 * HOUR)
        store.journal.commit(Commit(START, gaps=[silence, stopped, stopped]))
        store.journal.commit(Commit(START, gaps=[silence._replace(started_at=START + HOUR)]))
        assert store.readings.gaps(START, NEVER) == [silence, stopped]
        assert store.readings.gaps(START - HOUR, START) == []
        assert store.readings.gaps(START + 3 * HOUR, NEVER) == [silence]
        closed = silence._replace(ended_at=START + 4 * HOUR)
        store.journal.commit(Commit(START, gaps=[closed]))
        assert store.readings.gaps(START, NEVER) == [closed, stopped]
        store.journal.commit(Commit(START, gaps=[closed._replace(ended_at=NEVER)]))
        again = silence._replace(started_at=START + 5 * HOUR)
        store.journal.commit(Commit(START, gaps=[again]))
        assert store.readings.gaps(START + 4.5 * HOUR, NEVER) == [again]
        assert store.readings.gaps(START, START + 4 * HOUR) == [closed, stopped]


class FactsPromises(Opened):
    """`ports.Facts`."""

    def test_remembering(self, store: Any) -> None:
        """A fact is the last that was said of it; one never said is None."""
        assert store.facts.recall("alive") is None
        store.journal.commit(Commit(START, facts={"alive": "a"}))
        store.journal.commit(Commit(START, facts={"alive": "b"}))
        assert store.facts.recall("alive") == "b"
