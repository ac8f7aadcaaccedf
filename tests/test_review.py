"""Every figure of a review, recomputed from raw readings by slow and plain code; weeks by their true length; and the words."""

from __future__ import annotations

import itertools
import shutil
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from functools import cache
from pathlib import Path
from statistics import fmean
from zoneinfo import ZoneInfo

import psychrolib
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sensord.model import (
    AMBIENT,
    Concern,
    Entry,
    Gap,
    GapKind,
    Parcel,
    Quantity,
    Reading,
    Severity,
    Standing,
    State,
    Telling,
    Verdict,
    What,
)
from sensord.ports import Commit, Place
from sensord.review import CageReview, Review, Row, lookback, weeks
from sensord.review import matters as stood
from sensord.review.climate import ReviewColumns, cut, known_h, mean, trusted, value_at
from sensord.review.matters import matters, missing
from sensord.review.words import headline, sentences
from tests import reviews
from tests.kept import Kept, opened
from tests.kept import kept as kept_in
from tests.reviews import (
    END,
    FIRST_WEEK,
    METRIC,
    NEW_YORK,
    NOW,
    SECOND_WEEK,
    SITE,
    START,
    US,
    nearest_second_by_second,
    raw,
    second_by_second,
)
from tests.store_promises import a_message

TIERS = (29.0, 33.0, 36.0, 38.0)
EDGES = (15.0, *TIERS)
PROBES = {"alder": "alder-1", "birch": "birch-1", "cedar": "cedar-1"}
SECOND_H = 1 / 3600
TOUCH_C = 1e-3
"""A reading of exactly a tier between lower ones touches it for an instant, which the middle of a second just misses."""
SLACK_H = 0.02
"""A second is counted whole, so each crossing of an edge may be off by half of one; a day has a few dozen."""


@cache
def reviewed(label: str) -> Review:
    """A week of the typical year."""
    kept, garden = reviews.reader(), reviews.house().garden
    try:
        since = lookback.season_start(garden, None, END.date())
        return lookback.look_back(kept, garden, weeks.week(label, NEW_YORK), since, NOW)
    finally:
        kept.close()


def cage(label: str, name: str) -> CageReview:
    return next(c for c in reviewed(label).cages if c.name == name)


@cache
def temperatures(name: str, start: datetime, end: datetime) -> tuple[float | None, ...]:
    """Of each second."""
    return tuple(second_by_second(raw(PROBES[name], Quantity.TEMPERATURE, start, end), start, end))


EVERY = [(label, name) for label in (FIRST_WEEK, SECOND_WEEK) for name in PROBES]
each_cage = pytest.mark.parametrize(("label", "name"), EVERY)


# --- every figure, recomputed -------------------------------------------------------------------------------------


@each_cage
def test_hours_in_bands_degree_hours_and_what_is_missing(label: str, name: str) -> None:
    """By day: each second counted into its band, its degrees above each tier added up; the days add up to the week."""
    found = cage(label, name)
    for row in found.rows:
        seconds = temperatures(name, row.start, row.end)
        known = [c for c in seconds if c is not None]
        assert row.known_h == pytest.approx(len(known) * SECOND_H, abs=SLACK_H)
        assert row.missing_h == pytest.approx((len(seconds) - len(known)) * SECOND_H, abs=SLACK_H)
        for low, high, counted in zip((-99.0, *EDGES), (*EDGES, 99.0), row.bands_h, strict=True):
            assert counted == pytest.approx(sum(low <= c < high for c in known) * SECOND_H, abs=SLACK_H)
        for tier, above, degrees in zip(TIERS, row.above_h, row.degree_hours, strict=True):
            assert above == pytest.approx(sum(c >= tier for c in known) * SECOND_H, abs=SLACK_H)
            assert degrees == pytest.approx(sum(c - tier for c in known if c > tier) * SECOND_H, abs=SLACK_H)
        assert row.mean_c == pytest.approx(fmean(known), abs=0.005)
    for column in ("bands_h", "above_h", "degree_hours"):
        sums = [sum(parts) for parts in zip(*(getattr(row, column) for row in found.rows), strict=True)]
        assert getattr(found.total, column) == pytest.approx(sums)
    assert found.total.mean_c == pytest.approx(
        fmean(c for c in temperatures(name, found.total.start, found.total.end) if c is not None), abs=0.005
    )


@each_cage
def test_extremes_and_when(label: str, name: str) -> None:
    """The lowest and highest reading of each day and of the week, and the first moment at which it was read."""
    found = cage(label, name)
    for row in (*found.rows, found.total):
        points = raw(PROBES[name], Quantity.TEMPERATURE, row.start, row.end)
        inside = [(v, t) for t, v in points if row.start.timestamp() <= t < row.end.timestamp()]
        low, high = min(inside), max(inside, key=lambda p: (p[0], -p[1]))
        assert row.low is not None
        assert row.high is not None
        assert (row.low.value_c, row.low.at.timestamp()) == pytest.approx(low)
        assert (row.high.value_c, row.high.at.timestamp()) == pytest.approx(high)


