"""The composition root: from a configuration to a daemon. The only place that knows the real edges."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from sensord import model
from sensord.commands._house import OneGarden
from sensord.config import StoreSettings
from sensord.engine.asking import plan_of
from sensord.engine.state import Given
from sensord.garden import Garden
from sensord.intake.reception import Reception
from sensord.loop import Loop, Reviewer
from sensord.ports import Clock, Inbox, Place, Places, Sender, Share, Shipping, Store
from sensord.rules import Per

if TYPE_CHECKING:
    from sensord.adapters import mqtt
    from sensord.adapters.influx import Shipper
    from sensord.adapters.receipts import WaitingClock
    from sensord.adapters.sqlite import SqliteStore

RELEASED = datetime(2026, 11, 25, tzinfo=UTC)
"""A clock that shows an earlier time is certainly not set."""


def given(built: OneGarden) -> Given:
    """What does not change while the engine of this configuration runs."""
    chosen = built.settings
    return Given(
        garden=built.garden,
        plan=plan_of(built.garden),
        keeper=chosen.keeper,
        review=chosen.review,
        texts=built.texts,
        zone=chosen.zone,
        has_stand_in=bool(chosen.push.stand_in),
        raw_kept=timedelta(days=chosen.influx.raw_days_kept) if chosen.influx.url else None,
    )


def loop(
    built: OneGarden,
    clock: Clock,
    inbox: Inbox,
    store: Share,
    sender: Sender,
    connected: Callable[[], tuple[bool, datetime | None]] = lambda: (True, None),
    facts: Callable[[], dict[str, str]] = dict,
    on_step: Callable[[], None] = lambda: None,
    shipping: Shipping | None = None,
    sums_up_late: bool = False,
) -> Loop:
    """The loop of this configuration over these edges."""
    return Loop(
        given(built),
        reception(built),
        clock,
        inbox,
        store,
        sender,
        reviewer(built, store),
        connected,
        facts,
        on_step,
        shipping,
        sums_up_late,
    )


def reception(built: OneGarden) -> Reception:
    """What understands the messages of this configuration."""
    return Reception(built.garden, built.settings.recipes, built.settings.broker.entry_topic)


def reviewer(built: OneGarden, store: Share) -> Reviewer:
    """What makes the sentences of a week's review out of this store."""

    def look_back(week: str, at: datetime) -> tuple[str, ...]:
        from sensord.language import Measure
        from sensord.review import lookback, weeks
        from sensord.review.words import sentences

        chosen = built.settings
        since = lookback.season_start(built.garden, chosen.review.season_start, at.astimezone(chosen.zone).date())
        review = lookback.look_back(store, built.garden, weeks.week(week, chosen.zone), since, at)
        return tuple(sentences(review, Measure(built.texts, chosen.keeper.units, chosen.zone)))

    return look_back


def places(garden: Garden) -> Places:
    """The enclosures as the store tallies them: by which probes, and for which species from when on."""

    def of(said: Sequence[model.Entry]) -> list[Place]:
        told = garden.told(said)
        return [
            Place(e.name, probes, era.lower_c, era.upper_c, era.species, era.since)
            for e in garden.enclosures
            for probes in (tuple(p.name for p in garden.probes_at(e.name, model.Quantity.TEMPERATURE)),)
            for era in told.eras(e.name)
        ]

    return of


def open_store(built: OneGarden, path: Path, durable: bool = True, together: int = 1) -> SqliteStore:
    """The SQLite store of this configuration; a replay, which can be repeated, need not wait for the disk."""
    from sensord.adapters.sqlite import SqliteStore
    from sensord.adapters.sqlite_journal import KeptBounds

    bounds = KeptBounds(refusals=built.settings.store.refusals_kept)
    ships_to = built.settings.influx.destination if durable else ""
    return SqliteStore(path, durable=durable, together=together, bounds=bounds, ships_to=ships_to)


def share(built: OneGarden, store: Store) -> Share:
    """The garden's share of the store."""
    return store.of(built.garden.site, places(built.garden))


def enclosures_of(gardens: Sequence[OneGarden]) -> set[tuple[str, str]]:
    """Every enclosure, by its site and its name."""
    return {(built.name, e.name) for built in gardens for e in built.garden.enclosures}


def per_of(gardens: Sequence[OneGarden]) -> dict[str, Per]:
    """What each rule of any garden is asked about."""
    return {name: rule.per for built in gardens for name, rule in built.garden.rules.items()}


def shipper(gardens: Sequence[OneGarden], path: Path, store: SqliteStore, wake: Callable[[], object]) -> Shipper | None:
    """What ships everything of all gardens to the InfluxDB of this configuration; None where there is none."""
    influx = gardens[0].settings.influx
    if not influx.url:
        return None
    from sensord.adapters.influx import Shipper
    from sensord.adapters.influx_writer import InfluxWriter
    from sensord.adapters.sqlite_unshipped import SqliteTail

    tail = partial(SqliteTail.open, path)
    return Shipper(tail, store, InfluxWriter(influx), enclosures_of(gardens), per_of(gardens), wake, influx.every_s)


def store_path(store: StoreSettings, config: Path) -> Path:
    """Where the store is: relative to the state directory that the service manager names, else to the configuration."""
    import os

    path = Path(store.path)
    base = os.environ.get("STATE_DIRECTORY", "").split(":")[0]
    return path if path.is_absolute() else (Path(base) if base else config.parent) / path


def topics(built: OneGarden) -> tuple[str, ...]:
    """What to subscribe to."""
    return tuple(dict.fromkeys([*(r.topic for r in built.settings.recipes), built.settings.broker.entry_topic]))


def last_receipt(built: OneGarden, store: Share) -> datetime | None:
    """When the newest stored reading was received: certainly past, whatever the clock shows."""
    newest = (store.readings.latest(p.name, q) for p in built.garden.probes for q in p.quantities)
    return max((r.received_at for r in newest if r is not None), default=None)


def inbox(built: OneGarden, clock: WaitingClock, store: Share) -> mqtt.MqttInbox:
    """The live inbox of this configuration."""
    import json

    from sensord.adapters import mqtt

    known = store.facts.recall(mqtt.SUBSCRIBED)
    subscribed = None if known is None else json.loads(known)
    return mqtt.MqttInbox(broker(built), built.garden.site.name, clock, last_receipt(built, store), subscribed)


def broker(built: OneGarden) -> mqtt.BrokerAccess:
    """The broker's settings in the words of the edge."""
    from sensord.adapters import mqtt

    b = built.settings.broker
    return mqtt.BrokerAccess(
        host=b.host,
        port=b.port,
        client_id=b.client_id or f"sensord-{built.garden.site.name}",
        user=b.user,
        password=b.password.get_secret_value(),
        tls=b.tls,
        ca_file=b.ca_file,
        certificate_file=b.certificate_file,
        key_file=b.key_file,
        protocol=b.protocol,
        session_expiry_s=int(b.session_expiry_h * 3600),
        keepalive_s=b.keepalive_s,
        topics=topics(built),
    )
