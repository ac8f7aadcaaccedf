"""The life of a concern, as one table. Pure: (concern, verdict, answers, now) → (concern, notices).

*Told* is what the phone knows: it moves when the channel took the message (`delivered`), never before. What is *asked*
is to be said and has not arrived: its message is on its way, or was withheld (`not_said`), with the reason.

    standing  what comes in                            then      what is said
    --------  ---------------------------------------  --------  -------------------------------------------------------
    (none)    BREACH                                   FORMING   nothing yet; without a dwell it opens at once
    FORMING   BREACH for the dwell of its severity     OPEN      OPENED; nothing below the manner's `tell_from`
    FORMING   the same, but it has just been done      ANSWERED  nothing, below Severe; it is followed up
    FORMING   FINE                                     (none)    nothing: nobody ever heard of it
    OPEN      BREACH, worse than told                  OPEN      WORSE, at once
    OPEN      BREACH, the advice is now "stay in"      OPEN      CHANGED (EASED if it is milder), at once
    OPEN      BREACH, another action is advised        OPEN      the same, after a `change_pause` for each telling so
                                                                 far, so that a wavering rule falls quiet
    OPEN      BREACH, and nobody answered              OPEN      AGAIN, by growing pauses, a limited number
    OPEN,     BREACH, and something is asked           the same  nothing, unless it is worse than what is asked, or
    ANSWERED                                                     another action is advised; then as above, by what was
                                                                 told
    OPEN      BREACH, and what is asked was withheld   OPEN      the same; but before anything new, once there is room
                                                                 for it and it still holds (`owed`)
    OPEN      seen, not now, done, or a fitting act    ANSWERED  nothing; what was asked before it counts as known
    ANSWERED  BREACH, worse than told, or "stay in"    OPEN      WORSE, CHANGED: the answer was to a lesser matter
    ANSWERED  BREACH after "seen"                      ANSWERED  nothing but CHANGED: the keeper knows
    ANSWERED  BREACH, `after_not_now` from "not now"   OPEN      AGAIN
    ANSWERED  BREACH, `settling` from "done"           ANSWERED  FOLLOW_UP, once for each "done"; where another action
                                                                 is advised by now, CHANGED, and it is OPEN again
    any       FINE, but only just (`easing`)           the same  nothing: neither breach nor fine
    told      FINE for `fine_for`                      OVER      OVER, where there is something to do now (the verdict
                                                                 has an advice) or it was told at `all_clear` or above;
                                                                 nothing if that was done since it is fine
    asked     FINE for `fine_for`, and never told      OVER      OVER only where there is something to do now
    any       UNKNOWN                                  the same  nothing: the watching rules speak of it; the last
                                                                 verdict that knew something stands
    any       UNKNOWN for `unknown_for`                OVER      nothing; that verdict is kept as the reason

Only a BREACH asks for anything, and only news is loud: repeats stop at the advice's deadline, at a limited number, at
any answer, and while nothing ("stay in" is nothing to do), or something else, is to be done; where there is a deadline,
they come shortly before it. An act is an answer where it does what was advised (`actions`), from the beginning of the
breach on. What a FINE verdict advises stands until the concern is over or it is done.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import replace
from datetime import datetime, timedelta

from sensord.actions import is_done_by, keeps_in
from sensord.model import (
    ANSWERS,
    EPOCH,
    Advice,
    Asked,
    Concern,
    Entry,
    Message,
    Notice,
    Parcel,
    Route,
    Severity,
    Standing,
    State,
    Telling,
    Unsaid,
    Verdict,
    What,
)
from sensord.rules import Manner

PROMPTLY = timedelta(minutes=2)
"""What arrives within this was told when it was asked: a slow channel and a replay then decide alike. Chosen."""


def judge(
    concern: Concern | None,
    verdict: Verdict,
    answers: Sequence[Entry],
    manner: Manner,
    *,
    site: str,
    now: datetime,
) -> tuple[Concern | None, tuple[Notice, ...]]:
    """The concern after this verdict (None: there is none; OVER: it just ended) and what is to be said.

    `answers` are entries about the concern's key or its subject, of any age and in any order; those that do not count
    are ignored.
    """
    if concern is None or concern.standing is Standing.OVER:
        if verdict.state is not State.BREACH:
            return None, ()
        concern = Concern(site, verdict.rule, verdict.subject, Standing.FORMING, verdict, breached_since=now)
    match verdict.state:
        case State.UNKNOWN:
            return _unknown(concern, verdict, manner, now), ()
        case State.FINE:
            return _fine(heard(concern, answers, now), verdict, answers, manner, now)
    concern = _breached(concern, verdict, now)
    if concern.standing is Standing.FORMING:
        return _forming(concern, answers, manner, now)
    return _standing(heard(concern, answers, now), manner, now)


def says_stay_in(concern: Concern) -> bool:
    """Whether this concern keeps people indoors now: until it is over, not merely until its next verdict."""
    if concern.standing not in (Standing.OPEN, Standing.ANSWERED):
        return False
    if concern.verdict.state is State.BREACH:
        return concern.verdict.advice is not None and keeps_in(concern.verdict.advice.action)
    return keeps_in(concern.last_action)


def delivered(concern: Concern, message: Message, at: datetime) -> Concern:
    """The concern now that the phone has the message: only this makes it told."""
    said = next((s for s in message.said if s.concern == concern.key), None)
    if said is None or message.route != Route.PHONE or not _is_of_this_life(concern, message):
        return concern
    asked = concern.asked
    if asked is not None and asked.at <= message.at:
        at = asked.at if at - asked.at < PROMPTLY or _is_answered_since(concern) else at
        asked = None
    return replace(
        concern,
        told=said.severity,
        told_action=said.action,
        told_at=at,
        tellings=concern.tellings + 1,
        asked=asked,
    )


def told_at(parcel: Parcel) -> datetime:
    """When the phone was told by a message: one that waited (for the morning, for the network), when it arrived."""
    asked_at, at = parcel.message.at, parcel.sent_at
    return asked_at if at is None or at - asked_at < PROMPTLY else at


def not_said(concern: Concern, message: Message, why: Unsaid) -> Concern:
    """The concern now that the message is not to be sent, or no longer speaks of it: what was asked is withheld."""
    asked = concern.asked
    if asked is None or message.route != Route.PHONE or not _speaks_of_it(concern, message):
        return concern
    return replace(concern, asked=replace(asked, withheld=why))


def on_its_way(concern: Concern, message: Message) -> Concern:
    """The concern now that its message was rewritten: what that says is on its way, also where it was withheld."""
    asked = concern.asked
    if asked is None or message.route != Route.PHONE or not _speaks_of_it(concern, message):
        return concern
    said = next(s for s in message.said if s.concern == concern.key)
    return replace(concern, asked=replace(asked, severity=said.severity, action=said.action, withheld=None))


def owed(concern: Concern, manner: Manner, now: datetime) -> tuple[Concern, Notice] | None:
    """What was withheld of a concern, asked again, if it still holds; None where nothing is owed."""
    if concern.withheld is None or concern.unknown_since is not None or _is_answered_since(concern):
        return None
    if concern.standing not in (Standing.OPEN, Standing.ANSWERED) or concern.verdict.state is not State.BREACH:
        return None
    telling = _wanted(replace(concern, asked=None), manner, now)
    return None if telling is None else _speak(concern, telling, now)


def _speaks_of_it(concern: Concern, message: Message) -> bool:
    """Whether the message says what is asked, or what has become of it."""
    asked, mentioned = concern.asked, any(s.concern == concern.key for s in message.said)
    return asked is not None and mentioned and message.at >= asked.at and _is_of_this_life(concern, message)


def _is_of_this_life(concern: Concern, message: Message) -> bool:
    return concern.opened_at is not None and concern.opened_at <= message.at


def _is_answered_since(concern: Concern) -> bool:
    """Whether the keeper has answered since something was last to be said."""
    asked, answered_at = concern.asked, concern.answered_at
    return asked is not None and answered_at is not None and asked.at < answered_at


def _breached(concern: Concern, verdict: Verdict, now: datetime) -> Concern:
    """Time in which nobody knew does not count as dwell."""
    since = concern.breached_since
    if concern.standing is Standing.FORMING and concern.unknown_since is not None:
        since += now - concern.unknown_since
    return replace(
        concern,
        verdict=verdict,
        breached_since=since,
        fine_since=None,
        unknown_since=None,
        peak=max(concern.peak, verdict.severity),
    )


def _unknown(concern: Concern, verdict: Verdict, manner: Manner, now: datetime) -> Concern | None:
    since = concern.unknown_since or now
    if now - since < manner.unknown_for:
        return replace(concern, unknown_since=since, fine_since=None)
    if concern.standing is Standing.FORMING:
        return None
    return replace(concern, standing=Standing.OVER, verdict=verdict, unknown_since=since, over_at=now, asked=None)


def _fine(
    concern: Concern, verdict: Verdict, answers: Sequence[Entry], manner: Manner, now: datetime
) -> tuple[Concern | None, tuple[Notice, ...]]:
    if verdict.easing:
        return replace(concern, verdict=verdict, fine_since=None, unknown_since=None), ()
    if concern.standing is Standing.FORMING:
        return None, ()
    since = concern.fine_since or now
    left = concern.verdict  # what an earlier verdict of this fine time asked for is still to be done
    asks = concern.fine_since and left.advice and not _deadline_passed(left.advice, now)
    if asks and not verdict.advice and not _done_since(concern, answers, since, now):
        verdict = left
    concern = replace(concern, verdict=verdict, fine_since=since, unknown_since=None)
    if now - since < manner.fine_for:
        return concern, ()
    concern = replace(concern, standing=Standing.OVER, over_at=now, asked=None)
    if not _was_asked(concern) or (verdict.advice and _done_since(concern, answers, since, now)):
        return concern, ()
    was_told = manner.all_clear is not None and concern.told >= manner.all_clear
    if verdict.advice is None and not was_told:
        return concern, ()
    concern, notice = _speak(concern, Telling.OVER, now)
    return concern, (notice,)


def _was_asked(concern: Concern) -> bool:
    return concern.askings > 0 or concern.tellings > 0


def _done_since(concern: Concern, answers: Sequence[Entry], since: datetime, now: datetime) -> bool:
    """Whether what the concern's latest verdict advises has been done, at `since` or after it."""
    action = _action(concern)
    return any(
        since <= entry.at <= now
        and entry.what not in (What.SEEN, What.NOT_NOW)
        and speaks_of(entry, concern.key, (action,))
        for entry in answers
    )


