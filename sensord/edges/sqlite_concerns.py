"""What the store keeps of concerns, verdicts and messages."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from datetime import datetime, timedelta
from pathlib import Path

from sensord.edges.sqlite_codec import from_json, maybe_microseconds, microseconds, to_json
from sensord.edges.sqlite_writer import Writer
from sensord.model import Concern, Fate, Message, Standing, Verdict
from sensord.ports import Added, Commit, Sending

DAY = timedelta(days=1)

Said = tuple[str, int, str]
"""State, severity and reason: what makes a verdict worth logging when it differs."""


class ConcernWriter(Writer):
    """The part of the store that `record` and the outbox are."""

    def __init__(self, path: str | Path, site: str, durable: bool, busy_s: float, verdicts_kept: timedelta) -> None:
        super().__init__(path, durable, busy_s)
        self._site = site
        self._verdicts_kept = verdicts_kept
        self._said: dict[tuple[str, str], Said] | None = None
        self._aged_at: datetime | None = None

    def _forget(self) -> None:
        super()._forget()
        self._said = None

    def record(
        self,
        now: datetime,
        concerns: Iterable[Concern],
        messages: Iterable[Message],
        verdicts: Iterable[Verdict] = (),
        withdrawn: Iterable[tuple[str, str]] = (),
        held: Iterable[tuple[Message, str]] = (),
    ) -> None:
        """One transaction: concerns as they are now, messages, what was withdrawn (key, why) or held back (message, why).

        A message whose key is there already is ignored. Of the verdicts only those are kept that say something else
        than the last of their rule and subject. A concern that is over without ever having been opened leaves no trace.
        """
        self.commit(
            Commit(
                now,
                concerns=tuple(concerns),
                messages=tuple(messages),
                verdicts=tuple(verdicts),
                withdrawn=tuple(withdrawn),
                held=tuple(held),
            )
        )

    def commit(self, commit: Commit) -> Added:
        """Make everything in it durable; see `ports.Store`."""
        raise NotImplementedError

    def _put_post(self, db: sqlite3.Connection, commit: Commit, changed: list[Verdict]) -> None:
        """The part of a commit that is about concerns, verdicts and messages."""
        now = commit.at
        for concern in commit.concerns:
            _put_concern(db, concern)
        for message in commit.messages:
            _put_message(db, now, message, Fate.WAITING, "")
        for message, why in commit.held:
            _put_message(db, now, message, Fate.HELD, why)
        for key, why in commit.withdrawn:
            db.execute(
                "UPDATE message SET state = 'withdrawn', detail = ?, changed_us = ? WHERE key = ? AND state = 'waiting'",
                (why, microseconds(now), key),
            )
        for sending in commit.sendings:
            _put_sending(db, sending)
        if changed:
            self._log(db, now, changed)

    def delivered(self, key: str, now: datetime) -> None:
        """The channel took the message. It counts as sent even where it was withdrawn meanwhile."""
        self.commit(Commit(now, sendings=[Sending(key, now)]))

    def failed(self, key: str, now: datetime, due_at: datetime | None, detail: str) -> None:
        """An attempt failed; try again at `due_at`, or None: give up, visibly undelivered."""
        self.commit(Commit(now, sendings=[Sending(key, now, detail, due_at)]))

    def remember(self, name: str, value: str) -> None:
        """Keep a small fact across restarts."""
        with self._transaction() as db:
            db.execute("INSERT OR REPLACE INTO fact VALUES (?, ?)", (name, value))

    # --- verdicts

    def _changed(self, verdicts: Iterable[Verdict]) -> list[Verdict]:
        """Those that say something else than the one before."""
        if self._said is None:
            rows = self._all(
                "SELECT body FROM verdict WHERE id IN (SELECT max(id) FROM verdict GROUP BY rule, subject)"
            )
            last = [from_json(Verdict, body) for (body,) in rows]
            self._said = {(v.rule, v.subject): _said(v) for v in last}
        changed = []
        for verdict in verdicts:
            matter, said = (verdict.rule, verdict.subject), _said(verdict)
            if self._said.get(matter) != said:
                self._said[matter] = said
                changed.append(verdict)
        return changed

    def _log(self, db: sqlite3.Connection, now: datetime, changed: list[Verdict]) -> None:
        for v in changed:
            db.execute(
                "INSERT INTO verdict (site, rule, subject, at_us, body) VALUES (?, ?, ?, ?, ?)",
                (self._site, v.rule, v.subject, microseconds(v.at), to_json(v)),
            )
        if self._aged_at is None or now - self._aged_at >= DAY:
            # the last of each matter stays, however old: it is what the next is compared with
            db.execute(
                "DELETE FROM verdict WHERE at_us < ? AND id NOT IN (SELECT max(id) FROM verdict GROUP BY rule, subject)",
                (microseconds(now - self._verdicts_kept),),
            )
            self._aged_at = now


def _said(verdict: Verdict) -> Said:
    return (verdict.state.value, int(verdict.severity), verdict.reason)


def _put_concern(db: sqlite3.Connection, concern: Concern) -> None:
    identity = (concern.site, concern.key)
    over = concern.standing is Standing.OVER
    if over and concern.opened_at is None:
        db.execute("DELETE FROM concern WHERE site = ? AND key = ? AND over_us IS NULL", identity)
        return
    over_us = (maybe_microseconds(concern.over_at) or microseconds(concern.verdict.at)) if over else None
    values = (microseconds(concern.breached_since), over_us, to_json(concern))
    updated = db.execute(
        "UPDATE OR REPLACE concern SET breached_us = ?, over_us = ?, body = ? WHERE site = ? AND key = ? AND over_us IS NULL",
        (*values, *identity),
    ).rowcount
    if not updated:
        db.execute(
            "INSERT OR REPLACE INTO concern (site, key, breached_us, over_us, body) VALUES (?, ?, ?, ?, ?)",
            (*identity, *values),
        )


def _put_sending(db: sqlite3.Connection, sending: Sending) -> None:
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
        f"UPDATE message SET attempts = attempts + 1, changed_us = ?, {change} WHERE key = ?",  # noqa: S608
        (microseconds(sending.at), *values, sending.key),
    ).rowcount
    if not moved:
        raise ValueError(f"no message has the key {sending.key!r}")


def _put_message(db: sqlite3.Connection, now: datetime, message: Message, state: str, detail: str) -> None:
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
