"""`sensord answer`: what stands, and what the keeper says of it or did. It goes by the broker, like everything else."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from sensord.commands._house import DEFAULT_CONFIG, ConfigOption, JsonOption, SecretsOption, SiteOption
from sensord.language.terminal import say
from sensord.model import Fate, Route, Source, What

if TYPE_CHECKING:
    from collections.abc import Sequence

    from sensord.commands._house import OneGarden
    from sensord.model import Concern, Entry, Message, Parcel


def command(
    what: Annotated[What | None, typer.Argument(help=say("commands.answer.option.what"))] = None,
    subject: Annotated[str, typer.Argument(help=say("commands.answer.option.subject"))] = "",
    amount: Annotated[float | None, typer.Argument(help=say("commands.answer.option.amount"))] = None,
    text: Annotated[str, typer.Option(help=say("commands.answer.option.text"))] = "",
    at: Annotated[str, typer.Option(help=say("commands.answer.option.at"))] = "",
    by: Annotated[str, typer.Option(help=say("commands.answer.option.by"))] = "",
    config: ConfigOption = DEFAULT_CONFIG,
    secrets: SecretsOption = None,
    site: SiteOption = "",
    json: JsonOption = False,
) -> None:
    """Say what you did, e.g. `sensord answer shaded birch` or `sensord answer anchored birch 6`."""
    import json as encoder
    from datetime import UTC, datetime

    from sensord.adapters.broker import publish
    from sensord.commands import _build, _house
    from sensord.config import Mistakes
    from sensord.intake import entries
    from sensord.language import Measure
    from sensord.model import Arrival, Refusal

    built = _house.garden_in(config, secrets, site)
    if what is None:
        _show(built, config, json)
        return
    spoken: dict[str, str | float] = {
        "what": what.value,
        "subject": subject,
        "at": at or datetime.now(UTC).isoformat(),
        "source": Source.COMMAND,
    }
    spoken |= {"amount": amount} if amount is not None else {}
    spoken |= {k: v for k, v in (("text", text), ("by", by)) if v}
    payload = encoder.dumps(spoken).encode()
    topic = built.settings.broker.entry_topic
    garden = built.garden
    entry = entries.decode(
        Arrival(datetime.now(UTC), topic, payload),
        garden.site.name,
        [e.name for e in garden.enclosures],
        [c.name for c in garden.cohorts],
        garden.rules.keys(),
    )
    if isinstance(entry, Refusal):
        raise Mistakes([entry.reason])
    try:
        publish(_build.broker(built), topic, payload)
    except (OSError, ValueError) as error:
        raise Mistakes([say("commands.answer.not_taken", why=str(error))]) from None
    typer.echo(
        payload.decode()
        if json
        else say(
            "commands.answer.said",
            what=say(f"terms.said.{entry.what}"),
            subject=entry.subject,
            amount=None if entry.amount is None else f"{entry.amount:g}",
        )
    )
    if not json and (together := _uncounted(built, config, entry)):
        measure = Measure(built.texts, built.settings.keeper.units, built.settings.zone)
        typer.echo(say("commands.answer.uncounted", cohorts=measure.listed(together)))


def _uncounted(built: OneGarden, config: Path, entry: Entry) -> tuple[str, ...]:
    """The cohorts whose counts are as they were, although a headcount was said; without a store, as configured."""
    from sensord.adapters.sqlite import SqliteStore
    from sensord.commands import _build
    from sensord.ledger import uncounted
    from sensord.model import EPOCH
    from sensord.ports import Transient

    said: Sequence[Entry] = ()
    try:
        reader = SqliteStore.reader(_build.store_path(built.settings.store, config))
        try:
            said = reader.of(built.name).entries.between(EPOCH, entry.received_at)
        finally:
            reader.close()
    except (Transient, ValueError):  # it was said all the same
        pass
    return uncounted(entry, built.garden.cohorts, said)


def _show(built: OneGarden, config: Path, json: bool) -> None:
    """What stands, newest first: what the phone was told of it last, and the words to answer it."""
    import json as encoder
    from datetime import UTC, datetime, timedelta

    from sensord.actions import keeps_in
    from sensord.adapters.sqlite import SqliteStore
    from sensord.commands import _build
    from sensord.concerns import heard
    from sensord.config import Mistakes
    from sensord.language import Measure
    from sensord.model import EPOCH, Standing, State
    from sensord.ports import Transient

    site, now = built.garden.site.name, datetime.now(UTC)
    measure = Measure(built.texts, built.settings.keeper.units, built.settings.zone)
    try:
        reader = SqliteStore.reader(_build.store_path(built.settings.store, config))
        store = reader.of(site)
        entries = store.entries.between(EPOCH, now + timedelta(days=1))
        # with what was said since a rule was asked last: it is asked again in up to a quarter of an hour
        standing = [heard(c, entries, now) for c in store.concerns.standing()]
        concerns = sorted(standing, key=lambda c: c.breached_since, reverse=True)
        opened_at = min((c.opened_at for c in standing if c.opened_at is not None), default=now)
        parcels = store.outbox.between(opened_at, now + timedelta(days=1))
        reader.close()
    except (Transient, ValueError) as trouble:  # the latter: there is no store yet, or it is none of ours
        raise Mistakes([say("commands.answer.unread", why=str(trouble))]) from None
    rows = []
    for c in concerns:
        told = _told(c, parcels)
        action = c.verdict.advice.action if c.verdict.advice else ""
        rows.append(
            {
                "concern": c.key,
                "standing": c.standing.value,
                "severity": c.verdict.severity.word,
                "since": c.breached_since.isoformat(),
                "advice": action,
                "title": told.title if told else "",
                "text": told.text if told else "",
            }
        )
        if not json:
            how = say(f"terms.severity.{c.verdict.severity.name.lower()}")
            if c.verdict.state is State.FINE:
                how = say("commands.answer.fine")
            stands = say(f"commands.answer.standing.{c.standing}")
            since = measure.moment(c.breached_since)
            typer.echo(say("commands.answer.line", concern=c.key, how=how, standing=stands, since=since))
            for line in [told.title, *told.text.splitlines()] if told else [say("commands.answer.not_told")]:
                typer.echo(f"    {line}")
            if c.standing is Standing.ANSWERED:
                typer.echo(f"    {say('commands.answer.you_said', what=say(f'terms.said.{c.answer}'))}")
            else:
                typer.echo(f"    sensord answer {'seen' if keeps_in(action) else 'done'} {c.key}")
    if json:
        typer.echo(encoder.dumps(rows))
    elif not rows:
        typer.echo(say("commands.answer.nothing"))
    if rows:
        raise typer.Exit(1)


def _told(concern: Concern, parcels: Sequence[Parcel]) -> Message | None:
    """What the keeper's phone got of a concern last, since it stands; None where it got nothing."""
    opened_at = concern.opened_at
    if opened_at is None:
        return None
    sent = (p.message for p in reversed(parcels) if p.state is Fate.SENT and p.message.route is Route.PHONE)
    return next((m for m in sent if concern.key in m.concerns and m.at >= opened_at), None)
