"""A garden that can't be watched, since its configuration is wrong, is told of: to its own phone where that can still be read,
and to that of whoever keeps the machine. Each set of mistakes once, however often the daemon starts."""

from __future__ import annotations

import hashlib
import logging
import threading
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

from pydantic import SecretStr

from sensord.adapters.push import AppriseChannel
from sensord.adapters.sqlite import SqliteStore
from sensord.config import Found, GardenFound
from sensord.language import TEXT_LIMIT, TITLE_LIMIT, Catalogue, cut
from sensord.model import Certainty, Message, Severity, Site, Urgency
from sensord.ports import Commit, Share, Transient

log = logging.getLogger("sensord")

TOLD = "unwatched told"
OWN, HOUSE = ROUTES = ("phone", "house")
TIMEOUT_S = 10.0
FIRST_PAUSE_S, LONGEST_PAUSE_S = 30.0, 1800.0
TOLD_FOR = timedelta(days=2)


class UnwatchedTelling:
    """Tells of every unwatched garden, on a thread of its own, until each phone has taken it."""

    def __init__(self, found: Found, unsound: Sequence[GardenFound], store: SqliteStore, stop: threading.Event) -> None:
        self._stop = stop
        self._left = [
            (message, share, channel)
            for garden in unsound
            for message, share in [(message_of(garden), _share(store, garden.name))]
            for route, urls in phones(found, garden)
            if share.facts.recall(f"{TOLD} {route}") != message.key and (channel := _channel(route, urls)) is not None
        ]
        self._thread = threading.Thread(target=self._run, name="unwatched", daemon=True)
        self._thread.start()

    def _run(self) -> None:
        pause_s = 0.0
        while self._left and not self._stop.wait(pause_s):
            self._left = [(m, share, channel) for m, share, channel in self._left if not _tell(m, share, channel)]
            pause_s = min(max(FIRST_PAUSE_S, 2 * pause_s), LONGEST_PAUSE_S)

    def close(self) -> None:
        """Wait for the attempt that is under way."""
        self._thread.join(15.0)


def _tell(message: Message, share: Share, channel: AppriseChannel) -> bool:
    """One attempt; told means delivered."""
    try:
        channel.send(message)
        share.journal.commit(Commit(datetime.now(UTC), facts={f"{TOLD} {channel.name}": message.key}))
    except (Transient, ValueError) as trouble:
        log.warning("%s: not told yet that nobody watches it: %s", message.site, trouble)
        return False
    return True


def forget(share: Share) -> None:
    """A garden that is watched again is told of anew, should the same mistake come back."""
    told = [name for route in ROUTES if share.facts.recall(name := f"{TOLD} {route}")]
    if told:
        share.journal.commit(Commit(datetime.now(UTC), facts=dict.fromkeys(told, "")))


def phones(found: Found, garden: GardenFound) -> list[tuple[str, tuple[SecretStr, ...]]]:
    """The garden's own phone, as far as it could be read, and the house's."""
    own = garden.settings.push.phone if garden.settings and garden.settings.push else ()
    return [
        (route, urls)
        for route, given in ((OWN, own), (HOUSE, found.push.phone if found.push else ()))
        if (urls := tuple(url for url in given or () if isinstance(url, SecretStr)))
    ]


def message_of(garden: GardenFound) -> Message:
    """What is told; its key is that of these mistakes."""
    texts, now = _texts(garden), datetime.now(UTC)
    site = garden.settings.site if garden.settings else None
    first = garden.mistakes[0].split(": ", 1)[-1].rstrip(".")
    return Message(
        key=hashlib.sha256("\n".join((garden.name, *garden.mistakes)).encode()).hexdigest()[:20],
        site=garden.name,
        at=now,
        rule="unwatched",
        subject="",
        severity=Severity.SEVERE,
        urgency=Urgency.EXPECTED,
        certainty=Certainty.OBSERVED,
        title=cut(texts.say("house.unwatched.title", site=(site and site.title) or garden.name), TITLE_LIMIT),
        text=cut(texts.say("house.unwatched.text", count=len(garden.mistakes), first=first), TEXT_LIMIT),
        action="",
        concerns=(),
        holds_until=now + TOLD_FOR,
    )


def _texts(garden: GardenFound) -> Catalogue:
    """In the keeper's language, where that could be read."""
    keeper = garden.settings.keeper if garden.settings else None
    try:
        return Catalogue.load(keeper.language if keeper and keeper.language else "en")
    except ValueError:  # one of the mistakes that are told of
        return Catalogue.load()


def _channel(route: str, urls: tuple[SecretStr, ...]) -> AppriseChannel | None:
    try:
        return AppriseChannel(urls, TIMEOUT_S, name=route)
    except ValueError as wrong:  # one of the mistakes that are told of
        log.error("a phone can't be told that nobody watches: %s", wrong)
        return None


def _share(store: SqliteStore, name: str) -> Share:
    return store.of(Site(name, 0.0, 0.0, 0.0, "UTC"))
