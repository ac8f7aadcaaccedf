"""`sensord backup`: a copy of the store, whole and checked, taken while the daemon goes on."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from sensord.commands._house import DEFAULT_CONFIG, ConfigOption, JsonOption, SecretsOption
from sensord.language.terminal import say


def command(
    to: Annotated[Path, typer.Option("--to", help=say("commands.backup.option.to"))],
    config: ConfigOption = DEFAULT_CONFIG,
    secrets: SecretsOption = None,
    json: JsonOption = False,
) -> None:
    """Copy the store (readings, ledger, concerns, messages) into one file, while the daemon runs or not."""
    import json as encoder
    from datetime import UTC, datetime

    from sensord.commands import _build, _house
    from sensord.config import Mistakes

    house = _house.house(config, secrets)
    store = _build.store_path(house.found.store, config)
    if to.is_dir():
        what = "gardens" if house.is_shared else house.gardens[0].name
        to = to / f"sensord-{what}-{datetime.now(UTC):%Y%m%dT%H%M%SZ}.sqlite3"
    if to.exists():
        raise Mistakes([say("commands.backup.there", file=str(to))])
    if not to.absolute().parent.is_dir():
        raise Mistakes([say("commands.backup.no_directory", file=str(to), directory=str(to.absolute().parent))])
    trouble = copy(store, to)
    size = to.stat().st_size if trouble is None else 0
    if json:
        typer.echo(encoder.dumps({"store": str(store), "to": str(to), "bytes": size, "trouble": trouble}))
    else:
        typer.echo(
            trouble or say("commands.backup.whole", file=str(to), size=f"{size / 1000000.0:.1f}"),
            err=trouble is not None,
        )
    raise typer.Exit(1 if trouble else 0)


def copy(store: Path, to: Path) -> str | None:
    """Make `to` a copy of the store at one instant, readable by its owner alone; or leave nothing there and say why."""
    import sqlite3

    from sensord.adapters.sqlite import SqliteStore
    from sensord.config import Mistakes
    from sensord.ports import Transient

    try:
        reader = SqliteStore.reader(store)
    except ValueError as mistake:
        raise Mistakes([str(mistake)]) from None
    except Transient as trouble:
        return str(trouble)
    try:
        reader.backup(to)
        to.chmod(0o600)
    except (Transient, OSError) as trouble:
        return say("commands.backup.not_made", file=str(to), why=str(trouble))
    except (ValueError, sqlite3.DatabaseError) as trouble:
        return say("commands.backup.damaged", file=str(store), why=str(trouble))
    finally:
        reader.close()
        to.with_name(to.name + ".part").unlink(missing_ok=True)
    return None
