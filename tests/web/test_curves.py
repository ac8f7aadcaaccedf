"""Curves: the right values in the right slots, gaps as gaps, local time over the change of the clocks, tiers, entries."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from sensord.language import Measure
from sensord.model import Doubt, Entry, Quantity, Reading, What
from sensord.ports import Commit
from sensord.web import tables
from sensord.web.curves import Wanted
from sensord.web.words import Wording
from tests.reviews import METRIC, US
from tests.web.homestead import NOW, Homestead


def wanted(span: str = "day", place: str = "", end: datetime = NOW, measure: Measure = METRIC) -> Wanted:
    return Wanted(span, end, place, measure)


def line(data: dict, label: str, chart: int = 0) -> dict:
    return next(entry for entry in data["charts"][chart]["lines"] if entry["label"] == label)


def test_a_day_is_means_of_five_minutes_computed_again_by_hand(local: Homestead) -> None:
    """Each slot holds the plain mean of the readings in it, no more and no fewer slots than a day has."""
    data = local.garden_page.curves.data(wanted())
    assert len(data["times"]) == 288
    raw = local.store.readings.series("birch-1", Quantity.TEMPERATURE, NOW - timedelta(days=1), NOW)
    for t, value in zip(data["times"], line(data, "Birch")["values"], strict=True):
        inside = [v for at, v in zip(raw.times_s, raw.values, strict=True) if t - 150 <= at < t + 150]
        assert value == pytest.approx(sum(inside) / len(inside), abs=0.006)


def test_a_week_is_the_hourly_summaries(local: Homestead) -> None:
    """A week never scans raw readings: its values are the stored means of the hours."""
    data = local.garden_page.curves.data(wanted("week"))
    assert len(data["times"]) == 168
    hours = local.store.summaries.hours("alder-1", Quantity.TEMPERATURE, NOW - timedelta(days=8), NOW)
    known = [v for v in line(data, "Alder")["values"] if v is not None]
    assert known == [pytest.approx(h.mean, abs=0.006) for h in hours[-len(known) :]]


def test_where_nothing_was_measured_the_line_breaks(local: Homestead) -> None:
    """Before the first reading, and where readings may not be used, there is no value, not a line across."""
    data = local.garden_page.curves.data(wanted(end=NOW + timedelta(hours=2)))
    values = line(data, "Birch")["values"]
    assert values[-24:] == [None] * 24
    assert None not in values[:-24]
    bad = [
        Reading(
            "larkfield", "birch-1", Quantity.TEMPERATURE, at := NOW + timedelta(minutes=m), at, 85.0, Doubt.POWER_ON
        )
        for m in range(60)
    ]
    local.store.journal.commit(Commit(NOW, readings=bad))
    local.garden_page.look_again()
    assert (
        line(local.garden_page.curves.data(wanted(end=NOW + timedelta(hours=2))), "Birch")["values"][-24:]
        == [None] * 24
    )


def test_one_enclosure_has_its_band_and_the_post(local: Homestead) -> None:
    """The shadow runs from the lowest to the highest reading, and the mean lies within."""
    data = local.garden_page.curves.data(wanted("week", "birch"))
    assert [entry["label"] for entry in data["charts"][0]["lines"]] == ["Birch", "Post"]
    birch = line(data, "Birch")
    for low, mean, high in zip(birch["low"], birch["values"], birch["high"], strict=True):
        assert mean is None or low <= mean <= high
    assert line(data, "Post")["low"] is None


def test_tiers_are_those_that_the_rule_judges_by(local: Homestead) -> None:
    """The lines drawn are the species' tiers, each with its temperature, its severity and after how long."""
    words = [t["word"] for t in local.garden_page.curves.data(wanted())["charts"][0]["tiers"]]
    assert words[:2] == ["29 °C Minor after 2 h", "33 °C Moderate after 1 h"]
    us = local.garden_page.curves.data(wanted(measure=US))["charts"][0]["tiers"]
    assert us[0]["level"] == 84.2


def test_what_was_said_stands_in_the_curves(local: Homestead) -> None:
    """Entries of the span appear with their time; those of another enclosure only where all are drawn."""
    said = [
        Entry("larkfield", NOW - timedelta(hours=2), NOW, "birch", What.SHADED),
        Entry("larkfield", NOW - timedelta(hours=1), NOW, "overheating/alder", What.DONE),
        Entry("larkfield", NOW - timedelta(days=2), NOW, "birch", What.CLEANED),
    ]
    local.store.journal.commit(Commit(NOW, entries=said))
    assert [e.what for e in local.garden_page.curves.data(wanted())["entries"]] == [What.SHADED, What.DONE]
    assert [e.what for e in local.garden_page.curves.data(wanted(place="birch"))["entries"]] == [What.SHADED]


@pytest.mark.outside
def test_the_table_follows_the_change_of_the_clocks(local: Homestead) -> None:
    """On 1 November 2026 in Detroit the hour from one to two comes twice (IANA time zone database): 25 rows of a day."""
    zone = ZoneInfo("America/Detroit")
    start = datetime(2026, 11, 1, tzinfo=zone).astimezone(UTC)
    end = datetime(2026, 11, 2, tzinfo=zone).astimezone(UTC)
    assert (end - start).total_seconds() == 25 * 3600
    times = [start.timestamp() + 300 * n + 150 for n in range(300)]
    data = {
        "zone": "America/Detroit",
        "span": "day",
        "times": times,
        "charts": [{"unit": "°C", "lines": [{"label": "Birch", "values": [10.0] * 300}]}],
    }
    wording = Wording(local.house, local.garden_page.look.snapshot(), "metric")
    heads = [when for when, _ in tables.by_time(data, wording)["rows"]]
    assert len(heads) == 25
    assert heads[1:3] == ["Sun 01:00 EDT", "Sun 01:00 EST"]
    assert heads[0] == "Sun 00:00"
    assert heads[-1] == "Sun 23:00"


def test_extremes_say_when_and_what_is_missing(local: Homestead) -> None:
    """Highest and lowest of each place with their times, as computed from the slots."""
    data = local.garden_page.curves.data(wanted(end=NOW + timedelta(hours=6)))
    wording = Wording(local.house, local.garden_page.look.snapshot(), "metric")
    birch = next(row for row in tables.extremes(data, wording) if row["place"] == "Birch")
    top = max(v for v in line(data, "Birch")["values"] if v is not None)
    assert birch["told"].startswith(f"highest {top:.1f} °C (")
    assert birch["told"].endswith("; 25 % of the time missing")


def test_static_files_are_whole_and_licensed() -> None:
    """What is vendored carries its licence, and nothing in it asks another site for anything."""
    from sensord.web.rendering import HERE

    uplot = HERE / "static" / "uplot"
    assert "MIT" in (uplot / "LICENSE").read_text()
    for path in Path(HERE / "static").rglob("*.*s"):
        text = path.read_text()
        assert "http://" not in text.replace("http://www.w3.org", "")
        assert "sourceMappingURL" not in text


def test_the_first_load_is_small(local: Homestead) -> None:
    """The first page with all that it loads stays under 150 kB, uncompressed; so do the curves."""
    import re

    client = local.client()
    for path in ("/", "/curves", "/curves?span=week"):
        html = client.get(path).text
        total = len(html.encode())
        for address in re.findall(r'(?:src|href)="(/(?:static/[^"]+|week\.css))"', html):
            total += len(client.get(address).content)
        data = re.search(r'data-from="([^"]+)"', html)
        if data:
            total += len(client.get(data[1].replace("&amp;", "&")).content)
        assert total < 150_000, (path, total)
