"""What a store remembers when the watch begins: neither less than is needed nor more than is looked at."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

import pytest

from sensord.adapters.memory import MemoryStore
from sensord.engine.recovery import last_heard, lately, memory_of
from sensord.engine.state import Given, awake
from sensord.model import Concern, Entry, Fate, Gap, GapKind, Message, Quantity, Reading, Standing, What
from sensord.ports import Commit, Share
from tests.engine.living import BIRCH, MINUTE, START, Scripted, asking_only, hot, lived

SECOND, HOUR, DAY = timedelta(seconds=1), timedelta(hours=1), timedelta(days=1)
NOW = START + 10 * DAY


@pytest.fixture
def share(given: Given) -> Share:
    """An empty store's part of the garden."""
    return MemoryStore().of(given.garden.site)


def told(given: Given) -> tuple[Concern, Message]:
    """A matter, and the message about it."""
    state, _ = lived(asking_only(given, Scripted(hot)), 2, 25.0, sends=False)
    (message,) = (p.message for p in state.parcels.values() if p.state == Fate.WAITING)
    concern = state.standing["scripted/birch"]
    return replace(concern, opened_at=NOW, breached_since=NOW), replace(message, concerns=(concern.key,))


def reading(at: datetime, value: float = 20.0, received_at: datetime | None = None) -> Reading:
    """Birch's temperature."""
    return Reading("larkfield", *BIRCH, at, received_at or at, value)


def test_messages_of_lately_and_of_what_stands_are_known_again(given: Given, share: Share) -> None:
    """A day and a half, to the instant, of what stands longer, and all that wait; also what was dated ahead."""
    concern, message = told(given)
    since = NOW - 36 * HOUR
    old = replace(concern, rule="storm", opened_at=NOW - 5 * DAY, breached_since=NOW - 5 * DAY)

    def at(when: datetime, key: str, of: str = "wind/alder") -> Message:
        return replace(message, key=key, at=when, concerns=(of,))

    held = [
        at(since - SECOND, "too old"),
        at(since, "of lately"),
        at(NOW + HOUR, "ahead"),
        at(NOW - 4 * DAY, "of what stands", old.key),
        at(NOW - 6 * DAY, "of its earlier life", old.key),
    ]
    waiting = at(NOW - 3 * DAY, "waits")
    share.journal.commit(Commit(NOW, concerns=[old], messages=[waiting], held=[(m, "no room") for m in held]))
    memory = memory_of(share, given, NOW)
    found = {p.message.key: p.state for p in memory.parcels}
    assert found == {
        "of what stands": Fate.HELD, "waits": Fate.WAITING, "of lately": Fate.HELD, "ahead": Fate.HELD,
    }  # fmt: skip
    assert list(found) == ["of what stands", "waits", "of lately", "ahead"], "in their order"


def test_what_stands_and_what_ended_lately_are_known_again(given: Given, share: Share) -> None:
    """What ended within a day and a half may still have to be told; of that, only what was asked."""
    concern, _ = told(given)
    assert concern.asked is not None
    over = replace(concern, standing=Standing.OVER, over_at=NOW - HOUR)
    others = {
        "stands": concern,
        "ended": replace(over, rule="ended"),
        "told": replace(over, rule="told", asked=None),
        "old": replace(over, rule="old", over_at=NOW - 37 * HOUR),
    }
    share.journal.commit(Commit(NOW, concerns=list(others.values())))
    memory = memory_of(share, given, NOW)
    assert {c.key for c in memory.concerns} == {others[name].key for name in ("stands", "ended", "told")}
    state = awake(given, memory, NOW)
    assert state.standing == {concern.key: concern}
    assert state.ended == {others["ended"].key: others["ended"]}


def test_gaps_that_are_open_and_entries_are_known_again(given: Given, share: Share) -> None:
    """What is closed is history; an entry counts however old it is, and where a clock dated it ahead a little."""
    open_gap = Gap("larkfield", GapKind.SILENCE, "birch-1", NOW - 29 * DAY, None)
    closed = Gap("larkfield", GapKind.SILENCE, "alder-1", NOW - DAY, NOW - HOUR)
    entries = [Entry("larkfield", at, NOW, "birch", What.SHADED) for at in (NOW - 300 * DAY, NOW + HOUR)]
    share.journal.commit(Commit(NOW, gaps=[open_gap, closed], entries=entries))
    memory = memory_of(share, given, NOW)
    assert (memory.open_gaps, memory.entries) == ((open_gap,), tuple(entries))


def test_when_a_probe_was_last_heard_is_the_newest_receipt(given: Given, share: Share) -> None:
    """Also where a wrong clock dated a reading years ahead, which stays the newest; less than a minute ahead is now."""
    (birch,) = (p for p in given.garden.probes if p.name == "birch-1")
    assert last_heard(share.readings, birch, NOW) is None
    ahead = reading(NOW + 300 * DAY, received_at=NOW - 2 * HOUR)
    share.journal.commit(Commit(NOW, readings=[ahead]))
    assert last_heard(share.readings, birch, NOW) == NOW - 2 * HOUR
    share.journal.commit(Commit(NOW, readings=[reading(NOW + MINUTE / 2, received_at=NOW - HOUR)]))
    assert last_heard(share.readings, birch, NOW) == NOW - HOUR
    humid = reading(NOW - 3 * MINUTE)._replace(quantity=Quantity.HUMIDITY, value=0.5)
    share.journal.commit(Commit(NOW, readings=[humid]))
    assert last_heard(share.readings, birch, NOW) == NOW - 3 * MINUTE, "whatever it measured"


def test_what_is_usual_is_the_last_hour_of_a_series(given: Given, share: Share) -> None:
    """Up to its newest reading and with it, from the full hour before on; what is dated ahead only where nothing else is."""
    ahead = NOW + 300 * DAY
    share.journal.commit(Commit(NOW, readings=[reading(ahead, 30.0)]))
    assert lately(share.readings, given, NOW) == [reading(ahead, 30.0)]
    newest = NOW - 5 * HOUR
    times = [newest - HOUR - SECOND, newest - HOUR, newest - MINUTE, newest]
    share.journal.commit(Commit(NOW, readings=[reading(at, 20.0 + n) for n, at in enumerate(times)]))
    assert lately(share.readings, given, NOW) == [reading(at, 20.0 + n) for n, at in enumerate(times)][1:]


def test_recent_readings_are_known_as_far_back_as_any_rule_looks(given: Given, share: Share) -> None:
    """From the instant on; what is dated ahead by less than that is among them."""
    back = given.remembered
    times = [NOW - back - SECOND, NOW - back, NOW, NOW + HOUR]
    share.journal.commit(Commit(NOW, readings=[reading(at) for at in times]))
    window = memory_of(share, given, NOW).readings[BIRCH]
    assert list(window.between(0.0, 1e12).times_s) == [at.timestamp() for at in times[1:]]


def test_a_turn_that_is_known_and_not_ahead_is_gone_on_from(given: Given, share: Share) -> None:
    """Up to this very instant; one that a wrong clock put ahead is none."""
    for at, known in ((NOW - MINUTE, True), (NOW, True), (NOW + SECOND, False)):
        share.journal.commit(Commit(NOW, facts={"turned": at.isoformat()}))
        state = awake(given, memory_of(share, given, NOW), NOW)
        assert state.turned_at == (at if known else None)
        assert state.next_turn == NOW + (timedelta() if at == NOW - MINUTE else 2 * MINUTE)
