"""A garden at half past one with something to do in it, a loop that stores what it is handed, and the page over both."""

from __future__ import annotations

import math
import re
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from pydantic import SecretStr
from starlette.testclient import TestClient

from sensord.commands import _build, _house
from sensord.intake import entries
from sensord.model import (
    Advice,
    Arrival,
    Certainty,
    Concern,
    Entry,
    Message,
    Quantity,
    Reading,
    Severity,
    Standing,
    State,
    Urgency,
    Verdict,
)
from sensord.ports import Commit, Transient
from sensord.web.app import application
from sensord.web.gardens import Unwatched
from sensord.web.guard import hash_of
from sensord.web.shared import GardenPage
from sensord.web.snapshot import PageNeeds
from simulators import scenario
from tests.kept import Kept, opened

NOW = datetime(2026, 8, 20, 17, 30, tzinfo=UTC)  # 13:30 in the garden
PASSWORD = "milkweed by the fence"
HASH = hash_of(PASSWORD)
TOKEN = "t" * 24
SECRET = "s" * 40
LOCAL = {"enabled": True}
GUARDED = {
    "enabled": True,
    "host": "0.0.0.0",
    "base_url": "http://localhost",
    "password_hash": SecretStr(HASH),
    "token": SecretStr(TOKEN),
    "secret": SecretStr(SECRET),
}
ORIGIN = {"origin": "http://localhost"}
FORM = {"content-type": "application/x-www-form-urlencoded"}
LEVELS = {
    Quantity.TEMPERATURE: (27.0, 6.0),
    Quantity.HUMIDITY: (0.6, -0.2),
    Quantity.PRESSURE: (98_900.0, 0.0),
    Quantity.WIND_SPEED: (2.0, 1.0),
    Quantity.WIND_GUST: (3.5, 1.5),
    Quantity.BATTERY: (0.9, 0.0),
}


def readings(garden: Any, start: datetime, end: datetime, every: timedelta = timedelta(minutes=1)) -> Iterator[Reading]:
    """What all probes measured: a smooth day, warmest at three in the afternoon."""
    at = start
    while at < end:
        hour = (at - timedelta(hours=4)).hour + at.minute / 60
        warmth = math.cos((hour - 15) / 12 * math.pi)
        for number, probe in enumerate(garden.probes):
            for quantity in sorted(probe.quantities):
                mean, swing = LEVELS[quantity]
                extra = 0.4 * number if quantity is Quantity.TEMPERATURE and probe.place != "ambient" else 0.0
                yield Reading("larkfield", probe.name, quantity, at, at, mean + swing * warmth + extra)
        at += every


def hot(
    subject: str = "birch", severity: Severity = Severity.SEVERE, opened_at: datetime = NOW, site: str = "larkfield"
) -> Concern:
    """A concern that asks to shade an enclosure."""
    advice = Advice("shade", by=NOW + timedelta(minutes=45), holds_until=NOW + timedelta(minutes=45))
    numbers = {"inside_c": 36.4, "tier_c": 36.0, "tier_h": 0.5, "offset_k": 2.5, "spell_h": 0.6, "observed": True}
    verdict = Verdict(
        "overheating", subject, State.BREACH, NOW, "shade", severity, Urgency.IMMEDIATE, Certainty.OBSERVED, numbers, advice
    )  # fmt: skip
    return Concern(
        site, "overheating", subject, Standing.OPEN, verdict, opened_at - timedelta(minutes=30),
        opened_at=opened_at, peak=severity, told=severity, told_action="shade", told_at=opened_at, tellings=1,
    )  # fmt: skip


def letter(
    concerns: tuple[str, ...] = ("overheating/birch",),
    at: datetime = NOW,
    key: str = "0123456789abcdef0123",
    site: str = "larkfield",
) -> Message:
    """The message about it."""
    return Message(
        key, site, at, "overheating", "birch", Severity.SEVERE, Urgency.IMMEDIATE, Certainty.OBSERVED,
        "Shade Birch", "36 °C inside.", "shade", concerns, NOW + timedelta(hours=1),
    )  # fmt: skip


@dataclass
class Loop:
    """Stands for the loop: decodes and stores entries as the real one does, one at a time."""

    store: Kept
    garden: Any
    now: datetime = NOW
    is_full: bool = False
    is_slow: bool = False
    connected: tuple[bool, datetime | None] = (True, None)
    refused: list[str] = field(default_factory=list)
    lock: threading.Lock = field(default_factory=threading.Lock)

    def put(self, topic: str, payload: bytes) -> None:
        """What `MqttInbox.put_local` is in the daemon."""
        if self.is_full:
            raise Transient("too much is waiting to be stored; try again in a minute")
        if self.is_slow:
            return
        said = entries.decode(
            Arrival(self.now, topic, payload),
            self.garden.site.name,
            [e.name for e in self.garden.enclosures],
            [c.name for c in self.garden.cohorts],
            self.garden.rules.keys(),
        )
        with self.lock:
            if isinstance(said, Entry):
                self.store.journal.commit(Commit(NOW, entries=[said]))
            else:
                self.refused.append(said.reason)

    @property
    def said(self) -> list[Entry]:
        """Everything that was stored."""
        with self.lock:
            return self.store.entries.between(NOW - timedelta(days=100), NOW + timedelta(days=100))


