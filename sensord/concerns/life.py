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

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime

from sensord.concerns.answers import done_since, heard
from sensord.concerns.telling import PROMPTLY, action_of, deadline_passed, telling_of
from sensord.model import (
    Asked,
    Concern,
    Entry,
    Notice,
    Parcel,
    Standing,
    State,
    Telling,
    Verdict,
)
from sensord.rules import Manner


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


def told_at(parcel: Parcel) -> datetime:
    """When the phone was told by a message: one that waited (for the morning, for the network), when it arrived."""
    asked_at, at = parcel.message.at, parcel.sent_at
    return asked_at if at is None or at - asked_at < PROMPTLY else at


def ended(concern: Concern, now: datetime) -> Concern:
    """It is over: nothing of it is asked any more."""
    return replace(concern, standing=Standing.OVER, over_at=now, asked=None)


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
    return ended(replace(concern, verdict=verdict, unknown_since=since), now)


def _fine(
    concern: Concern, verdict: Verdict, answers: Sequence[Entry], manner: Manner, now: datetime
) -> tuple[Concern | None, tuple[Notice, ...]]:
    if verdict.easing:
        return replace(concern, verdict=verdict, fine_since=None, unknown_since=None), ()
    if concern.standing is Standing.FORMING:
        return None, ()
    since = concern.fine_since or now
    left = concern.verdict  # what an earlier verdict of this fine time asked for is still to be done
    asks = concern.fine_since and left.advice and not deadline_passed(left.advice, now)
    if asks and not verdict.advice and not done_since(concern, answers, since, now):
        verdict = left
    concern = replace(concern, verdict=verdict, fine_since=since, unknown_since=None)
    if now - since < manner.fine_for:
        return concern, ()
    concern = ended(concern, now)
    if not _was_asked(concern) or (verdict.advice and done_since(concern, answers, since, now)):
        return concern, ()
    was_told = manner.all_clear is not None and concern.told >= manner.all_clear
    if verdict.advice is None and not was_told:
        return concern, ()
    concern, notice = with_something_to_say(concern, Telling.OVER, now)
    return concern, (notice,)


def _was_asked(concern: Concern) -> bool:
    return concern.askings > 0 or concern.tellings > 0


def _forming(
    concern: Concern, answers: Sequence[Entry], manner: Manner, now: datetime
) -> tuple[Concern, tuple[Notice, ...]]:
    if now - concern.breached_since < manner.dwell[concern.verdict.severity]:
        return concern, ()
    concern = heard(replace(concern, standing=Standing.OPEN, opened_at=now), answers, now)
    return _standing(concern, manner, now)


def _standing(concern: Concern, manner: Manner, now: datetime) -> tuple[Concern, tuple[Notice, ...]]:
    """What an open or answered concern that is breached has to say."""
    telling = telling_of(concern, manner, now)
    if telling is None:
        return concern, ()
    concern, notice = with_something_to_say(concern, telling, now)
    return concern, (notice,)


def with_something_to_say(concern: Concern, telling: Telling, now: datetime) -> tuple[Concern, Notice]:
    """The concern with something to be said of it, and the notice of it."""
    verdict, stays = concern.verdict, telling in (Telling.FOLLOW_UP, Telling.OVER)
    concern = replace(
        concern,
        standing=concern.standing if stays else Standing.OPEN,
        asked=Asked(now, telling, verdict.severity, action_of(concern)),
        askings=max(concern.askings, concern.tellings) + 1,
    )
    return concern, Notice(now, telling, concern)
