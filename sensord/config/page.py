"""The page for the phone in the garden: [page]."""

from __future__ import annotations

import re
from collections.abc import Iterator
from ipaddress import ip_address

from pydantic import Field, SecretStr

from sensord.config.values import BaseUrl, Host, LongText, PasswordHash, Table, VeryLongText
from sensord.language.terminal import say


class PageSettings(Table):
    """[page]"""

    enabled: bool = False
    host: Host = "127.0.0.1"
    port: int = Field(default=8417, ge=1, le=65535)
    base_url: BaseUrl = ""
    password_hash: PasswordHash = SecretStr("")
    token: LongText = SecretStr("")
    secret: VeryLongText = SecretStr("")
    session_days: float = Field(default=30, ge=0.01, le=400)
    link_hours: float = Field(default=24, ge=1, le=24 * 14)

    @property
    def is_local(self) -> bool:
        """Whether only this computer can reach it."""
        return self.host == "localhost" or ip_address(self.host).is_loopback

    @property
    def is_guarded(self) -> bool:
        """Whether a password or a token is asked for."""
        return bool(self.password_hash.get_secret_value() or self.token.get_secret_value())


def open_doors(page: PageSettings) -> Iterator[str]:
    """Whoever can reach the page must be asked who they are; a link in a message must be signed."""
    others = page.base_url and not re.match(r"https?://(localhost|127\.\d+\.\d+\.\d+|\[::1\])(:\d+)?$", page.base_url)
    if page.enabled and not page.is_guarded and (others or not page.is_local):
        yield ("page: " + say("settings.page.open"))
    if page.enabled and page.base_url and not page.secret.get_secret_value():
        yield ("page.secret: " + say("settings.page.secret"))
