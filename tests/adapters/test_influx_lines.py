"""Points as lines: escaped as the protocol has it, always floats, one identity for one thing."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sensord.adapters.influx_lines import LineMaker, can_be_kept, escaped, head, line
from sensord.model import Entry, Fate, Gap, GapKind, Parcel, Quantity, What
from sensord.ports.tail import ChangeKind, ChangeWindow, Mark, Position
from tests.adapters.shipped import ENCLOSURES, PER
from tests.store_promises import ALDER, HOUR, LOW, SITE, START, a_concern, a_message, a_verdict

EMPTY = ChangeWindow(Position(), [], [], [], [], [], [], [], [])
SERIES = {1: (SITE, LOW, Quantity.TEMPERATURE.value, 1e4), 2: (SITE, "odd, one", Quantity.HUMIDITY.value, 1e5)}
START_MS = 1_787_198_400_000


def lines(**parts: object) -> list[str]:
    """The lines of a window with these parts."""
    return [x.text for x in LineMaker(lambda: SERIES, ENCLOSURES, PER).lines(EMPTY._replace(**parts))]


@pytest.mark.outside
@pytest.mark.parametrize(
    ("given", "written"),
    [
        ("us west", "us\\ west"),
        ("a,b", "a\\,b"),
        ("a=b", "a\\=b"),
        ('"so"', '"so"'),
        ("back\\slash", "back\\slash"),
    ],
)
def test_tags_are_escaped(given: str, written: str) -> None:
    """In a tag's value comma, equals sign and space stand behind a backslash, quotes and backslashes as they are.

    Source: InfluxData, InfluxDB v2 documentation, "Line protocol", special characters.
    """
    assert escaped(given) == written


def _parsed(text: str) -> tuple[str, dict[str, str], dict[str, float], int]:
    """A line read back, by the protocol's own rule: the first unescaped space ends the tags, the second the fields."""
    tags, fields, time = re.split(r"(?<!\\) ", text)
    measurement, *pairs = re.split(r"(?<!\\),", tags)
    found = {}
    for pair in pairs:
        name, value = re.split(r"(?<!\\)=", pair)
        found[name] = re.sub(r"\\([,= ])", r"\1", value)
    return measurement, found, {k: float(v) for k, v in (f.split("=") for f in fields.split(","))}, int(time)


@given(st.text(max_size=200))
def test_no_text_breaks_a_line(text: str) -> None:
    """Whatever a tag is given: one line, two unescaped spaces, and its words come back."""
    written = line(head("entry", subject=text, site="x"), 5, said=1.0)
    assert len(written.splitlines()) == 1
    name, tags, fields, time = _parsed(written)
    assert (name, fields, time) == ("entry", {"said": 1.0}, 5)
    assert set(tags) <= {"subject", "site"}
    if "subject" in tags:
        assert tags["subject"] == " ".join(text.split())[:128].rstrip("\\")


def test_readings() -> None:
    """Value, doubts and delay, in milliseconds; what is not finite is left out; the server's own order of tags."""
    rows = [(1, START_MS, 234_500, 0, 250), (1, START_MS + 1, None, 3, 0), (2, START_MS, math.inf, 1, 5)]
    assert lines(readings=rows) == [
        f"reading,probe=alder-low,quantity=temperature,site=larkfield value=23.45,doubts=0.0,delay_s=0.25 {START_MS}",
        f"reading,probe=alder-low,quantity=temperature,site=larkfield doubts=3.0,delay_s=0.0 {START_MS + 1}",
        f"reading,probe=odd\\,\\ one,quantity=relative_humidity,site=larkfield doubts=1.0,delay_s=0.005 {START_MS}",
    ]


def test_a_new_series_is_looked_up() -> None:
    """A series that appeared after the maker was made is asked for once."""
    known: dict[int, tuple[str, str, str, float]] = {}
    maker = LineMaker(lambda: known, ENCLOSURES, PER)
    known.update(SERIES)
    (found,) = maker.lines(EMPTY._replace(readings=[(1, START_MS, 1, 0, 0)]))
    assert found.mark == Mark(ChangeKind.READING, 1, START_MS)
    assert "value=0.0001," in found.text


