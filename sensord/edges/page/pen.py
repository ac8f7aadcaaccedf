"""Writes what needs no look at the store, for one kind of reader: instants, names, entries."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from types import MappingProxyType

from sensord import letters
from sensord.edges.page import asking
from sensord.edges.page.cagewords import cohort_title
from sensord.edges.page.look import House
from sensord.language import Reader
from sensord.model import ANSWERS, Concern, Entry, Source, What

BY_LINK = "by link "
"""What an entry's text begins with that came by a link; the message's key follows, and so it is known to be used."""
SOURCES = {
    Source.MQTT: "over MQTT",
    Source.PAGE: "on the page",
    Source.COMMAND: "by command",
    Source.SIMULATION: "simulated",
}
NOTHING: Mapping[str, Concern] = MappingProxyType({})


class Pen:
    """Writes what needs no look at the store: instants, names, entries."""

    def __init__(self, house: House, now: datetime, units: str, standing: Mapping[str, Concern] = NOTHING) -> None:
        self.house, self.now, garden = house, now, house.garden
        keeper = house.settings.keeper.model_copy(update={"units": units})
        self.desk = letters.Desk(garden.site, garden.enclosures, keeper, house.texts, standing, manners=garden.manners)
        self.reader: Reader = self.desk.reader(now)
        self._cohorts = frozenset(c.name for c in house.garden.cohorts)

    def at(self, instant: datetime, seconds: bool = False) -> str:
        """Local time, with the day where it isn't today's."""
        return self.reader.at(instant, seconds)

    def entry(self, entry: Entry) -> dict[str, str]:
        """One entry in words."""
        subject = entry.subject
        if entry.what in ANSWERS and (subject in self.house.garden.rules or "/" in subject):
            rule, _, place = subject.partition("/")
            subject = asking.name_of(self.house.texts, rule, self.desk.title_of(place))
        elif subject in self._cohorts:
            subject = cohort_title(subject)
        elif subject:
            title = self.desk.title_of(subject)
            subject = title if title != subject else subject.capitalize()
        amount = ""
        if entry.amount is not None:
            is_mass = entry.what in (What.ANCHORED, What.BALLAST_ADDED)
            amount = self.reader.mass(entry.amount) if is_mass else f"{entry.amount:g}"
        text = self.desk.title_of(entry.text) if entry.what is What.MOVED else entry.text
        by_link = text.startswith(BY_LINK)
        return {
            "at": self.at(entry.at),
            "iso": entry.at.isoformat(timespec="seconds"),
            "subject": subject or "The garden",
            "what": str(entry.what),
            "amount": amount,
            "text": "" if by_link else text,
            "by": entry.author,
            "source": "by the link in a message" if by_link else SOURCES[entry.source],
        }