def _forming(
    concern: Concern, answers: Sequence[Entry], manner: Manner, now: datetime
) -> tuple[Concern, tuple[Notice, ...]]:
    severity = concern.verdict.severity
    if now - concern.breached_since < manner.dwell[severity]:
        return concern, ()
    concern = heard(replace(concern, standing=Standing.OPEN, opened_at=now), answers, now)
    if severity >= Severity.SEVERE:
        concern = replace(concern, standing=Standing.OPEN)
    return _standing(concern, manner, now)


def _standing(concern: Concern, manner: Manner, now: datetime) -> tuple[Concern, tuple[Notice, ...]]:
    """What an open or answered concern that is breached has to say."""
    telling = _telling(concern, manner, now)
    if telling is None:
        return concern, ()
    concern, notice = _speak(concern, telling, now)
    return concern, (notice,)


def _telling(concern: Concern, manner: Manner, now: datetime) -> Telling | None:
    """Why to speak now, if at all. While something is asked, only what is news beside it."""
    asked = concern.asked
    if asked is None:
        return _wanted(concern, manner, now)
    as_if_told = _as_if_told(concern, asked)
    if _is_answered_since(concern):
        return _by_what_arrived(_wanted(as_if_told, manner, now), concern)
    if concern.verdict.severity > asked.severity or _changed(as_if_told, manner, now):
        return _wanted(replace(concern, asked=None), manner, now)
    return None


