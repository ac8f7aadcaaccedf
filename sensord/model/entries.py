"""What a keeper can say, and what was said."""

from __future__ import annotations

from datetime import datetime
from enum import StrEnum
from typing import NamedTuple


class What(StrEnum):
    """What a keeper can say. Append-only: an entry is never changed, a later one corrects it."""

    SEEN = "seen"  # of a concern: I know
    DONE = "done"  # of a concern: I did what was advised
    NOT_NOW = "not now"  # of a concern: I can't at the moment
    SHADED = "shaded"
    UNSHADED = "unshaded"
    COVERED = "covered"  # rain or wind cover on
    UNCOVERED = "uncovered"
    ANCHORED = "anchored"  # amount: kilograms of ballast now standing in or on the enclosure, in total
    BALLAST_ADDED = "ballast added"  # amount: kilograms added to what stood there
    PEGGED = "pegged"
    UNPEGGED = "unpegged"  # the pegs are out, or no longer hold
    SHELTERED = "sheltered"  # moved out of the wind or indoors for a while
    RETURNED = "returned"  # back in its place
    HEADCOUNT = "headcount"  # amount: animals counted
    STAGE = "stage"  # text: the stage that a cohort has reached
    MOVED = "moved"  # text: the enclosure that a cohort was moved to
    CLEANED = "cleaned"
    NOTE = "note"


ANSWERS = frozenset({What.SEEN, What.DONE, What.NOT_NOW})
AMOUNTS = {What.ANCHORED: "kg", What.BALLAST_ADDED: "kg", What.HEADCOUNT: "animals"}
MOST_BALLAST_KG = 1000.0
MOST = {What.ANCHORED: MOST_BALLAST_KG, What.BALLAST_ADDED: MOST_BALLAST_KG, What.HEADCOUNT: 10_000.0}
"""The largest amount that can be meant: more is a slip of the finger."""


class Source(StrEnum):
    """By which way an entry came."""

    MQTT = "mqtt"
    COMMAND = "command"
    PAGE = "page"
    SIMULATION = "simulation"


class Entry(NamedTuple):
    """Something that the keeper said or did."""

    site: str
    at: datetime
    received_at: datetime
    subject: str  # an enclosure, a cohort, a concern's key, or "" for the site
    what: What
    amount: float | None = None
    text: str = ""
    author: str = ""
    source: Source = Source.MQTT
