"""`sensord backup`: a copy of the store, whole and checked, taken while the daemon goes on."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from sensord.commands._house import DEFAULT_CONFIG, ConfigOption, JsonOption, SecretsOption


def command(
    to: Annotated[Path, typer.Option("--to", help="The file to make, or a directory to make a dated one in.")],
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
        raise Mistakes([f"{to}: is there already; name another file, a backup is never written over"])
    if not to.absolute().parent.is_dir():
        raise Mistakes([f"{to}: the directory {to.absolute().parent} is not there; is the disk mounted?"])
    trouble = copy(store, to)
    size = to.stat().st_size if trouble is None else 0
    if json:
        typer.echo(encoder.dumps({"store": str(store), "to": str(to), "bytes": size, "trouble": trouble}))
    else:
        typer.echo(trouble or f"{to}: {size / 1e6:.1f} MB, whole", err=trouble is not None)
    raise typer.Exit(1 if trouble else 0)


def copy(store: Path, to: Path) -> str | None:
    """Make `to` a copy of the store at one instant, readable by its owner alone; or leave nothing there and say why."""
    import sqlite3

    from sensord.config import Mistakes
    from sensord.edges.sqlite import SqliteStore
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
        return f"{to}: not made: {trouble}"
    except (ValueError, sqlite3.DatabaseError) as trouble:
        return (
            f"{store}: is damaged ({trouble}); no copy was made. `sensord restore` an earlier one, and suspect the card"
        )
    finally:
        reader.close()
        to.with_name(to.name + ".part").unlink(missing_ok=True)
    return None