@each_cage
def test_longest_spell(label: str, name: str) -> None:
    """The longest run of seconds at or above a tier, of means over five minutes, a dip of ten let pass, over midnight too."""
    found = cage(label, name)
    start, end = found.total.start, found.total.end
    groups: dict[float, list[tuple[float, float]]] = {}
    for t, v in raw(PROBES[name], Quantity.TEMPERATURE, start, end):
        if start.timestamp() <= t <= end.timestamp():
            groups.setdefault(t // 300, []).append((t, v))
    points = [((group[0][0] + group[-1][0]) / 2, fmean(v for _, v in group)) for group in groups.values()]
    seconds = tuple(second_by_second(points, start, end))
    for tier, spell in zip(TIERS, found.spells, strict=True):
        longest, begin, end = 0, None, 0
        for n, c in enumerate(seconds):
            if c is None:
                begin = None
            elif c >= tier - TOUCH_C:
                if begin is None or n - end > 601:
                    begin = n
                end = n + 1
                longest = max(longest, end - begin)
            elif begin is not None and n - end > 600:
                begin = None
        assert (spell.hours if spell else 0.0) == pytest.approx(longest * SECOND_H, abs=0.005)


@each_cage
def test_offset_by_hour_of_day(label: str, name: str) -> None:
    """For each local hour, the mean of reading less ambient at that moment, ambient searched from the beginning."""
    found = cage(label, name)
    start, end = found.total.start, found.total.end
    post = raw("post", Quantity.TEMPERATURE, start, end)
    by_hour: dict[int, list[float]] = {}
    at = 0
    for t, v in raw(PROBES[name], Quantity.TEMPERATURE, start, end):
        if not start.timestamp() <= t < end.timestamp():
            continue
        while at < len(post) and post[at][0] < t:
            at += 1
        if at == 0:
            continue
        (t0, v0), (t1, v1) = post[at - 1], post[at]
        if t1 - t0 <= 3600:
            ambient = v0 + (v1 - v0) * (t - t0) / (t1 - t0)
            by_hour.setdefault(datetime.fromtimestamp(t, NEW_YORK).hour, []).append(v - ambient)
    assert found.offsets_k == pytest.approx([fmean(by_hour[hour]) for hour in range(24)])


@each_cage
def test_daily_swing(label: str, name: str) -> None:
    """Highest less lowest of each local day that is known for three quarters; the week's is the mean of the days."""
    found = cage(label, name)
    swings = []
    for row in found.rows:
        seconds = temperatures(name, row.start, row.end)
        known = [c for c in seconds if c is not None]
        if len(known) < 0.75 * len(seconds):
            assert row.swing_k is None
            continue
        assert row.swing_k == pytest.approx(max(known) - min(known), abs=0.1)
        swings.append(row.swing_k)
    assert found.total.swing_k == pytest.approx(fmean(swings))


@each_cage
def test_degree_days_of_each_day_and_of_the_week(label: str, name: str) -> None:
    """Above 11.5 °C, and not more than at 33 °C, second by second."""
    found = cage(label, name)
    total = 0.0
    for row in found.rows:
        slow = sum(max(0.0, min(c, 33.0) - 11.5) for c in temperatures(name, row.start, row.end) if c is not None)
        assert row.degree_days == pytest.approx(slow / 86400, abs=0.002)
        total += slow / 86400
    assert found.total.degree_days == pytest.approx(total, abs=0.01)


@pytest.mark.parametrize("name", PROBES)
def test_degree_days_since_the_season_began(name: str) -> None:
    """All that was gained from the first reading to the end of the second week. The cohorts are there since 29 May."""
    both = sum(
        max(0.0, min(c, 33.0) - 11.5)
        for row in (*cage(FIRST_WEEK, name).rows, *cage(SECOND_WEEK, name).rows)
        for c in temperatures(name, row.start, row.end)
        if c is not None
    )
    assert reviewed(SECOND_WEEK).since == date(2026, 5, 29)
    assert cage(SECOND_WEEK, name).degree_days_since == pytest.approx(both / 86400, abs=0.05)


@pytest.mark.parametrize(("label", "name"), [pair for pair in EVERY if pair[1] != "cedar"])
def test_humidity(label: str, name: str) -> None:
    """Mean and hours at 97 % or more, second by second."""
    found = cage(label, name)
    for row in (*found.rows[:2], found.total):
        points = raw(PROBES[name], Quantity.HUMIDITY, row.start, row.end)
        known = [r for r in second_by_second(points, row.start, row.end) if r is not None]
        assert row.relative_humidity == pytest.approx(fmean(known), abs=1e-4)
        assert row.humid_h == pytest.approx(sum(r >= 0.97 for r in known) * SECOND_H, abs=0.1)


@pytest.mark.outside
@pytest.mark.parametrize("name", ["alder", "birch"])
def test_dew_hours_by_another_library(name: str) -> None:
    """Hours with the dew point within 1 K and 3 K, by psychrolib's dew point (ASHRAE Handbook Fundamentals 2017, chapter 1)
    of the nearest reading in each second; 99.5 % and more count as dew."""
    psychrolib.SetUnitSystem(psychrolib.SI)
    found = cage(SECOND_WEEK, name)
    for row in found.rows[:2]:
        warmth = raw(PROBES[name], Quantity.TEMPERATURE, row.start, row.end)
        flags: tuple[list[tuple[float, bool]], ...] = ([], [])
        at = 0
        for t, ratio in raw(PROBES[name], Quantity.HUMIDITY, row.start, row.end):
            while at < len(warmth) - 1 and warmth[at][0] < t:
                at += 1
            (t0, v0), (t1, v1) = warmth[max(at - 1, 0)], warmth[at]
            air_c = v1 if t1 == t else v0 + (v1 - v0) * (t - t0) / (t1 - t0)
            spread = air_c - psychrolib.GetTDewPointFromRelHum(air_c, min(ratio, 1.0))
            for limit, kept in zip((1.0, 3.0), flags, strict=True):
                kept.append((t, ratio >= 0.995 or spread <= limit))
        for kept, counted in zip(flags, (row.dew_likely_h, row.dew_possible_h), strict=True):
            slow = sum(bool(flag) for flag in nearest_second_by_second(kept, row.start, row.end))
            assert counted == pytest.approx(slow * SECOND_H, abs=0.05)


def test_where_no_humidity_is_measured_nothing_is_said_of_it() -> None:
    """Cedar's probe has none: unknown, not zero."""
    total = cage(FIRST_WEEK, "cedar").total
    assert (total.relative_humidity, total.humid_h, total.dew_likely_h, total.dew_possible_h) == (None,) * 4


@pytest.mark.parametrize("name", PROBES)
def test_the_week_before_is_the_review_of_that_week(name: str) -> None:
    """What the second week is compared with is what the first week's own review says."""
    assert cage(SECOND_WEEK, name).before == cage(FIRST_WEEK, name).total
    assert cage(FIRST_WEEK, name).before is None


@pytest.mark.parametrize("name", PROBES)
def test_the_bars_are_the_hours(name: str) -> None:
    """Lowest, mean and highest reading of each hour; none where nothing was read."""
    found = cage(SECOND_WEEK, name)
    points = raw(PROBES[name], Quantity.TEMPERATURE, found.total.start, found.total.end)
    assert len(found.bars) == 168
    for bar in found.bars:
        begin = bar.start.timestamp()
        inside = [v for t, v in points if begin <= t < begin + 3600]
        if inside:
            assert (bar.low_c, bar.mean_c, bar.high_c) == pytest.approx((min(inside), fmean(inside), max(inside)))
        else:
            assert bar.mean_c is None
    gone = sum(bar.mean_c is None for bar in found.bars)
    assert gone == (9 if name == "birch" else 0)


# --- the season, from summaries -----------------------------------------------------------------------------------


@cache
def seasonal() -> Review:
    kept, garden = reviews.reader(), reviews.house().garden
    try:
        span = weeks.season(date(2026, 6, 1), date(2026, 6, 14), NEW_YORK)
        return lookback.look_back(kept, garden, span, date(2026, 6, 1), NOW)
    finally:
        kept.close()


@pytest.mark.parametrize("name", PROBES)
def test_a_season_recomputed_from_the_store_s_hours(name: str) -> None:
    """Each hour spread evenly from its lowest to its highest in thousand steps, counted into bands and above tiers."""
    kept = reviews.reader()
    found = next(c for c in seasonal().cages if c.name == name)
    for row in found.rows:
        summaries = kept.summaries.hours(PROBES[name], Quantity.TEMPERATURE, row.start, row.end)
        steps = [
            hour.minimum + (hour.maximum - hour.minimum) * (n + 0.5) / 1000 for hour in summaries for n in range(1000)
        ]
        assert row.known_h == len(summaries)
        for low, high, counted in zip((-99.0, *EDGES), (*EDGES, 99.0), row.bands_h, strict=True):
            assert counted == pytest.approx(sum(low <= c < high for c in steps) / 1000, abs=0.05)
        for tier, degrees in zip(TIERS, row.degree_hours, strict=True):
            assert degrees == pytest.approx(sum(c - tier for c in steps if c > tier) / 1000, abs=0.05)
        tally = sum(t.degree_days for t in kept.summaries.tally(name, row.start, row.end))
        assert row.degree_days == pytest.approx(tally)
    kept.close()


@pytest.mark.parametrize("name", PROBES)
def test_a_season_agrees_with_its_weeks(name: str) -> None:
    """From summaries as from raw readings: the same extremes and degree-days, and hours in bands within 2 % of the time."""
    found = next(c for c in seasonal().cages if c.name == name)
    for row, label in zip(found.rows, (FIRST_WEEK, SECOND_WEEK), strict=True):
        exact = cage(label, name).total
        assert row.label == label
        assert (row.low, row.high) == (exact.low, exact.high)
        assert row.degree_days == pytest.approx(exact.degree_days, abs=0.01)
        assert row.swing_k == pytest.approx(exact.swing_k, abs=0.1)
        assert row.bands_h == pytest.approx(exact.bands_h, abs=0.02 * 168)
    whole, first, second = (r.bands_h for r in (found.total, *found.rows))
    assert whole == pytest.approx([a + b for a, b in zip(first, second, strict=True)])


def test_a_week_whose_raw_readings_are_gone_is_read_from_summaries(close_after: CloseAfter, tmp_path: Path) -> None:
    """After pruning, the review of the week says so, and its figures are those of the summaries."""
    store = close_after(small_store(tmp_path, date(2026, 6, 1), 7, NEW_YORK))
    garden, span = reviews.house().garden, weeks.week(FIRST_WEEK, NEW_YORK)
    before = lookback.look_back(store, garden, span, date(2026, 6, 1), NOW).cages[0]
    while store.journal.prune(END, 1_000_000):
        pass
    after = lookback.look_back(store, garden, span, date(2026, 6, 1), NOW).cages[0]
    assert (before.from_readings, after.from_readings) == (True, False)
    assert after.total.bands_h == pytest.approx(before.total.bands_h, abs=0.1)
    assert after.total.high == before.total.high


# --- weeks by their true length -----------------------------------------------------------------------------------


CloseAfter = Callable[[Kept], Kept]


@pytest.fixture
def close_after() -> Iterator[CloseAfter]:
    """Stores handed to it are closed when the test is over."""
    with ExitStack() as stack:

        def keep(store: Kept) -> Kept:
            stack.callback(store.close)
            return store

        yield keep


def small_store(
    directory: Path, first: date, days: int, zone: ZoneInfo, every: timedelta = timedelta(minutes=5)
) -> Kept:
    """Alder at a steady 34 °C and the post at a steady 30 °C, for so many local days."""
    garden = reviews.house().garden
    place = Place("alder", ("alder-1",), 11.5, 33.0)
    store = kept_in(directory / "small.sqlite3", garden.site, [place], durable=False)
    at, end = weeks.midnight(first, zone), weeks.midnight(first + timedelta(days=days), zone)
    readings = []
    while at <= end:
        for probe, value in (("alder-1", 34.0), ("post", 30.0)):
            readings.append(Reading(SITE, probe, Quantity.TEMPERATURE, at, at, value))
        at += every
    store.journal.commit(Commit(START, readings=readings))
    store.journal.summarise(end + timedelta(hours=2))
    return store


@pytest.mark.outside
@pytest.mark.parametrize(
    ("label", "zone", "length_h", "sunday_h"),
    [
        # US daylight-saving time: from the second Sunday of March to the first of November (15 U.S.C. § 260a)
        ("2026-W10", "America/New_York", 167.0, 23.0),
        ("2026-W44", "America/New_York", 169.0, 25.0),
        # EU summer time: from the last Sunday of March to the last of October (directive 2000/84/EC)
        ("2026-W13", "Europe/Berlin", 167.0, 23.0),
        ("2026-W43", "Europe/Berlin", 169.0, 25.0),
        # Lord Howe Island moves by half an hour (IANA time zone database, file australasia)
        ("2026-W14", "Australia/Lord_Howe", 168.5, 24.5),
        ("2026-W23", "America/New_York", 168.0, 24.0),
    ],
)
def test_weeks_with_a_change_of_the_clocks(
    label: str, zone: str, length_h: float, sunday_h: float, close_after: CloseAfter, tmp_path: Path
) -> None:
    """A week's hours are those that passed, and so are the hours in its bands; Sunday has the hour more or less."""
    where = ZoneInfo(zone)
    span = weeks.week(label, where)
    assert span.hours == length_h
    store = close_after(small_store(tmp_path, span.first, 7, where))
    found = lookback.look_back(store, reviews.house().garden, span, span.first, span.end + timedelta(days=1)).cages[0]
    assert found.rows[-1].hours == sunday_h
    assert found.rows[-1].bands_h[3] == pytest.approx(sunday_h)
    assert found.total.bands_h == pytest.approx((0, 0, 0, length_h, 0, 0))
    assert found.total.degree_hours[:2] == pytest.approx((5 * length_h, length_h))
    assert found.total.degree_days == pytest.approx(21.5 * length_h / 24)
    assert found.total.missing_h == pytest.approx(0.0, abs=1e-6)
    assert all(offset == pytest.approx(4.0) for offset in found.offsets_k)
    assert [row.label for row in found.rows] == [(span.first + timedelta(days=n)).isoformat() for n in range(7)]
    spell = found.spells[1]
    assert spell is not None
    assert spell.hours == pytest.approx(length_h)


@given(
    st.dates(date(1971, 1, 1), date(2037, 12, 20)),
    st.sampled_from(
        ["America/New_York", "Europe/Berlin", "America/Havana", "Australia/Lord_Howe", "Asia/Kolkata", "UTC"]
    ),
)
def test_weeks_follow_each_other_without_gap(day: date, zone: str) -> None:
    """Every day lies in the week that its label names; the parts join; the next week begins where this one ends."""
    where = ZoneInfo(zone)
    span = weeks.week(weeks.week_label(day), where)
    assert span.first <= day <= span.last
    for one, other in itertools.pairwise(span.parts):
        assert one.end == other.start
    assert weeks.week_before(span).end == span.start
    assert weeks.week(weeks.week_label(span.last + timedelta(days=1)), where).start == span.end


@pytest.mark.outside
def test_iso_weeks_at_the_turn_of_the_year() -> None:
    """ISO 8601: 2026 has 53 weeks; 1 January 2027 lies in 2026-W53; there is no 2027-W53."""
    assert weeks.week_label(date(2027, 1, 1)) == "2026-W53"
    assert weeks.week("2026-W53", NEW_YORK).last == date(2027, 1, 3)
    with pytest.raises(ValueError, match="no such week"):
        weeks.week("2027-W53", NEW_YORK)


@pytest.mark.parametrize("text", ["", "2026-34", "2026W34", "W34", "2026-W00", "2026-W99", "0000-W01", "2026-W34 "])
def test_what_is_no_week_is_said_plainly(text: str) -> None:
    """Anything else than YYYY-Www of a week that exists is a ValueError that quotes it."""
    with pytest.raises(ValueError, match='"'):
        weeks.week(text, NEW_YORK)


def test_a_season_has_a_first_and_a_last_week_and_an_end() -> None:
    """A season from Wednesday to Tuesday has shorter first and last weeks; backwards or endless ones are refused."""
    span = weeks.season(date(2026, 6, 3), date(2026, 6, 16), NEW_YORK)
    assert [(p.label, (p.last - p.first).days + 1) for p in span.parts] == [
        ("2026-W23", 5),
        ("2026-W24", 7),
        ("2026-W25", 2),
    ]
    with pytest.raises(ValueError, match="before it starts"):
        weeks.season(date(2026, 6, 3), date(2026, 6, 2), NEW_YORK)
    with pytest.raises(ValueError, match="longer"):
        weeks.season(date(2024, 6, 3), date(2026, 6, 2), NEW_YORK)


# --- weeks that are not whole -------------------------------------------------------------------------------------


def test_a_week_without_data() -> None:
    """Nothing is known, nothing is invented, and the one sentence says so."""
    review = reviewed("2026-W20")
    assert review.is_empty
    assert review.found
    for found in review.cages:
        assert found.total.missing_h == 168
        assert (found.total.high, found.total.mean_c, found.total.degree_days, found.total.swing_k) == (None,) * 4
        assert set(found.offsets_k) == {None}
        assert found.spells == (None,) * 4
    assert sentences(review, METRIC) == ("Nothing was measured in this week, so nothing can be said of it.",)


def test_a_week_that_is_not_over_counts_up_to_now() -> None:
    """On Sunday at 19:00 nothing of the evening is missing, and no day lies ahead."""
    garden, kept = reviews.house().garden, reviews.reader()
    now = START + timedelta(days=3, hours=19)
    review = lookback.look_back(kept, garden, weeks.week(FIRST_WEEK, NEW_YORK), date(2026, 6, 1), now)
    kept.close()
    alder = review.cages[0]
    assert not review.is_over
    assert len(alder.rows) == 4
    assert alder.total.hours == 91
    assert alder.total.known_h + alder.total.missing_h == pytest.approx(91)
    assert alder.total.missing_h < 0.1
    assert alder.rows[:3] == cage(FIRST_WEEK, "alder").rows[:3]


def test_a_part_of_a_day_has_no_daily_swing() -> None:
    """After four hours nothing can be said of how far the days swung, from readings or from summaries."""
    garden, kept = reviews.house().garden, reviews.reader()
    now = START + timedelta(hours=4)
    review = lookback.look_back(kept, garden, weeks.week(FIRST_WEEK, NEW_YORK), date(2026, 6, 1), now)
    kept.close()
    assert [c.total.swing_k for c in review.cages] == [None] * 3
    assert "swung" not in " ".join(sentences(review, METRIC))
    assert review.cages[0].total.low is not None


def test_a_probe_that_was_not_there_yet_lost_nothing(close_after: CloseAfter, tmp_path: Path) -> None:
    """A silence counts from when the probe was first heard; one that lasts is told though nothing ever came."""
    shutil.copy(reviews.typical(), tmp_path / "typical.sqlite3")
    store = close_after(opened(reviews.house(), tmp_path / "typical.sqlite3", durable=False))
    silence = [
        Gap(SITE, GapKind.SILENCE, "birch-1", START - timedelta(hours=2), START + timedelta(minutes=4)),
        Gap(SITE, GapKind.SILENCE, "birch-1", START + timedelta(hours=30), START + timedelta(hours=31)),
        Gap(SITE, GapKind.SILENCE, "alder-1", START - timedelta(hours=2), None),
        Gap(SITE, GapKind.SILENCE, "of long ago", START + timedelta(hours=1), START + timedelta(hours=2)),
        Gap(SITE, GapKind.STOPPED, "", START - timedelta(hours=2), START + timedelta(hours=1)),
    ]
    store.journal.commit(Commit(START, gaps=silence))
    span = weeks.week(FIRST_WEEK, NEW_YORK)
    review = lookback.look_back(store, reviews.house().garden, span, date(2026, 6, 1), END)
    found = {(m.kind, m.subject): m.longest_from for m in review.missing}
    assert found == {
        ("silence", "birch-1"): START + timedelta(hours=30),
        ("silence", "alder-1"): START,
        ("silence", "of long ago"): START + timedelta(hours=1),
        ("stopped", ""): START,
    }


def test_a_week_that_lies_ahead_is_refused() -> None:
    """There is nothing to look back on."""
    kept = reviews.reader()
    with pytest.raises(ValueError, match="future"):
        lookback.look_back(
            kept, reviews.house().garden, weeks.week("2026-W40", NEW_YORK), date(2026, 6, 1), NOW
        )  # fmt: skip
    kept.close()


def test_the_gap_of_a_silent_probe_is_missing_not_cool() -> None:
    """Birch was silent over an afternoon: those hours are in no band."""
    found = cage(SECOND_WEEK, "birch")
    thursday = found.rows[3]
    assert thursday.label == "2026-06-11"
    assert thursday.missing_h == pytest.approx(10.5, abs=0.3)
    assert sum(thursday.bands_h) == pytest.approx(thursday.known_h)
    assert thursday.swing_k is None


# --- columns ------------------------------------------------------------------------------------------------------

series = st.lists(st.tuples(st.integers(1, 5000), st.floats(-30, 60)), min_size=0, max_size=40).map(
    lambda steps: ReviewColumns(
        [float(sum(s for s, _ in steps[: n + 1])) for n in range(len(steps))], [v for _, v in steps]
    )
)


@settings(deadline=None)
@given(series, st.integers(0, 60_000), st.integers(1, 60_000), st.integers(1, 60_000))
def test_adjacent_spans_add_up(columns: ReviewColumns, start: int, first: int, second: int) -> None:
    """Known time of two spans that touch is that of both together, wherever the border falls."""
    middle, end = start + first, start + first + second
    parts = known_h(cut(columns, start, middle)) + known_h(cut(columns, middle, end))
    assert parts == pytest.approx(known_h(cut(columns, start, end)), abs=1e-9)


@given(series, st.floats(0, 60_000))
def test_a_value_between_readings_lies_between_them(columns: ReviewColumns, at: float) -> None:
    """Read off the line it is within its two neighbours; far from any it is unknown."""
    value = value_at(columns, at)
    if value is not None:
        before = [v for t, v in zip(*columns, strict=True) if t <= at]
        after = [v for t, v in zip(*columns, strict=True) if t >= at]
        low, high = sorted((before[-1], after[0]))
        assert low - 1e-9 <= value <= high + 1e-9


def test_of_two_probes_the_first_that_speaks_is_trusted_hour_by_hour() -> None:
    """The second one fills the hours in which the first is silent, and no others."""
    first = ReviewColumns([0.0, 1800.0, 7200.0], [1.0, 1.0, 1.0])
    second = ReviewColumns([600.0, 3600.0, 5400.0, 7800.0, 10_800.0], [2.0] * 5)
    assert trusted([first, second]) == ([0.0, 1800.0, 3600.0, 5400.0, 7200.0, 10_800.0], [1.0, 1.0, 2.0, 2.0, 1.0, 2.0])
    assert trusted([]) == ReviewColumns((), ())


# --- what stood ---------------------------------------------------------------------------------------------------

NOON = datetime(2026, 6, 3, 16, tzinfo=UTC)
MINUTE = timedelta(minutes=1)


def concern(**changes: object) -> Concern:
    numbers = {"shade_helped": "yes", "offset_before_k": 5.0, "offset_after_k": 1.5}
    verdict = Verdict("overheating", "birch", State.FINE, NOON + 200 * MINUTE, "cooler", numbers=numbers)
    whole: dict[str, object] = {
        "site": SITE, "rule": "overheating", "subject": "birch", "standing": Standing.OVER, "verdict": verdict,
        "breached_since": NOON - 5 * MINUTE, "opened_at": NOON, "peak": Severity.SEVERE, "told": Severity.SEVERE,
        "told_action": "shade", "told_at": NOON, "tellings": 1, "answered_at": NOON + 40 * MINUTE, "answer": What.DONE,
        "over_at": NOON + 200 * MINUTE,
    }  # fmt: skip
    return Concern(**{**whole, **changes})  # type: ignore[arg-type]


def said(what: What, minutes: float, subject: str = "birch") -> Entry:
    return Entry(SITE, NOON + minutes * MINUTE, NOON + minutes * MINUTE, subject, what)


def told(
    *concerns: Concern,
    entries: tuple[Entry, ...] = (),
    verdicts: tuple[Verdict, ...] = (),
    parcels: tuple[Parcel, ...] = (),
) -> tuple[stood.Matter, ...]:
    return matters(concerns, entries, verdicts, parcels, START, END)


def parcel(action: str, minutes: float, telling: Telling = Telling.CHANGED, state: str = "sent") -> Parcel:
    at = NOON + minutes * MINUTE
    message = a_message(f"{action}{minutes}", at, site=SITE, concerns=("overheating/birch",), action=action)
    return Parcel(replace(message, telling=telling), 1, at, state)


def test_a_hot_day_is_told_by_what_was_asked_first_and_the_first_answer_to_it() -> None:
    """Asked to shade at 12:05, shaded at 12:21, later asked for air and to take the shade off: answered after 16 minutes."""
    parcels = (
        parcel("shade", 5, Telling.OPENED),
        parcel("add airflow", 255),
        parcel("unshade", 550, Telling.OVER),
    )
    entries = (said(What.SHADED, 21), said(What.DONE, 281, "overheating/birch"), said(What.UNSHADED, 560))
    stood_until = concern(told_action="unshade", over_at=NOON + 550 * MINUTE, answered_at=NOON + 281 * MINUTE)
    (matter,) = told(stood_until, entries=entries, parcels=parcels)
    assert (matter.action, matter.answer, matter.answered_after_min) == ("shade", "shaded", 16.0)
    (matter,) = told(stood_until, entries=entries[1:], parcels=parcels)
    assert (matter.action, matter.answer, matter.answered_after_min) == ("shade", "done", 276.0)
    (matter,) = told(
        stood_until, entries=(said(What.UNCOVERED, 100), entries[0]._replace(subject="alder")), parcels=parcels
    )
    assert (matter.answer, matter.answered_after_min) == ("", None)  # nobody had asked for air yet


def test_only_what_reached_the_phone_was_asked_for() -> None:
    """A message that was held back asks for nothing; nor does one to stay in, where something is to be done later."""
    (matter,) = told(concern(), parcels=(parcel("shade", 0, state="held"), parcel("add airflow", 30)))
    assert matter.action == "add airflow"
    (matter,) = told(concern(), entries=(said(What.SHADED, 3),), parcels=(parcel("shade", 0, state="withdrawn"),))
    assert (matter.action, matter.answer) == ("", "")
    later = (parcel("stay in", 0), parcel("look after", 80, Telling.OVER))
    (matter,) = told(concern(), entries=(said(What.HEADCOUNT, 100),), parcels=later)
    assert (matter.action, matter.answer, matter.answered_after_min) == ("look after", "headcount", 20.0)


def test_how_fast_a_concern_was_answered_and_whether_it_helped() -> None:
    """The first answer counts, be it "seen" or the act itself; whether the shade helped is what the rule measured."""
    (matter,) = told(concern(), entries=(said(What.SHADED, 12), said(What.SEEN, 3, "overheating/birch")))
    assert (matter.answer, matter.answered_after_min, matter.helped) == ("seen", 3.0, "yes")
    assert (matter.offset_before_k, matter.offset_after_k, matter.over_after_min) == (5.0, 1.5, 188.0)
    assert matter.lasted_h == pytest.approx(200 / 60)


def test_a_concern_that_nobody_answered() -> None:
    """No answer, no time to it, and nothing that could have helped; entries about others are none."""
    entries = (said(What.SHADED, 5, "alder"), said(What.CLEANED, 5), said(What.SEEN, 5, "overheating/alder"))
    (matter,) = told(concern(answer=None, answered_at=None), entries=entries)
    assert (matter.answer, matter.answered_after_min, matter.helped) == ("", None, "")


def test_what_was_done_without_a_measure_of_it_is_not_called_a_success() -> None:
    """That it was over later says nothing: evening came too. Unknown stays unknown."""
    verdict = Verdict("wind", "birch", State.FINE, NOON + 60 * MINUTE, "calm")
    (matter,) = told(concern(rule="wind", verdict=verdict, told_action="anchor"), entries=(said(What.ANCHORED, 10),))
    assert (matter.helped, matter.answer) == ("unknown", "anchored")


def test_only_what_was_told_and_opened_in_the_span_is_listed() -> None:
    """What opened before, opens later, or was never told is not of this week; what still stands lasts until now."""
    outside = [concern(opened_at=START - MINUTE), concern(opened_at=END), concern(tellings=0), concern(opened_at=None)]
    assert told(*outside) == ()
    (matter,) = told(concern(standing=Standing.OPEN, over_at=None))
    assert matter.over_at is None
    assert matter.lasted_h == pytest.approx((END - NOON) / timedelta(hours=1))


def test_matters_are_grouped_with_the_median_of_the_answers() -> None:
    """By rule and subject: counts add up, the typical answer is the median."""
    entries = tuple(
        said(What.SEEN, 24 * 60 * n + minutes, "overheating/birch") for n, minutes in enumerate((5, 10, 60))
    )
    several = [
        concern(
            breached_since=NOON + timedelta(days=n), opened_at=NOON + timedelta(days=n), answered_at=None, answer=None,
            over_at=NOON + timedelta(days=n, hours=2),
        )
        for n in range(4)
    ]  # fmt: skip
    (group,) = stood.groups(told(*several, entries=entries))
    assert (group.count, group.answered, group.typical_answer_min, group.lasted_h) == (4, 3, 10.0, 8.0)


def test_a_mean_that_is_missing_is_no_number() -> None:
    """Over the lines where there is one; of the readings where none reaches from one to the next; else unknown, not zero."""
    assert mean(ReviewColumns([], [])) is None
    assert mean(ReviewColumns([0.0], [21.5])) == 21.5
    assert mean(ReviewColumns([0.0, 3_601.0], [20.0, 30.0])) == 25.0
    assert mean(ReviewColumns([0.0, 60.0, 3_660.0], [20.0, 20.0, 30.0])) == pytest.approx(
        (20 * 60 + 25 * 3_600) / 3_660
    )
    assert mean(ReviewColumns([0.0, 60.0, 3_661.0], [20.0, 20.0, 30.0])) == 20.0


def test_gaps_are_cut_to_the_span_and_added_up() -> None:
    """A gap that began before counts from the beginning, an open one to the end; kinds and probes are kept apart."""
    gaps = [
        Gap(SITE, GapKind.SILENCE, "birch-1", START - timedelta(hours=5), START + timedelta(hours=1)),
        Gap(SITE, GapKind.SILENCE, "birch-1", START + timedelta(hours=9), START + timedelta(hours=12)),
        Gap(SITE, GapKind.STOPPED, "", END - timedelta(hours=2), None),
        Gap(SITE, GapKind.CLOCK, "", START - timedelta(hours=9), START),
    ]
    assert [(m.kind, m.subject, m.count, m.hours, m.longest_h) for m in missing(gaps, START, END)] == [
        ("silence", "birch-1", 2, 4.0, 3.0),
        ("stopped", "", 1, 2.0, 2.0),
    ]


# --- the words ----------------------------------------------------------------------------------------------------


def test_the_sentences_say_what_the_figures_say() -> None:
    """The hottest enclosure, its hours, its top with day and time, the comparison, what is missing: as in the figures."""
    review, cedar = reviewed(SECOND_WEEK), cage(SECOND_WEEK, "cedar")
    high = cedar.total.high
    assert high is not None
    text = sentences(review, METRIC)
    assert len(text) in (2, 3)
    assert text[0].startswith(f"Cedar was the hottest: {METRIC.hours(cedar.total.above_h[1])} at or above 33 °C")
    assert f"{high.value_c:.1f} °C at {high.at.astimezone(NEW_YORK):%H:%M}" in text[0]
    less = cage(FIRST_WEEK, "cedar").total.above_h[1] - cedar.total.above_h[1]
    assert text[0].endswith(f"For Cedar that is {METRIC.hours(less)} less than the week before.")
    assert "in Birch" in text[-1]
    assert headline(review, METRIC) == "Week 24, 8 Jun to 14 Jun 2026"


def test_the_sentences_in_the_other_units() -> None:
    """°F and am/pm, and no °C anywhere."""
    text = " ".join(sentences(reviewed(SECOND_WEEK), US))
    assert "91 °F" in text
    assert "°C" not in text
    assert " pm" in text


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0.001, "a minute"),
        (0.5, "30 minutes"),
        (0.99, "an hour"),
        (6.44, "6.4 hours"),
        (7.0, "7 hours"),
        (19.99, "20 hours"),
        (62.4, "62 hours"),
    ],
)
def test_hours_as_a_person_says_them(value: float, text: str) -> None:
    """Minutes below an hour, tenths below twenty, whole hours above."""
    assert METRIC.hours(value) == text


