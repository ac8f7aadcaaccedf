"""`sensord check`: is everything as it should be? It tries broker, store and push for real and says what it found."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from sensord.commands._house import DEFAULT_CONFIG, ConfigOption, JsonOption, SecretsOption, SiteOption
from sensord.model import Route

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pydantic import SecretStr

    from sensord.commands._house import OneGarden
    from sensord.config import Found
    from sensord.ports import Shelf

Finding = tuple[str, bool | None, str]
"""A part, whether it is fine (None: it works, but know this), and what was found."""
SORTS_SHOWN = 5
"""Sorts of refusals that are shown, the newest first."""
LONGEST_WAIT_S = 3600.0


def command(
    config: ConfigOption = DEFAULT_CONFIG,
    secrets: SecretsOption = None,
    site: SiteOption = "",
    offline: Annotated[
        bool, typer.Option("--offline", help="Only the configuration: try neither broker nor push.")
    ] = False,
    no_push: Annotated[
        bool, typer.Option("--no-push", help="Try everything but the push, which rings the phone.")
    ] = False,
    wait: Annotated[float, typer.Option(min=0, max=LONGEST_WAIT_S, help="How long to listen for readings [s].")] = 5.0,
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
        of_one = [*_configured(built, config, offline), *([] if offline else _tried(built, config, wait, no_push))]
        whose = f"{built.name}, " if house.is_shared else ""
        findings += [(f"{whose}{part}", fine, text) for part, fine, text in of_one]
    findings += [("configuration", False, line) for garden in unsound for line in garden.mistakes]
    if not (offline or no_push or asked or house.found.push is None):
        findings += _house_push(house.found)
    bad = [f for f in findings if f[1] is False]
    if json:
        typer.echo(encoder.dumps([{"part": p, "fine": ok, "found": text} for p, ok, text in findings]))
    else:
        for part, ok, text in findings:
            typer.echo(f"{'note ' if ok is None else 'fine ' if ok else 'WRONG'}  {part}: {text}")
    raise typer.Exit(2 if unsound else 1 if bad else 0)


def _configured(built: OneGarden, config: Path, offline: bool) -> list[Finding]:
    """What a garden's configuration says, and what it leaves out."""
    from sensord.commands import _house, _shipping

    found = _house.counted(len(built.garden.enclosures), "enclosure"), _house.counted(len(built.garden.probes), "probe")
    return [
        ("configuration", True, f"{config}: {', '.join(found)}"),
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
        found.append(
            (
                "ambient",
                fine,
                f'no probe measures the temperature at place = "{AMBIENT}": whether an enclosure is too warm for its kind, or '
                "a probe is in the sun, can't be judged; put one at a shaded post",
            )
        )
    if offline and not built.settings.push.phone:
        found.append(
            ("push", fine, "no [push] phone is configured: nobody would be told; messages go to the log alone")
        )
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
        (part, False, f"what makes it is not installed ({', '.join(missing)}): pip install 'sensord[{extra}]'")
        for part, is_on, extra, modules in wanted
        if is_on and (missing := [name for name in modules if not is_there(name)])
    ]


def _clock(built: OneGarden) -> list[Finding]:
    from datetime import UTC, datetime

    from sensord.commands._build import RELEASED
    from sensord.commands._house import local_text

    now = datetime.now(UTC)
    shown = f"{local_text(built, now)} in {built.settings.site.time_zone}"
    if now < RELEASED:
        return [("clock", False, f"shows {shown}, earlier than this release: set it, or wait for network time")]
    return [("clock", True, shown)]


def _store(built: OneGarden, path: Path) -> list[Finding]:
    """Open and write a trial database beside the store; look at the disk, and at what the store last heard."""
    import shutil
    from datetime import UTC, datetime
    from tempfile import TemporaryDirectory

    from sensord.commands import _build
    from sensord.edges.sqlite import SqliteStore
    from sensord.ports import Commit, Transient

    found: list[Finding] = []
    try:
        free = shutil.disk_usage(path.parent).free
        enough = free > 200e6
        found.append(("disk", enough, f"{free / 1e6:.0f} MB free at {path.parent}{'' if enough else ': make room'}"))
        with TemporaryDirectory(dir=path.parent) as directory:
            trial = _build.open_store(built, Path(directory) / "trial.sqlite3")
            try:
                trial.of(built.garden.site).journal.commit(Commit(datetime.now(UTC), facts={"trial": "1"}))
            finally:
                trial.close()
    except (OSError, Transient, ValueError) as error:
        why = error.strerror if isinstance(error, OSError) and error.strerror else error
        return [*found, ("store", False, f"{path}: nothing can be written beside it: {why}")]
    if not path.exists():
        return [*found, ("store", True, f"{path}: not there yet; `sensord run` makes it")]
    try:
        reader = SqliteStore.reader(path)
        try:
            return [*found, *_kept(built, path, reader.of(built.garden.site.name))]
        finally:
            reader.close()
    except (OSError, Transient, ValueError) as error:
        return [*found, ("store", False, f"{path}: can't be read: {error}")]


