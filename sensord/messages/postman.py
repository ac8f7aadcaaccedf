"""When a message goes, and whether it still may: grouping, quiet hours, budget, expiry, stand-in, retries. Pure.

    compose    notices of a moment, and what was withheld before → messages, the worst first. Below Severe, a message
               waits for the end of the quiet hours, and for the end of a storm if it would send somebody out; what
               exceeds the day's budget is held back
    revise     before every attempt: what is late, answered, said again or dangerous by now is replaced by what holds, or
               withdrawn. Nothing goes to any channel unrevised
    stand_in   a Severe matter that nobody answers goes to the second channel, once

While any concern says "stay in", no message sends anybody out: below Severe it waits, from Severe on it says to stay in
first. The day's budget (`pushes_per_day` of the local day), in the order in which a moment's messages are weighed:

    a message                                              goes to the phone while of today's messages to the phone
    -----------------------------------------------------  ----------------------------------------------------------
    Severe or Extreme; an all-clear; storm advice that     always
        falls due in the coming quiet hours
    the first of a matter (OPENED)                         fewer first notices were about its hazard than its share,
                                                           a quarter of the budget and at least one; or fewer than
                                                           the budget were no repeats
    other news (WORSE, CHANGED, FOLLOW_UP)                 fewer than the budget went
    a repeat (AGAIN, EASED)                                fewer than three quarters of the budget went

So repeats live on what is left and never stand in a first notice's way, and no hazard spends another's share. Among
messages of one row, what was withheld goes before what is new. What is withheld is known to its concern, is in the log
and the outbox once, with the reason, and is weighed again at every moment, until it goes or holds no more.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import NamedTuple

from sensord.actions import keeps_in
from sensord.concerns import not_said, on_its_way, owed, says_stay_in
from sensord.messages.budget import counts_today, no_room_for, row_of
from sensord.messages.desk import Desk
from sensord.messages.drafts import STORM_WAIT, Draft, draft_of
from sensord.messages.quiet import quiet_until
from sensord.messages.writing import ahead, also, goes_out, groups, rekeyed
from sensord.model import (
    Concern,
    Fate,
    Message,
    Notice,
    Parcel,
    Route,
    Severity,
    Standing,
    State,
    Telling,
    Unsaid,
    What,
)

STALE = timedelta(minutes=20)
"""After this the numbers of a message that could not go are looked at again."""
FIRST_PAUSE, LONGEST_PAUSE = timedelta(seconds=30), timedelta(minutes=30)


class Post(NamedTuple):
    """What a moment's notices become."""

    messages: tuple[Message, ...]
    held: tuple[tuple[Message, str], ...]  # never to be sent, with the reason
    waiting: tuple[tuple[Message, str], ...] = ()  # of `messages`, those that are not to go at once, with the reason
    missing: tuple[str, ...] = ()  # what the texts asked for in vain
    concerns: tuple[Concern, ...] = ()  # those that it changes: something was withheld of them, or is asked again


class Keep(NamedTuple):
    """The message still holds."""


class Replace(NamedTuple):
    """Another message holds now (it may have to wait: `not_before`)."""

    message: Message
    why: str
    concerns: tuple[Concern, ...] = ()  # as they are after it, those of which it speaks no more


class Withdraw(NamedTuple):
    """Nothing of it holds any more."""

    why: str
    undelivered: bool = False  # it was tried and never got through
    concerns: tuple[Concern, ...] = ()  # as they are after it


Revised = Keep | Replace | Withdraw


