"""Where everything is kept: [store], and [influx], where it is shipped to as well."""

from __future__ import annotations

from pydantic import Field, SecretStr

from sensord.config.values import ServerAddress, Table


class StoreSettings(Table):
    """[store]"""

    path: str = Field(default="sensord.sqlite3", min_length=1)
    refusals_kept: int = Field(default=1000, ge=10, le=100_000)


class InfluxSettings(Table):
    """[influx]: where everything is shipped to as well; nothing is while `url` is empty."""

    url: ServerAddress = ""
    organisation: str = Field(default="", max_length=200)
    bucket: str = Field(default="sensord", min_length=1, max_length=200)
    token: SecretStr = SecretStr("")
    database: str = Field(default="", max_length=200)
    ca_file: str = ""
    timeout_s: float = Field(default=10, ge=1, le=300)
    every_s: float = Field(default=30, ge=1, le=3600)
    points_at_once: int = Field(default=5000, ge=100, le=50_000)
    compress: bool = False
    raw_days_kept: int = Field(default=400, ge=30, le=36_500)

    @property
    def destination(self) -> str:
        """What tells one destination from another, without its token; empty while nothing is shipped."""
        return " ".join((self.url, self.organisation, self.bucket)) if self.url else ""
