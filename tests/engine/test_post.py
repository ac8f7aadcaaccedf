"""The outbox: what is remembered of messages, and whom an arrival tells."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from sensord.commands import _build, _house
from sensord.engine.events import Sent
from sensord.engine.post import desk_of, forget_old
from sensord.engine.state import Given, Memory, State, awake
from sensord.engine.step import step
from sensord.model import Asked, Fate, Parcel, Said, Severity, Standing, Telling
from sensord.ports import Commit, Sending
from sensord.recovery import memory_of
from simulators import scenario
from tests.kept import opened
from tests.store_promises import a_concern, a_message

NOW = datetime(2026, 8, 20, 16, 0, tzinfo=UTC)
HOUR, DAY = timedelta(hours=1), timedelta(days=1)
BUILT = _house.understood(scenario.configuration("larkfield"), scenario.HERE / "larkfield.toml")
KEY = "overheating/alder"


@pytest.fixture(scope="module")
def given() -> Given:
    """The demonstration garden."""
    return _build.given(BUILT)


def test_messages_of_what_stands_are_remembered_as_far_as_it_goes_back(given: Given, tmp_path: Path) -> None:
    """Told five days ago and standing: the repeat of today knows when it was said first, also after a restart.

    What was said before it opened, or of what is over, is looked at for a day and a half.
    """
    said_at = {"before": NOW - 6 * DAY, "first": NOW - 5 * DAY, "other": NOW - 4 * DAY, "lately": NOW - 20 * HOUR}
    messages = [
        a_message(name, at, concerns=("overheating/birch" if name == "other" else KEY,)) for name, at in said_at.items()
    ]
    standing = a_concern(NOW, opened_at=NOW - 5 * DAY, breached_since=NOW - 5 * DAY)
    store = opened(BUILT, tmp_path / "s.sqlite3", durable=False)
    store.journal.commit(
        Commit(NOW - HOUR, concerns=[standing], messages=messages, sendings=[Sending(m.key, m.at) for m in messages])
    )
    state = awake(given, memory_of(store.parts, given, NOW), NOW)
    assert [p.message.key for p in desk_of(given, state, NOW).lately] == ["first", "lately"]
    lived = State(NOW, NOW, standing={KEY: standing}, parcels={m.key: Parcel(m, 1, m.at, Fate.SENT) for m in messages})
    assert forget_old(lived, NOW).parcels.keys() == state.parcels.keys()
    over = lived._replace(standing={})
    assert list(forget_old(over, NOW).parcels) == ["lately"]
    assert [p.message.key for p in desk_of(given, over, NOW).lately] == ["lately"]
    store.close()


def test_an_end_that_arrives_late_is_told_of_what_ended(given: Given) -> None:
    """It breached anew while "it is over" was on its way: what ended was told, and what stands by now is untouched."""
    ended = a_concern(
        NOW - HOUR, standing=Standing.OVER, opened_at=NOW - DAY, breached_since=NOW - DAY, over_at=NOW - HOUR, tellings=1,
        asked=Asked(NOW - HOUR, Telling.OVER, Severity.NONE, "look after"),
    )  # fmt: skip
    anew = a_concern(NOW, standing=Standing.FORMING, opened_at=None, breached_since=NOW)
    message = replace(
        a_message("over", NOW - HOUR, concerns=(KEY,)),
        telling=Telling.OVER,
        said=(Said(KEY, Telling.OVER, Severity.NONE, "look after"),),
    )
    state = awake(given, Memory(concerns=(ended, anew), parcels=(Parcel(message, 0, NOW, Fate.WAITING),)), NOW)
    state, _ = step(given, state, Sent(NOW, "over"))
    assert state.standing == {KEY: anew}
    assert not state.ended
    assert state.committing is not None
    (told,) = state.committing.concerns
    assert (told.standing, told.tellings, told.asked, told.told_action) == (Standing.OVER, 2, None, "look after")
