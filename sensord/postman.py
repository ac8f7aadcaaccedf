"""When a message goes, and whether it still may: grouping, quiet hours, budget, expiry, stand-in, retries. Pure.

    compose    notices of a moment → messages, the worst first. Below Severe, a message waits for the end of the quiet
               hours, and for the end of a storm if it would send somebody out; what exceeds the day's budget is held back
    revise     before every attempt: what is late, answered, said again or dangerous by now is replaced by what holds, or
               withdrawn. Nothing goes to any channel unrevised
    stand_in   a Severe matter that nobody answers goes to the second channel, once

While any concern says "stay in", no message sends anybody out: below Severe it waits, from Severe on it says to stay in
first. The budget never holds back Severe, an all-clear, or storm advice that falls due in the coming quiet hours.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, time, timedelta
from typing import NamedTuple

from sensord.judge import STAY_IN, manner_of, says_stay_in
from sensord.letters import PHONE, STAND_IN, Letter, ahead, also, goes_out, groups, rekeyed, write
from sensord.letters import Desk as Desk
from sensord.letters import morning_line as morning_line
from sensord.letters import picture_of as picture_of
from sensord.letters import watched_again as watched_again
from sensord.letters import week_told as week_told
from sensord.model import Concern, Message, Notice, Parcel, Severity, Standing, State, Telling, What

STALE = timedelta(minutes=20)
"""After this the numbers of a message that could not go are looked at again."""
STORM_WAIT = timedelta(minutes=30)
"""How long a message that would send somebody out waits, each time, while people must stay in."""
FIRST_PAUSE, LONGEST_PAUSE = timedelta(seconds=30), timedelta(minutes=30)
UNBUDGETED = ("morning", "watched again", "week")
"""Messages that are no part of the day's budget, by rule."""
ANSWERED, SAID_AGAIN = "the keeper has answered", "it was said again since"


class Post(NamedTuple):
    """What a moment's notices become."""

    messages: tuple[Message, ...]
    held: tuple[tuple[Message, str], ...]  # never to be sent, with the reason
    waiting: tuple[tuple[Message, str], ...] = ()  # of `messages`, those that are not to go at once, with the reason
    missing: tuple[str, ...] = ()  # what the texts asked for in vain


class Keep(NamedTuple):
    """The message still holds."""


class Replace(NamedTuple):
    """Another message holds now (it may have to wait: `not_before`)."""

    message: Message
    why: str


class Withdraw(NamedTuple):
    """Nothing of it holds any more."""

    why: str
    undelivered: bool = False  # it was tried and never got through


Revised = Keep | Replace | Withdraw


@dataclass(frozen=True, slots=True)
class _Draft:
    """A letter, and whether it has to wait."""

    letter: Letter
    group: tuple[Notice, ...]
    wait_why: str = ""

    @property
    def message(self) -> Message:
        return self.letter.message

    @property
    def too_late(self) -> bool:
        """Whether it would go, or be read, when it holds no more."""
        m = self.message
        return m.holds_until is not None and m.holds_until <= (m.not_before or m.at)


def compose(notices: Sequence[Notice], desk: Desk, now: datetime) -> Post:
    """The messages of a moment, and what is held back."""
    if not notices:
        return Post((), ())
    drafts = sorted((_draft(group, desk, now) for group in groups(notices)), key=lambda d: ahead(d.message))
    used = sum(1 for parcel in desk.lately if _counts(parcel, desk))
    messages: list[Message] = []
    held: list[tuple[Message, str]] = []
    waiting: list[tuple[Message, str]] = []
    for draft in drafts:
        if draft.too_late:
            held.append((draft.message, draft.wait_why or "it holds no more"))
            continue
        if all(_is_untold(notice, desk) for notice in draft.group):
            held.append((draft.message, "nobody was told that it began"))
            continue
        limit = _limit(draft, desk, now)
        if limit is not None and used >= limit:
            held.append((draft.message, f"the day's budget of {desk.keeper.pushes_per_day} messages is used up"))
            continue
        used += 1
        messages.append(draft.message)
        if draft.wait_why:
            waiting.append((draft.message, draft.wait_why))
    return Post(tuple(messages), tuple(held), tuple(waiting), tuple(m for d in drafts for m in d.letter.missing))


