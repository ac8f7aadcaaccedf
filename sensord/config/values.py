"""Values of which a configuration is made: what each kind of text may be, said in plain words where it is not."""

from __future__ import annotations

import re
from datetime import date, time
from ipaddress import ip_address
from typing import Annotated, TypeVar
from urllib.parse import urlsplit
from zoneinfo import available_timezones

from pydantic import AfterValidator, AwareDatetime, BaseModel, ConfigDict, Field, SecretStr

from sensord.language.terminal import say

FIRST_YEAR, LAST_YEAR = 1970, 9998
"""Days of years beyond these have no week before or after them, or no readings."""

EachDay = TypeVar("EachDay", bound=date)


class Table(BaseModel):
    """A table of the configuration: unknown keys are mistakes."""

    model_config = ConfigDict(extra="forbid", frozen=True)


def _clock_time(text: str) -> str:
    if text:
        try:
            if time.fromisoformat(text).strftime("%H:%M") != text:
                raise ValueError(text)
        except ValueError:
            raise ValueError(say("settings.value.clock_time")) from None
    return text


def _of_our_years(day: EachDay) -> EachDay:
    if not FIRST_YEAR <= day.year <= LAST_YEAR:
        raise ValueError(say("settings.value.years", first=str(FIRST_YEAR), last=str(LAST_YEAR)))
    return day


def _zone(name: str) -> str:
    if name not in available_timezones():
        raise ValueError(say("settings.value.time_zone"))
    return name


def _pointer(text: str) -> str:
    if text and not text.startswith("/"):
        raise ValueError(say("settings.value.pointer"))
    return text


def _topic_filter(text: str) -> str:
    levels = text.split("/")
    if not text or any(
        ("#" in x and (x != "#" or i < len(levels) - 1)) or ("+" in x and x != "+") for i, x in enumerate(levels)
    ):
        raise ValueError(say("settings.value.filter"))
    return text


def _topic(text: str) -> str:
    if not text or "+" in text or "#" in text:
        raise ValueError(say("settings.value.topic"))
    return text


def _host(text: str) -> str:
    try:
        ip_address(text)
    except ValueError:
        if text != "localhost":
            raise ValueError(say("settings.value.listen")) from None
    return text


def _base_url(text: str) -> str:
    if text and not re.fullmatch(r"https?://[A-Za-z0-9.:\[\]-]+", text):
        raise ValueError(say("settings.value.base_url"))
    return text


def _longer_than(least: int) -> AfterValidator:
    def check(secret: SecretStr) -> SecretStr:
        if 0 < len(secret.get_secret_value()) < least:
            raise ValueError(say("settings.value.at_least", least=least))
        return secret

    return AfterValidator(check)


def _password_hash(secret: SecretStr) -> SecretStr:
    text = secret.get_secret_value()
    if text and not re.fullmatch(r"\$argon2id\$v=19\$m=\d{4,6},t=\d{1,2},p=\d\$[A-Za-z0-9+/]+\$[A-Za-z0-9+/]+", text):
        raise ValueError(say("settings.value.hash"))
    return secret


def _server_address(text: str) -> str:
    parts = urlsplit(text)
    if text and (parts.scheme not in ("http", "https") or not parts.hostname or parts.username or parts.query):
        raise ValueError(say("settings.value.address"))
    return text.rstrip("/")


Name = Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9_-]{0,39}$")]
CalendarDay = Annotated[date, AfterValidator(_of_our_years)]
Instant = Annotated[AwareDatetime, AfterValidator(_of_our_years)]
ClockTime = Annotated[str, AfterValidator(_clock_time)]
Pointer = Annotated[str, AfterValidator(_pointer)]
TopicFilter = Annotated[str, AfterValidator(_topic_filter)]
Topic = Annotated[str, AfterValidator(_topic)]
ServerAddress = Annotated[str, AfterValidator(_server_address)]
Zone = Annotated[str, AfterValidator(_zone)]
Host = Annotated[str, AfterValidator(_host)]
BaseUrl = Annotated[str, AfterValidator(_base_url)]
PasswordHash = Annotated[SecretStr, AfterValidator(_password_hash)]
LongText = Annotated[SecretStr, _longer_than(20)]
VeryLongText = Annotated[SecretStr, _longer_than(32)]
Amount = float | int | bool | str