def _by_what_arrived(telling: Telling | None, concern: Concern) -> Telling | None:
    """The telling as the phone must take it, where the keeper knew more than the phone."""
    if telling is None or telling is Telling.FOLLOW_UP:
        return telling
    if concern.told_at is None:
        return Telling.OPENED
    return Telling.CHANGED if telling is Telling.EASED and concern.verdict.severity >= concern.told else telling


def _as_if_told(concern: Concern, asked: Asked) -> Concern:
    """The concern as it would be if what is asked had arrived."""
    return replace(
        concern,
        told=asked.severity,
        told_action=asked.action,
        told_at=asked.at,
        tellings=max(concern.askings, concern.tellings),
        asked=None,
    )


def _wanted(concern: Concern, manner: Manner, now: datetime) -> Telling | None:
    """Why to speak now, by what was told; the first reason that holds."""
    severity, answered = concern.verdict.severity, concern.standing is Standing.ANSWERED
    if severity < manner.tell_from:
        return None
    if concern.told_at is None:
        if not answered or severity >= Severity.SEVERE:
            return Telling.OPENED
    elif severity > concern.told:
        return Telling.WORSE
    elif _changed(concern, manner, now):
        return Telling.EASED if severity < concern.told else Telling.CHANGED
    if answered:
        return _after_answer(concern, manner, now)
    return Telling.AGAIN if _repeat_is_due(concern, manner, now) else None


def _action(concern: Concern) -> str:
    return concern.verdict.advice.action if concern.verdict.advice else ""


def _changed(concern: Concern, manner: Manner, now: datetime) -> bool:
    """Whether something else must be done than was told, and may be said already."""
    action = _action(concern)
    if not action or action == concern.told_action or concern.told_at is None:
        return False
    if keeps_in(action):
        return True
    if concern.standing is Standing.ANSWERED and concern.answer is What.DONE and _settles(concern, manner, now):
        return False
    return now - concern.told_at >= manner.change_pause * concern.tellings


def _settles(concern: Concern, manner: Manner, now: datetime) -> bool:
    """Whether what was done may still help."""
    return concern.answered_at is not None and now - concern.answered_at < manner.settling


