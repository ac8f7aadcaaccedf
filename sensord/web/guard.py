"""Who may look and who may write: passwords, sessions, tokens against forged requests, and how often one may try.

A session is a signed cookie: it survives a restart where a secret is configured, and ends when the password or the token
is changed. On this computer alone, without a password, whoever opens the page is the keeper; requests forged by other
sites are refused all the same.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
import threading
import time
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from itsdangerous import BadData, URLSafeTimedSerializer

from sensord.config import PageSettings

LONGEST_SECRET = 1024
"""Characters of a password or token: what is longer is not even compared, so `sensord password` makes no hash of it."""
LONGEST_COOKIE = 1024
DAY_S = 86_400.0


class Role(StrEnum):
    """What somebody may do."""

    GUEST = "guest"  # log in
    VIEWER = "viewer"  # look
    KEEPER = "keeper"  # look and write


@dataclass(frozen=True, slots=True)
class Session:
    """Somebody's visit."""

    id: str
    role: Role
    name: str = ""
    site: str = ""  # a viewer's: the one garden that may be looked at


class Guard:
    """Signs and reads sessions; nothing of it is written anywhere."""

    def __init__(self, page: PageSettings) -> None:
        self.is_guarded = page.is_guarded
        self.session_s = page.session_days * DAY_S
        self._password_hash = page.password_hash.get_secret_value()
        self._token = page.token.get_secret_value()
        self._secret = page.secret.get_secret_value() or secrets.token_urlsafe(32)
        known_by = hashlib.sha256(f"{self._password_hash}\0{self._token}".encode()).hexdigest()
        self._sessions = self._serializer(f"session {known_by}")
        self._views = self._serializer(f"view {known_by}")
        self._left: OrderedDict[str, None] = OrderedDict()
        self._hashing = threading.Lock()

    def _serializer(self, salt: str) -> URLSafeTimedSerializer:
        signer = {"key_derivation": "hmac", "digest_method": hashlib.sha256}
        return URLSafeTimedSerializer(self._secret, salt=f"sensord {salt}", signer_kwargs=signer)

    # --- sessions

    def begin(self, role: Role, name: str = "", site: str = "") -> Session:
        """A new session."""
        return Session(secrets.token_urlsafe(18), role, name, site)

    def cookie_of(self, session: Session) -> str:
        """The session, signed."""
        return _text(self._sessions.dumps([session.id, session.role.value, session.name, session.site]))

    def session_of(self, cookie: str | None) -> Session | None:
        """The session of a cookie; None where it is not ours, too old, or was left."""
        if not cookie or len(cookie) > LONGEST_COOKIE:
            return None
        try:
            session_id, role, name, site = self._sessions.loads(cookie, max_age=int(self.session_s))
            session = Session(str(session_id), Role(role), str(name), str(site))
        except (BadData, ValueError, TypeError):
            return None
        return None if session.id in self._left else session

    def end(self, session: Session) -> None:
        """Nobody gets in by this session while this process runs and no thousand others were ended since.

        It is only remembered here: after a restart a cookie that somebody has kept opens again, until it is too old or the
        password, the token or the secret is changed. Without a configured secret a restart ends all sessions.
        """
        self._left[session.id] = None
        while len(self._left) > 1000:
            self._left.popitem(last=False)

    def form_token(self, session: Session) -> str:
        """What a form must carry to be one that this page gave to this session."""
        return hmac.new(self._secret.encode(), f"form {session.id}".encode(), hashlib.sha256).hexdigest()[:40]

    def is_form_token(self, session: Session, token: str) -> bool:
        """Whether it is that."""
        return hmac.compare_digest(self.form_token(session).encode(), token.encode("utf-8", "replace"))

    # --- the ways in

    def knows(self, secret: str) -> bool:
        """Whether this is the password or the token. Takes a moment, and only one at a time: call it off the loop."""
        if not secret or len(secret) > LONGEST_SECRET:
            return False
        given = secret.encode("utf-8", "replace")
        if self._token and hmac.compare_digest(self._token.encode(), given):
            return True
        if not self._password_hash:
            return False
        from argon2 import PasswordHasher
        from argon2.exceptions import InvalidHashError, VerificationError

        with self._hashing:
            try:
                return PasswordHasher().verify(self._password_hash, given)
            except (VerificationError, InvalidHashError):
                return False

    def view_token(self, days: int, site: str) -> str:
        """The signed part of a link by which others may look at a garden for so many days."""
        return _text(self._views.dumps([secrets.token_urlsafe(6), int(days), site]))

    def is_view_token(self, token: str, site: str) -> bool:
        """Whether somebody may look at that garden by this."""
        if len(token) > LONGEST_COOKIE:
            return False
        try:
            (_, days, its), made_at = self._views.loads(token, max_age=int(366 * DAY_S), return_timestamp=True)
            return bool(its == site and time.time() - made_at.timestamp() <= float(days) * DAY_S)
        except (BadData, ValueError, TypeError):
            return False


def _text(signed: str | bytes) -> str:
    return signed if isinstance(signed, str) else signed.decode()


class Limiter:
    """At most `most` in any `per_s` for each key; of the keys, the most recent `keys` are remembered."""

    def __init__(
        self, most: int, per_s: float, keys: int = 2000, monotonic: Callable[[], float] = time.monotonic
    ) -> None:
        self._most, self._per_s, self._keys, self._monotonic = most, per_s, keys, monotonic
        self._times: OrderedDict[str, list[float]] = OrderedDict()

    def is_spent(self, key: str) -> bool:
        """Whether the key has had its share."""
        since = self._monotonic() - self._per_s
        times = [at for at in self._times.get(key, ()) if at > since]
        if key in self._times:
            self._times[key] = times
        return len(times) >= self._most

    def note(self, key: str) -> None:
        """Count one."""
        times = self._times.setdefault(key, [])
        times.append(self._monotonic())
        del times[: -self._most]
        self._times.move_to_end(key)
        while len(self._times) > self._keys:
            self._times.popitem(last=False)

    def forgive(self, key: str) -> None:
        """It was no guess."""
        self._times.pop(key, None)

    def take(self, key: str) -> bool:
        """Count one, if the key has any left."""
        if self.is_spent(key):
            return False
        self.note(key)
        return True


def hash_of(password: str) -> str:
    """The hash of a password, to be configured: argon2id with 19 MiB, which a small computer can spare.

    Parameters: the lowest that the OWASP Password Storage Cheat Sheet recommends (m = 19 MiB, t = 2, p = 1).
    """
    from argon2 import PasswordHasher

    hasher: Any = PasswordHasher(time_cost=2, memory_cost=19_456, parallelism=1)
    return str(hasher.hash(password))
