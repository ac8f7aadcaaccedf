"""Making things durable: what is decided goes out as one commit, and only what the commit held counts as done after it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime, timedelta
from typing import Any

from sensord.engine.effects import Acknowledge, Effect, Level, MakeDurable, Send, Tell
from sensord.engine.events import Arrived, Committed, NotCommitted
from sensord.engine.state import ALIVE, NOTHING_OWED, EngineState, Given
from sensord.engine.windows import Window, WindowRow
from sensord.model import EPOCH, Quantity, Severity
from sensord.ports import Commit

Step = tuple[EngineState, tuple[Effect, ...]]

RETRY_COMMIT = timedelta(seconds=2)
REFUSALS_TOLD_EVERY = timedelta(minutes=10)
MOST_TOPICS = 1000


def make_durable(state: EngineState, at: datetime) -> Step:
    """Ask for everything that is owed, and for the batch that waits, in one transaction; one at a time."""
    if state.committing is not None:
        return state, ()
    owed, batch = state.owed, state.batch
    facts = {**owed.facts, ALIVE: at.isoformat()}  # whatever is committed shows that somebody watched
    if batch is None:
        commit = owed._replace(at=at, facts=facts)
    else:
        commit = owed._replace(
            at=at, facts=facts, readings=batch.readings, refusals=batch.refusals, undated=batch.undated,
            entries=(*batch.entries, *owed.entries),
        )  # fmt: skip
    number = state.commits + 1
    state = state._replace(
        commits=number, committing=state.owed, committing_batch=batch is not None, owed=NOTHING_OWED, retry_at=None
    )
    return state, (MakeDurable(number, commit),)


def committed(given: Given, state: EngineState, event: Committed) -> Step:
    """It is durable: take it into what is known, acknowledge it, and send what waited for it."""
    effects: list[Effect] = []
    if state.unstored_since is not None:
        effects.append(Tell(Level.WARNING, "storing works again"))
    batch = state.batch if state.committing_batch else None
    counts, added = state.counts, event.added
    if batch is not None:
        counts = counts._replace(
            readings=counts.readings + added.stored,
            duplicates=counts.duplicates + added.duplicates,
            refused=counts.refused + added.refused,
            arrivals=counts.arrivals + len(batch.arrivals),
        )
    state = state._replace(
        batch=None if batch is not None else state.batch,
        committing=None,
        committing_batch=False,
        committed_at=event.at,
        unstored_since=None,
        counts=counts,
    )
    if batch is not None:
        effects.append(Acknowledge(batch.arrivals))
        state, told = _taken_in(given, state, batch)
        effects += told
    state, sends = _send(state)
    effects += sends
    if state.batch is not None or is_owing(state):
        state, more = make_durable(state, event.at)
        effects += more
    return state, tuple(effects)


def not_committed(state: EngineState, event: NotCommitted) -> Step:
    """Nothing of it is stored: it is owed to the next one, and so are its messages. What is Severe goes out all the same."""
    refused = state.committing
    if refused is None:
        raise ValueError(f"commit {event.number} was refused, and none is on its way")
    effects: list[Effect] = []
    if state.unstored_since is None:
        what = "nothing can be stored: {}; the broker keeps what comes until this is mended"
        if not state.committing_batch:
            what = "a turn could not be stored: {}; what is urgent in it goes out all the same"
        effects.append(Tell(Level.ERROR, what.format(event.why)))
    urgent = tuple(m for m in state.outgoing if m.severity >= Severity.SEVERE)
    others = tuple(m for m in state.outgoing if m.severity < Severity.SEVERE)
    state, sends = _send(state._replace(outgoing=urgent))
    state = state._replace(
        outgoing=others,
        owed=merged(refused, state.owed),
        committing=None,
        committing_batch=False,
        retry_at=event.at + RETRY_COMMIT,
        unstored_since=state.unstored_since or event.at,
    )
    return state, (*effects, *sends)


def _send(state: EngineState) -> Step:
    if not state.outgoing:
        return state, ()
    new = [m for m in state.outgoing if m.key not in state.in_hand]
    state = state._replace(outgoing=(), in_hand=state.in_hand.union(m.key for m in new))
    return state, tuple(Send(m) for m in new)


# --- what is owed -------------------------------------------------------------------------------------------------------


def owing(state: EngineState, **more: Iterable[Any] | Mapping[str, str]) -> EngineState:
    """The state that owes `more` to the next commit, by the names of `Commit`'s fields."""
    return state._replace(owed=_with(state.owed, more))


