"""`sensord answer`: what stands, and what the keeper says of it or did. It goes by the broker, like everything else."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from sensord.commands._house import DEFAULT_CONFIG, ConfigOption, JsonOption, SecretsOption, SiteOption
from sensord.model import Source, What

if TYPE_CHECKING:
    from sensord.commands._house import OneGarden


def command(
    what: Annotated[What | None, typer.Argument(help="What to say; leave out to see what stands.")] = None,
    subject: Annotated[str, typer.Argument(help="A concern (seen, done, not now), an enclosure or a cohort.")] = "",
    amount: Annotated[float | None, typer.Argument(help="Kilograms of ballast, or animals counted.")] = None,
    text: Annotated[str, typer.Option(help="A note, a stage, or the enclosure moved to.")] = "",
    at: Annotated[str, typer.Option(help="When it was done (RFC 3339), if not now.")] = "",
    by: Annotated[str, typer.Option(help="Who says so.")] = "",
    config: ConfigOption = DEFAULT_CONFIG,
    secrets: SecretsOption = None,
    site: SiteOption = "",
    json: JsonOption = False,
) -> None:
    """Say what you did, e.g. `sensord answer shaded birch` or `sensord answer anchored birch 6`."""
    import json as encoder
    from datetime import UTC, datetime

    from sensord import entries
    from sensord.commands import _build, _house
    from sensord.config import Mistakes
    from sensord.edges.broker import publish
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
        raise Mistakes([f"not said: the broker did not take it: {error}"]) from None
    typer.echo(
        payload.decode()
        if json
        else f"Said: {entry.what} {entry.subject}{_amount(entry.amount)}. The daemon has it when it is up."
    )


def _amount(amount: float | None) -> str:
    return "" if amount is None else f" {amount:g}"


def _show(built: OneGarden, config: Path, json: bool) -> None:
    """What stands, newest first: what the phone was told of it last, and the words to answer it."""
    import json as encoder
    from datetime import UTC, datetime, timedelta

    from sensord.actions import keeps_in
    from sensord.commands import _build
    from sensord.config import Mistakes
    from sensord.edges.sqlite import SqliteStore
    from sensord.judge import heard
    from sensord.model import EPOCH, Standing, State
    from sensord.ports import Transient

    site, zone, now = built.garden.site.name, built.settings.zone, datetime.now(UTC)
    try:
        reader = SqliteStore.reader(_build.store_path(built.settings.store, config))
        store = reader.of(site)
        entries = store.entries.between(EPOCH, now + timedelta(days=1))
        # with what was said since a rule was asked last: it is asked again in up to a quarter of an hour
        standing = [heard(c, entries, now) for c in store.concerns.standing()]
        concerns = sorted(standing, key=lambda c: c.breached_since, reverse=True)
        messages = [p.message for p in store.outbox.between(now - timedelta(days=14), now)]
        reader.close()
    except Transient as trouble:
        raise Mistakes([f"what stands can't be read: {trouble}"]) from None
    rows = []
    for c in concerns:
        told = next((m for m in reversed(messages) if c.key in m.concerns), None)
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
            since = f"{c.breached_since.astimezone(zone):%a %d %b %H:%M}"
            how = "fine by now" if c.verdict.state is State.FINE else c.verdict.severity.word
            typer.echo(f"{c.key}  {how}, {c.standing.value} since {since}")
            for line in [told.title, *told.text.splitlines()] if told else ["not told yet"]:
                typer.echo(f"    {line}")
            if c.standing is Standing.ANSWERED:
                typer.echo(f"    you said: {c.answer}")
            else:
                typer.echo(f"    sensord answer {'seen' if keeps_in(action) else 'done'} {c.key}")
    if json:
        typer.echo(encoder.dumps(rows))
    elif not rows:
        typer.echo("Nothing stands.")
    if rows:
        raise typer.Exit(1)
