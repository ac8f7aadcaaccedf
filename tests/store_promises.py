"""What every store promises, as one suite. A store's own test module subclasses `StorePromises` and says how it opens.

The figures that a store derives (summaries, degree-days) are computed here a second time, slowly and on their own.
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterable, Sequence
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, rule

from sensord.model import (
    Advice,
    Arrival,
    Certainty,
    Concern,
    Doubt,
    Entry,
    Gap,
    GapKind,
    Message,
    Parcel,
    Quantity,
    Reading,
    Refusal,
    Severity,
    Standing,
    State,
    Urgency,
    Verdict,
    What,
)
from sensord.ports import Commit, Place, Sending

SITE = "larkfield"
ALDER, BIRCH = "alder", "birch"  # alder has two probes with temperature, birch has one
LOW, HIGH, SECOND = "alder-low", "birch-low", "alder-high"
LOWER_C, UPPER_C = 11.5, 33.0
PLACES = (Place(ALDER, (LOW, SECOND), LOWER_C, UPPER_C), Place(BIRCH, (HIGH,), LOWER_C, UPPER_C))
LONGEST_BRIDGE_S, MEASURED_LIMIT_S = 3600.0, 900.0
ZONE = "America/New_York"
START = datetime(2026, 8, 20, 4, tzinfo=UTC)  # midnight in Larkfield Lane
NEVER = datetime(2200, 1, 1, tzinfo=UTC)
HOUR = timedelta(hours=1)


def reading(
    at: datetime | float, value: float, probe: str = LOW, quantity: Quantity = Quantity.TEMPERATURE, doubts: int = 0
) -> Reading:
    """A reading at an instant, or so many seconds after the start, received a quarter of a second later."""
    moment = at if isinstance(at, datetime) else START + timedelta(seconds=at)
    return Reading(SITE, probe, quantity, moment, moment + timedelta(milliseconds=250), value, doubts)


def afternoon(hours: float, every_s: float = 60.0, probe: str = LOW, seed: int = 1) -> list[Reading]:
    """A seeded series that wanders through both thresholds, to hundredths of a degree."""
    dice = random.Random(seed)
    wave = [
        (s, 22 + 14 * math.sin(s / 9000) + dice.gauss(0, 0.4))
        for s in (i * every_s + dice.uniform(0, every_s / 3) for i in range(int(hours * 3600 / every_s)))
    ]
    return [reading(round(s, 3), round(value, 2), probe) for s, value in wave]


# --- the slow way -------------------------------------------------------------------------------------------------


def lines(readings: Iterable[Reading]) -> list[tuple[float, float, float, float]]:
    """Straight lines (from_s, to_s, from_value, to_value) between usable readings that are near enough."""
    points = sorted((r.measured_at.timestamp(), r.value) for r in readings if not r.doubts & Doubt.UNUSABLE)
    return [(a, b, x, y) for (a, x), (b, y) in pairwise(points) if b - a <= LONGEST_BRIDGE_S]


def cut(
    line: tuple[float, float, float, float], start_s: float, end_s: float
) -> tuple[float, float, float, float] | None:
    """The part of a line within a span."""
    a, b, x, y = line
    begin, end = max(a, start_s), min(b, end_s)
    if end <= begin:
        return None
    slope = (y - x) / (b - a)
    return begin, end, x + slope * (begin - a), x + slope * (end - a)


def slow_degree_days(readings: Iterable[Reading], start: datetime, end: datetime) -> tuple[float, float, float]:
    """Degree-days, measured and bridged seconds of a span, each line cut where it crosses a threshold."""
    total = measured = bridged = 0.0
    for line in lines(readings):
        piece = cut(line, start.timestamp(), end.timestamp())
        if piece is None:
            continue
        a, b, x, y = piece
        if line[1] - line[0] <= MEASURED_LIMIT_S:
            measured += b - a
        else:
            bridged += b - a
        crossings = [
            a + (level - x) / (y - x) * (b - a) for level in (LOWER_C, UPPER_C) if (x - level) * (y - level) < 0
        ]
        corners = sorted([a, b, *crossings])
        for p, q in pairwise(corners):
            u, v = (min(max(x + (y - x) * (t - a) / (b - a), LOWER_C), UPPER_C) - LOWER_C for t in (p, q))
            total += (q - p) * (u + v) / 2 / 86400
    return total, measured, bridged


def slow_mean(readings: Sequence[Reading], start: datetime, end: datetime) -> float:
    """Mean over the lines that cover the span; arithmetic where none does."""
    pieces = [piece for line in lines(readings) if (piece := cut(line, start.timestamp(), end.timestamp()))]
    if pieces:
        return sum((b - a) * (x + y) / 2 for a, b, x, y in pieces) / sum(b - a for a, b, _, _ in pieces)
    inside = [r.value for r in usable(readings, start, end)]
    return sum(inside) / len(inside)


def usable(readings: Iterable[Reading], start: datetime, end: datetime) -> list[Reading]:
    """Usable readings of a span, by time."""
    inside = [r for r in readings if start <= r.measured_at < end and not r.doubts & Doubt.UNUSABLE]
    return sorted(inside, key=lambda r: r.measured_at)


def assert_hours(store: Any, readings: Sequence[Reading], probe: str = LOW) -> None:
    """The store's hourly summaries of a probe's temperature are those of the readings."""
    mine = [r for r in readings if r.probe == probe]
    starts = sorted(
        {r.measured_at.replace(minute=0, second=0, microsecond=0) for r in usable(mine, START - 99 * HOUR, NEVER)}
    )
    found = store.summaries.hours(probe, Quantity.TEMPERATURE, START - 99 * HOUR, NEVER)
    assert [hour.start for hour in found] == starts
    for hour in found:
        end = hour.start + HOUR
        values = [r.value for r in usable(mine, hour.start, end)]
        assert (hour.count, hour.minimum, hour.maximum) == (len(values), min(values), max(values))
        assert hour.mean == pytest.approx(slow_mean(mine, hour.start, end), abs=1e-9)
        assert hour.doubtful == sum(1 for r in mine if r.doubts and hour.start <= r.measured_at < end)


def assert_tally(store: Any, readings: Sequence[Reading], enclosure: str = ALDER, probe: str = LOW) -> None:
    """The store's degree-days of an enclosure are those of its one probe, hour by hour and added up."""
    mine = [r for r in readings if r.probe == probe]
    hours = store.summaries.tally(enclosure, START - 99 * HOUR, NEVER)
    for hour in hours:
        total, measured, bridged = slow_degree_days(mine, hour.start, hour.start + HOUR)
        assert hour.degree_days == pytest.approx(total, abs=1e-9)
        assert (hour.measured_s, hour.bridged_s) == pytest.approx((measured, bridged), abs=1e-6)
        assert hour.measured_s + hour.bridged_s + hour.missing_s == pytest.approx(3600, abs=1e-6)
    total, measured, bridged = slow_degree_days(mine, START - 99 * HOUR, NEVER)
    assert sum(hour.degree_days for hour in hours) == pytest.approx(total, abs=1e-9)
    assert sum(hour.measured_s for hour in hours) == pytest.approx(measured, abs=1e-6)
    assert sum(hour.bridged_s for hour in hours) == pytest.approx(bridged, abs=1e-6)