def is_owing(state: EngineState) -> bool:
    """Whether anything beyond small facts is to be made durable."""
    return any(state.owed[1:-1])


def merged(first: Commit, then: Commit) -> Commit:
    """Both in one: of a concern and of a fact the later word counts."""
    more = {name: value for name, value in zip(Commit._fields[1:], then[1:], strict=True) if value}
    return _with(first._replace(at=then.at), more)


def _with(owed: Commit, more: Mapping[str, Any]) -> Commit:
    together: dict[str, Any] = {}
    for name, value in more.items():
        known = getattr(owed, name)
        if not known:
            together[name] = value
        elif name == "facts":
            together[name] = {**known, **value}
        else:
            together[name] = (*known, *value)
    if "concerns" in together:
        together["concerns"] = tuple({(c.key, c.breached_since): c for c in together["concerns"]}.values())
    return owed._replace(**together)


# --- a batch that is durable --------------------------------------------------------------------------------------------


def _taken_in(given: Given, state: EngineState, batch: Arrived) -> Step:
    heard, windows = dict(state.last_heard), dict(state.windows)
    by_series: dict[tuple[str, Quantity], list[WindowRow]] = {}
    last_at, measured_s = EPOCH, 0.0
    for _, probe, quantity, measured_at, received_at, value, doubts in batch.readings:
        if received_at > heard.get(probe, EPOCH):
            heard[probe] = received_at
        if measured_at is not last_at:  # readings of one message share their time
            last_at, measured_s = measured_at, measured_at.timestamp()
        by_series.setdefault((probe, quantity), []).append((measured_s, value, int(doubts)))
    now_s = batch.at.timestamp()
    for key, rows in by_series.items():
        window = windows.get(key)
        if window is None:
            window = Window(given.remembered.total_seconds())
        windows[key] = window.add(rows, now_s)
    entries = state.entries
    if batch.entries:
        entries = tuple(sorted(dict.fromkeys((*entries, *batch.entries)), key=lambda e: e.at))
    state = state._replace(last_heard=heard, windows=windows, entries=entries)
    return _told_refusals(state, batch)


def _told_refusals(state: EngineState, batch: Arrived) -> Step:
    """The first of a topic, then one in ten minutes with the number of the others: the store keeps them all the same.

    What met a defect of ours is counted apart, by the kind of the defect, and brings its traceback.
    """
    effects: list[Effect] = []
    now, known, defects = batch.at, dict(state.refused), dict(batch.defects)
    for refusal in batch.refusals:
        defect = defects.get(refusal)
        of = refusal.topic if defect is None else f"{refusal.topic}: {type(defect).__name__}"
        since, others = known.get(of, (EPOCH, 0))
        if now - since < REFUSALS_TOLD_EVERY:
            known[of] = (since, others + 1)
            continue
        more = f" (and {others} more since {since:%H:%M} UTC)" if others else ""
        line, level = f"refused: {refusal.topic}: {refusal.reason}{more}", Level.ERROR if defect else Level.WARNING
        effects.append(Tell(level, line, defect))
        if len(known) >= MOST_TOPICS:
            known.clear()
        known[of] = (now, 0)
    return state._replace(refused=known) if effects or known != state.refused else state, tuple(effects)
