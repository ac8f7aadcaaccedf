"""Real time-series servers, one of each kind for a run of tests."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import count

import pytest

from tests.adapters.influx_servers import Front, Influxd, Victoria

_NUMBERS = count()


@pytest.fixture(scope="session")
def influxd(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Influxd]:
    """InfluxDB 1.6."""
    with Influxd(tmp_path_factory.mktemp("influxd")) as server:
        yield server


@pytest.fixture(scope="session")
def victoria(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Victoria]:
    """VictoriaMetrics."""
    with Victoria(tmp_path_factory.mktemp("victoria")) as server:
        yield server


@pytest.fixture
def front(influxd: Influxd) -> Iterator[Front]:
    """InfluxDB 1.6, written to as if it were 2, and made to misbehave on demand."""
    with Front(influxd.port) as front:
        yield front


@pytest.fixture
def database(influxd: Influxd) -> Iterator[str]:
    """A new database."""
    name = influxd.make(f"garden {next(_NUMBERS)}")
    yield name
    influxd.query(f'DROP DATABASE "{name}"')
