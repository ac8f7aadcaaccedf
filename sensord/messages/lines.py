"""The lines that speak of no concern: the morning, the watch that goes on again, the week. Pure."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta

from sensord.concerns import is_settled
from sensord.language import TITLE_LIMIT
from sensord.messages.desk import Desk
from sensord.messages.writing import digest_of, groups, rank_of, words_of
from sensord.model import (
    Certainty,
    Entry,
    Fate,
    Message,
    Notice,
    Number,
    Route,
    Severity,
    State,
    Telling,
    Urgency,
    What,
)

LINE_HOLDS = {"morning": timedelta(hours=6), "watched_again": timedelta(hours=24), "week": timedelta(hours=36)}
"""How long a message that speaks of no concern is still worth reading."""


def _plain(desk: Desk, now: datetime, frame: str, values: Mapping[str, Number], key: str, urgency: Urgency) -> Message:
    """A message that speaks of no concern."""
    reader, text = desk.reader(now), desk.texts.frames[frame]
    numbers = {"site": desk.title_of(""), **values}
    return Message(
        key=digest_of([desk.site.name, frame, key]),
        site=desk.site.name,
        at=now,
        rule=frame.replace("_", " "),
        subject="",
        severity=Severity.MINOR,
        urgency=urgency,
        certainty=Certainty.OBSERVED,
        title=reader.fill(text.title, numbers, TITLE_LIMIT).text,
        text=reader.fill(text.text, numbers).text,
        action="",
        concerns=(),
        holds_until=now + LINE_HOLDS[frame],
    )


def morning_line(
    desk: Desk,
    night_minimum_c: float | None,
    watched: Collection[str],
    now: datetime,
    held: int = 0,
    entries: Sequence[Entry] = (),
) -> Message:
    """The line of the day: who is watched (names of enclosures), how cold the night was, what is to be done.

    `entries`: what the keeper said lately, by which what an ended matter left to do may be done.
    """
    reader = desk.reader(now)
    titles = [desk.title_of(e.name) for e in desk.enclosures if e.name in watched]
    silent = [desk.title_of(e.name) for e in desk.enclosures if e.name not in watched]
    if not titles:
        seen = reader.phrase("watched_none", silent=reader.listed(silent))
    elif silent:
        seen = reader.phrase("watched_some", names=reader.listed(titles), silent=reader.listed(silent))
    elif len(titles) == 1:
        seen = reader.phrase("watched_one", names=titles[0])
    else:
        seen = reader.phrase("watched_all", count=reader.counted(len(titles)))
    todo = reader.joined("also", [*_still_to_do(desk, now), *_left_to_do(desk, entries, now)])
    otherwise = reader.phrase("see_to_probes" if silent else "nothing_to_do")
    standing = reader.phrase("still_standing", titles=todo) if todo else otherwise
    values = {"watched": seen, "standing": standing, "night_minimum_c": night_minimum_c, "held": held or None}
    day = now.astimezone(desk.zone).date().isoformat()
    return _plain(desk, now, "morning", values, day, Urgency.FUTURE)


def watched_again(start: datetime, end: datetime, desk: Desk) -> Message:
    """After an outage: from when to when nobody watched."""
    values = {"from_at": start.isoformat(), "to_at": end.isoformat()}
    return _plain(desk, end, "watched_again", values, start.isoformat(), Urgency.EXPECTED)


def week_told(sentences: Sequence[str], week: str, desk: Desk, now: datetime) -> Message:
    """The week looked back on, with its picture. `week` is the ISO label that the picture is made by."""
    message = _plain(desk, now, "week", {"told": " ".join(sentences)}, week, Urgency.FUTURE)
    return replace(message, attachment=picture_of(week))


def picture_of(week: str) -> str:
    """How a message names the picture of an ISO week, like 2026-W34."""
    return f"review {week}"


def _still_to_do(desk: Desk, now: datetime) -> list[str]:
    """Titles of what stands and is not done, the worst first."""
    open_ones = [
        Notice(now, Telling.AGAIN, c)
        for c in desk.standing.values()
        if c.opened_at is not None
        and c.verdict.state is State.BREACH
        and c.verdict.severity >= desk.manner_of(c.rule).tell_from
        and c.answer is not What.DONE
    ]
    ordered = sorted(groups(open_ones), key=lambda g: rank_of(g[0]))
    return [words_of(g, Telling.AGAIN, desk, desk.reader(now))[0] for g in ordered]


def _left_to_do(desk: Desk, entries: Sequence[Entry], now: datetime) -> list[str]:
    """Titles of what was asked for as something ended ("look after them"), while it holds and nobody has said or done it."""

    def is_done(message: Message, key: str) -> bool:
        return is_settled(key, message.action, message.at, entries)

    left = (
        p.message
        for p in desk.lately
        if p.message.telling is Telling.OVER
        and p.state == Fate.SENT
        and p.message.route == Route.PHONE
        and p.message.action
        and p.message.holds_until is not None
        and p.message.holds_until > now
    )
    return [m.title for m in left if not all(is_done(m, key) or key in desk.standing for key in m.concerns)]
