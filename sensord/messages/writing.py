"""What a message says: notices → one message, in the keeper's words and units. Pure.

Notices about the same action share one message; the worst of them leads, each subject adds its line.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import datetime
from typing import NamedTuple

from sensord.actions import STAY_IN
from sensord.concerns import told_at
from sensord.language import TEXT_LIMIT, TITLE_LIMIT, Reader, Text, cut, template
from sensord.messages.desk import URGENCIES, Desk
from sensord.model import (
    Fate,
    Message,
    Notice,
    Number,
    Route,
    Said,
    Severity,
    Telling,
    What,
)

TELLINGS = (
    Telling.WORSE,
    Telling.OPENED,
    Telling.CHANGED,
    Telling.FOLLOW_UP,
    Telling.EASED,
    Telling.AGAIN,
    Telling.OVER,
)
"""What a message of several notices is, the weightiest first."""


class Letter(NamedTuple):
    """A message as written, and what its texts asked for in vain: a defect, but no reason to keep silent."""

    message: Message
    missing: tuple[str, ...]


def groups(notices: Iterable[Notice]) -> list[tuple[Notice, ...]]:
    """The notices by what the keeper must do, the worst of each group first."""
    found: dict[tuple[str, ...], list[Notice]] = {}
    for notice in notices:
        verdict = notice.concern.verdict
        key: tuple[str, ...] = ("say", verdict.rule, verdict.reason)
        if notice.telling is Telling.OVER:
            key = ("over", verdict.rule, verdict.reason)
        elif verdict.advice is not None:
            key = ("do", verdict.advice.action)
        found.setdefault(key, []).append(notice)
    return [tuple(sorted(group, key=rank_of)) for group in found.values()]


def rank_of(notice: Notice) -> tuple[int, int, str]:
    verdict = notice.concern.verdict
    return -verdict.severity, URGENCIES.index(verdict.urgency), notice.concern.key


def write(
    group: Sequence[Notice],
    desk: Desk,
    now: datetime,
    *,
    read_at: datetime,
    waits: bool,
    route: Route = Route.PHONE,
    replaces: str = "",
) -> Letter:
    """The message of a group. `waits`: the action is not for now, because people must stay in; `replaces`: another key."""
    lead = group[0].concern
    reader = desk.reader(read_at)
    telling = min((n.telling for n in group), key=TELLINGS.index)
    title, text, missing = words_of(group, telling, desk, reader)
    numbers: dict[str, Number] = {"subject": _subjects(group, desk, reader), "site": desk.title_of("")}
    for frame, extra in _frames(group, telling, desk, route, waits):
        known = desk.texts.frames[frame]
        values = {**numbers, **extra, "title": title, "text": text}
        filled_title, filled_text = reader.fill(known.title, values, TITLE_LIMIT), reader.fill(known.text, values)
        title, text = filled_title.text, filled_text.text
        missing += (*filled_title.missing, *filled_text.missing)
    advice = lead.verdict.advice
    over = telling is Telling.OVER
    message = Message(
        key=_key(desk.site.name, route, telling, group, waits, replaces),
        site=desk.site.name,
        at=now,
        rule=lead.rule,
        subject=", ".join(dict.fromkeys(n.concern.subject for n in group)),
        severity=Severity.MINOR if over else max(n.concern.verdict.severity for n in group),
        urgency=min((n.concern.verdict.urgency for n in group), key=URGENCIES.index),
        certainty=lead.verdict.certainty,
        title=title,
        text=text,
        action=STAY_IN.word if waits else advice.action if advice else "",
        concerns=tuple(n.concern.key for n in group),
        holds_until=_holds_until(group, desk, read_at),
        route=route,
        telling=telling,
        said=tuple(
            Said(
                n.concern.key,
                n.telling,
                n.concern.verdict.severity,
                a.action if (a := n.concern.verdict.advice) else "",
            )
            for n in group
        ),
    )
    return Letter(message, tuple(f"{lead.rule}.{lead.verdict.reason}: {name}" for name in missing))


def ahead(message: Message) -> tuple[int, int, str]:
    """The order in which messages of one moment go: the worst, then the most urgent first."""
    return -message.severity, URGENCIES.index(message.urgency), message.key


def also(letter: Letter, others: Sequence[Letter], desk: Desk, now: datetime) -> Letter:
    """The letter, with what else is to be done named behind it."""
    if not others:
        return letter
    message, reader, frame = letter.message, desk.reader(now), desk.texts.frames["also"]
    titles = reader.joined("also", [o.message.title for o in others])
    values: dict[str, Number] = {"title": message.title, "text": message.text, "others": titles}
    return Letter(
        replace(
            message,
            title=reader.fill(frame.title, values, TITLE_LIMIT).text,
            text=reader.fill(frame.text, values).text,
            subject=", ".join(dict.fromkeys([message.subject, *(o.message.subject for o in others)])),
            concerns=(*message.concerns, *(key for o in others for key in o.message.concerns)),
            said=(*message.said, *(said for o in others for said in o.message.said)),
        ),
        (*letter.missing, *(name for o in others for name in o.missing)),
    )


def rekeyed(message: Message) -> Message:
    """The same message with a key of its own: it stands in for the one that had this key."""
    return replace(message, key=digest_of([message.key, message.at.isoformat()]))


def goes_out(group: Iterable[Notice]) -> bool:
    """Whether the message sends anybody outdoors."""
    advised = [n.concern.verdict.advice for n in group]
    return any(a is not None and a.outdoors for a in advised)


def words_of(group: Sequence[Notice], telling: Telling, desk: Desk, reader: Reader) -> tuple[str, str, tuple[str, ...]]:
    """Title and text before any frame."""
    verdict = group[0].concern.verdict
    text = desk.texts.find(verdict.rule, verdict.reason)
    missing: tuple[str, ...] = ()
    if text is None and telling is Telling.OVER:
        text = desk.texts.frames["over"]
    elif text is None:
        text, missing = _UNWRITTEN, ("no text",)
    own = [_numbers(n, group, desk, reader) for n in group]
    shared = {name: value for name, value in own[0].items() if all(o.get(name) == value for o in own)}
    title = reader.fill(text.title, shared, TITLE_LIMIT)
    several = len(group) > 1 and text.many is not None
    body = reader.fill(text.many or text.text, shared) if several else reader.fill(text.text, own[0])
    lines = [body.text]
    missing += (*title.missing, *body.missing)
    if len(group) > 1:
        for notice, numbers in zip(group, own, strict=True):
            verdict = notice.concern.verdict
            line = desk.texts.find(verdict.rule, verdict.reason)
            if line is not None and line.each is not None:
                own_title = desk.title_of(verdict.subject)
                filled = reader.fill(line.each, {**numbers, "subject": own_title})
                missing += filled.missing
                if filled.text != own_title:  # a line that only repeats the name says nothing
                    lines.append(filled.text)
    return title.text, cut("\n".join(lines), TEXT_LIMIT), missing


def _numbers(notice: Notice, group: Sequence[Notice], desk: Desk, reader: Reader) -> dict[str, Number]:
    """What a notice's texts may fill in: its own numbers, and what the group has in common."""
    advised = [n.concern.verdict.advice for n in group]
    by = min((a.by for a in advised if a and a.by and a.by > reader.now), default=None)
    until = min((a.holds_until for a in advised if a and a.holds_until), default=None)
    numbers = dict(notice.concern.verdict.numbers)
    if _first_said(group, desk) is None:
        numbers.pop("overdue_at", None)  # nobody heard of that deadline
    return {
        **numbers,
        "reason": notice.concern.verdict.reason,
        "subject": _subjects(group, desk, reader),
        "site": desk.title_of(""),
        "by_at": by.isoformat() if by else None,
        "until_at": until.isoformat() if until else None,
    }


