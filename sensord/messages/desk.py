"""What the postman knows of the site, the keeper and the day."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from zoneinfo import ZoneInfo

from sensord.config import KeeperSettings
from sensord.language import Catalogue, Reader
from sensord.model import (
    Concern,
    Enclosure,
    Parcel,
    Site,
    Urgency,
)
from sensord.rules import USUAL, Manner

URGENCIES = (Urgency.IMMEDIATE, Urgency.EXPECTED, Urgency.FUTURE)


@dataclass(frozen=True, slots=True)
class Desk:
    """What the postman knows of the site, the keeper and the day."""

    site: Site
    enclosures: tuple[Enclosure, ...]
    keeper: KeeperSettings
    texts: Catalogue
    standing: Mapping[str, Concern]  # by key, those that are over left out
    manners: Mapping[str, Manner] = field(kw_only=True)  # by rule
    lately: tuple[Parcel, ...] = ()  # messages of the last day and a half, and all of what stands
    day_began: datetime | None = None  # local midnight, from which the budget counts; None: all of `lately`
    has_stand_in: bool = True  # whether there is a second channel

    @property
    def zone(self) -> ZoneInfo:
        """The site's time zone."""
        return ZoneInfo(self.site.time_zone)

    def reader(self, now: datetime) -> Reader:
        """Who reads at `now`."""
        return Reader(self.texts, self.keeper.units, self.zone, now, self.keeper.brick_kg)

    def manner_of(self, rule: str) -> Manner:
        """How a rule's concerns are spoken of; of a rule that is gone, as usual."""
        return self.manners.get(rule, USUAL)

    def title_of(self, subject: str) -> str:
        """A subject's name as people say it."""
        if not subject:
            return self.site.title or self.site.name
        return next((e.title for e in self.enclosures if e.name == subject), subject)
