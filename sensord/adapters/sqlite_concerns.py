"""What the store keeps of concerns, verdicts and messages, as rows."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from datetime import datetime, timedelta

from sensord.adapters.sqlite_codec import from_json, maybe_microseconds, microseconds, to_json
from sensord.adapters.sqlite_connection import Connection
from sensord.model import Concern, Fate, Message, Standing, Verdict
from sensord.ports import Commit, Sending

DAY = timedelta(days=1)

SaidBefore = tuple[str, int, str]
"""State, severity and reason: what makes a verdict worth logging when it differs."""

PAST = "UPDATE concern SET body = ? WHERE site = ? AND key = ? AND breached_us = ? AND over_us = ?"
LAST = "SELECT max(id) FROM verdict WHERE site = ? GROUP BY rule, subject"


def put_post(db: sqlite3.Connection, site: str, commit: Commit) -> None:
    """The part of a commit that is about concerns and messages."""
    now = commit.at
    for concern in commit.concerns:
        put_concern(db, concern)
    for message in commit.messages:
        put_message(db, now, message, Fate.WAITING, "")
    for message, why in commit.held:
        put_message(db, now, message, Fate.HELD, why)
    for key, why in commit.withdrawn:
        db.execute(
            "UPDATE message SET state = 'withdrawn', detail = ?, changed_us = ?"
            " WHERE site = ? AND key = ? AND state = 'waiting'",
            (why, microseconds(now), site, key),
        )
    for sending in commit.sendings:
        put_sending(db, site, sending)


class VerdictLog:
    """Of a site's verdicts, those that say something else than the one before of the same rule and subject."""

    def __init__(self, connection: Connection, site: str, kept: timedelta) -> None:
        self._connection, self._site, self._kept = connection, site, kept
        self._said: dict[tuple[str, str], SaidBefore] | None = None
        self._aged_at: datetime | None = None

    def forget(self) -> None:
        """What was said last is asked again."""
        self._said = None

    def news(self, verdicts: Iterable[Verdict]) -> list[Verdict]:
        """Those that say something else than the one before, which they become."""
        if self._said is None:
            rows = self._connection.all(f"SELECT body FROM verdict WHERE id IN ({LAST})", (self._site,))  # noqa: S608
            last = [from_json(Verdict, body) for (body,) in rows]
            self._said = {(v.rule, v.subject): _said(v) for v in last}
        changed = []
        for verdict in verdicts:
            matter, said = (verdict.rule, verdict.subject), _said(verdict)
            if self._said.get(matter) != said:
                self._said[matter] = said
                changed.append(verdict)
        return changed

    def put(self, db: sqlite3.Connection, now: datetime, changed: list[Verdict]) -> None:
        """Log them, and once a day leave out what is too old."""
        for v in changed:
            db.execute(
                "INSERT INTO verdict (site, rule, subject, at_us, body) VALUES (?, ?, ?, ?, ?)",
                (self._site, v.rule, v.subject, microseconds(v.at), to_json(v)),
            )
        if changed and (self._aged_at is None or now - self._aged_at >= DAY):
            # the last of each matter stays, however old: it is what the next is compared with
            db.execute(
                f"DELETE FROM verdict WHERE site = ? AND at_us < ? AND id NOT IN ({LAST})",  # noqa: S608
                (self._site, microseconds(now - self._kept), self._site),
            )
            self._aged_at = now


def _said(verdict: Verdict) -> SaidBefore:
    return (verdict.state.value, int(verdict.severity), verdict.reason)


def put_concern(db: sqlite3.Connection, concern: Concern) -> None:
    identity = (concern.site, concern.key)
    over = concern.standing is Standing.OVER
    if over and concern.opened_at is None:
        db.execute("DELETE FROM concern WHERE site = ? AND key = ? AND over_us IS NULL", identity)
        return
    over_us = (maybe_microseconds(concern.over_at) or microseconds(concern.verdict.at)) if over else None
    values = (microseconds(concern.breached_since), over_us, to_json(concern))
    if over and db.execute(PAST, (values[2], *identity, *values[:2])).rowcount:
        return  # news of one that ended before: what stands by now is another one
    updated = db.execute(
        "UPDATE OR REPLACE concern SET breached_us = ?, over_us = ?, body = ? WHERE site = ? AND key = ? AND over_us IS NULL",
        (*values, *identity),
    ).rowcount
    if not updated:
        db.execute(
            "INSERT OR REPLACE INTO concern (site, key, breached_us, over_us, body) VALUES (?, ?, ?, ?, ?)",
            (*identity, *values),
        )


def put_sending(db: sqlite3.Connection, site: str, sending: Sending) -> None:
    """What the channel took counts as sent even where it was withdrawn meanwhile."""
    values: tuple[object, ...]
    if sending.detail is None:
        change, values = "state = 'sent', detail = ''", ()
    elif sending.due_at is not None:
        change, values = "due_us = ?, detail = ?", (microseconds(sending.due_at), sending.detail)
    else:
        change = "state = CASE state WHEN 'waiting' THEN 'undelivered' ELSE state END, detail = ?"
        values = (sending.detail,)
    moved = db.execute(
        "UPDATE message SET attempts = attempts + 1,"  # noqa: S608
        f" changed_us = CASE state WHEN 'sent' THEN changed_us ELSE ? END, {change} WHERE site = ? AND key = ?",
        (microseconds(sending.at), *values, site, sending.key),
    ).rowcount
    if not moved:
        raise ValueError(f"no message has the key {sending.key!r}")


def put_message(db: sqlite3.Connection, now: datetime, message: Message, state: str, detail: str) -> None:
    due = message.at if message.not_before is None else message.not_before
    db.execute(
        "INSERT OR IGNORE INTO message"
        " (key, site, at_us, severity, state, attempts, due_us, detail, changed_us, body)"
        " VALUES (?, ?, ?, ?, ?, 0, ?, ?, ?, ?)",
        (
            message.key,
            message.site,
            microseconds(message.at),
            int(message.severity),
            state,
            microseconds(due),
            detail,
            microseconds(now),
            to_json(message),
        ),
    )