def _subjects(group: Sequence[Notice], desk: Desk, reader: Reader) -> str:
    order = [e.name for e in desk.enclosures]
    subjects = sorted(
        {n.concern.subject for n in group}, key=lambda s: (order.index(s) if s in order else len(order), s)
    )
    return reader.listed([desk.title_of(s) for s in subjects])


def _frames(
    group: Sequence[Notice], telling: Telling, desk: Desk, route: Route, waits: bool
) -> list[tuple[str, dict[str, Number]]]:
    """What surrounds the words, from the inside out."""
    concern = group[0].concern
    said = _first_said(group, desk)
    frames: list[tuple[str, dict[str, Number]]] = []
    if telling is Telling.AGAIN and route == Route.PHONE and said is not None:
        frames.append(("again", {"first_at": said.isoformat()}))
    if telling is Telling.FOLLOW_UP and concern.answered_at is not None:
        frames.append(("follow_up", {"answered_at": concern.answered_at.isoformat()}))
    if waits:
        frames.append(("wait", {}))
    if route == Route.STAND_IN:
        cannot = concern.answer is What.NOT_NOW
        first = said or concern.told_at
        values: dict[str, Number] = {"first_at": first.isoformat() if first else None}
        unreached = first is None and not cannot
        frames.append(
            (
                "stand_in",
                {**values, "cannot": cannot, "unanswered": not cannot and not unreached, "unreached": unreached},
            )
        )
    return frames


def _first_said(group: Sequence[Notice], desk: Desk) -> datetime | None:
    """When the phone was first told the same of one of these concerns, since it opened."""
    opened = {n.concern.key: n.concern.opened_at for n in group}
    advised = {n.concern.verdict.advice.action if n.concern.verdict.advice else "" for n in group}
    times = [
        told_at(parcel)
        for parcel in desk.lately
        if parcel.state == Fate.SENT and parcel.message.route == Route.PHONE and parcel.message.action in advised
        for key in parcel.message.concerns
        if (since := opened.get(key)) is not None and parcel.message.at >= since
    ]
    return min(times, default=None)


def _holds_until(group: Sequence[Notice], desk: Desk, read_at: datetime) -> datetime:
    """The earliest end of what it says: of a deadline that it tells, else of the advice, else of the rule's manner."""
    ends = []
    for notice in group:
        advice, holds = notice.concern.verdict.advice, desk.manner_of(notice.concern.rule).holds
        if advice is None or not (advice.by or advice.holds_until):
            ends.append(read_at + holds)
        elif advice.by and (advice.by > read_at or not advice.holds_until):
            ends.append(advice.by)
        elif advice.holds_until:
            ends.append(advice.holds_until)
    return min(ends)


def _key(site: str, route: Route, telling: Telling, group: Sequence[Notice], waits: bool, replaces: str) -> str:
    """The same matter at the same moment has the same key."""
    parts = [site, route, telling.value, str(waits), replaces]
    if replaces:
        parts.append(group[0].at.isoformat())
    for concern in sorted((n.concern for n in group), key=lambda c: c.key):
        advice = concern.verdict.advice
        opened = concern.opened_at.isoformat() if concern.opened_at else ""
        told = str(int(concern.verdict.severity)) if route == Route.STAND_IN else str(concern.askings)
        parts += [concern.key, opened, told, advice.action if advice else ""]
    return digest_of(parts)


def digest_of(parts: Iterable[str]) -> str:
    return hashlib.sha256("\x1f".join(parts).encode()).hexdigest()[:20]


_UNWRITTEN = Text(template("{subject}: {reason}"), template("{subject}: {reason}."))
"""Where a rule gives a reason that the file has no text for."""