def _kept(built: OneGarden, path: Path, store: Shelf) -> list[Finding]:
    """What the store holds: how much, how new, what was refused and what waits."""
    from collections import Counter
    from datetime import UTC, datetime

    from sensord.commands import _house
    from sensord.recovery import last_heard

    counters = store.accounts.counters()
    found: list[Finding] = [
        ("store", True, f"{path}: {counters.get('readings', 0)} readings, {counters.get('refused', 0)} refused")
    ]
    now = datetime.now(UTC)
    for probe in built.garden.probes:
        heard = last_heard(store.readings, probe, now)
        if heard is None:
            found.append((f"probe {probe.name}", False, "never heard"))
            continue
        age = (now - heard).total_seconds()
        fine = age < 10 * probe.interval_s
        look = "" if fine else ": look at its power and network"
        found.append((f"probe {probe.name}", fine, f"last heard {age / 60:.0f} min ago{look}"))
    refusals = store.accounts.refusals(built.settings.store.refusals_kept)
    sorts = Counter((refusal.topic, refusal.reason) for refusal in refusals)
    newest = {(r.topic, r.reason): r.received_at for r in reversed(refusals)}
    ordered = sorted(sorts, key=newest.__getitem__, reverse=True)
    for topic, reason in ordered[:SORTS_SHOWN]:
        at, times = _house.local_text(built, newest[topic, reason]), sorts[topic, reason]
        often = f"at {at}" if times == 1 else f"{times} times, last at {at}"
        found.append(("refused", False, f"{topic}, {often}: {reason}"))
    if others := ordered[SORTS_SHOWN:]:
        left = sum(sorts[sort] for sort in others)
        found.append(("refused", False, f"{left} more, for {_house.counted(len(others), 'other reason')}"))
    waiting = [p for p in store.outbox.due() if p.attempts]
    if waiting:
        many = _house.counted(len(waiting), "message")
        found.append(("outbox", False, f"{many} waiting after failed attempts: {waiting[0].detail}"))
    return found


def _broker(built: OneGarden, wait: float) -> list[Finding]:
    """Connect as a visitor (its own client id, no session), listen for a while, and say which probes were heard."""
    from sensord.commands import _build, _house
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
    found: list[Finding] = [
        (
            "broker",
            True,
            f"{where}: connected; {_house.counted(len(arrivals), 'message')} in {wait:g} s, "
            f"heard {', '.join(sorted(heard)) or 'no probe'}",
        )
    ]
    found += [("payload", False, f"{topic}: {reason}") for topic, reason in sorted(refused.items())]
    return found


def _push(built: OneGarden) -> list[Finding]:
    """Send one message on each route that is configured."""
    push = built.settings.push
    if not push.phone:
        return [("push", False, "no [push] phone is configured: nobody would be told")]
    site = built.garden.site
    return [
        _trial(route, urls, push.timeout_s, site.name, site.title)
        for route, urls in ((Route.PHONE, push.phone), (Route.STAND_IN, push.stand_in))
        if urls
    ]


def _house_push(found: Found) -> list[Finding]:
    """The phone of whoever keeps the machine."""
    push = found.push
    if push is None or not push.phone:
        return [("push (house)", None, "no [push] phone of the house: only its own would be told of a wrong garden")]
    return [_trial("house", push.phone, push.timeout_s, "house", str(found.file))]


def _trial(route: str, urls: Sequence[SecretStr], timeout_s: float, site: str, place: str) -> Finding:
    """Send one message."""
    from datetime import UTC, datetime

    from sensord.edges.push import AppriseChannel
    from sensord.model import Certainty, Message, Severity, Urgency
    from sensord.ports import Transient

    now = datetime.now(UTC)
    message = Message(
        f"check/{now.isoformat()}", site, now, "check", "", Severity.MINOR, Urgency.EXPECTED,
        Certainty.OBSERVED, "sensord can reach you", f"A trial from {place}; nothing to do.", "", (), None,
    )  # fmt: skip
    try:
        AppriseChannel(urls, timeout_s, name=route).send(message)
    except (Transient, ValueError) as error:
        return (f"push ({route})", False, str(error))
    return (f"push ({route})", True, "a trial message was taken; is it on the phone?")
