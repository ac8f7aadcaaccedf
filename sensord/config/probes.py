"""What measures, and how it is read: [[probe]]."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from sensord.config.values import Name, Pointer, Table, TopicFilter
from sensord.model import Form, Quantity


class TimeSettings(Table):
    """Where a JSON payload carries its time."""

    pointer: Pointer
    form: Literal["rfc3339", "unix", "unix-ms"] = "rfc3339"


class ReadSettings(Table):
    """[[probe.reads]]: one quantity of the probe."""

    quantity: Quantity
    unit: str = ""
    pointer: Pointer = ""
    name: str = ""
    topic: TopicFilter | None = None
    form: Form | None = None


class ProbeSettings(Table):
    """[[probe]]"""

    name: Name
    place: Name
    sensor: str = "generic"
    every_s: float = Field(default=60, ge=1, le=3600)
    topic: TopicFilter | None = None
    form: Form = Form.JSON
    time: TimeSettings | None = None
    reads: tuple[ReadSettings, ...] = Field(min_length=1)
