"""How readings and entries come in: [broker]."""

from __future__ import annotations

from typing import Literal

from pydantic import Field, SecretStr

from sensord.config.values import Table, Topic


class SharedBroker(Table):
    """[broker] of a house of several gardens."""

    host: str = "localhost"
    port: int = Field(default=1883, ge=1, le=65535)
    user: str = ""
    password: SecretStr = SecretStr("")
    protocol: Literal["3.1.1", "5"] = "3.1.1"
    tls: bool = False
    ca_file: str = ""
    certificate_file: str = ""
    key_file: str = ""
    keepalive_s: int = Field(default=60, ge=5, le=3600)
    session_expiry_h: float = Field(default=168, gt=0, le=24 * 365)


class BrokerSettings(SharedBroker):
    """[broker] of a garden: what no other garden can have too comes in addition."""

    client_id: str = Field(default="", max_length=64)
    entry_topic: Topic = "sensord/entry"
