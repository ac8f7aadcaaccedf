"""`sensord check`: is everything as it should be? It tries broker, store and push for real and says what it found."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from sensord.commands._finding import Finding
from sensord.commands._house import DEFAULT_CONFIG, ConfigOption, JsonOption, SecretsOption, SiteOption
from sensord.language.terminal import say
from sensord.model import Route

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from pydantic import SecretStr

    from sensord.commands._house import OneGarden
    from sensord.config import Found

LONGEST_WAIT_S = 3600.0


def command(
    config: ConfigOption = DEFAULT_CONFIG,
    secrets: SecretsOption = None,
    site: SiteOption = "",
    offline: Annotated[bool, typer.Option("--offline", help=say("commands.check.option.offline"))] = False,
    no_push: Annotated[bool, typer.Option("--no-push", help=say("commands.check.option.no_push"))] = False,
    wait: Annotated[float, typer.Option(min=0, max=LONGEST_WAIT_S, help=say("commands.check.option.wait"))] = 5.0,
    json: JsonOption = False,
) -> None:
    """Check the configuration, then try the broker, the store and the push, and say in plain words what is wrong.

    Ends with 1 where something is wrong, with 2 where the configuration of a garden is. What --offline only notes is wrong
    without it.
    """
    import json as encoder

    from sensord.commands import _house

    house = _house.house(config, secrets, tries_push=True)
    asked = _house.chosen(house.found, site).name if site else ""
    gardens = [garden for garden in house.gardens if asked in ("", garden.name)]
    unsound = [garden for garden in house.unsound if asked in ("", garden.name)]
    findings: list[Finding] = []
    for built in gardens:
        of_one = [*_configured(built, offline), *([] if offline else _tried(built, config, wait, no_push))]
        findings += [found._replace(site=built.name if house.is_shared else "") for found in of_one]
    findings += [Finding("configuration", False, line) for garden in unsound for line in garden.mistakes]
    if not (offline or no_push or asked or house.found.push is None):
        findings += _house_push(house.found)
    bad = [f for f in findings if f.fine is False]
    if json:
        typer.echo(encoder.dumps([{"part": f.name, "fine": f.fine, "found": f.text} for f in findings]))
    else:
        for found in findings:
            key = "note" if found.fine is None else "fine" if found.fine else "wrong"
            typer.echo(say(f"check.line.{key}", part=found.name, found=found.text))
    raise typer.Exit(2 if unsound else 1 if bad else 0)


def _configured(built: OneGarden, offline: bool) -> list[Finding]:
    """What a garden's configuration says, and what it leaves out."""
    from sensord.commands import _shipping

    enclosures = say("check.enclosures", count=len(built.garden.enclosures))
    probes = say("check.probes", count=len(built.garden.probes))
    read = say("check.configuration", file=str(built.file), enclosures=enclosures, probes=probes)
    return [
        Finding("configuration", True, read),
        _shipping.expected(built),
        *_missing(built, offline),
        *_parts(built),
    ]


def _tried(built: OneGarden, config: Path, wait: float, no_push: bool) -> list[Finding]:
    """What is found by trying it."""
    from sensord.commands import _build, _shipping

    path = _build.store_path(built.settings.store, config)
    return [
        *_clock(built),
        *_store(built, path),
        *_broker(built, wait),
        *([] if no_push else _push(built)),
        *_shipping.shipping(built, path),
    ]


def _missing(built: OneGarden, offline: bool) -> list[Finding]:
    """What a configuration may leave out, and then does not get. A garden that is only being set up may do so for now."""
    from sensord.model import AMBIENT, Quantity

    fine = None if offline else False
    found: list[Finding] = []
    if not built.garden.probes_at(AMBIENT, Quantity.TEMPERATURE):
        found.append(Finding("ambient", fine, say("check.no_ambient", place=AMBIENT)))
    if offline and not built.settings.push.phone:
        found.append(Finding("push", fine, say("check.no_push_but_log")))
    return found


def _parts(built: OneGarden) -> list[Finding]:
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
        Finding(part, False, say("check.not_installed", what=", ".join(missing), extra=extra))
        for part, is_on, extra, modules in wanted
        if is_on and (missing := [name for name in modules if not is_there(name)])
    ]


def _clock(built: OneGarden) -> list[Finding]:
    from datetime import UTC, datetime

    from sensord.commands._build import RELEASED
    from sensord.commands._house import local_text

    now = datetime.now(UTC)
    shown = say("check.clock", at=local_text(built, now), zone=built.settings.site.time_zone)
    if now < RELEASED:
        return [Finding("clock", False, say("check.clock_early", shown=shown))]
    return [Finding("clock", True, shown)]


