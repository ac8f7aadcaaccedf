"""Whether two lives of one garden came to the same: what was said, told, and what stands."""

from __future__ import annotations

import math
from datetime import datetime, timedelta
from typing import Any

from sensord.model import Message
from sensord.ports import Share
from simulators.adversity.outdoors import Course
from simulators.adversity.world import Phone

BY_A_MOMENT = 0.25
"""A reading without a time of its own that is handed out again is received moments later; sums of it differ by so little."""
A_MOMENT = timedelta(seconds=1)
"""Receipts that are less apart are the same, of a message that was handed out again."""


def same(site: str, course: Course, died: tuple[Share, Phone], lived: tuple[Share, Phone]) -> None:
    """After crashes at whatever effect everything is as without them."""
    start, end = course.start - timedelta(days=2), course.end + timedelta(days=2)

    def of(life: tuple[Share, Phone]) -> dict[str, Any]:
        share, phone = life
        past = share.concerns.past(start, end)
        return {
            "entries": share.entries.between(start, end),
            "messages": {p.message.key: (_gist(p.message), p.state) for p in share.outbox.between(start, end)},
            "what stands": {c.key: c for c in share.concerns.standing()},
            "what stood": [(c.key, c.opened_at, c.over_at, c.tellings) for c in past],
            "verdicts": share.concerns.verdicts(start, end),
            "the phone": list(dict.fromkeys(phone.keys())),
        }

    for what, one in of(died).items():
        found = difference(one, of(lived)[what])
        assert not found, f"{site}: {what} differ after crashes: {found[:2000]}"


def _gist(message: Message) -> tuple[Any, ...]:
    """What it says and to whom, without the figures in its words."""
    m = message
    return m.at, m.rule, m.subject, m.severity, m.action, m.concerns, m.route, m.telling, m.not_before


def difference(one: Any, other: Any) -> str:
    """Where two values differ, part by part; "" where they do not."""
    if one == other:
        return ""
    if (
        isinstance(one, float)
        and isinstance(other, float)
        and math.isclose(one, other, rel_tol=1e-2, abs_tol=BY_A_MOMENT)
    ):
        return ""
    if isinstance(one, datetime) and isinstance(other, datetime) and abs(one - other) < A_MOMENT:
        return ""
    if isinstance(one, dict) and isinstance(other, dict):
        keys = dict.fromkeys((*one, *other))
        return "; ".join(f"{k}: {d}" for k in keys if (d := difference(one.get(k), other.get(k))))
    if isinstance(one, list | tuple) and isinstance(other, list | tuple):
        if len(one) == len(other):
            return "; ".join(d for a, b in zip(one, other, strict=True) if (d := difference(a, b)))
        more, less = (one, other) if len(one) > len(other) else (other, one)
        return f"{len(one)} instead of {len(other)}: {[x for x in more if x not in less][:1]}"
    names = getattr(one, "__dataclass_fields__", None)
    if names is None or type(one) is not type(other):
        return f"{one!r} instead of {other!r}"
    return "; ".join(f"{n} {d}" for n in names if (d := difference(getattr(one, n), getattr(other, n))))