def midnight(day: date, zone: str = ZONE) -> datetime:
    """When a local day begins."""
    return datetime(day.year, day.month, day.day, tzinfo=ZoneInfo(zone)).astimezone(UTC)


def assert_days(store: Any, readings: Sequence[Reading], probe: str = LOW, zone: str = ZONE) -> None:
    """The store's daily summaries of a probe's temperature are those of the readings, by local days."""
    mine = [r for r in readings if r.probe == probe]
    starts = sorted({r.measured_at.astimezone(ZoneInfo(zone)).date() for r in usable(mine, START - 9999 * HOUR, NEVER)})
    found = store.summaries.days(probe, Quantity.TEMPERATURE, date(2020, 1, 1), date(2100, 1, 1))
    assert [day.day for day in found] == starts
    for day in found:
        begin, end = midnight(day.day, zone), midnight(day.day + timedelta(days=1), zone)
        of_day = usable(mine, begin, end)
        low, high = min(of_day, key=lambda r: r.value), max(of_day, key=lambda r: r.value)
        assert (day.count, day.minimum, day.maximum) == (len(of_day), low.value, high.value)
        assert (day.minimum_at, day.maximum_at) == (low.measured_at, high.measured_at)
        assert day.mean == pytest.approx(slow_mean(mine, begin, end), abs=1e-9)


# --- nouns --------------------------------------------------------------------------------------------------------


def a_verdict(at: datetime = START, **changes: Any) -> Verdict:
    """A verdict with a number of every kind."""
    facts: dict[str, Any] = {
        "rule": "overheating",
        "subject": ALDER,
        "state": State.BREACH,
        "at": at,
        "reason": "hot for long",
        "severity": Severity.MODERATE,
        "numbers": {"temperature_c": 34.5, "bricks": 2, "shaded": True, "since": "2026-08-20T04:00:00Z", "wind": None},
        "advice": Advice("shade", by=at + HOUR),
    }
    return Verdict(**{**facts, **changes})


def a_concern(at: datetime = START, **changes: Any) -> Concern:
    """An open concern."""
    facts: dict[str, Any] = {
        "site": SITE,
        "rule": "overheating",
        "subject": ALDER,
        "standing": Standing.OPEN,
        "verdict": a_verdict(at),
        "breached_since": at - timedelta(minutes=20),
        "opened_at": at,
    }
    return Concern(**{**facts, **changes})


def a_message(key: str, at: datetime = START, severity: Severity = Severity.MODERATE, **changes: Any) -> Message:
    """A message."""
    facts: dict[str, Any] = {
        "key": key,
        "site": SITE,
        "at": at,
        "rule": "overheating",
        "subject": ALDER,
        "severity": severity,
        "urgency": Urgency.IMMEDIATE,
        "certainty": Certainty.OBSERVED,
        "title": "Shade Alder before 13:00",
        "text": "34.5 °C for 20 minutes.",
        "action": "shade",
        "concerns": (f"overheating/{ALDER}",),
        "holds_until": at + 2 * HOUR,
    }
    return Message(**{**facts, **changes})


def keys(parcels: Iterable[Parcel]) -> list[str]:
    """Of the messages."""
    return [parcel.message.key for parcel in parcels]