def _store(built: OneGarden, path: Path) -> list[Finding]:
    """Open and write a trial database beside the store; look at the disk, and at what the store last heard."""
    import shutil
    from datetime import UTC, datetime
    from tempfile import TemporaryDirectory

    from sensord.adapters.sqlite import SqliteStore
    from sensord.commands import _build
    from sensord.commands._kept import kept
    from sensord.ports import Commit, Transient

    found: list[Finding] = []
    try:
        free = shutil.disk_usage(path.parent).free
        enough = free > 200e6
        room = say("check.disk", size=f"{free / 1e6:.0f}", directory=str(path.parent), few=not enough)
        found.append(Finding("disk", enough, room))
        with TemporaryDirectory(dir=path.parent) as directory:
            trial = _build.open_store(built, Path(directory) / "trial.sqlite3")
            try:
                trial.of(built.garden.site).journal.commit(Commit(datetime.now(UTC), facts={"trial": "1"}))
            finally:
                trial.close()
    except (OSError, Transient, ValueError) as error:
        why = error.strerror if isinstance(error, OSError) and error.strerror else error
        return [*found, Finding("store", False, say("check.store_unwritable", file=str(path), why=str(why)))]
    if not path.exists():
        return [*found, Finding("store", True, say("check.store_not_yet", file=str(path)))]
    try:
        reader = SqliteStore.reader(path)
        try:
            return [*found, *kept(built, path, reader.of(built.garden.site.name))]
        finally:
            reader.close()
    except (OSError, Transient, ValueError) as error:
        return [*found, Finding("store", False, say("check.store_unreadable", file=str(path), why=str(error)))]


def _broker(built: OneGarden, wait: float) -> list[Finding]:
    """Connect as a visitor (its own client id, no session), listen for a while, and say which probes were heard."""
    from sensord.adapters.broker import listen
    from sensord.commands import _build
    from sensord.intake.payload import Decoder

    settings = _build.broker(built)
    where = f"{settings.host}:{settings.port}"
    try:
        arrivals = listen(settings, wait)
    except (OSError, ValueError) as error:
        return [Finding("broker", False, say("check.failed", where=where, why=str(error)))]
    decoder = Decoder(built.settings.recipes)
    heard: set[str] = set()
    refused: dict[str, str] = {}
    for arrival in arrivals:
        decoded = decoder.decode(arrival)
        heard |= {r.probe for r in decoded.readings}
        refused |= {r.topic: r.reason for r in decoded.refusals if r.topic != built.settings.broker.entry_topic}
    probes = ", ".join(sorted(heard)) or say("check.no_probe")
    connected = say("check.connected", where=where, count=len(arrivals), seconds=f"{wait:g}", probes=probes)
    found = [Finding("broker", True, connected)]
    for topic, reason in sorted(refused.items()):
        found.append(Finding("payload", False, say("check.failed", where=topic, why=reason)))
    return found


def _push(built: OneGarden) -> list[Finding]:
    """Send one message on each route that is configured."""
    push = built.settings.push
    if not push.phone:
        return [Finding("push", False, say("check.no_push"))]
    site = built.garden.site
    return [
        _trial(route, urls, push.timeout_s, site.name, site.title, built.texts.say)
        for route, urls in ((Route.PHONE, push.phone), (Route.STAND_IN, push.stand_in))
        if urls
    ]


def _house_push(found: Found) -> list[Finding]:
    """The phone of whoever keeps the machine."""
    push = found.push
    if push is None or not push.phone:
        return [Finding("push_by", None, say("check.no_house_push"), "house")]
    return [_trial("house", push.phone, push.timeout_s, "house", str(found.file), say)]


def _trial(
    route: str, urls: Sequence[SecretStr], timeout_s: float, site: str, place: str, told: Callable[..., str]
) -> Finding:
    """Send one message, in words as `told` says them."""
    from datetime import UTC, datetime

    from sensord.adapters.push import AppriseChannel
    from sensord.model import Certainty, Message, Severity, Urgency
    from sensord.ports import Transient

    now, text = datetime.now(UTC), told("check.trial.text", site=place)
    message = Message(
        f"check/{now.isoformat()}", site, now, "check", "", Severity.MINOR, Urgency.EXPECTED,
        Certainty.OBSERVED, told("check.trial.title"), text, "", (), None,
    )  # fmt: skip
    try:
        AppriseChannel(urls, timeout_s, name=route).send(message)
    except (Transient, ValueError) as error:
        return Finding("push_by", False, str(error), route)
    return Finding("push_by", True, say("check.trial.taken"), route)
