"""The only interfaces of the house: what the engine's loop needs of the world, and what each adapter promises.

    world.py   Inbox, Clock, Channel, Sender, Shipping
    tail.py    Tail: what is still to be shipped to another database
    store.py   the parts of a store, each of one site: Journal, Readings, Summaries, Entries, Concerns, Outbox, Facts, Accounts

An adapter returns or raises; only the loop logs. `Transient` means "try again later", anything else is a defect.
"""

from sensord.ports.store import (
    Accounts,
    Added,
    Commit,
    Concerns,
    Day,
    Entries,
    Facts,
    Hour,
    Journal,
    Outbox,
    Place,
    Places,
    Readings,
    Records,
    Sending,
    SentMessages,
    Series,
    Share,
    Shelf,
    Slot,
    Store,
    Summaries,
    TallyHour,
    places_by,
)
from sensord.ports.tail import Backlog, ChangeKind, ChangeWindow, Mark, Parked, Position, Settles, Tail
from sensord.ports.world import Channel, Clock, Inbox, Sender, Shipping, Transient

__all__ = [
    "Accounts",
    "Added",
    "Backlog",
    "ChangeKind",
    "ChangeWindow",
    "Channel",
    "Clock",
    "Commit",
    "Concerns",
    "Day",
    "Entries",
    "Facts",
    "Hour",
    "Inbox",
    "Journal",
    "Mark",
    "Outbox",
    "Parked",
    "Place",
    "Places",
    "Position",
    "Readings",
    "Records",
    "Sender",
    "Sending",
    "SentMessages",
    "Series",
    "Settles",
    "Share",
    "Shelf",
    "Shipping",
    "Slot",
    "Store",
    "Summaries",
    "Tail",
    "TallyHour",
    "Transient",
    "places_by",
]