def revise(parcel: Parcel, desk: Desk, now: datetime) -> Revised:
    """What is to be done with a message that is due, on whichever channel."""
    message, tried = parcel.message, parcel.attempts > 0
    expired = message.holds_until is not None and message.holds_until <= now
    if not message.concerns or message.telling is Telling.OVER:
        again = [key for key in message.concerns if _stands(desk.standing.get(key))]
        if again or expired:
            return Withdraw("it came too late" if expired else f"{again[0]} stands again", tried)
        return _as_it_is(message, desk, now, tried)
    verdicts = {key: _moot(desk.standing.get(key), message, desk) for key in message.concerns}
    live = [desk.standing[key] for key, moot in verdicts.items() if not moot]
    if not live:
        why = next(iter(verdicts.values()))
        return Withdraw(why, tried and why not in (ANSWERED, SAID_AGAIN))
    breached = [c for c in live if c.verdict.state is State.BREACH]
    if not breached:
        return Withdraw("it came too late", tried) if expired else _as_it_is(message, desk, now, tried)
    draft = _redraft([Notice(now, message.telling, c) for c in breached], message, desk, now)
    if draft.too_late:
        return Withdraw(draft.wait_why or "its deadline has passed", tried)
    why = _why_replace(message, draft, len(breached) < len(verdicts), expired, now)
    return Replace(draft.message, why) if why else Keep()


def stand_in(desk: Desk, now: datetime) -> tuple[Message, ...]:
    """Messages for the second channel: Severe, told, and unanswered for too long (or answered with "not now")."""
    if not desk.has_stand_in:
        return ()
    patience = timedelta(minutes=desk.keeper.stand_in_after_minutes)
    late = [c for c in desk.standing.values() if _needs_stand_in(c, desk, patience, now)]
    drafts = [_draft(g, desk, now, STAND_IN) for g in groups(Notice(now, Telling.AGAIN, c) for c in late)]
    known = {parcel.message.key for parcel in desk.lately}
    return tuple(d.message for d in drafts if d.message.key not in known and not d.too_late)


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


def _draft(group: tuple[Notice, ...], desk: Desk, now: datetime, route: str = PHONE, replaces: str = "") -> _Draft:
    """The message of a group, and until when it has to wait."""
    severe = max(n.concern.verdict.severity for n in group) >= Severity.SEVERE
    until, why = None, ""
    staying = goes_out(group) and any(says_stay_in(c) for c in desk.standing.values())
    if not severe:
        until = quiet_until(desk, now)
        why = "quiet hours" if until else ""
        if staying and (until is None or until < now + STORM_WAIT):
            until, why = now + STORM_WAIT, "nobody is sent out while the storm is here"
    letter = write(group, desk, now, read_at=until or now, route=route, waits=staying and severe, replaces=replaces)
    return _Draft(Letter(replace(letter.message, not_before=until), letter.missing), group, why)


def _redraft(notices: list[Notice], message: Message, desk: Desk, now: datetime) -> _Draft:
    """What holds now of a message's concerns: the worst action leads, others are named behind it."""
    first, *others = sorted(
        (_draft(g, desk, now, message.route, message.key) for g in groups(notices)), key=lambda d: ahead(d.message)
    )
    if any(says_stay_in(c) for c in desk.standing.values()):
        others = [d for d in others if not goes_out(d.group)]
    return replace(first, letter=also(first.letter, [d.letter for d in others], desk, now))


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
    if message.severity >= Severity.SEVERE:
        until, why = None, ""
    else:
        until = quiet_until(desk, now) if message.rule != "morning" else None
        why = "quiet hours"
    if message.action not in ("", STAY_IN) and any(says_stay_in(c) for c in desk.standing.values()):
        until, why = max(until or now, now + STORM_WAIT), "nobody is sent out while the storm is here"
    if until is None:
        return Keep()
    if message.holds_until is not None and message.holds_until <= until:
        return Withdraw(f"{why}; then it would be too late", tried)
    return Replace(rekeyed(replace(message, at=now, not_before=until)), why)