class Machine(RuleBasedStateMachine):
    """Anything may happen to readings in any order; the store answers as a dictionary would.

    A subclass says how the store opens. Times fall on few instants and hours, so that repeats, late readings and
    neighbours across an hour are common.
    """

    moments = st.integers(0, 12).map(lambda hour: hour * 3600) | st.integers(0, 12 * 12).map(lambda step: step * 300.0)
    probes = st.sampled_from([LOW, HIGH])
    values = st.integers(-50, 450).map(lambda tenth: tenth / 10)
    doubts = st.sampled_from([0, 0, 0, 0, int(Doubt.WET), int(Doubt.JUMP)])
    batches = st.lists(st.builds(reading, moments, values, probes, doubts=doubts), max_size=25)

    def __init__(self) -> None:
        super().__init__()
        self.folder = TemporaryDirectory()
        self.store = self.open(Path(self.folder.name))
        self.model: dict[tuple[str, datetime], Reading] = {}
        self.duplicates = 0

    def open(self, folder: Path) -> Any:
        """The store kept in this folder."""
        raise NotImplementedError

    def teardown(self) -> None:
        """Leave nothing behind."""
        self.store.close()
        self.folder.cleanup()

    @rule(readings=batches)
    def add(self, readings: list[Reading]) -> None:
        """The first value of an identity stays."""
        new = {}
        for r in readings:
            if (r.probe, r.measured_at) not in self.model:
                new.setdefault((r.probe, r.measured_at), r)
        assert self.store.journal.commit(Commit(START, readings)) == (len(new), len(readings) - len(new), 0)
        self.model |= new
        self.duplicates += len(readings) - len(new)

    @rule(probe=probes, start=moments, hours=st.integers(0, 13))
    def read(self, probe: str, start: float, hours: int) -> None:
        """A window of readings."""
        begin = START + timedelta(seconds=start)
        end = begin + hours * HOUR
        known = sorted((r.measured_at, r) for (p, at), r in self.model.items() if p == probe and begin <= at < end)
        found = self.store.readings.series(probe, Quantity.TEMPERATURE, begin, end)
        assert found.times_s == [at.timestamp() for at, _ in known]
        assert found.values == [r.value for _, r in known]
        assert found.doubts == [r.doubts for _, r in known]

    @rule(probe=probes, before=moments)
    def read_latest(self, probe: str, before: float) -> None:
        """The newest reading, and the newest before a moment."""
        until = START + timedelta(seconds=before)
        mine = [r for (p, _), r in self.model.items() if p == probe]
        earlier = [r for r in mine if r.measured_at < until]
        by_time = {"key": lambda r: r.measured_at, "default": None}
        assert self.store.readings.latest(probe, Quantity.TEMPERATURE) == max(mine, **by_time)
        assert self.store.readings.latest(probe, Quantity.TEMPERATURE, until) == max(earlier, **by_time)

    @rule(so_far=st.integers(0, 12))
    def summarise_early(self, so_far: int) -> None:
        """Summarising in between does not change what comes out at the end."""
        self.store.journal.summarise(START + so_far * HOUR)

    @rule()
    def summarise(self) -> None:
        """All that is derived is that of the readings."""
        self.store.journal.summarise(NEVER)
        readings = list(self.model.values())
        for probe in (LOW, HIGH):
            assert_hours(self.store, readings, probe)
            assert_days(self.store, readings, probe)
        assert_tally(self.store, readings, ALDER, LOW)
        assert_tally(self.store, readings, BIRCH, HIGH)

    @rule()
    def reopen(self) -> None:
        """Nothing is lost over a restart."""
        self.store.close()
        self.store = self.open(Path(self.folder.name))
        counts = self.store.accounts.counters()
        assert (counts["readings"], counts["duplicates"]) == (len(self.model), self.duplicates)