def compose(notices: Sequence[Notice], desk: Desk, now: datetime) -> Post:
    """The messages of a moment, and what is held back. `desk`: with the concerns as the notices' judge left them."""
    if not notices and not any(c.withheld for c in desk.standing.values()):
        return Post((), ())
    news = {id(notice) for notice in notices}
    drafts = [draft_of(group, desk, now) for group in groups([*notices, *_owed(desk, now)])]
    gone = [p for p in desk.lately if counts_today(p, desk)]
    refused: dict[str, Unsaid] = {}  # by key of the message
    for draft in sorted(
        drafts, key=lambda d: (row_of(d, desk, now), all(id(n) in news for n in d.group), ahead(d.message))
    ):
        why = (draft.wait_why or Unsaid.LATE) if draft.too_late else no_room_for(draft, gone, desk, now)
        if why:
            refused[draft.message.key] = why
        else:
            gone.append(Parcel(draft.message, 0, now, Fate.WAITING))
    fresh = [d for d in drafts if d.message.key not in refused or any(id(n) in news for n in d.group)]
    fresh.sort(key=lambda d: ahead(d.message))
    sent = [d for d in fresh if d.message.key not in refused]
    held = [(d, refused[d.message.key]) for d in fresh if d.message.key in refused]
    return Post(
        tuple(d.message for d in sent),
        tuple((d.message, why) for d, why in held),
        tuple((d.message, d.wait_why) for d in sent if d.wait_why),
        tuple(name for d in fresh for name in d.letter.missing),
        (
            *(n.concern for d in sent for n in d.group if id(n) not in news),
            *(not_said(n.concern, d.message, why) for d, why in held for n in d.group),
        ),
    )


def _owed(desk: Desk, now: datetime) -> list[Notice]:
    """What was withheld and could go now, were there room in the budget."""
    found = [asked[1] for c in desk.standing.values() if (asked := owed(c, desk.manner_of(c.rule), now)) is not None]
    return [notice for notice in found if not draft_of((notice,), desk, now).too_late]


def revise(parcel: Parcel, desk: Desk, now: datetime) -> Revised:
    """What is to be done with a message that is due, on whichever channel."""
    message, tried = parcel.message, parcel.attempts > 0
    expired = message.holds_until is not None and message.holds_until <= now
    if not message.concerns or message.telling is Telling.OVER:
        again = [key for key in message.concerns if _stands(desk.standing.get(key))]
        if again or expired:
            return Withdraw(Unsaid.EXPIRED if expired else f"{again[0]} stands again", tried)
        return _as_it_is(message, desk, now, tried)
    verdicts = {key: _moot(desk.standing.get(key), message, desk) for key in message.concerns}
    live = [desk.standing[key] for key, moot in verdicts.items() if not moot]
    if not live:
        why_none = next(moot for moot in verdicts.values() if moot)
        given_up = tried and why_none not in (Unsaid.ANSWERED, Unsaid.AGAIN)
        return Withdraw(why_none, given_up, _unsaid(message, desk, {k: moot for k, moot in verdicts.items() if moot}))
    breached = [c for c in live if c.verdict.state is State.BREACH]
    if not breached:
        if expired or _may_not_go_out(message, desk):  # should it be a breach again, it is asked for again at once
            return _withdraw(Unsaid.EXPIRED if expired else Unsaid.FINE, message, desk, tried)
        return _as_it_is(message, desk, now, tried)
    draft = _redraft(breached, message, desk, now)
    late: list[Concern] = []
    if draft.too_late:  # what is too late alone spoils no company
        late = [c for c in breached if _redraft([c], message, desk, now).too_late]
        breached = [c for c in breached if c not in late]
        draft = _redraft(breached, message, desk, now) if breached else draft
    if draft.too_late:
        return _withdraw(draft.wait_why or Unsaid.DEADLINE, message, desk, tried)
    why = _why_replace(message, draft, len(breached) < len(verdicts), expired, now)
    if not why:
        return Keep()
    left_out = {key: moot or Unsaid.FINE for key, moot in verdicts.items() if key not in draft.message.concerns}
    left_out |= {c.key: Unsaid.DEADLINE for c in late}
    taken_along = _changed((c, on_its_way(c, draft.message)) for c in breached)
    return Replace(draft.message, why, (*_unsaid(message, desk, left_out), *taken_along))


def _withdraw(why: Unsaid, message: Message, desk: Desk, tried: bool) -> Withdraw:
    return Withdraw(why, tried, _unsaid(message, desk, dict.fromkeys(message.concerns, why)))


def _unsaid(message: Message, desk: Desk, reasons: Mapping[str, Unsaid]) -> tuple[Concern, ...]:
    """The concerns that change when the message does not speak of them."""
    before = [(desk.standing[key], why) for key, why in reasons.items() if key in desk.standing]
    return _changed((c, not_said(c, message, why)) for c, why in before)


def _changed(pairs: Iterable[tuple[Concern, Concern]]) -> tuple[Concern, ...]:
    return tuple(after for before, after in pairs if after != before)


