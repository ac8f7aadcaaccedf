"""`sensord check`: is everything as it should be? It tries broker, store and push for real and says what it found."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from sensord.commands._build import DEFAULT_CONFIG, ConfigOption, JsonOption, SecretsOption


def command(
    config: ConfigOption = DEFAULT_CONFIG,
    secrets: SecretsOption = None,
    offline: Annotated[bool, typer.Option(help="Only the configuration: try neither broker nor push.")] = False,
    no_push: Annotated[bool, typer.Option(help="Try everything but the push, which rings the phone.")] = False,
    wait: Annotated[float, typer.Option(help="Seconds to listen for readings [s].")] = 5.0,
    json: JsonOption = False,
) -> None:
    """Check the configuration, then try the broker, the store and the push, and say in plain words what is wrong."""
    import json as encoder

    from sensord.commands import _build, _shipping

    built = _build.house(config, secrets, tries_push=True)
    findings = [
        (
            "configuration",
            True,
            f"{config}: {len(built.garden.enclosures)} enclosures, {len(built.garden.probes)} probes",
        ),
        _shipping.expected(built),
        *_parts(built),
    ]
    if not offline:
        findings += [*_clock(), *_store(built, config), *_broker(built, wait), *([] if no_push else _push(built))]
        findings += _shipping.shipping(built, _build.store_path(built, config))
    bad = [f for f in findings if not f[1]]
    if json:
        typer.echo(encoder.dumps([{"part": p, "fine": ok, "found": text} for p, ok, text in findings]))
    else:
        for part, ok, text in findings:
            typer.echo(f"{'fine ' if ok else 'WRONG'}  {part}: {text}")
    raise typer.Exit(1 if bad else 0)


def _parts(built: Any) -> list[tuple[str, bool, str]]:
    """What is switched on and not installed."""
    from importlib.util import find_spec

    def is_there(name: str) -> bool:
        try:
            return find_spec(name) is not None
        except ValueError:  # set aside on purpose: sys.modules has None for it
            return False

    wanted = [
        ("page", built.settings.page.enabled, "page", ("starlette", "uvicorn", "jinja2", "argon2")),
        ("review", bool(built.settings.review.at), "report", ("matplotlib",)),
    ]
    return [
        (part, False, f"what makes it is not installed ({', '.join(missing)}): pip install 'sensord[{extra}]'")
        for part, is_on, extra, modules in wanted
        if is_on and (missing := [name for name in modules if not is_there(name)])
    ]


def _clock() -> list[tuple[str, bool, str]]:
    from datetime import UTC, datetime

    from sensord.commands._build import RELEASED

    now = datetime.now(UTC)
    if now < RELEASED:
        return [
            (
                "clock",
                False,
                f"shows {now:%Y-%m-%d %H:%M} UTC, earlier than this release: set it, or wait for network time",
            )
        ]
    return [("clock", True, f"{now:%Y-%m-%d %H:%M} UTC")]


def _store(built: Any, config: Path) -> list[tuple[str, bool, str]]:
    """Open and write a trial database beside the store; look at the disk, and at what the store last heard."""
    import shutil
    from datetime import UTC, datetime
    from tempfile import TemporaryDirectory

    from sensord.commands import _build
    from sensord.edges.sqlite import SqliteStore

    path = _build.store_path(built, config)
    try:
        with TemporaryDirectory(dir=path.parent) as directory:
            trial = _build.open_store(built, Path(directory) / "trial.sqlite3")
            trial.remember("trial", "1")
            trial.close()
        free = shutil.disk_usage(path.parent).free
    except OSError as error:
        return [("store", False, f"{path}: can't be written: {error}")]
    found = [
        ("disk", free > 200e6, f"{free / 1e6:.0f} MB free at {path.parent}" + ("" if free > 200e6 else ": make room"))
    ]
    if not path.exists():
        return [*found, ("store", True, f"{path}: not there yet; `sensord run` makes it")]
    store = SqliteStore.reader(path)
    counters = store.counters()
    found.append(
        ("store", True, f"{path}: {counters.get('readings', 0)} readings, {counters.get('refused', 0)} refused")
    )
    now = datetime.now(UTC)
    for probe in built.garden.probes:
        newest = [r for q in probe.quantities if (r := store.latest(built.garden.site.name, probe.name, q))]
        if not newest:
            found.append((f"probe {probe.name}", False, "never heard"))
            continue
        age = (now - max(r.received_at for r in newest)).total_seconds()
        text = f"last heard {age / 60:.0f} min ago" + (
            "" if age < 10 * probe.interval_s else ": look at its power and network"
        )
        found.append((f"probe {probe.name}", age < 10 * probe.interval_s, text))
    for refusal in store.refusals(3):
        found.append(
            ("refused", False, f"{refusal.topic} at {refusal.received_at:%Y-%m-%d %H:%M} UTC: {refusal.reason}")
        )
    waiting = [p for p in store.outbox() if p.attempts]
    if waiting:
        found.append(("outbox", False, f"{len(waiting)} messages wait after failed attempts: {waiting[0].detail}"))
    store.close()
    return found


def _broker(built: Any, wait: float) -> list[tuple[str, bool, str]]:
    """Connect as a visitor (its own client id, no session), listen for a while, and say which probes were heard."""
    from sensord.commands import _build
    from sensord.edges.broker import listen
    from sensord.payload import Decoder

    settings = _build.broker(built)
    where = f"{settings.host}:{settings.port}"
    try:
        arrivals = listen(settings, wait)
    except (OSError, ValueError) as error:
        return [("broker", False, f"{where}: {error}")]
    decoder = Decoder(built.settings.recipes)
    heard: set[str] = set()
    refused: dict[str, str] = {}
    for arrival in arrivals:
        decoded = decoder.decode(arrival)
        heard |= {r.probe for r in decoded.readings}
        refused |= {r.topic: r.reason for r in decoded.refusals if r.topic != built.settings.broker.entry_topic}
    found = [
        (
            "broker",
            True,
            f"{where}: connected; {len(arrivals)} messages in {wait:g} s, heard {', '.join(sorted(heard)) or 'no probe'}",
        )
    ]
    found += [("payload", False, f"{topic}: {reason}") for topic, reason in sorted(refused.items())]
    return found


def _push(built: Any) -> list[tuple[str, bool, str]]:
    """Send one message on each route that is configured."""
    from datetime import UTC, datetime

    from sensord.edges.push import AppriseChannel
    from sensord.model import Certainty, Message, Severity, Urgency
    from sensord.ports import Transient

    push = built.settings.push
    if not push.phone:
        return [("push", False, "no [push] phone is configured: nobody would be told")]
    found = []
    for route, urls in (("phone", push.phone), ("stand-in", push.stand_in)):
        if not urls:
            continue
        now, place = datetime.now(UTC), built.garden.site.title
        message = Message(
            f"check/{now.isoformat()}", built.garden.site.name, now, "check", "", Severity.MINOR, Urgency.EXPECTED,
            Certainty.OBSERVED, "sensord can reach you", f"A trial from {place}; nothing to do.", "", (), None,
        )  # fmt: skip
        try:
            AppriseChannel(urls, push.timeout_s, name=route).send(message)
            found.append((f"push ({route})", True, "a trial message was taken; is it on the phone?"))
        except (Transient, ValueError) as error:
            found.append((f"push ({route})", False, str(error)))
    return found