def test_summaries() -> None:
    """Hours and tallies stand at their start, days at 00:00 UTC of their date; what is unknown is left out."""
    hour = START_MS // 3_600_000
    day = START.date().toordinal()
    found = lines(
        hours=[(1, hour, 2, 20.0, START_MS, 21.5, START_MS, 20.75, 3600.0, 1, START_MS, START_MS), (1, hour + 1, 0, None,
               None, None, None, None, 0.0, 3, None, None)],
        days=[(1, day, 2, 20.0, START_MS, 21.5, START_MS + 500, 20.75)],
        tallies=[(1, hour, 0.25, 3600.0, 0.0, 0.0, SITE, ALDER, '["alder-1", 11.5, 33.0, 3600.0, "monarch"]')],
    )  # fmt: skip
    series = "probe=alder-low,quantity=temperature,site=larkfield"
    assert found == [
        f"hour,{series} count=2.0,minimum=20.0,maximum=21.5,mean=20.75,doubtful=1.0 {START_MS}",
        f"hour,{series} count=0.0,doubtful=3.0 {START_MS + 3_600_000}",
        f"day,{series} count=2.0,minimum=20.0,minimum_at_s=1787198400.0,maximum=21.5,maximum_at_s=1787198400.5,mean=20.75"
        " 1787184000000",
        f"tally,enclosure=alder,site=larkfield,species=monarch degree_days=0.25,measured_s=3600.0,bridged_s=0.0,missing_s=0.0"
        f" {START_MS}",
    ]


def test_what_was_the_matter_and_what_was_said() -> None:
    """A concern keeps one identity from its opening to its end; entries say what they are about; no words of people."""
    numbers = {"shade_helped": "no", "offset_before_k": 5.5, "offset_after_k": None}
    concern = replace(a_concern(), verdict=a_verdict(numbers=numbers), answered_at=START + HOUR)
    over = replace(concern, over_at=START + 2 * HOUR)
    forming = a_concern(opened_at=None)
    seen = Entry(SITE, START, START, "overheating/alder", What.SEEN, None, "private", "Kim", "page")
    bricks = Entry(SITE, START, START, ALDER, What.ANCHORED, 4.0)
    sent = Parcel(a_message("n"), 1, START, Fate.SENT, sent_at=START + HOUR)
    cohort = Entry(SITE, START, START, "first brood", What.HEADCOUNT, 12.0)
    found = lines(
        concerns=[(1, concern), (1, over), (2, forming)], entries=[(1, seen), (2, bricks), (3, cohort)],
        messages=[(1, Parcel(a_message("m"), 0, START, Fate.WAITING)), (2, sent)],
        gaps=[(1, Gap(SITE, GapKind.SILENCE, LOW, START, None)), (2, Gap(SITE, GapKind.STOPPED, "", START, START + HOUR))],
    )  # fmt: skip
    identity = "concern,enclosure=alder,rule=overheating,site=larkfield"
    fields = "severity=2.0,peak=0.0,tellings=0.0,breached_at_s=1787197200.0,answered_at_s=1787202000.0"
    helped = "shade_helped=0.0,offset_before_k=5.5"
    assert found == [
        f"{identity} {fields},{helped} {START_MS}",
        f"{identity} {fields},over_at_s=1787205600.0,{helped} {START_MS}",
        f"entry,enclosure=alder,rule=overheating,site=larkfield,what=seen said=1.0 {START_MS}",
        f"entry,enclosure=alder,site=larkfield,what=anchored said=1.0,amount=4.0 {START_MS}",
        f"entry,site=larkfield,subject=first\\ brood,what=headcount said=1.0,amount=12.0 {START_MS}",
        f"message,action=shade,enclosure=alder,rule=overheating,site=larkfield,telling=opened severity=2.0,sent=0.0 {START_MS}",
        f"message,action=shade,enclosure=alder,rule=overheating,site=larkfield,telling=opened"
        f" severity=2.0,sent=1.0,sent_at_s=1787202000.0 {START_MS}",
        f"gap,kind=silence,probe=alder-low,site=larkfield open=1.0 {START_MS}",
        f"gap,kind=stopped,site=larkfield open=0.0,ended_at_s=1787202000.0 {START_MS}",
    ]
    assert not any("private" in x or "Kim" in x for x in found)


@pytest.mark.outside
def test_times_that_can_be_kept() -> None:
    """Nanoseconds in 64 bits reach from 1677 to 2262 (source: InfluxData, "Line protocol", timestamp)."""
    row = (1, START_MS, 1, 0, 0)
    maker = LineMaker(lambda: SERIES, ENCLOSURES, PER)
    times = [-9_223_372_036_855, -9_223_372_036_854, 0, 9_223_372_036_854, 9_223_372_036_855]
    found = maker.lines(EMPTY._replace(readings=[(row[0], at, *row[2:]) for at in times]))
    assert [can_be_kept(x) for x in found] == [False, True, True, True, False]
    assert found.misfits() == [0, 4]
    assert 9_223_372_036_854 == (2**63 - 1) // 10**6
    assert timedelta(milliseconds=9_223_372_036_854) < timedelta(days=293 * 365.25)
