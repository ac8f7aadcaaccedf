"""A week looked back on from what was shipped: the same figures as from the store that shipped it, for each of many sites."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import time_machine
from typer.testing import CliRunner

from sensord.__main__ import app
from sensord.adapters.influx_reads import InfluxStore
from sensord.commands import _build
from sensord.config import InfluxSettings, Mistakes
from sensord.model import Entry, Gap, GapKind, Severity, Site, Standing, Telling, What
from sensord.ports import Commit, Sending
from sensord.review import lookback, weeks
from tests.adapters.influx_servers import Front, Influxd
from tests.adapters.shipped import PER
from tests.kept import opened, read
from tests.reviews import CONFIG, NOW, SECOND_WEEK, SITE, house, typical
from tests.store_promises import a_concern, a_message, a_verdict, reading

HOT = datetime(2026, 6, 10, 18, tzinfo=UTC)
HOUR = timedelta(hours=1)


@pytest.fixture(scope="module")
def shipped(influxd: Influxd, tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Path, InfluxSettings]]:
    """The typical garden's store with some matters in it, and the bucket where all of it was shipped, with another site."""
    path = tmp_path_factory.mktemp("review") / "typical.sqlite3"
    shutil.copy(typical(), path)
    with Front(influxd.port) as front:
        settings = InfluxSettings(url=front.url, bucket=influxd.make("review"))
        built = replace(house(), settings=house().settings.model_copy(update={"influx": settings}))
        with closing(opened(built, path)) as store:
            other = store.store.of(Site("larkfield", 41.5, -83.5, 190.0, "America/New_York"))
            other.journal.commit(Commit(HOT, [reading(HOT, 99.0, "birch-1")]))  # not to be seen in the typical garden
            other.journal.summarise(NOW)
            said = Entry(SITE, HOT + 0.5 * HOUR, HOT + 0.5 * HOUR, "birch", What.SHADED, None, "as told", "Kim", "page")
            aired = Entry(SITE, HOT + 1.5 * HOUR, HOT + 1.5 * HOUR, "overheating/birch", What.DONE)
            gap = Gap(SITE, GapKind.SILENCE, "birch-1", HOT + 20 * HOUR, HOT + 31 * HOUR)
            store.journal.commit(
                Commit(HOT, entries=[said, aired], gaps=[gap, Gap(SITE, GapKind.STOPPED, "", HOT, HOT + HOUR)])
            )
            numbers = {"shade_helped": "yes", "offset_before_k": 6.5, "offset_after_k": 2.25}
            over = a_concern(
                HOT, site=SITE, subject="birch", standing=Standing.OVER, over_at=HOT + 2 * HOUR, peak=Severity.SEVERE,
                verdict=a_verdict(HOT + HOUR, subject="birch", numbers=numbers), told_action="add airflow",
                told_at=HOT + HOUR, tellings=2, answered_at=aired.at, answer=What.DONE,
            )  # fmt: skip
            stands = a_concern(NOW - 12 * HOUR, site=SITE, rule="silent", subject="alder-1", tellings=1, peak=Severity.MODERATE,
                               told_action="check probe")  # fmt: skip
            told = a_message("m", HOT, site=SITE, concerns=("overheating/birch",), subject="birch")
            again = replace(told, key="n", at=HOT + HOUR, telling=Telling.AGAIN, action="add airflow")
            look = replace(told, key="o", at=NOW - 12 * HOUR, concerns=("silent/alder-1",), action="check probe")
            store.journal.commit(Commit(HOT, concerns=[over, stands], messages=[told, again, look]))
            for message in (told, again, look):
                store.journal.commit(Commit(message.at, sendings=[Sending(message.key, message.at)]))
            store.journal.summarise(NOW)
            shipper = _build.shipper([built], path, store, lambda: None)
            shipper._catch_up()
            shipper.settle(NOW)
            shipper._tail.close()
            shipper._writer.close()
            assert PER
        yield path, settings


@pytest.mark.parametrize("is_season", [False, True])
def test_the_same_review_from_both(shipped: tuple[Path, InfluxSettings], is_season: bool) -> None:
    """Every figure of the week and of the season is the same, what was advised, answered and missing too."""
    path, settings = shipped
    garden = house().garden
    zone = house().settings.zone
    span = weeks.week(SECOND_WEEK, zone)
    since = lookback.season_start(garden, None, span.last)
    if is_season:
        span = weeks.season(since, span.last, zone)
    found = []
    for records in (read(path, SITE), InfluxStore(settings)):
        with closing(records):
            found.append(lookback.look_back(records.of(SITE), garden, span, since, NOW))
    here, there = found
    assert there == here
    shaded, silent = here.matters
    assert (shaded.action, shaded.answer, shaded.helped, shaded.offset_after_k) == ("shade", "shaded", "yes", 2.25)
    assert (shaded.answered_after_min, shaded.over_after_min) == (30.0, 90.0)
    assert silent.rule == "silent"
    assert {m.kind for m in here.missing} == {"silence", "stopped"}
    assert here.cages[0].total.known_h > 160


def test_many_sites_in_one_bucket(shipped: tuple[Path, InfluxSettings]) -> None:
    """Which sites, probes and enclosures there are is asked of the bucket."""
    with closing(InfluxStore(shipped[1])) as store:
        assert store.sites() == ["larkfield", SITE]
        assert store.probes("larkfield") == ["birch-1"]
        assert set(store.probes(SITE)) > {"alder-1", "birch-1"}
        assert store.enclosures(SITE) == ["alder", "birch", "cedar"]
        assert store.sites() != store.probes("o'clock \\") == []


def test_the_command_on_a_laptop(shipped: tuple[Path, InfluxSettings], monkeypatch: pytest.MonkeyPatch) -> None:
    """`sensord review --shipped` needs the configuration and the server, no store; it says what is wrong."""
    path, settings = shipped
    with time_machine.travel(NOW, tick=False):
        arguments = ["review", "--config", str(CONFIG), "--week", SECOND_WEEK, "--json"]
        here = CliRunner().invoke(app, [*arguments, "--store", str(path)])
        with pytest.raises(Mistakes, match=r"influx\.url"):
            CliRunner().invoke(app, [*arguments, "--shipped"], catch_exceptions=False)
        monkeypatch.setenv("SENSORD_INFLUX__URL", settings.url)
        monkeypatch.setenv("SENSORD_INFLUX__DATABASE", settings.bucket)
        there = CliRunner().invoke(app, [*arguments, "--shipped"], catch_exceptions=False)
        assert there.exit_code == here.exit_code == 1
        assert json.loads(there.stdout) == json.loads(here.stdout)
        monkeypatch.setenv("SENSORD_INFLUX__URL", "http://127.0.0.1:9")
        with pytest.raises(Mistakes, match=r"127\.0\.0\.1:9"):
            CliRunner().invoke(app, [*arguments, "--shipped"], catch_exceptions=False)