def _moot(concern: Concern | None, message: Message, desk: Desk) -> str:
    """Why there is no need to tell this any more; "" if there is."""
    if not _stands(concern) or concern is None or concern.opened_at is None:
        return "it is over"
    if concern.opened_at > message.at:
        return "it was over; what stands now is told by itself"
    answered = concern.standing is Standing.ANSWERED and concern.answered_at and concern.answered_at > message.at
    if answered and not (message.route == STAND_IN and concern.answer is What.NOT_NOW):
        return ANSWERED
    if concern.fine_since is not None and concern.told < Severity.SEVERE:
        return "it is fine meanwhile"
    for parcel in desk.lately:
        other = parcel.message
        newer = other.at > message.at and other.route == message.route and parcel.state in ("waiting", "sent")
        if newer and concern.key in other.concerns:
            return SAID_AGAIN
    return ""


def _stands(concern: Concern | None) -> bool:
    return concern is not None and concern.standing in (Standing.OPEN, Standing.ANSWERED)


def _counts(parcel: Parcel, desk: Desk) -> bool:
    """Whether a message takes from the day's budget."""
    message = parcel.message
    if desk.day_began is not None and message.at < desk.day_began:
        return False
    return message.route == PHONE and message.rule not in UNBUDGETED and parcel.state not in ("withdrawn", "held")


def _is_untold(notice: Notice, desk: Desk) -> bool:
    """Whether this is the end of something that never reached the phone, and leaves nothing to do."""
    concern = notice.concern
    if notice.telling is not Telling.OVER or concern.verdict.advice is not None or concern.opened_at is None:
        return False
    told = [p for p in desk.lately if concern.key in p.message.concerns and p.message.at >= concern.opened_at]
    return bool(told) and not any(p.state in ("sent", "undelivered") or p.attempts for p in told)


def _limit(draft: _Draft, desk: Desk, now: datetime) -> int | None:
    """How many messages may have gone before this one; None: it always goes. Repeats leave room for news."""
    message = draft.message
    if message.severity >= Severity.SEVERE or message.telling is Telling.OVER or _falls_due_in_quiet(draft, desk, now):
        return None
    budget = desk.keeper.pushes_per_day
    return budget - budget // 4 if message.telling in (Telling.AGAIN, Telling.EASED) else budget


def _falls_due_in_quiet(draft: _Draft, desk: Desk, now: datetime) -> bool:
    """Storm advice whose deadline lies in the coming quiet hours: it goes before they begin."""
    for notice in draft.group:
        advice = notice.concern.verdict.advice
        due = (advice.by or advice.holds_until) if advice else None
        if due is None or not manner_of(notice.concern.rule).before_quiet:
            continue
        if any(now < start <= due < end for start, end in _quiet_hours(desk, now)):
            return True
    return False


def _needs_stand_in(concern: Concern, desk: Desk, patience: timedelta, now: datetime) -> bool:
    severe = concern.verdict.state is State.BREACH and concern.verdict.severity >= Severity.SEVERE
    if not severe or concern.told < Severity.SEVERE or concern.told_at is None:
        return False
    advice = concern.verdict.advice
    if _told(concern, STAND_IN, concern.verdict.severity, desk) or (advice and advice.action == STAY_IN):
        return False  # told already; or there is nothing to do but to stay in
    if concern.standing is Standing.ANSWERED:
        return concern.answer is What.NOT_NOW
    if concern.standing is not Standing.OPEN:
        return False
    return now - min([*_told(concern, PHONE, Severity.SEVERE, desk), concern.told_at]) >= patience


def _told(concern: Concern, route: str, severity: Severity, desk: Desk) -> list[datetime]:
    """When messages of at least that severity spoke of the concern on a route."""
    return [
        parcel.message.at
        for parcel in desk.lately
        if concern.key in parcel.message.concerns
        and parcel.message.severity >= severity
        and parcel.message.route == route
        and concern.opened_at is not None
        and parcel.message.at >= concern.opened_at
    ]