def _still_asked(concern: Concern, now: datetime) -> bool:
    """Whether what was told is still what is to be done, and there is time for it."""
    action = _action(concern)
    same = concern.told_at is None or action == concern.told_action
    return same and not keeps_in(action) and not _deadline_passed(concern.verdict.advice, now)


def _after_answer(concern: Concern, manner: Manner, now: datetime) -> Telling | None:
    assert concern.answered_at is not None
    spoken_since = concern.told_at is not None and concern.told_at > concern.answered_at
    if spoken_since or not _still_asked(concern, now):
        return None
    if concern.answer is What.NOT_NOW and now - concern.answered_at >= manner.after_not_now:
        return Telling.AGAIN if concern.told_at else Telling.OPENED
    if concern.answer is What.DONE and not _settles(concern, manner, now):
        return Telling.FOLLOW_UP
    return None


def _repeat_is_due(concern: Concern, manner: Manner, now: datetime) -> bool:
    assert concern.told_at is not None
    if concern.tellings >= manner.most_tellings[concern.verdict.severity] or not _still_asked(concern, now):
        return False
    due = concern.told_at + pause_after(concern, manner)
    advice = concern.verdict.advice
    if advice is not None and advice.by is not None:
        due = max(due, advice.by - manner.reminder)
    return now >= _on_grid(due, manner.grid)


def pause_after(concern: Concern, manner: Manner) -> timedelta:
    """The shortest time between the last telling and a repeat."""
    pause = manner.pauses[min(max(concern.tellings, 1), len(manner.pauses)) - 1]
    return pause / manner.hurry if concern.verdict.severity >= Severity.SEVERE else pause


def _on_grid(instant: datetime, grid: timedelta) -> datetime:
    """The first instant of the grid at or after `instant`."""
    return instant + (EPOCH - instant) % grid


def _deadline_passed(advice: Advice | None, now: datetime) -> bool:
    if advice is None:
        return False
    return any(end is not None and end <= now for end in (advice.by, advice.holds_until))


def heard(concern: Concern, answers: Sequence[Entry], now: datetime) -> Concern:
    """The concern with the keeper's newest answer to it, if there is one that it does not know yet."""
    if concern.standing not in (Standing.OPEN, Standing.ANSWERED):
        return concern
    known = concern.answered_at
    new = [
        entry
        for entry in answers
        if (entry.at > known if known else entry.at >= concern.breached_since)
        and entry.at <= now
        and _answers(entry, concern)
    ]
    if not new:
        return concern
    best = max(new, key=lambda entry: entry.at)
    answer = best.what if best.what in ANSWERS else What.DONE
    return replace(concern, standing=Standing.ANSWERED, answered_at=best.at, answer=answer)


def _answers(entry: Entry, concern: Concern) -> bool:
    return speaks_of(entry, concern.key, (_action(concern), concern.told_action, concern.last_action))


def is_settled(key: str, action: str, since: datetime, entries: Iterable[Entry]) -> bool:
    """Whether the keeper has answered the concern of `key`, or done its `action`, at `since` or after it."""
    return any(e.at >= since and speaks_of(e, key, (action,)) for e in entries)


def speaks_of(entry: Entry, key: str, actions: Collection[str]) -> bool:
    """Whether an entry answers the concern of `key`: by a word about it, or by an act that does one of `actions`.

    What was done to animals is addressed to the enclosure that they were in: see `garden.Told.addressed`.
    """
    subject = key.partition("/")[2]
    if entry.what in ANSWERS:
        return entry.subject in (key, subject)
    return entry.subject == subject and any(is_done_by(action, entry.what) for action in actions)


def _speak(concern: Concern, telling: Telling, now: datetime) -> tuple[Concern, Notice]:
    """The concern with something to be said of it, and the notice of it."""
    verdict, stays = concern.verdict, telling in (Telling.FOLLOW_UP, Telling.OVER)
    concern = replace(
        concern,
        standing=concern.standing if stays else Standing.OPEN,
        asked=Asked(now, telling, verdict.severity, _action(concern)),
        askings=max(concern.askings, concern.tellings) + 1,
    )
    return concern, Notice(now, telling, concern)


def no_later_than(concern: Concern, now: datetime) -> Concern:
    """The concern without an instant that lies ahead: the clock that gave it has been put right."""

    def clamped(at: datetime | None) -> datetime | None:
        return None if at is None else min(at, now)

    return replace(
        concern,
        breached_since=min(concern.breached_since, now),
        fine_since=clamped(concern.fine_since),
        unknown_since=clamped(concern.unknown_since),
        opened_at=clamped(concern.opened_at),
        told_at=clamped(concern.told_at),
        answered_at=clamped(concern.answered_at),
        asked=concern.asked and replace(concern.asked, at=min(concern.asked.at, now)),
    )
