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

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, time, timedelta
from typing import NamedTuple

from sensord.actions import keeps_in
from sensord.judge import not_said, on_its_way, owed, says_stay_in
from sensord.letters import Desk as Desk
from sensord.letters import Letter, ahead, also, goes_out, groups, rekeyed, write
from sensord.letters import morning_line as morning_line
from sensord.letters import picture_of as picture_of
from sensord.letters import watched_again as watched_again
from sensord.letters import week_told as week_told
from sensord.model import (
    Concern,
    Fate,
    Hazard,
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
STORM_WAIT = timedelta(minutes=30)
"""How long a message that would send somebody out waits, each time, while people must stay in."""
FIRST_PAUSE, LONGEST_PAUSE = timedelta(seconds=30), timedelta(minutes=30)
UNBUDGETED = ("morning", "watched again", "week")
"""Messages that are no part of the day's budget, by rule."""
FIRST, NEWS, REPEAT = 1, 2, 3
"""The rows of the budget's table below those that always go."""


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


@dataclass(frozen=True, slots=True)
class _Draft:
    """A letter, and whether it has to wait."""

    letter: Letter
    group: tuple[Notice, ...]
    wait_why: Unsaid | None = None

    @property
    def message(self) -> Message:
        return self.letter.message

    @property
    def too_late(self) -> bool:
        """Whether it would go, or be read, when it holds no more."""
        m = self.message
        return m.holds_until is not None and m.holds_until <= (m.not_before or m.at)


def compose(notices: Sequence[Notice], desk: Desk, now: datetime) -> Post:
    """The messages of a moment, and what is held back. `desk`: with the concerns as the notices' judge left them."""
    if not notices and not any(c.withheld for c in desk.standing.values()):
        return Post((), ())
    news = {id(notice) for notice in notices}
    drafts = [_draft(group, desk, now) for group in groups([*notices, *_owed(desk, now)])]
    gone = [p for p in desk.lately if _counts(p, desk)]
    refused: dict[str, Unsaid] = {}  # by key of the message
    for draft in sorted(
        drafts, key=lambda d: (_row(d, desk, now), all(id(n) in news for n in d.group), ahead(d.message))
    ):
        why = (draft.wait_why or Unsaid.LATE) if draft.too_late else _no_room(draft, gone, desk, now)
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
    return [notice for notice in found if not _draft((notice,), desk, now).too_late]


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


def stand_in(desk: Desk, now: datetime) -> tuple[Message, ...]:
    """Messages for the second channel: Severe, told, and unanswered for too long (or answered with "not now")."""
    if not desk.has_stand_in:
        return ()
    patience = timedelta(minutes=desk.keeper.stand_in_after_minutes)
    late = [c for c in desk.standing.values() if _needs_stand_in(c, desk, patience, now)]
    drafts = [_draft(g, desk, now, Route.STAND_IN) for g in groups(Notice(now, Telling.AGAIN, c) for c in late)]
    known = {parcel.message.key for parcel in desk.lately}
    return tuple(d.message for d in drafts if d.message.key not in known and not d.too_late)


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


def quiet_until(desk: Desk, now: datetime) -> datetime | None:
    """The end of the quiet hours that `now` lies in; None outside them."""
    return next((end for start, end in _quiet_hours(desk, now) if start <= now < end), None)


def _quiet_hours(desk: Desk, now: datetime) -> Iterator[tuple[datetime, datetime]]:
    """Yesterday's, today's and tomorrow's quiet hours as instants: exact in the nights when the clock changes."""
    keeper, zone = desk.keeper, desk.zone
    if not keeper.quiet_from or not keeper.quiet_until or keeper.quiet_from == keeper.quiet_until:
        return
    first, last = time.fromisoformat(keeper.quiet_from), time.fromisoformat(keeper.quiet_until)
    today = now.astimezone(zone).date()
    for days in (-1, 0, 1):
        evening = today + timedelta(days=days)
        morning = evening + timedelta(days=1) if last <= first else evening
        start = datetime.combine(evening, first, zone).astimezone(UTC)
        yield start, datetime.combine(morning, last, zone).astimezone(UTC)


def _draft(
    group: tuple[Notice, ...], desk: Desk, now: datetime, route: Route = Route.PHONE, replaces: str = ""
) -> _Draft:
    """The message of a group, and until when it has to wait."""
    severe = max(n.concern.verdict.severity for n in group) >= Severity.SEVERE
    until: datetime | None = None
    why: Unsaid | None = None
    staying = goes_out(group) and any(says_stay_in(c) for c in desk.standing.values())
    if not severe:
        until = quiet_until(desk, now)
        why = Unsaid.QUIET if until else None
        if staying and (until is None or until < now + STORM_WAIT):
            until, why = now + STORM_WAIT, Unsaid.STORM
    letter = write(group, desk, now, read_at=until or now, route=route, waits=staying and severe, replaces=replaces)
    return _Draft(Letter(replace(letter.message, not_before=until), letter.missing), group, why)


def _redraft(concerns: Sequence[Concern], message: Message, desk: Desk, now: datetime) -> _Draft:
    """What holds now of a message's concerns: the worst action leads, others are named behind it."""
    notices = [Notice(now, message.telling, c) for c in concerns]
    first, *others = sorted(
        (_draft(g, desk, now, message.route, message.key) for g in groups(notices)), key=lambda d: ahead(d.message)
    )
    if any(says_stay_in(c) for c in desk.standing.values()):
        others = [d for d in others if not goes_out(d.group)]
    letter = also(first.letter, [d.letter for d in others], desk, now)
    was = {s.concern: s.telling for s in message.said}  # what is told late is told for the same reason
    said = tuple(s._replace(telling=was.get(s.concern, s.telling)) for s in letter.message.said)
    return replace(first, letter=letter._replace(message=replace(letter.message, said=said)))


def _why_replace(message: Message, draft: _Draft, fewer: bool, expired: bool, now: datetime) -> str:
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


def _counts(parcel: Parcel, desk: Desk) -> bool:
    """Whether a message takes from the day's budget."""
    message = parcel.message
    if desk.day_began is not None and message.at < desk.day_began:
        return False
    return message.route == Route.PHONE and message.rule not in UNBUDGETED and parcel.state in (Fate.WAITING, Fate.SENT)


def _row(draft: _Draft, desk: Desk, now: datetime) -> int:
    """The row of the budget's table that a message is in; 0: it always goes."""
    message = draft.message
    if message.severity >= Severity.SEVERE or message.telling is Telling.OVER or _falls_due_in_quiet(draft, desk, now):
        return 0
    if _first_about(message, desk):
        return FIRST
    return REPEAT if _is_repeat(message) else NEWS


def _no_room(draft: _Draft, parcels: Sequence[Parcel], desk: Desk, now: datetime) -> Unsaid | None:
    """Why the budget has no room for a message; None if it has. `parcels`: what counts to the day so far."""
    gone = [
        p.message for p in parcels if p.state == "sent" or not set(p.message.concerns) <= set(draft.message.concerns)
    ]
    budget, row = desk.keeper.pushes_per_day, _row(draft, desk, now)
    quarter = budget // 4
    match row:
        case 0:
            return None
        case 1:
            share = max(1, quarter)
            hazards = _first_about(draft.message, desk)
            within = any(sum(hazard in _first_about(m, desk) for m in gone) < share for hazard in hazards)
            room = within or sum(not _is_repeat(m) for m in gone) < budget
            return None if room else Unsaid.SHARE
        case 2:
            return None if len(gone) < budget else Unsaid.BUDGET
        case _:
            return None if len(gone) < budget - quarter else Unsaid.REST


def _is_repeat(message: Message) -> bool:
    return message.telling in (Telling.AGAIN, Telling.EASED)


def _first_about(message: Message, desk: Desk) -> frozenset[Hazard]:
    """Of which hazards a message says something for the first time."""
    return frozenset(_hazard(s.concern, desk) for s in message.said if s.telling is Telling.OPENED)


def _hazard(key: str, desk: Desk) -> Hazard:
    return desk.manner_of(key.partition("/")[0]).hazard


def _falls_due_in_quiet(draft: _Draft, desk: Desk, now: datetime) -> bool:
    """Storm advice whose deadline lies in the coming quiet hours: it goes before they begin."""
    for notice in draft.group:
        advice = notice.concern.verdict.advice
        due = (advice.by or advice.holds_until) if advice else None
        if due is None or not desk.manner_of(notice.concern.rule).before_quiet:
            continue
        if any(now < start <= due < end for start, end in _quiet_hours(desk, now)):
            return True
    return False


def _needs_stand_in(concern: Concern, desk: Desk, patience: timedelta, now: datetime) -> bool:
    severe = concern.verdict.state is State.BREACH and concern.verdict.severity >= Severity.SEVERE
    asked_at = _severe_asked_at(concern, desk)
    if not severe or asked_at is None:
        return False
    advice = concern.verdict.advice
    if _told(concern, Route.STAND_IN, concern.verdict.severity, desk) or (advice and keeps_in(advice.action)):
        return False  # told already; or there is nothing to do but to stay in
    if concern.standing is Standing.ANSWERED:
        return concern.answer is What.NOT_NOW
    if concern.standing is not Standing.OPEN:
        return False
    return now - asked_at >= patience


def _severe_asked_at(concern: Concern, desk: Desk) -> datetime | None:
    """Since when the keeper should know that it is Severe: told, or tried in vain; a phone out of reach helps nobody."""
    times = []
    if concern.told >= Severity.SEVERE and concern.told_at is not None:
        times.append(concern.told_at)
    if concern.asked is not None and concern.asked.severity >= Severity.SEVERE:
        times.append(concern.asked.at)
    return min([*_told(concern, Route.PHONE, Severity.SEVERE, desk), *times]) if times else None


def _told(concern: Concern, route: Route, severity: Severity, desk: Desk) -> list[datetime]:
    """When messages of at least that severity spoke of the concern on a route, or were to."""
    return [
        parcel.message.at
        for parcel in desk.lately
        if concern.key in parcel.message.concerns
        and parcel.message.severity >= severity
        and parcel.message.route == route
        and concern.opened_at is not None
        and parcel.message.at >= concern.opened_at
    ]