def never_went(parcels: Collection[Parcel], since: datetime, until: datetime) -> int:
    """How many messages were held back in a span and not said since: what was withheld goes once there is room."""
    held = [p.message for p in parcels if p.state == Fate.HELD and since <= p.message.at < until]
    news = [p.message for p in parcels if p.state in (Fate.WAITING, Fate.SENT) and p.message.route == Route.PHONE]

    def went(key: str, held_at: datetime) -> bool:
        return any(m.at > held_at and key in m.concerns and m.telling is not Telling.OVER for m in news)

    return sum(not m.concerns or not all(went(key, m.at) for key in m.concerns) for m in held)


def next_attempt(attempts: int) -> timedelta:
    """The pause after that many attempts that failed: 30 s, doubling, at most 30 min. `revise` says when to give up."""
    return min(LONGEST_PAUSE, FIRST_PAUSE * (1 << min(max(attempts, 1) - 1, 10)))


def _redraft(concerns: Sequence[Concern], message: Message, desk: Desk, now: datetime) -> Draft:
    """What holds now of a message's concerns: the worst action leads, others are named behind it."""
    notices = [Notice(now, message.telling, c) for c in concerns]
    first, *others = sorted(
        (draft_of(g, desk, now, message.route, message.key) for g in groups(notices)), key=lambda d: ahead(d.message)
    )
    if any(says_stay_in(c) for c in desk.standing.values()):
        others = [d for d in others if not goes_out(d.group)]
    letter = also(first.letter, [d.letter for d in others], desk, now)
    was = {s.concern: s.telling for s in message.said}  # what is told late is told for the same reason
    said = tuple(s._replace(telling=was.get(s.concern, s.telling)) for s in letter.message.said)
    return replace(first, letter=letter._replace(message=replace(letter.message, said=said)))


def _why_replace(message: Message, draft: Draft, fewer: bool, expired: bool, now: datetime) -> str:
    new = draft.message
    if draft.wait_why:
        return draft.wait_why
    if new.action != message.action:
        return f'"{new.action}" holds now, not "{message.action}"'
    if expired:
        return "it was late; this holds now"
    if fewer:
        return "it holds for fewer now"
    if now - message.at > STALE and (new.title, new.text, new.severity) != (
        message.title,
        message.text,
        message.severity,
    ):
        return "the numbers have changed"
    return ""


def _as_it_is(message: Message, desk: Desk, now: datetime, tried: bool) -> Revised:
    """A message that can't be written anew: it goes, it waits, or it is withdrawn."""
    rings_at_night = message.severity >= Severity.SEVERE or message.rule == "morning"
    until = None if rings_at_night else quiet_until(desk, now)
    why = Unsaid.QUIET
    if _may_not_go_out(message, desk):
        until, why = max(until or now, now + STORM_WAIT), Unsaid.STORM
    if until is None:
        return Keep()
    if message.holds_until is not None and message.holds_until <= until:
        return _withdraw(why, message, desk, tried)
    return Replace(rekeyed(replace(message, at=now, not_before=until)), why)


def _may_not_go_out(message: Message, desk: Desk) -> bool:
    """Whether the message would send somebody out into a storm."""
    return (
        bool(message.action) and not keeps_in(message.action) and any(says_stay_in(c) for c in desk.standing.values())
    )


def _moot(concern: Concern | None, message: Message, desk: Desk) -> Unsaid | None:
    """Why there is no need to tell this any more; None if there is."""
    if not _stands(concern) or concern is None or concern.opened_at is None:
        return Unsaid.OVER
    if concern.opened_at > message.at:
        return Unsaid.ANEW
    answered = concern.standing is Standing.ANSWERED and concern.answered_at and concern.answered_at > message.at
    if answered and not (message.route == Route.STAND_IN and concern.answer is What.NOT_NOW):
        return Unsaid.ANSWERED
    severity = next((s.severity for s in message.said if s.concern == concern.key), concern.told)
    if concern.fine_since is not None and severity < Severity.SEVERE:
        return Unsaid.FINE
    for parcel in desk.lately:
        other = parcel.message
        newer = other.at > message.at and other.route == message.route and parcel.state in (Fate.WAITING, Fate.SENT)
        if newer and concern.key in other.concerns:
            return Unsaid.AGAIN
    return None


def _stands(concern: Concern | None) -> bool:
    return concern is not None and concern.standing in (Standing.OPEN, Standing.ANSWERED)
