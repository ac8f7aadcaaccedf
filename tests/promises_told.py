"""What a store promises of concerns and of messages.

A store's test module subclasses these and says how the store opens.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from sensord.model import (
    Parcel,
    Severity,
    Standing,
    State,
    What,
)
from sensord.ports import Commit, Sending
from tests.promises_measured import Opened
from tests.store_promises import (
    BIRCH,
    HOUR,
    NEVER,
    START,
    a_concern,
    a_message,
    a_verdict,
    keys,
)


class ConcernsPromises(Opened):
    """`ports.Concerns`."""

    def test_a_concern_stands_until_it_is_over(self, tmp_path: Path) -> None:
        """There is one standing concern of a key, as recorded last; once over it belongs to the past."""
        store = self.open(tmp_path)
        opened = a_concern()
        worse = a_concern(START + HOUR, peak=Severity.SEVERE, breached_since=opened.breached_since, opened_at=START)
        other = a_concern(subject=BIRCH)
        store.journal.commit(Commit(START, concerns=[opened, other]))
        store.journal.commit(Commit(START + HOUR, concerns=[worse]))
        assert store.concerns.standing() == [worse, other]
        store.close()
        store = self.open(tmp_path)
        assert store.concerns.standing() == [worse, other]
        over = a_concern(START + 2 * HOUR, standing=Standing.OVER, over_at=START + 2 * HOUR, answer=What.DONE)
        for _ in range(2):
            store.journal.commit(Commit(START + 2 * HOUR, concerns=[over]))
            assert store.concerns.standing() == [other]
            assert store.concerns.past(START, NEVER) == [over]
        assert store.concerns.past(START, START + 2 * HOUR) == []
        again = a_concern(START + 5 * HOUR)
        store.journal.commit(Commit(START + 5 * HOUR, concerns=[again]))
        assert store.concerns.standing() == [other, again]
        assert store.concerns.past(START, NEVER) == [over]
        store.close()

    def test_news_of_an_end_ends_nothing_else(self, tmp_path: Path) -> None:
        """What is told of a concern that ended before is kept with it; what stands by now goes on standing."""
        store = self.open(tmp_path)
        ended = {"standing": Standing.OVER, "over_at": START + HOUR, "breached_since": START}
        over = a_concern(START + HOUR, tellings=0, **ended)
        again = a_concern(START + 2 * HOUR, opened_at=START + 2 * HOUR, breached_since=START + 2 * HOUR)
        store.journal.commit(Commit(START, concerns=[a_concern(breached_since=START)]))
        store.journal.commit(Commit(START + HOUR, concerns=[over]))
        store.journal.commit(Commit(START + 2 * HOUR, concerns=[again]))
        told = a_concern(START + HOUR, tellings=1, **ended)
        store.journal.commit(Commit(START + 2 * HOUR, concerns=[told]))
        store.close()
        store = self.open(tmp_path)
        assert store.concerns.standing() == [again]
        assert store.concerns.past(START, NEVER) == [told]
        store.close()

    def test_a_concern_that_never_opened_leaves_no_past(self, store: Any) -> None:
        """What formed and went away was never anybody's concern."""
        forming = a_concern(standing=Standing.FORMING, opened_at=None)
        store.journal.commit(Commit(START, concerns=[forming]))
        assert store.concerns.standing() == [forming]
        store.journal.commit(Commit(START, concerns=[a_concern(standing=Standing.OVER, opened_at=None, over_at=START)]))
        assert store.concerns.standing() == store.concerns.past(START - HOUR, NEVER) == []

    def test_only_changes_of_a_verdict_are_kept(self, tmp_path: Path) -> None:
        """State, severity or reason must differ from the last of the same rule and subject, also over a restart."""
        store = self.open(tmp_path)
        said = [
            a_verdict(START),
            a_verdict(START + HOUR, numbers={"temperature_c": 35.0}),
            a_verdict(START + 2 * HOUR, severity=Severity.SEVERE),
            a_verdict(START + 3 * HOUR, severity=Severity.SEVERE, reason="hotter"),
            a_verdict(START + 4 * HOUR, state=State.FINE, severity=Severity.NONE, reason="cool"),
            a_verdict(START + 4 * HOUR, subject=BIRCH),
        ]
        for verdict in said:
            store.journal.commit(Commit(verdict.at, verdicts=[verdict]))
        store.close()
        store = self.open(tmp_path)
        store.journal.commit(Commit(START + 5 * HOUR, verdicts=[a_verdict(START + 5 * HOUR, subject=BIRCH)]))
        assert store.concerns.verdicts(START, NEVER) == [said[0], *said[2:]]
        store.close()


