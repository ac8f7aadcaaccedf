"""What a watch of the demonstration garden is made of."""

from __future__ import annotations

import pytest

from sensord.commands import _build, _house
from sensord.engine.state import Given
from simulators import scenario


@pytest.fixture(scope="module")
def given() -> Given:
    """The demonstration garden."""
    return _build.given(_house.understood(scenario.configuration("larkfield"), scenario.HERE / "larkfield.toml"))
