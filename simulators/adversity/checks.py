"""What must hold after every step, whatever the world does. A broken promise is an AssertionError that says which.

acknowledged      only what is durable
told              nothing twice but what was on its way when the process died; nothing never
lingering         nothing that passed before it became a matter
recovered         what a new process makes of the store is what the old one knew
time              goes back only where the clock stepped
apart             nothing of one site is in another's store or on its phone
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from datetime import datetime, timedelta
from typing import Any

from sensord.engine.recovery import memory_of
from sensord.engine.state import ALIVE, EngineState, Given, awake
from sensord.model import EPOCH, Quantity, Reading, Severity, Standing, State, as_kept
from sensord.ports import Share
from simulators.adversity.outdoors import Published
from simulators.adversity.world import Phone

FAR = timedelta(days=3)
VOLATILE = frozenset(
    {
        "now", "started_at", "in_hand", "connected", "disconnected_since", "shipping_trouble", "unshipped_since",
        "clock_is_set", "failing", "refused", "batch", "owed",
        "committing", "committing_batch", "committed_at", "outgoing", "commits", "retry_at",
        "unstored_since", "prune_at", "looking_back", "said", "counts",
    }
)  # fmt: skip
"""What a new process finds out anew: of the world around, of its own counters, and what is owed, of which there is nothing."""


def kept_value(probe: str, quantity: str, value: float) -> float:
    """As every store gives it back."""
    return as_kept(Reading("", probe, Quantity(quantity), EPOCH, EPOCH, value)).value


def is_durable(share: Share, published: Iterable[Published], around: datetime) -> None:
    """Every reading of these messages is stored."""
    for one in published:
        for probe, quantity, value in one.readings:
            found = share.readings.series(probe, Quantity(quantity), around - FAR, around + FAR).values
            assert kept_value(probe, quantity, value) in found, (
                f"{probe} {quantity} {value} was acknowledged and is not stored"
            )


def each_once(share: Share, acknowledged: Iterable[Published], around: datetime) -> None:
    """What was acknowledged is stored once, and nothing else is."""
    wanted = Counter((p, q, kept_value(p, q, v)) for one in acknowledged for p, q, v in one.readings)
    for probe, quantity in {(p, q) for p, q, _ in wanted}:
        stored = Counter(share.readings.series(probe, Quantity(quantity), around - 9 * FAR, around + 9 * FAR).values)
        mine = Counter({v: n for (p, q, v), n in wanted.items() if (p, q) == (probe, quantity)})
        assert stored == mine, f"{probe} {quantity}: stored and published differ by {(stored - mine) + (mine - stored)}"


def told_once(phone: Phone, maybe_twice: set[str]) -> None:
    """No key comes twice, but where the process died before it could note that the channel took it."""
    twice = {key for key, times in Counter(phone.keys()).items() if times > 1}
    assert twice <= maybe_twice, f"told twice: {twice - maybe_twice}"


def none_forgotten(share: Share, phone: Phone, now: datetime) -> None:
    """In the end nothing waits that could have gone; what was sent, the phone has; what was not, has a reason."""
    got = set(phone.keys())
    for parcel in share.outbox.between(now - 9 * FAR, now + 9 * FAR):
        message = parcel.message
        if parcel.state == "sent":
            assert message.key in got, f"{message.title} is noted as sent and never came"
        elif parcel.state == "waiting":
            later = message.not_before is not None and message.not_before > now
            assert later or parcel.due_at > now - timedelta(minutes=6), f"{message.title} waits since {parcel.due_at}"
        else:
            assert parcel.detail, f"{message.title} was {parcel.state} without a reason"


def severe_was_told(state: EngineState, now: datetime) -> None:
    """Whoever must know of a Severe matter that stands unanswered has been told of it."""
    for concern in state.standing.values():
        severe = concern.verdict.severity >= Severity.SEVERE and concern.standing is Standing.OPEN
        known = concern.unknown_since is None and concern.fine_since is None
        if severe and known and concern.opened_at is not None and now - concern.opened_at > timedelta(minutes=10):
            told = concern.told >= Severity.SEVERE and concern.told_at is not None
            assert told, (
                f"{concern.key} is {concern.verdict.severity.word} since {concern.opened_at} and nobody was told"
            )


def none_lingers(state: EngineState) -> None:
    """What was about to become a matter is one only as long as its rule says so."""
    for concern in state.standing.values():
        verdict = concern.verdict
        said = state.said.get((concern.rule, concern.subject))
        if concern.standing is Standing.FORMING and said is not None and said[0] != State.UNKNOWN:
            now = (verdict.state, verdict.severity, verdict.reason)
            assert said == now, f"{concern.key} is about to be a matter by {now}, and its rule said {said} since"


def recovered(given: Given, state: EngineState, share: Share, now: datetime) -> None:
    """A process that began now would know the same."""
    if state.batch is not None or state.committing is not None or any(state.owed[1:-1]):
        return  # not durable yet: the broker and the next turn bring it again
    new = awake(given, memory_of(share, given, now), now)
    # a turn that found nothing new is committed with what comes next, and asked again by a process that begins before
    again = {"turned_at", "next_turn", "facts"} if state.owed.facts else set()
    for name in EngineState._fields:
        if name not in VOLATILE | again:
            was, is_now = _plain(getattr(state, name), state), _plain(getattr(new, name), state)
            if (
                name == "last_heard"
            ):  # a message that is handed out again is heard again, and stored as of the first time
                is_now = {k: was[k] if k in was and at <= was[k] else at for k, at in is_now.items()}
            if name == "facts":
                was, is_now = ({k: v for k, v in facts.items() if k != ALIVE} for facts in (was, is_now))
            assert was == is_now, f"after a crash, {name} would be {_difference(was, is_now)}"


def _plain(value: Any, state: EngineState) -> Any:
    """What is compared: of windows the readings that the horizon still covers, of messages those that still matter."""
    if isinstance(value, dict) and value and hasattr(next(iter(value.values())), "between"):
        start = (state.now - timedelta(hours=11)).timestamp()
        parts = {key: window.between(start, 1e12) for key, window in value.items()}
        return {key: (list(p.times_s), list(p.values)) for key, p in parts.items() if len(p.times_s)}
    if isinstance(value, dict) and value and hasattr(next(iter(value.values())), "message"):
        recent = state.now - timedelta(hours=30)
        return {k: p for k, p in value.items() if p.state == "waiting" or p.message.at > recent}
    return value


def _difference(was: Any, new: Any) -> str:
    if isinstance(was, dict) and isinstance(new, dict):
        keys = [k for k in {*was, *new} if was.get(k) != new.get(k)]
        return "; ".join(f"{k}: {new.get(k)!r} instead of {was.get(k)!r}" for k in keys[:2])[:1500]
    return f"{new!r} instead of {was!r}"[:1500]


def apart(site: str, share: Share, phone: Phone, now: datetime) -> None:
    """Nothing of another site."""
    strangers = {m.site for _, m in phone.got} - {site}
    assert not strangers, f"{site}'s phone was told of {strangers}"
    assert {e.site for e in share.entries.between(EPOCH, now + 9 * FAR)} <= {site}
    assert {c.site for c in share.concerns.standing()} <= {site}