@dataclass
class Homestead:
    """All of it."""

    store: Kept
    loop: Loop
    house: PageNeeds
    app: Any
    garden_page: GardenPage

    def __repr__(self) -> str:
        """Short: an example that fails is shown with it."""
        return f"<homestead in {self.house.store}>"

    def client(self, base_url: str = "http://localhost") -> TestClient:
        """Another browser."""
        return TestClient(
            self.app, base_url=base_url, follow_redirects=False, headers={"sec-fetch-site": "same-origin"}
        )


@cache
def _measured() -> bytes:
    """A store with the readings of twenty-five hours, made once."""
    built = _house.understood(scenario.configuration("larkfield"), scenario.HERE / "larkfield.toml")
    with TemporaryDirectory() as directory:
        path = Path(directory) / "measured.sqlite3"
        store = opened(built, path, durable=False)
        for chunk in chunks(readings(built.garden, NOW - timedelta(hours=25), NOW), 5000):
            store.journal.commit(Commit(NOW, readings=chunk))
        store.journal.summarise(NOW)
        store.backup(Path(directory) / "copy.sqlite3")
        store.close()
        return (Path(directory) / "copy.sqlite3").read_bytes()


@contextmanager
def homestead(directory: Path, page: dict[str, Any] | None = None, language: str = "en") -> Iterator[Homestead]:
    """A garden since yesterday's noon, with one Severe concern."""
    built, path = understood(page or LOCAL, language=language), directory / "garden.sqlite3"
    path.write_bytes(_measured())
    store = opened(built, path, durable=False)
    loop, house = furnished(built, store, path)
    app, (garden_page,) = application(house)
    try:
        yield Homestead(store, loop, house, app, garden_page)
    finally:
        store.close()


@contextmanager
def neighbours(directory: Path, page: dict[str, Any]) -> Iterator[tuple[Homestead, Homestead]]:
    """Two gardens in one store and on one page, of the same enclosures: Larkfield, with a concern about Birch, and a school,
    with one more."""
    path = directory / "gardens.sqlite3"
    path.write_bytes(_measured())
    one, other = understood(page), understood(page, "school")
    store = opened(one, path, durable=False)
    kept = (store, Kept(store.store, _build.share(other, store.store)))
    made = [furnished(built, its, path, f"/garden/{built.name}") for built, its in zip((one, other), kept, strict=True)]
    kept[1].journal.commit(Commit(NOW, concerns=[hot("alder", site="school")]))
    app, offices = application(*(house for _, house in made), unwatched=[Unwatched("orchard", 3)])
    first, second = (
        Homestead(its, loop, house, app, garden_page)
        for its, (loop, house), garden_page in zip(kept, made, offices, strict=True)
    )
    try:
        yield first, second
    finally:
        store.close()


def understood(page: dict[str, Any], name: str = "larkfield", language: str = "en") -> _house.OneGarden:
    """The garden of the demonstration, under another name where one is given."""
    chosen = scenario.configuration("larkfield")
    chosen = chosen.model_copy(update={"keeper": chosen.keeper.model_copy(update={"language": language})})
    site = chosen.site.model_copy(update={} if name == "larkfield" else {"name": name, "title": f"The {name} garden"})
    chosen = chosen.model_copy(update={"page": chosen.page.model_copy(update=page), "site": site})
    return _house.understood(chosen, scenario.HERE / "larkfield.toml")


def furnished(built: _house.OneGarden, store: Kept, path: Path, root: str = "") -> tuple[Loop, PageNeeds]:
    """What stands for a garden's loop, and what the page needs of it."""
    store.journal.commit(Commit(NOW, concerns=[hot(site=built.name)], messages=[letter(site=built.name)]))
    loop = Loop(store, built.garden)
    house = PageNeeds(
        settings=built.settings,
        garden=built.garden,
        texts=built.texts,
        store=path,
        now=lambda: loop.now,
        known_at=lambda: loop.now,
        connected=lambda: loop.connected,
        put=loop.put,
        root=root,
    )
    return loop, house


def chunks(items: Iterator[Reading], size: int) -> Iterator[list[Reading]]:
    """So many at a time."""
    chunk: list[Reading] = []
    for item in items:
        chunk.append(item)
        if len(chunk) == size:
            yield chunk
            chunk = []
    if chunk:
        yield chunk


def token_of(html: str) -> str:
    """The token that the forms of a page carry."""
    found = re.search(r'name="token" value="([0-9a-f]{40})"', html)
    assert found is not None, html[:400]
    return found[1]


def once_of(html: str) -> str:
    """The number of a form."""
    found = re.search(r'name="once" value="([^"]+)"', html)
    assert found is not None
    return found[1]


def log_in(client: TestClient, secret: str = PASSWORD, name: str = "", root: str = "") -> Any:
    """Go in by the password."""
    form = client.get(f"{root}/login")
    return client.post(
        f"{root}/login", data={"token": token_of(form.text), "password": secret, "name": name}, headers=ORIGIN
    )  # fmt: skip