class StorePromises:
    """Subclass it, say how to open the store, and let pytest collect it."""

    def open(self, folder: Path, zone: str = ZONE) -> Any:
        """The store kept in this folder, of the site and places above; opened again, it is the same store."""
        raise NotImplementedError

    @pytest.fixture
    def store(self, tmp_path: Path) -> Any:
        store = self.open(tmp_path)
        yield store
        store.close()

    # --- readings

    def test_adding_again_changes_nothing(self, store: Any) -> None:
        """The same batch a second time stores nothing and is counted as duplicates."""
        batch = Commit(START, afternoon(2))
        assert store.journal.commit(batch) == (120, 0, 0)
        before = store.readings.series(LOW, Quantity.TEMPERATURE, START, NEVER)
        assert store.journal.commit(batch) == (0, 120, 0)
        assert store.readings.series(LOW, Quantity.TEMPERATURE, START, NEVER) == before
        assert (store.accounts.counters()["readings"], store.accounts.counters()["duplicates"]) == (120, 120)

    def test_the_first_value_wins(self, store: Any) -> None:
        """Of two values with one identity the first stays, within a batch and across batches."""
        assert store.journal.commit(Commit(START, [reading(0, 20), reading(0, 21), reading(0.0004, 22)])) == (1, 2, 0)
        assert store.journal.commit(Commit(START, [reading(0, 23)])) == (0, 1, 0)
        assert store.readings.series(LOW, Quantity.TEMPERATURE, START, NEVER).values == [20]

    def test_readings_are_ascending_whatever_the_order_of_arrival(self, store: Any) -> None:
        """Late and shuffled readings are answered by time, before and after the series was first read."""
        readings = afternoon(3)
        shuffled = random.Random(5).sample(readings, len(readings))
        for begin in range(0, len(shuffled), 37):
            store.journal.commit(Commit(START, shuffled[begin : begin + 37]))
            found = store.readings.series(LOW, Quantity.TEMPERATURE, START, NEVER)
            known = sorted(shuffled[: begin + 37], key=lambda r: r.measured_at)
            assert found.times_s == [r.measured_at.timestamp() for r in known]
            assert found.values == [r.value for r in known]

    def test_a_window_is_closed_at_its_start_and_open_at_its_end(self, store: Any) -> None:
        """start <= measured_at < end, to the millisecond."""
        store.journal.commit(Commit(START, [reading(s, s) for s in (0, 1, 2, 3)]))
        second = timedelta(seconds=1)
        for _ in range(2):
            found = store.readings.series(LOW, Quantity.TEMPERATURE, START + second, START + 3 * second)
            assert found.values == [1, 2]
        just_after = START + second + timedelta(microseconds=1)
        assert store.readings.series(LOW, Quantity.TEMPERATURE, just_after, NEVER).values == [2, 3]
        assert store.readings.series(LOW, Quantity.TEMPERATURE, START, just_after).values == [0, 1]

    def test_series_are_kept_apart(self, store: Any) -> None:
        """Another probe or quantity is another series."""
        readings = [reading(0, 1), reading(0, 2, HIGH), reading(0, 0.3, quantity=Quantity.HUMIDITY)]
        store.journal.commit(Commit(START, readings))
        assert store.readings.series(LOW, Quantity.TEMPERATURE, START, NEVER).values == [1]
        assert store.readings.series(HIGH, Quantity.TEMPERATURE, START, NEVER).values == [2]
        assert store.readings.series(LOW, Quantity.HUMIDITY, START, NEVER).values == [0.3]
        assert store.readings.series("nobody", Quantity.TEMPERATURE, START, NEVER) == ([], [], [])

    def test_values_come_back_as_sensors_give_them(self, store: Any) -> None:
        """Every decimal of a sensor's resolution comes back equal."""
        given_by = {
            Quantity.TEMPERATURE: [step / 16 for step in range(-880, 2000, 7)]
            + [round(0.01 * i, 2) for i in range(-4000, 8500, 97)],
            Quantity.HUMIDITY: [round(i / 10_000, 4) for i in range(0, 10_001, 13)],
            Quantity.PRESSURE: [round(90_000 + 0.1 * i, 1) for i in range(0, 200_000, 997)],
            Quantity.WIND_GUST: [round(i / 100, 2) for i in range(0, 7500, 31)],
            Quantity.IRRADIANCE: [round(i / 10, 1) for i in range(0, 14_000, 57)],
            Quantity.VOLTAGE: [round(i / 1000, 3) for i in range(0, 5000, 17)],
        }
        for quantity, values in given_by.items():
            store.journal.commit(
                Commit(START, [reading(second, value, quantity=quantity) for second, value in enumerate(values)])
            )
            assert store.readings.series(LOW, quantity, START, NEVER).values == values

    def test_nothing_is_lost_for_being_impossible(self, store: Any) -> None:
        """What is no measurement is kept as it came, with its doubt."""
        strange = [math.inf, -math.inf, 1e300, -127.0, 85.0]
        store.journal.commit(
            Commit(
                START, [reading(i, value, doubts=int(Doubt.IMPOSSIBLE)) for i, value in enumerate([*strange, math.nan])]
            )
        )
        for _ in range(2):
            found = store.readings.series(LOW, Quantity.TEMPERATURE, START, NEVER)
            assert found.values[:-1] == strange
            assert math.isnan(found.values[-1])
            assert found.doubts == [Doubt.IMPOSSIBLE] * 6
        assert store.journal.summarise(NEVER) == 1
        assert store.summaries.hours(LOW, Quantity.TEMPERATURE, START, NEVER) == []

    def test_a_number_that_is_none_harms_no_summary(self, store: Any) -> None:
        """A value that is not finite is left out of summaries even where nobody doubted it."""
        store.journal.commit(
            Commit(START, [reading(0, 20), reading(60, math.nan), reading(120, math.inf), reading(180, 24)])
        )
        store.journal.summarise(NEVER)
        (hour,) = store.summaries.hours(LOW, Quantity.TEMPERATURE, START, NEVER)
        assert (hour.count, hour.minimum, hour.maximum, hour.mean) == (2, 20, 24, pytest.approx(22))

    def test_the_latest_reading(self, store: Any) -> None:
        """The newest by measurement, also where it came first; whole, with its receipt to the millisecond."""
        store.journal.commit(Commit(START, [reading(60, 21, doubts=int(Doubt.WET)), reading(0, 20)]))
        assert store.readings.latest(LOW, Quantity.TEMPERATURE) == reading(60, 21, doubts=int(Doubt.WET))
        assert store.readings.latest(LOW, Quantity.TEMPERATURE, START + timedelta(seconds=60)) == reading(0, 20)
        assert store.readings.latest(LOW, Quantity.TEMPERATURE, START) is None
        assert store.readings.latest("nobody", Quantity.TEMPERATURE) is None

    def test_a_batch_is_all_or_nothing(self, store: Any) -> None:
        """A batch with one reading that can't be stored leaves nothing behind, and the store goes on."""
        bad = reading(60, 21)._replace(measured_at=datetime(2026, 8, 20))  # without a zone: a defect
        entry = Entry(SITE, START, START, ALDER, What.SHADED)
        with pytest.raises(TypeError):
            store.journal.commit(
                Commit(START, [reading(0, 20), bad], entries=[entry], undated=[Arrival(START, "t", b"1", packet=1)])
            )
        assert store.readings.latest(LOW, Quantity.TEMPERATURE) is None
        assert store.entries.between(START, NEVER) == []
        assert store.journal.commit(Commit(START, [reading(0, 20)])) == (1, 0, 0)
        assert store.accounts.counters()["readings"] == 1

    def test_everything_is_there_after_reopening(self, tmp_path: Path) -> None:
        """What was committed before closing is answered after opening."""
        store = self.open(tmp_path)
        entry = Entry(SITE, START, START + HOUR, ALDER, What.ANCHORED, 4.0, "two bricks", "Kim", "command")
        store.journal.commit(Commit(START, afternoon(2), entries=[entry]))
        store.journal.commit(Commit(START, concerns=[a_concern()], messages=[a_message("one")], verdicts=[a_verdict()]))
        store.journal.commit(Commit(START, facts={"alive": "2026-08-20"}))
        store.journal.summarise(NEVER)
        before = [
            store.readings.series(LOW, Quantity.TEMPERATURE, START, NEVER),
            store.summaries.hours(LOW, Quantity.TEMPERATURE, START, NEVER),
            store.summaries.tally(ALDER, START, NEVER),
            store.entries.between(START, NEVER),
            store.concerns.standing(),
            store.outbox.due(),
            store.facts.recall("alive"),
            store.accounts.counters(),
        ]
        store.close()
        store = self.open(tmp_path)
        after = [
            store.readings.series(LOW, Quantity.TEMPERATURE, START, NEVER),
            store.summaries.hours(LOW, Quantity.TEMPERATURE, START, NEVER),
            store.summaries.tally(ALDER, START, NEVER),
            store.entries.between(START, NEVER),
            store.concerns.standing(),
            store.outbox.due(),
            store.facts.recall("alive"),
            store.accounts.counters(),
        ]
        store.close()
        assert after == before

    # --- what is derived

    def test_hours_are_those_of_the_readings(self, store: Any) -> None:
        """Count, extremes, mean and doubtful readings of every hour, with gaps and unusable readings among them."""
        dice = random.Random(3)
        readings = [
            r._replace(
                doubts=dice.choice([0] * 9 + [int(Doubt.JUMP), int(Doubt.WET), int(Doubt.SUNLIT | Doubt.FUTURE)])
            )
            for r in afternoon(30)
            if not 5 <= (r.measured_at - START) / HOUR < 6.5 and dice.random() < 0.9
        ]
        store.journal.commit(Commit(START, readings))
        store.journal.summarise(NEVER)
        assert_hours(store, readings)
        assert_tally(store, readings)

    def test_late_readings_are_computed_in(self, store: Any) -> None:
        """Whatever the order of arrival and the moments of summarising, the figures end up the same."""
        readings = afternoon(9, every_s=400) + [reading(20 * 3600 + s, 25) for s in (0, 1800, 5400, 8999)]
        shuffled = random.Random(8).sample(readings, len(readings))
        for begin in range(0, len(shuffled), 9):
            store.journal.commit(Commit(START, shuffled[begin : begin + 9]))
            assert store.journal.summarise(NEVER) > 0
            assert_hours(store, shuffled[: begin + 9])
            assert_tally(store, shuffled[: begin + 9])
            assert_days(store, shuffled[: begin + 9])
        assert store.journal.summarise(NEVER) == 0

    def test_a_line_is_drawn_across_the_hour(self, store: Any) -> None:
        """A reading of the next hour completes the one before, and a gap too long for a line stays missing."""
        store.journal.commit(Commit(START, [reading(0, 20), reading(3000, 20)]))
        store.journal.summarise(NEVER)
        assert [h.measured_s + h.bridged_s for h in store.summaries.tally(ALDER, START, NEVER)] == [3000]
        store.journal.commit(Commit(START, [reading(4200, 20)]))
        store.journal.summarise(NEVER)
        assert [h.measured_s + h.bridged_s for h in store.summaries.tally(ALDER, START, NEVER)] == [3600, 600]
        store.journal.commit(Commit(START, [reading(4200 + 3601, 20)]))
        store.journal.summarise(NEVER)
        assert [h.measured_s + h.bridged_s for h in store.summaries.tally(ALDER, START, NEVER)] == [3600, 600]

    def test_an_hour_that_runs_is_missing_only_what_has_passed(self, store: Any) -> None:
        """What is missing of the present hour grows until it is over, also without another reading."""
        store.journal.commit(Commit(START, [reading(s, 20) for s in (0, 600, 1200)]))
        store.journal.summarise(START + timedelta(minutes=20))
        assert store.summaries.tally(ALDER, START, NEVER)[0][2:] == (1200, 0, 0)
        store.journal.summarise(START + timedelta(minutes=30))
        assert store.summaries.tally(ALDER, START, NEVER)[0][2:] == (1200, 0, 600)
        store.journal.summarise(START + 5 * HOUR)
        assert store.summaries.tally(ALDER, START, NEVER)[0][2:] == (1200, 0, 2400)
        assert store.journal.summarise(START + 9 * HOUR) == 0

    def test_the_next_probe_stands_in(self, store: Any) -> None:
        """An hour without a usable reading of the first probe is counted by the second; the first comes back."""
        first = [r for r in afternoon(4) if not HOUR <= r.measured_at - START < 2 * HOUR]
        doubted = [reading(5000, 99, doubts=int(Doubt.IMPOSSIBLE))]
        second = afternoon(4, probe=SECOND, seed=2)
        store.journal.commit(Commit(START, [*first, *doubted, *second]))
        store.journal.summarise(NEVER)
        found = store.summaries.tally(ALDER, START, NEVER)
        for index, source in enumerate([first, second, first, first]):
            begin = START + index * HOUR
            assert found[index].degree_days == pytest.approx(slow_degree_days(source, begin, begin + HOUR)[0], abs=1e-9)
        late = [r for r in afternoon(4) if r not in first]
        store.journal.commit(Commit(START, late))
        store.journal.summarise(NEVER)
        begin = START + HOUR
        assert store.summaries.tally(ALDER, begin, begin + HOUR)[0].degree_days == pytest.approx(
            slow_degree_days(afternoon(4), begin, begin + HOUR)[0], abs=1e-9
        )

    @pytest.mark.parametrize(
        ("zone", "first", "hours"),
        [
            ("America/New_York", date(2026, 3, 8), 23),
            ("America/New_York", date(2026, 11, 1), 25),
            ("America/St_Johns", date(2026, 8, 20), 24),  # half an hour off
            ("Australia/Lord_Howe", date(2026, 4, 5), 24.5),  # half an hour of daylight saving
            ("America/Havana", date(2026, 3, 8), 23),  # midnight does not exist
            ("Asia/Kathmandu", date(2026, 8, 20), 24),
        ],
    )
    def test_days_are_local(self, tmp_path: Path, zone: str, first: date, hours: float) -> None:
        """A daily summary covers the site's own day, of 23 or 25 hours or one that starts within a UTC hour."""
        store = self.open(tmp_path, zone)
        start = midnight(first - timedelta(days=1), zone)
        count = 3 * 24 * 6 + 12
        readings = [
            reading(start + timedelta(minutes=10 * i, seconds=i % 60), round(20 + 9 * math.sin(i / 23), 2))
            for i in range(count)
        ]
        for begin in range(0, count, 100):
            store.journal.commit(Commit(START, readings[begin : begin + 100]))
            store.journal.summarise(readings[min(begin + 99, count - 1)].measured_at)
        store.journal.summarise(NEVER)
        assert midnight(first + timedelta(days=1), zone) - midnight(first, zone) == timedelta(hours=hours)
        assert_days(store, readings, zone=zone)
        two = store.summaries.days(LOW, Quantity.TEMPERATURE, first, first + timedelta(days=1))
        assert [day.day for day in two] == [first, first + timedelta(days=1)]
        late = reading(readings[0].measured_at + timedelta(seconds=90), -5.5)
        store.journal.commit(Commit(START, [late, late._replace(measured_at=midnight(first, zone))]))
        store.journal.summarise(NEVER)
        assert_days(store, [*readings, late, late._replace(measured_at=midnight(first, zone))], zone=zone)
        store.close()

    def test_nothing_to_summarise_is_forgotten_over_a_restart(self, tmp_path: Path) -> None:
        """Readings that were committed but not yet summarised are, after the next start."""
        store = self.open(tmp_path)
        store.journal.commit(Commit(START, afternoon(3)))
        store.close()
        store = self.open(tmp_path)
        store.journal.summarise(NEVER)
        assert_hours(store, afternoon(3))
        assert_tally(store, afternoon(3))
        store.close()

    # --- what else came from outside

    def test_refusals_are_bounded_and_counted(self, store: Any) -> None:
        """The newest refusals are kept, newest first, payloads cut; the count goes on."""
        store.journal.commit(Commit(START, refusals=[Refusal(START, "garden/x", bytes([7]) * 100_000, "no number")]))
        (kept,) = store.accounts.refusals()
        assert (kept.topic, kept.reason, kept.received_at) == ("garden/x", "no number", START)
        assert 0 < len(kept.payload) < 100_000
        for batch in range(12):
            refusals = [Refusal(START, "garden/\ud800", b"\xff", f"{batch}-{i}") for i in range(500)]
            assert store.journal.commit(Commit(START, refusals=refusals)) == (0, 0, 500)
        assert [r.reason for r in store.accounts.refusals(3)] == ["11-499", "11-498", "11-497"]
        assert 100 <= len(store.accounts.refusals(10**6)) < 6001
        assert store.accounts.counters()["refused"] == 6001

    def test_an_entry_said_twice_is_one(self, store: Any) -> None:
        """Entries are the same by what they say, not by how or when they came; they are answered by time."""
        shaded = Entry(SITE, START + HOUR, START + HOUR, ALDER, What.SHADED, None, "", "Kim", "page")
        anchored = Entry(SITE, START, START + HOUR, ALDER, What.ANCHORED, 4.0, "bricks", "Kim", "command")
        again = shaded._replace(source="mqtt", received_at=START + 2 * HOUR)
        store.journal.commit(Commit(START, entries=[shaded, anchored, shaded]))
        store.journal.commit(
            Commit(START, entries=[again, anchored._replace(amount=5.0), shaded._replace(author="Lee")])
        )
        found = store.entries.between(START, NEVER)
        assert found == [anchored, anchored._replace(amount=5.0), shaded, shaded._replace(author="Lee")]
        assert store.entries.between(START, START + HOUR) == found[:2]
        assert store.accounts.counters()["entries"] == 4

    def test_gaps(self, store: Any) -> None:
        """A gap is open until it is closed, is answered where it touches the span, and is one however often told."""
        silence = Gap(SITE, GapKind.SILENCE, LOW, START, None, "nothing since 04:00")
        stopped = Gap(SITE, GapKind.STOPPED, "", START + HOUR, START + 2 * HOUR)
        store.journal.commit(Commit(START, gaps=[silence, stopped, stopped]))
        store.journal.commit(Commit(START, gaps=[silence._replace(started_at=START + HOUR)]))
        assert store.readings.gaps(START, NEVER) == [silence, stopped]
        assert store.readings.gaps(START - HOUR, START) == []
        assert store.readings.gaps(START + 3 * HOUR, NEVER) == [silence]
        closed = silence._replace(ended_at=START + 4 * HOUR)
        store.journal.commit(Commit(START, gaps=[closed]))
        assert store.readings.gaps(START, NEVER) == [closed, stopped]
        store.journal.commit(Commit(START, gaps=[closed._replace(ended_at=NEVER)]))
        again = silence._replace(started_at=START + 5 * HOUR)
        store.journal.commit(Commit(START, gaps=[again]))
        assert store.readings.gaps(START + 4.5 * HOUR, NEVER) == [again]
        assert store.readings.gaps(START, START + 4 * HOUR) == [closed, stopped]

    def test_a_redelivered_message_is_recognised(self, tmp_path: Path) -> None:
        """Only the same packet with the same content, and only where the broker says that it comes again."""
        store = self.open(tmp_path)
        first = Arrival(START, "garden/alder", b"23.4", packet=7)
        store.journal.commit(
            Commit(START, [reading(0, 23.4)], undated=[first, first._replace(packet=None, payload=b"5")])
        )
        store.close()
        store = self.open(tmp_path)
        again = first._replace(received_at=START + HOUR, redelivered=True, connection=2)
        assert store.journal.first_receipt(again) == START
        assert store.journal.first_receipt(again._replace(redelivered=False)) is None
        assert store.journal.first_receipt(again._replace(packet=8)) is None
        assert store.journal.first_receipt(again._replace(packet=None)) is None
        assert store.journal.first_receipt(again._replace(payload=b"23.5")) is None
        assert store.journal.first_receipt(again._replace(topic="garden/alder2", payload=b"3.4")) is None
        store.journal.commit(Commit(START, undated=[first._replace(received_at=START + HOUR, payload=b"9")]))
        assert store.journal.first_receipt(again) is None
        store.close()

    # --- concerns, verdicts, messages

    def test_a_concern_stands_until_it_is_over(self, tmp_path: Path) -> None:
        """There is one standing concern of a key, as recorded last; once over it belongs to the past."""
        store = self.open(tmp_path)
        opened = a_concern()
        worse = a_concern(START + HOUR, peak=Severity.SEVERE, breached_since=opened.breached_since, opened_at=START)
        other = a_concern(subject=BIRCH)
        store.journal.commit(Commit(START, concerns=[opened, other]))
        store.journal.commit(Commit(START + HOUR, concerns=[worse]))
        assert store.concerns.standing() == [worse, other]
        store.close()
        store = self.open(tmp_path)
        assert store.concerns.standing() == [worse, other]
        over = a_concern(START + 2 * HOUR, standing=Standing.OVER, over_at=START + 2 * HOUR, answer=What.DONE)
        for _ in range(2):
            store.journal.commit(Commit(START + 2 * HOUR, concerns=[over]))
            assert store.concerns.standing() == [other]
            assert store.concerns.past(START, NEVER) == [over]
        assert store.concerns.past(START, START + 2 * HOUR) == []
        again = a_concern(START + 5 * HOUR)
        store.journal.commit(Commit(START + 5 * HOUR, concerns=[again]))
        assert store.concerns.standing() == [other, again]
        assert store.concerns.past(START, NEVER) == [over]
        store.close()

    def test_a_concern_that_never_opened_leaves_no_past(self, store: Any) -> None:
        """What formed and went away was never anybody's concern."""
        forming = a_concern(standing=Standing.FORMING, opened_at=None)
        store.journal.commit(Commit(START, concerns=[forming]))
        assert store.concerns.standing() == [forming]
        store.journal.commit(Commit(START, concerns=[a_concern(standing=Standing.OVER, opened_at=None, over_at=START)]))
        assert store.concerns.standing() == store.concerns.past(START - HOUR, NEVER) == []

    def test_only_changes_of_a_verdict_are_kept(self, tmp_path: Path) -> None:
        """State, severity or reason must differ from the last of the same rule and subject, also over a restart."""
        store = self.open(tmp_path)
        said = [
            a_verdict(START),
            a_verdict(START + HOUR, numbers={"temperature_c": 35.0}),
            a_verdict(START + 2 * HOUR, severity=Severity.SEVERE),
            a_verdict(START + 3 * HOUR, severity=Severity.SEVERE, reason="hotter"),
            a_verdict(START + 4 * HOUR, state=State.FINE, severity=Severity.NONE, reason="cool"),
            a_verdict(START + 4 * HOUR, subject=BIRCH),
        ]
        for verdict in said:
            store.journal.commit(Commit(verdict.at, verdicts=[verdict]))
        store.close()
        store = self.open(tmp_path)
        store.journal.commit(Commit(START + 5 * HOUR, verdicts=[a_verdict(START + 5 * HOUR, subject=BIRCH)]))
        assert store.concerns.verdicts(START, NEVER) == [said[0], *said[2:]]
        store.close()

    def test_the_outbox_is_in_order_and_due(self, store: Any) -> None:
        """Most severe first, then oldest; nothing before it is due."""
        store.journal.commit(
            Commit(
                START,
                messages=[
                    a_message("late", START + HOUR),
                    a_message("first"),
                    a_message("second"),
                    a_message("severe", START + HOUR, Severity.SEVERE),
                    a_message("morning", START, Severity.EXTREME, not_before=START + 8 * HOUR),
                ],
            )
        )
        assert keys(store.outbox.due()) == ["morning", "severe", "first", "second", "late"]
        assert keys(store.outbox.due(START)) == ["first", "second"]
        assert keys(store.outbox.due(START + HOUR)) == ["severe", "first", "second", "late"]

    def test_a_message_is_delivered_at_least_once(self, tmp_path: Path) -> None:
        """It waits over restarts and failures until the channel took it, or it is visibly undelivered."""
        store = self.open(tmp_path)
        store.journal.commit(Commit(START, concerns=[a_concern()], messages=[a_message("one"), a_message("two")]))
        store.close()
        store = self.open(tmp_path)
        assert keys(store.outbox.due(START)) == ["one", "two"]
        store.journal.commit(Commit(START, sendings=[Sending("one", START, "no network", START + HOUR)]))
        assert keys(store.outbox.due(START)) == ["two"]
        store.journal.commit(Commit(START, sendings=[Sending("two", START)]))
        store.close()
        store = self.open(tmp_path)
        (waiting,) = store.outbox.due(START + HOUR)
        assert waiting == Parcel(a_message("one"), 1, START + HOUR, "waiting", "no network")
        store.journal.commit(Commit(START + HOUR, sendings=[Sending("one", START + HOUR, "expired", None)]))
        assert store.outbox.due() == []
        assert {p.message.key: (p.state, p.attempts, p.detail) for p in store.outbox.between(START, NEVER)} == {
            "one": ("undelivered", 2, "expired"),
            "two": ("sent", 1, ""),
        }
        assert store.accounts.counters()["messages undelivered"] == 1
        with pytest.raises(ValueError, match="nobody"):
            store.journal.commit(Commit(START, sendings=[Sending("nobody", START)]))
        store.close()

    def test_telling_twice_is_one_telling(self, store: Any) -> None:
        """A key that is there already is ignored, whatever became of it."""
        store.journal.commit(Commit(START, messages=[a_message("one")]))
        store.journal.commit(Commit(START, sendings=[Sending("one", START)]))
        store.journal.commit(Commit(START + HOUR, messages=[a_message("one", START + HOUR)]))
        assert store.outbox.due() == []
        assert [p.state for p in store.outbox.between(START, NEVER)] == ["sent"]

    def test_withdrawn_and_held_messages_are_not_sent_but_seen(self, store: Any) -> None:
        """They never leave, and are in the history with the reason; what was sent can't be withdrawn."""
        store.journal.commit(
            Commit(START, messages=[a_message("one"), a_message("sent")], held=[(a_message("held"), "budget spent")])
        )
        store.journal.commit(Commit(START, sendings=[Sending("sent", START)]))
        store.journal.commit(
            Commit(
                START, messages=[a_message("instead")], withdrawn=[("one", "too late"), ("sent", "x"), ("no such", "x")]
            )
        )
        assert keys(store.outbox.due()) == ["instead"]
        history = {p.message.key: (p.state, p.detail) for p in store.outbox.between(START, NEVER)}
        assert history == {
            "one": ("withdrawn", "too late"),
            "sent": ("sent", ""),
            "held": ("held", "budget spent"),
            "instead": ("waiting", ""),
        }

    # --- one commit

    def test_a_commit_is_one_thing(self, tmp_path: Path) -> None:
        """Everything of a commit is there after a restart, also what became of a message of that very commit."""
        store = self.open(tmp_path)
        silence = Gap(SITE, GapKind.SILENCE, LOW, START, None)
        entry = Entry(SITE, START, START, ALDER, What.SHADED)
        packet = Arrival(START, "garden/alder", b"23.4", packet=7)
        store.journal.commit(Commit(START, gaps=[silence], messages=[a_message("early")]))
        added = store.journal.commit(
            Commit(
                START + HOUR,
                readings=[reading(0, 20), reading(0, 21)],
                refusals=[Refusal(START, "garden/x", b"?", "no number")],
                entries=[entry],
                gaps=[silence._replace(ended_at=START + HOUR)],
                undated=[packet],
                concerns=[a_concern()],
                verdicts=[a_verdict()],
                messages=[a_message("one"), a_message("two"), a_message("three")],
                withdrawn=[("early", "too late")],
                held=[(a_message("held"), "budget spent")],
                sendings=[
                    Sending("one", START + HOUR),
                    Sending("two", START + HOUR, "no network", START + 2 * HOUR),
                    Sending("three", START + HOUR, "expired"),
                ],
                facts={"alive": "a"},
            )
        )
        assert added == (1, 1, 1)
        store.close()
        store = self.open(tmp_path)
        assert store.readings.series(LOW, Quantity.TEMPERATURE, START, NEVER).values == [20]
        assert [r.reason for r in store.accounts.refusals()] == ["no number"]
        assert store.entries.between(START, NEVER) == [entry]
        assert store.readings.gaps(START, NEVER) == [silence._replace(ended_at=START + HOUR)]
        assert store.journal.first_receipt(packet._replace(redelivered=True)) == START
        assert store.concerns.standing() == [a_concern()]
        assert store.concerns.verdicts(START, NEVER) == [a_verdict()]
        assert {p.message.key: (p.state, p.attempts, p.detail) for p in store.outbox.between(START, NEVER)} == {
            "early": ("withdrawn", 0, "too late"),
            "one": ("sent", 1, ""),
            "two": ("waiting", 1, "no network"),
            "three": ("undelivered", 1, "expired"),
            "held": ("held", 0, "budget spent"),
        }
        assert [p.due_at for p in store.outbox.due()] == [START + 2 * HOUR]
        assert store.facts.recall("alive") == "a"
        store.close()

    def test_a_commit_that_fails_leaves_nothing(self, store: Any) -> None:
        """A sending of a message that nobody knows is a defect: nothing of its commit is stored."""
        with pytest.raises(ValueError, match="nobody"):
            store.journal.commit(
                Commit(
                    START,
                    readings=[reading(0, 20)],
                    verdicts=[a_verdict()],
                    messages=[a_message("one")],
                    sendings=[Sending("nobody", START)],
                    facts={"alive": "a"},
                )
            )
        assert store.readings.series(LOW, Quantity.TEMPERATURE, START, NEVER).values == []
        assert store.outbox.due() == store.concerns.verdicts(START, NEVER) == []
        assert store.facts.recall("alive") is None
        store.journal.commit(Commit(START, verdicts=[a_verdict()]))
        assert store.concerns.verdicts(START, NEVER) == [a_verdict()]

    def test_remembering(self, store: Any) -> None:
        """A fact is the last that was said of it; one never said is None."""
        assert store.facts.recall("alive") is None
        store.journal.commit(Commit(START, facts={"alive": "a"}))
        store.journal.commit(Commit(START, facts={"alive": "b"}))
        assert store.facts.recall("alive") == "b"

    def test_nouns_come_back_equal(self, tmp_path_factory: pytest.TempPathFactory) -> None:
        """Any entry, refusal, concern or message comes back as it was given."""

        # within the method: a decorated one would be shared by every store's class, which hypothesis refuses
        @settings(deadline=None, max_examples=40)
        @given(st.data())
        def holds(data: st.DataObject) -> None:
            self.holds_nouns(tmp_path_factory.mktemp("nouns"), data)

        holds()

    def holds_nouns(self, folder: Path, data: st.DataObject) -> None:
        """One example of it."""
        times = st.datetimes(datetime(2020, 1, 1), datetime(2099, 1, 1), timezones=st.just(UTC))
        words = st.text(st.characters(exclude_categories=["Cs"]), max_size=40)
        entry = data.draw(st.builds(Entry, st.just(SITE), times, times, words, st.sampled_from(What),
                                    st.none() | st.floats(0, 1e6), words, words, words))  # fmt: skip
        numbers = st.dictionaries(
            words, st.none() | st.booleans() | st.integers(-9, 9) | st.floats(-1e9, 1e9) | words, max_size=4
        )
        verdict = data.draw(st.builds(Verdict, rule=words, subject=words, state=st.sampled_from(State), at=times,
                                      reason=words, severity=st.sampled_from(Severity), numbers=numbers,
                                      advice=st.none() | st.builds(Advice, words, st.none() | times)))  # fmt: skip
        concern = data.draw(st.builds(Concern, site=st.just(SITE), rule=words, subject=words,
                                      standing=st.sampled_from([Standing.OPEN, Standing.ANSWERED]),
                                      verdict=st.just(verdict), breached_since=times, opened_at=times,
                                      answer=st.none() | st.sampled_from(What)))  # fmt: skip
        message = a_message(
            data.draw(words), data.draw(times), text=data.draw(words), concerns=tuple(data.draw(st.lists(words)))
        )
        store = self.open(folder)
        store.journal.commit(Commit(START, entries=[entry]))
        store.journal.commit(Commit(START, concerns=[concern], messages=[message], verdicts=[verdict]))
        past = datetime(2000, 1, 1, tzinfo=UTC)
        assert store.entries.between(past, NEVER) == [entry]
        assert store.concerns.standing() == [concern]
        assert store.concerns.verdicts(past, NEVER) == [verdict]
        assert [p.message for p in store.outbox.due()] == [message]
        store.close()
