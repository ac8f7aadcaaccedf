"""`sensord replay FEED`: a recorded feed through the same code as live, at full speed, without a broker."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from sensord.commands._build import ConfigOption, JsonOption, SecretsOption


def command(
    feed: Annotated[Path, typer.Argument(help="The feed: JSON Lines with received_at, topic, payload.")],
    config: ConfigOption,
    secrets: SecretsOption = None,
    messages: Annotated[Path | None, typer.Option(help="Write one JSON object per message here.")] = None,
    store: Annotated[Path | None, typer.Option(help="Keep the store here; it must not exist yet.")] = None,
    json: JsonOption = False,
) -> None:
    """Run a recorded feed through the rules; the same feed and configuration give the same messages, byte for byte."""
    from contextlib import ExitStack
    from tempfile import TemporaryDirectory

    from sensord.commands import _build
    from sensord.daemon import Daemon
    from sensord.edges.clock import SteppedClock
    from sensord.edges.feed import FeedError, FeedInbox
    from sensord.edges.push import JsonLinesChannel
    from sensord.edges.sender import InlineSender
    from sensord.settings import Mistakes

    built = _build.house(config, secrets)
    if store is not None and store.exists():
        raise Mistakes([f"{store}: is there already; a replay starts from nothing, name another file"])
    with ExitStack() as stack:
        try:
            path = store or Path(stack.enter_context(TemporaryDirectory(prefix="sensord-replay-"))) / "replay.sqlite3"
            clock = SteppedClock(FeedInbox.first_receipt(feed))
            inbox = FeedInbox(feed, clock)
            kept = _build.open_store(built, path)
            stack.callback(kept.close)
            channel = stack.enter_context(JsonLinesChannel(messages or Path("/dev/null")))
            sender = InlineSender({"phone": channel, "stand-in": channel})
            daemon = Daemon(built.settings, built.garden, built.texts, clock, inbox, kept, sender)
            _go(daemon, inbox, quiet=json)
        except (FeedError, OSError) as error:
            raise Mistakes(str(error).splitlines()) from None
        counts = daemon.counts
    if json:
        import dataclasses
        import json as encoder

        typer.echo(encoder.dumps({**dataclasses.asdict(counts), "heartbeat": counts.heartbeat.isoformat()}))
    else:
        typer.echo(
            f"{counts.arrivals} arrivals, {counts.readings} readings, {counts.duplicates} repeated, "
            f"{counts.refused} refused, {counts.turns} turns, {counts.messages} messages"
        )


def _go(daemon: object, inbox: object, quiet: bool) -> None:
    """Run to the end of the feed, showing how far it is where somebody looks."""
    if quiet or not sys.stderr.isatty():
        daemon.run(until=inbox.end)  # type: ignore[attr-defined]
        return
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True) as progress:
        task = progress.add_task("replaying", total=1.0)

        def stopped() -> bool:
            progress.update(task, completed=inbox.share)  # type: ignore[attr-defined]
            return False

        daemon.run(until=inbox.end, stopped=stopped)  # type: ignore[attr-defined]
