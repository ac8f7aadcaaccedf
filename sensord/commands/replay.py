"""`sensord replay FEED`: a recorded feed through the same code as live, at full speed, without a broker."""

from __future__ import annotations

import gc
import sys
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from sensord.commands._house import ConfigOption, JsonOption, SecretsOption, SiteOption
from sensord.language.terminal import say

if TYPE_CHECKING:
    from sensord.adapters.clock import SteppedClock
    from sensord.adapters.feed import FeedInbox
    from sensord.loop import Loop

END = timedelta(milliseconds=1)
"""A replay ends just after the last receipt."""


TOGETHER = 1000
"""Commits that become one of the database's: a replay can be repeated, and nobody else looks at its store meanwhile."""
RARELY = (20_000, 20, 50)
"""How often garbage is looked for: a replay makes a great many small things, and hardly any that hold each other."""


def command(
    feed: Annotated[Path, typer.Argument(help=say("commands.replay.option.feed"))],
    config: ConfigOption,
    secrets: SecretsOption = None,
    site: SiteOption = "",
    messages: Annotated[Path | None, typer.Option(help=say("commands.replay.option.messages"))] = None,
    store: Annotated[Path | None, typer.Option(help=say("commands.replay.option.store"))] = None,
    json: JsonOption = False,
) -> None:
    """Run a recorded feed through the rules; the same feed and configuration give the same messages, byte for byte."""
    from contextlib import ExitStack
    from tempfile import TemporaryDirectory

    from sensord.adapters.clock import SteppedClock
    from sensord.adapters.feed import FeedError, FeedInbox, last_instant
    from sensord.adapters.push import JsonLinesChannel
    from sensord.adapters.sender import InlineSender
    from sensord.commands import _build, _house, _outputs
    from sensord.config import Mistakes
    from sensord.model import EPOCH, Route

    built = _house.garden_in(config, secrets, site)
    if store is not None and store.exists():
        raise Mistakes([say("commands.replay.there", file=str(store))])
    if messages is not None and _outputs.is_one_of(messages, (feed, config, built.file)):
        raise Mistakes([say("commands.replay.itself", file=str(messages))])
    configured = _build.store_path(built.settings.store, config)
    if messages is not None and _outputs.is_one_of(messages, _outputs.of_stores(configured, store)):
        raise Mistakes([say("commands.replay.of_store", file=str(messages))])
    with ExitStack() as stack:
        stack.push(lambda kind, *_: _remove(store) if kind is not None else None)
        try:
            path = store or Path(stack.enter_context(TemporaryDirectory(prefix="sensord-replay-"))) / "replay.sqlite3"
            end = last_instant(feed)
            if end is None:
                raise FeedError(say("commands.replay.empty", file=str(feed)))
            clock = SteppedClock(EPOCH)
            inbox = FeedInbox(feed, clock)
            stack.callback(inbox.close)
            try:
                kept = _build.open_store(built, path, durable=False, together=TOGETHER)
            except ValueError as wrong:
                raise Mistakes(str(wrong).splitlines()) from None
            stack.callback(kept.close)
            share = _build.share(built, kept)
            channel = stack.enter_context(JsonLinesChannel(messages or Path("/dev/null")))
            sender = InlineSender(dict.fromkeys(Route, channel))
            loop = _build.loop(built, clock, inbox, share, sender, sums_up_late=True)
            gc.set_threshold(*RARELY)
            _go(loop, inbox, clock, end, quiet=json, sums_up=store is not None)
        except (FeedError, OSError) as error:
            if isinstance(error, OSError) and error.filename and error.strerror:
                error = FeedError(f"{error.filename}: {error.strerror}")
            raise Mistakes(str(error).splitlines()) from None
        counts, heartbeat = loop.counts, loop.heartbeat
    if json:
        import json as encoder

        typer.echo(encoder.dumps({**counts._asdict(), "heartbeat": heartbeat.isoformat()}))
    else:
        typer.echo(
            say(
                "commands.replay.told",
                arrivals=counts.arrivals,
                readings=counts.readings,
                repeated=counts.duplicates,
                refused=counts.refused,
                turns=counts.turns,
                messages=counts.messages,
            )
        )


def _remove(store: Path | None) -> None:
    """Half of a store is none: the next replay starts from nothing."""
    from sensord.commands._outputs import of_store

    for file in of_store(store) if store is not None else ():
        if file.exists():  # not even its directory may be there
            file.unlink()


def _go(loop: Loop, inbox: FeedInbox, clock: SteppedClock, end: datetime, quiet: bool, sums_up: bool) -> None:
    """Run to the end of the feed, showing how far it is where somebody looks.

    The feed says itself where it ends: what its last line says is wrong where it goes back, and too early where several
    messages of a topic have one time.
    """

    def is_over() -> bool:
        if inbox.exhausted:
            clock.advance_to(clock.now() + END)
        return inbox.exhausted

    if quiet or not sys.stderr.isatty():
        loop.run(stopped=is_over, sums_up=sums_up)
        return
    from rich.console import Console
    from rich.progress import Progress

    start = clock.now()
    with Progress(console=Console(stderr=True), transient=True) as progress:
        task = progress.add_task("replaying", total=(end - start).total_seconds())

        def stopped() -> bool:
            progress.update(task, completed=(clock.now() - start).total_seconds())
            return is_over()

        loop.run(stopped=stopped, sums_up=sums_up)
