"""Where a command may write: never over the store or the configuration, nor two things into one file."""

from __future__ import annotations

from collections.abc import Iterable
from os.path import realpath
from pathlib import Path

from sensord.language.terminal import say

STORE_ENDS = ("", "-wal", "-shm", "-lock")
"""What SQLite and the lock put beside a store is part of it."""


def of_store(store: Path) -> list[Path]:
    """All files of a store, whether they are there at the moment or not."""
    return [Path(f"{store}{end}") for end in STORE_ENDS]


def of_stores(configured: Path, named: Path | None) -> list[Path]:
    """All files of the store that the configuration names, and of the one that an option names, if any."""
    return [*of_store(configured), *(of_store(named) if named is not None else ())]


def is_one_of(path: Path, others: Iterable[Path]) -> bool:
    """Whether a path leads to one of these files, also by another name."""
    return any(
        realpath(path) == realpath(other) or (path.exists() and other.exists() and path.samefile(other))
        for other in others
    )


def no_place(option: str, path: Path | None) -> str:
    """Why a file can't be made there, before anything long begins; "" if it can."""
    if path is not None and path.is_dir():
        return say("commands.file.directory", option=option, path=str(path))
    if path is not None and not path.absolute().parent.is_dir():
        return say("commands.file.no_directory", option=option, path=str(path))
    return ""