class OutboxPromises(Opened):
    """`ports.Outbox`."""

    def test_the_outbox_is_in_order_and_due(self, store: Any) -> None:
        """Most severe first, then oldest; nothing before it is due."""
        store.journal.commit(
            Commit(
                START,
                messages=[
                    a_message("late", START + HOUR),
                    a_message("first"),
                    a_message("second"),
                    a_message("severe", START + HOUR, Severity.SEVERE),
                    a_message("morning", START, Severity.EXTREME, not_before=START + 8 * HOUR),
                ],
            )
        )
        assert keys(store.outbox.due()) == ["morning", "severe", "first", "second", "late"]
        assert keys(store.outbox.due(START)) == ["first", "second"]
        assert keys(store.outbox.due(START + HOUR)) == ["severe", "first", "second", "late"]

    def test_a_message_is_delivered_at_least_once(self, tmp_path: Path) -> None:
        """It waits over restarts and failures until the channel took it, or it is visibly undelivered."""
        store = self.open(tmp_path)
        store.journal.commit(Commit(START, concerns=[a_concern()], messages=[a_message("one"), a_message("two")]))
        store.close()
        store = self.open(tmp_path)
        assert keys(store.outbox.due(START)) == ["one", "two"]
        store.journal.commit(Commit(START, sendings=[Sending("one", START, "no network", START + HOUR)]))
        assert keys(store.outbox.due(START)) == ["two"]
        store.journal.commit(Commit(START, sendings=[Sending("two", START)]))
        store.close()
        store = self.open(tmp_path)
        (waiting,) = store.outbox.due(START + HOUR)
        assert waiting == Parcel(a_message("one"), 1, START + HOUR, "waiting", "no network")
        store.journal.commit(Commit(START + HOUR, sendings=[Sending("one", START + HOUR, "expired", None)]))
        assert store.outbox.due() == []
        assert {p.message.key: (p.state, p.attempts, p.detail) for p in store.outbox.between(START, NEVER)} == {
            "one": ("undelivered", 2, "expired"),
            "two": ("sent", 1, ""),
        }
        assert {p.message.key: p.sent_at for p in store.outbox.between(START, NEVER)} == {"one": None, "two": START}
        store.journal.commit(Commit(START + HOUR, sendings=[Sending("two", START + HOUR)]))
        assert {p.sent_at for p in store.outbox.between(START, NEVER)} == {None, START}, "the first arrival counts"
        assert store.accounts.counters()["messages undelivered"] == 1
        with pytest.raises(ValueError, match="nobody"):
            store.journal.commit(Commit(START, sendings=[Sending("nobody", START)]))
        store.close()

    def test_telling_twice_is_one_telling(self, store: Any) -> None:
        """A key that is there already is ignored, whatever became of it."""
        store.journal.commit(Commit(START, messages=[a_message("one")]))
        store.journal.commit(Commit(START, sendings=[Sending("one", START)]))
        store.journal.commit(Commit(START + HOUR, messages=[a_message("one", START + HOUR)]))
        assert store.outbox.due() == []
        assert [p.state for p in store.outbox.between(START, NEVER)] == ["sent"]

    def test_withdrawn_and_held_messages_are_not_sent_but_seen(self, store: Any) -> None:
        """They never leave, and are in the history with the reason; what was sent can't be withdrawn."""
        store.journal.commit(
            Commit(START, messages=[a_message("one"), a_message("sent")], held=[(a_message("held"), "budget spent")])
        )
        store.journal.commit(Commit(START, sendings=[Sending("sent", START)]))
        store.journal.commit(
            Commit(
                START, messages=[a_message("instead")], withdrawn=[("one", "too late"), ("sent", "x"), ("no such", "x")]
            )
        )
        assert keys(store.outbox.due()) == ["instead"]
        history = {p.message.key: (p.state, p.detail) for p in store.outbox.between(START, NEVER)}
        assert history == {
            "one": ("withdrawn", "too late"),
            "sent": ("sent", ""),
            "held": ("held", "budget spent"),
            "instead": ("waiting", ""),
        }
