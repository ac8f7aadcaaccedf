"""What stood during the span and how it was answered; what is missing, and why."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby
from statistics import median

from sensord.actions import keeps_in
from sensord.concerns import speaks_of, told_at
from sensord.model import (
    Concern,
    Entry,
    Fate,
    Gap,
    Message,
    Parcel,
    Severity,
    Standing,
    Telling,
    Verdict,
    What,
)


@dataclass(frozen=True, slots=True)
class Matter:
    """A concern that the phone was told of."""

    rule: str
    subject: str
    severity: Severity  # the worst it was
    action: str  # what was asked for first; "" where nothing was to be done
    opened_at: datetime
    over_at: datetime | None  # None: it still stands
    lasted_h: float  # until now, where it stands
    tellings: int
    answer: str  # the first one: seen, done, not now, or what was done; "" where nobody answered
    answered_after_min: float | None  # from what was asked first to the first answer
    helped: str  # yes, no, unknown: whether what was done helped; "" where nothing was done
    offset_before_k: float | None  # above ambient, before and after the shade
    offset_after_k: float | None
    over_after_min: float | None  # from what was done until it was over


@dataclass(frozen=True, slots=True)
class Group:
    """The matters of one rule and subject."""

    rule: str
    subject: str
    severity: Severity
    count: int
    asked: int  # of these, with something to be done
    answered: int
    acted: int
    typical_answer_min: float | None  # median
    helped: Mapping[str, int]  # yes, no, unknown → how often
    lasted_h: float
    standing: int


@dataclass(frozen=True, slots=True)
class Missing:
    """Times of one kind in which readings may be missing."""

    kind: str
    subject: str  # a probe, or "" for the whole site
    count: int
    hours: float
    longest_h: float
    longest_from: datetime


def matters(
    concerns: Iterable[Concern],
    entries: Sequence[Entry],
    verdicts: Sequence[Verdict],
    parcels: Sequence[Parcel],
    start: datetime,
    end: datetime,
) -> tuple[Matter, ...]:
    """The concerns that opened in the span and were told, oldest first. `end`: now, where the span is not over.

    `parcels` are the messages of the time, with what became of them: only what reached the phone was asked for.
    """
    found = [
        _matter(c, entries, verdicts, parcels, end)
        for c in concerns
        if c.opened_at is not None and start <= c.opened_at < end and c.tellings
    ]
    return tuple(sorted(found, key=lambda m: (m.opened_at, m.rule, m.subject)))


def groups(found: Iterable[Matter]) -> tuple[Group, ...]:
    """The matters by rule and subject, the worst first."""

    def key(m: Matter) -> tuple[str, str]:
        return m.rule, m.subject

    made = [_group(*pair, list(group)) for pair, group in groupby(sorted(found, key=key), key)]
    return tuple(sorted(made, key=lambda g: (-g.severity, -g.lasted_h, g.rule, g.subject)))


def missing(gaps: Iterable[Gap], start: datetime, end: datetime) -> tuple[Missing, ...]:
    """The gaps that touch the span, cut to it, by kind and subject, the longest first."""
    spans: dict[tuple[str, str], list[tuple[datetime, datetime]]] = {}
    for gap in gaps:
        begin, until = max(gap.started_at, start), min(gap.ended_at or end, end)
        if begin < until:
            spans.setdefault((gap.kind.value, gap.subject), []).append((begin, until))
    found = []
    for (kind, subject), parts in spans.items():
        hours = [(until - begin).total_seconds() / 3600 for begin, until in parts]
        longest = max(range(len(parts)), key=hours.__getitem__)
        found.append(Missing(kind, subject, len(parts), sum(hours), hours[longest], parts[longest][0]))
    return tuple(sorted(found, key=lambda m: (-m.hours, m.kind, m.subject)))


def _matter(
    concern: Concern, entries: Sequence[Entry], verdicts: Sequence[Verdict], parcels: Sequence[Parcel], end: datetime
) -> Matter:
    opened = concern.opened_at
    assert opened is not None
    is_over = concern.standing is Standing.OVER
    over_at = (concern.over_at or concern.verdict.at) if is_over else None
    until = over_at or end
    asked = _asked(concern, opened, parcels, until)
    asked_at, action = next((ask for ask in asked if not keeps_in(ask[1])), asked[0] if asked else (opened, ""))
    said = sorted((e for e in entries if asked_at <= e.at <= until and _answers(e, concern, asked)), key=lambda e: e.at)
    first = said[0] if said else None
    acted = next((e.at for e in said if e.what not in (What.SEEN, What.NOT_NOW)), None)
    numbers = _followed(concern, verdicts, opened, until)
    return Matter(
        rule=concern.rule,
        subject=concern.subject,
        severity=concern.peak,
        action=action,
        opened_at=opened,
        over_at=over_at,
        lasted_h=(until - opened).total_seconds() / 3600,
        tellings=concern.tellings,
        answer=first.what.value if first else "",
        answered_after_min=(first.at - asked_at).total_seconds() / 60 if first else None,
        helped="" if acted is None else _helped(concern, numbers, [p.message for p in parcels], acted, until),
        offset_before_k=_number(numbers, "offset_before_k") if acted else None,
        offset_after_k=_number(numbers, "offset_after_k") if acted else None,
        over_after_min=(over_at - acted).total_seconds() / 60 if acted and over_at else None,
    )


def _asked(
    concern: Concern, opened: datetime, parcels: Sequence[Parcel], until: datetime
) -> list[tuple[datetime, str]]:
    """When the phone was told what to do about it, oldest first; where no message is kept, what the concern remembers."""
    own = [p for p in parcels if concern.key in p.message.concerns and opened <= p.message.at <= until]
    if not own:
        return [(opened, concern.told_action)] if concern.told_action else []
    return sorted((told_at(p), p.message.action) for p in own if p.state == Fate.SENT and p.message.action)


def _answers(entry: Entry, concern: Concern, asked: Sequence[tuple[datetime, str]]) -> bool:
    """Whether an entry speaks of the concern, or does what had been asked for by then."""
    return speaks_of(entry, concern.key, {action for at, action in asked if at <= entry.at})


def _followed(concern: Concern, verdicts: Sequence[Verdict], opened: datetime, until: datetime) -> Mapping[str, object]:
    """The numbers of the last verdict that tells whether the shade helped."""
    own = [v for v in verdicts if (v.rule, v.subject) == (concern.rule, concern.subject) and opened <= v.at <= until]
    for verdict in (concern.verdict, *sorted(own, key=lambda v: v.at, reverse=True)):
        if verdict.numbers.get("shade_helped"):
            return verdict.numbers
    return {}


def _helped(
    concern: Concern, numbers: Mapping[str, object], messages: Sequence[Message], acted: datetime, until: datetime
) -> str:
    told = any(
        m.telling is Telling.FOLLOW_UP and concern.key in m.concerns and acted <= m.at <= until for m in messages
    )  # fmt: skip
    return "no" if told else str(numbers.get("shade_helped") or "unknown")


def _number(numbers: Mapping[str, object], name: str) -> float | None:
    value = numbers.get(name)
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None


def _group(rule: str, subject: str, found: Sequence[Matter]) -> Group:
    waits = [m.answered_after_min for m in found if m.answered_after_min is not None]
    return Group(
        rule=rule,
        subject=subject,
        severity=max(m.severity for m in found),
        count=len(found),
        asked=sum(bool(m.action) for m in found),
        answered=sum(bool(m.answer) for m in found),
        acted=sum(bool(m.helped) for m in found),
        typical_answer_min=median(waits) if waits else None,
        helped={word: sum(m.helped == word for m in found) for word in ("yes", "no", "unknown")},
        lasted_h=sum(m.lasted_h for m in found),
        standing=sum(m.over_at is None for m in found),
    )
