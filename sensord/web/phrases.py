"""Writes what needs no look at the store, for one kind of reader: instants, names, entries."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from types import MappingProxyType

from sensord.language import Reader
from sensord.ledger import stage_named
from sensord.messages import Desk
from sensord.model import ANSWERS, Concern, Entry, What
from sensord.web.snapshot import PageNeeds

BY_LINK = "by link "
"""What an entry's text begins with that came by a link; the message's key follows, and so it is known to be used."""
NOTHING: Mapping[str, Concern] = MappingProxyType({})


class Phrases:
    """Writes what needs no look at the store: instants, names, entries."""

    def __init__(self, house: PageNeeds, now: datetime, units: str, standing: Mapping[str, Concern] = NOTHING) -> None:
        self.house, self.now, garden = house, now, house.garden
        keeper = house.settings.keeper.model_copy(update={"units": units})
        self.desk = Desk(garden.site, garden.enclosures, keeper, house.texts, standing, manners=garden.manners)
        self.reader: Reader = self.desk.reader(now)
        self._cohorts = frozenset(c.name for c in house.garden.cohorts)

    def say(self, key: str, **parts: str | int | bool | None) -> str:
        """A sentence of the catalogue."""
        return self.reader.catalogue.say(key, **parts)

    def at(self, instant: datetime, seconds: bool = False) -> str:
        """Local time, with the day where it isn't today's."""
        return self.reader.at(instant, seconds)

    def matter(self, rule: str, subject: str) -> str:
        """A rule's matter as people name it, where a text says nothing of it."""
        named = self.reader.catalogue.name("matters", rule, subject=subject)
        return named or self.reader.say("terms.of.rule", rule=rule.capitalize(), subject=subject)

    def cohort(self, name: str) -> str:
        """A cohort's name, and that it is one: "First" alone may be anything."""
        return self.reader.say("terms.of.cohort", name=name.capitalize())

    def _text(self, entry: Entry) -> str:
        if entry.what is What.MOVED:
            return self.desk.title_of(entry.text)
        stage = stage_named(entry.text) if entry.what is What.STAGE else None
        return self.say(f"terms.stage.{stage}") if stage else entry.text

    def entry(self, entry: Entry) -> dict[str, str]:
        """One entry in words."""
        subject = entry.subject
        say = self.say
        if entry.what in ANSWERS and (subject in self.house.garden.rules or "/" in subject):
            rule, _, place = subject.partition("/")
            subject = self.matter(rule, self.desk.title_of(place))
        elif subject in self._cohorts:
            subject = self.cohort(subject)
        elif subject:
            title = self.desk.title_of(subject)
            subject = title if title != subject else subject.capitalize()
        amount = ""
        if entry.amount is not None:
            is_mass = entry.what in (What.ANCHORED, What.BALLAST_ADDED)
            amount = self.reader.mass(entry.amount) if is_mass else self.reader.plain(entry.amount)
        text = self._text(entry)
        by_link = text.startswith(BY_LINK)
        return {
            "at": self.at(entry.at),
            "iso": entry.at.isoformat(timespec="seconds"),
            "subject": subject or say("terms.of.garden"),
            "what": say(f"terms.said.{entry.what}"),
            "amount": amount,
            "text": "" if by_link else text,
            "by": entry.author,
            "source": self.say(f"terms.source.{'link' if by_link else entry.source}"),
        }
