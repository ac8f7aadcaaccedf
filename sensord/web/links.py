"""Links in messages by which the keeper answers: signed, expiring, good for one message.

A link names the message and until when it may be used, and is signed with the configured secret. What the message speaks
of, and whether it was answered by this link already, stands in the store: nothing has to be remembered here.
"""

from __future__ import annotations

import hashlib
import re
from datetime import datetime, timedelta
from typing import NamedTuple

from itsdangerous import BadSignature, Signer

from sensord.model import Message, Telling, instant, milliseconds

LONGEST = 160
MINUTE_MS = 60_000


class LinkRefused(Exception):
    """The link can't be used; the text says why, in the keeper's words."""


class Link(NamedTuple):
    """What a link says."""

    message_key: str
    until: datetime


class Links:
    """Makes and reads them. `hours`: how long after its message one may be used; `root`: where its garden's pages stand."""

    def __init__(self, base_url: str, secret: str, hours: float = 24.0, root: str = "") -> None:
        if not secret:
            raise ValueError("a link needs a secret to be signed with")
        base_url = base_url.rstrip("/")
        self._base_url, self._holds = f"{base_url}{root}" if base_url else "", timedelta(hours=hours)
        self._signer = Signer(secret, salt=f"sensord link{root}", key_derivation="hmac", digest_method=hashlib.sha256)

    def address_of(self, message: Message) -> str:
        """The whole address; "" for a message that there is nothing to answer to."""
        if not self._base_url or not message.concerns or message.telling is Telling.OVER:
            return ""
        return f"{self._base_url}/a/{self.token_of(message)}"

    def token_of(self, message: Message) -> str:
        """The signed part."""
        at = max(message.at, message.not_before or message.at)
        minutes = milliseconds(at + self._holds) // MINUTE_MS
        return self._signer.sign(f"{message.key}.{minutes:x}").decode()

    def read(self, token: str, now: datetime) -> Link:
        """What the link says; Refused where it is not ours, or too old."""
        try:
            if len(token) > LONGEST or not token.isascii():
                raise BadSignature("not like one of ours")
            signed = self._signer.unsign(token).decode()
        except BadSignature:
            raise LinkRefused("broken") from None
        found = re.fullmatch(r"([0-9a-f]{8,64})\.([0-9a-f]{1,9})", signed)
        if found is None:
            raise LinkRefused("foreign")
        link = Link(found[1], instant(int(found[2], 16) * MINUTE_MS))
        if now >= link.until:
            raise LinkRefused("too_old")
        return link