def test_lists_of_names() -> None:
    """None, one, two, three."""
    assert [METRIC.listed(["Alder", "Birch", "Cedar"][:n]) for n in range(4)] == [
        "",
        "Alder",
        "Alder and Birch",
        "Alder, Birch and Cedar",
    ]


def test_heat_that_lasted_and_patchy_weeks_are_findings() -> None:
    """Cedar was above its limit for more than an hour; Alder's week is fine by itself."""
    assert cage(SECOND_WEEK, "cedar").was_too_hot
    assert not cage(SECOND_WEEK, "alder").was_too_hot
    assert not cage(SECOND_WEEK, "alder").is_patchy
    assert reviewed(SECOND_WEEK).found


def test_the_tiers_are_those_that_the_phone_is_told_by() -> None:
    """Sources come along; a tier that the configuration changes is said to be so."""
    built = reviews.house()
    alder = built.garden.enclosures[0]
    limits = built.garden.at(reviews.NOW).limits(alder.name)
    assert limits is not None
    assert [t.temperature_c for t in limits.tiers] == list(TIERS)
    assert limits.tiers[1].source.startswith("York HA, Oberhauser KS (2002)")
    assert limits.tiers[3].source == ""
    parameters = built.garden.rules["overheating"].Parameters.model_validate(
        {"moderate_c": 32, "moderate_after_min": 30}
    )
    otherwise = replace(built.garden, parameters={**built.garden.parameters, ("overheating", "alder"): parameters})
    changed = otherwise.at(reviews.NOW).limits(alder.name)
    assert changed is not None
    assert [t.temperature_c for t in changed.tiers] == [29, 32, 36, 38]
    assert (changed.tiers[1].source, changed.tiers[1].note, changed.tiers[1].after_h) == ("", "as configured", 0.5)


def rows(review: Review) -> list[Row]:
    return [row for found in review.cages for row in (*found.rows, found.total)]


@pytest.mark.parametrize("label", [FIRST_WEEK, SECOND_WEEK])
def test_no_time_is_lost_or_counted_twice(label: str) -> None:
    """Bands add up to what is known, and known and missing to the span, in every row."""
    for row in rows(reviewed(label)):
        assert sum(row.bands_h) == pytest.approx(row.known_h)
        assert row.known_h + row.missing_h == pytest.approx(row.hours)


def test_the_post_is_the_ambient_place() -> None:
    """What everything is compared with stands at the shaded post."""
    probes = reviews.house().garden.probes_at(AMBIENT, Quantity.TEMPERATURE)
    assert [p.name for p in probes] == ["post"]
    bars = reviewed(FIRST_WEEK).post.bars
    points = raw("post", Quantity.TEMPERATURE, bars[0].start, bars[0].start + timedelta(hours=1))
    inside = [v for t, v in points if bars[0].start.timestamp() <= t < bars[0].start.timestamp() + 3600]
    assert bars[0].high_c == max(inside)
