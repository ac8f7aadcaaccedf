"""What a store promises of what was measured: readings, and what is derived of them.

A store's test module subclasses these and says how the store opens.
"""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest

from sensord.model import (
    Doubt,
    Entry,
    Quantity,
    What,
)
from sensord.ports import Commit, Place, Places
from tests.store_promises import (
    ALDER,
    BIRCH,
    HIGH,
    HOUR,
    LOW,
    LOWER_C,
    NEVER,
    PLACES,
    SECOND,
    SITE,
    START,
    UPPER_C,
    ZONE,
    afternoon,
    assert_days,
    assert_hours,
    assert_tally,
    midnight,
    reading,
    slow_degree_days,
)


class Opened:
    """How the store under test opens: a suite's user says so."""

    def open(self, folder: Path, zone: str = ZONE, places: Sequence[Place] | Places = PLACES) -> Any:
        """The store kept in this folder, of the site and places above; opened again, it is the same store."""
        raise NotImplementedError

    @pytest.fixture
    def store(self, tmp_path: Path) -> Any:
        store = self.open(tmp_path)
        yield store
        store.close()


class ReadingsPromises(Opened):
    """`ports.Readings`, and how readings become durable."""

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

    def test_the_latest_reading(self, store: Any) -> None:
        """The newest by measurement, also where it came first; whole, with its receipt to the millisecond."""
        store.journal.commit(Commit(START, [reading(60, 21, doubts=int(Doubt.WET)), reading(0, 20)]))
        assert store.readings.latest(LOW, Quantity.TEMPERATURE) == reading(60, 21, doubts=int(Doubt.WET))
        assert store.readings.latest(LOW, Quantity.TEMPERATURE, START + timedelta(seconds=60)) == reading(0, 20)
        assert store.readings.latest(LOW, Quantity.TEMPERATURE, START) is None
        assert store.readings.latest("nobody", Quantity.TEMPERATURE) is None

    def test_slots_are_those_of_the_readings(self, store: Any) -> None:
        """Mean, low and high of every slot by the clock, without the doubts that are refused and what is no number."""
        readings = [r._replace(doubts=int(Doubt.SUNLIT) if n % 7 == 0 else 0) for n, r in enumerate(afternoon(3))]
        store.journal.commit(Commit(START, [*readings, reading(30, math.nan)]))
        begin, end = START + timedelta(minutes=7), START + timedelta(minutes=140)
        found = store.readings.slots(LOW, Quantity.TEMPERATURE, begin, end, 900, int(Doubt.SUNLIT))
        expected: dict[int, list[float]] = {}
        for r in readings:
            if begin <= r.measured_at < end and not r.doubts:
                expected.setdefault(int(r.measured_at.timestamp()) // 900 * 900, []).append(r.value)
        assert [slot.start_s for slot in found] == sorted(expected)
        for slot in found:
            values = expected[slot.start_s]
            assert (slot.minimum, slot.maximum) == pytest.approx((min(values), max(values)))
            assert slot.mean == pytest.approx(sum(values) / len(values))


class SummariesPromises(Opened):
    """`ports.Summaries`."""

    def test_a_number_that_is_none_harms_no_summary(self, store: Any) -> None:
        """A value that is not finite is left out of summaries even where nobody doubted it."""
        store.journal.commit(
            Commit(START, [reading(0, 20), reading(60, math.nan), reading(120, math.inf), reading(180, 24)])
        )
        store.journal.summarise(NEVER)
        (hour,) = store.summaries.hours(LOW, Quantity.TEMPERATURE, START, NEVER)
        assert (hour.count, hour.minimum, hour.maximum, hour.mean) == (2, 20, 24, pytest.approx(22))

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

    def test_degree_days_are_counted_for_whom_was_there(self, tmp_path: Path) -> None:
        """Others come at two and are gone at four, told at six: each hour counts above the threshold of its own species.

        A reading that comes late, and a restart, change nothing of that; nor does one enclosure's move another's figures.
        """
        first, other = (
            Place(ALDER, (LOW, SECOND), LOWER_C, UPPER_C, "first"),
            Place(ALDER, (LOW, SECOND), 9.0, None, "other"),
        )
        birch = Place(BIRCH, (HIGH,), LOWER_C, UPPER_C, "first")

        def places(said: Sequence[Entry]) -> list[Place]:
            moves = [e for e in said if e.what is What.MOVED]
            return [first, *(replace(other if e.text == ALDER else first, since=e.at) for e in moves), birch]

        def hourly(name: str = ALDER) -> list[float]:
            return [t.degree_days for t in store.summaries.tally(name, START, START + 6 * HOUR)]

        store = self.open(tmp_path, places=places)
        measured = [reading(600 * n, 20.0, probe) for n in range(37) if n != 15 for probe in (LOW, HIGH)]
        store.journal.commit(Commit(START, measured))
        store.journal.summarise(START + 6 * HOUR)
        of_first, of_other = (20.0 - LOWER_C) / 24, (20.0 - 9.0) / 24
        assert hourly() == pytest.approx([of_first] * 6)
        came = Entry(SITE, START + 2 * HOUR, START + 6 * HOUR, "brood", What.MOVED, text=ALDER)
        store.journal.commit(Commit(START + 6 * HOUR, entries=[came]))
        store.journal.summarise(START + 6 * HOUR)
        assert hourly() == pytest.approx([of_first] * 2 + [of_other] * 4)
        store.journal.commit(Commit(START + 6 * HOUR, entries=[came._replace(at=START + 4 * HOUR, text=BIRCH)]))
        store.journal.summarise(START + 6 * HOUR)
        expected = [of_first] * 2 + [of_other] * 2 + [of_first] * 2
        assert hourly() == pytest.approx(expected)
        assert hourly(BIRCH) == pytest.approx([of_first] * 6)
        store.journal.commit(Commit(START + 6 * HOUR, [reading(9000, 20.0)]))
        store.journal.summarise(START + 7 * HOUR)
        assert hourly() == pytest.approx(expected)
        store.close()
        store = self.open(tmp_path, places=places)
        store.journal.summarise(START + 7 * HOUR)
        assert hourly() == pytest.approx(expected)
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
