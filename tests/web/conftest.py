"""The page over a garden, once without and once with a password."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from tests.web.homestead import GUARDED, LOCAL, Homestead, homestead


@pytest.fixture
def local(tmp_path: Path) -> Iterator[Homestead]:
    """On this computer alone: no password."""
    with homestead(tmp_path, LOCAL) as found, found.client():
        yield found


@pytest.fixture
def guarded(tmp_path: Path) -> Iterator[Homestead]:
    """On the network: a password, a token, a secret."""
    with homestead(tmp_path, GUARDED) as found, found.client():
        yield found


@pytest.fixture
def keeper(local: Homestead) -> Any:
    """The keeper's browser."""
    client: TestClient = local.client()
    client.get("/")
    return client
