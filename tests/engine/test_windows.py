"""Windows: immutable to whoever holds one, and in every answer what a plain list of readings would say."""

from __future__ import annotations

import gc
import math
import random
from array import array
from dataclasses import dataclass, field
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from sensord.engine.windows import LEAST_LET_GO, MOST, Window, WindowRow, window_of
from sensord.model import Doubt, Probe, Quantity
from sensord.rules import Seen
from sensord.rules._tracks import Columns

HORIZON_S = 6 * 3600.0
PROBE = Probe("larkfield", "birch-1", "birch", "generic", frozenset({Quantity.TEMPERATURE}), 60.0)
VALUES = st.one_of(st.floats(-70, 95), st.sampled_from([math.nan, math.inf, -127.0, 85.0]))
DOUBTS = st.sampled_from([0, 0, 0, 0, *(int(d) for d in Doubt if d)])


@dataclass
class Model:
    """A window as a plain dictionary, copied for each version."""

    rows: dict[float, WindowRow] = field(default_factory=dict)

    def add(self, rows: list[WindowRow], now_s: float) -> Model:
        """The first of two of one time stays; what is too far from now goes."""
        after = dict(self.rows)
        for row in rows:
            if abs(row[0] - now_s) <= HORIZON_S:
                after.setdefault(row[0], row)
        return Model({t: row for t, row in sorted(after.items()) if t >= now_s - HORIZON_S})

    def between(self, start_s: float, end_s: float) -> list[WindowRow]:
        """Ascending."""
        return [row for t, row in self.rows.items() if start_s <= t < end_s]


def rows_of(columns: Any) -> list[WindowRow]:
    """Columns as rows that can be compared: what is not a number is equal to itself."""
    return [(t, repr(v), d) for t, v, d in zip(columns.times_s, columns.values, columns.doubts, strict=True)]  # type: ignore[misc]


def plain(rows: list[WindowRow]) -> Seen:
    """The same readings, as lists of their own, of which everything is computed afresh."""
    return Seen.of(PROBE, [r[0] for r in rows], [r[1] for r in rows], [r[2] for r in rows])


class Windows(RuleBasedStateMachine):
    """Versions are made from any earlier version, and all of them are looked at, again and again."""

    def __init__(self) -> None:
        super().__init__()
        self.now_s = 1_780_000_000.0
        self.versions: list[tuple[Window, Model]] = [(Window(HORIZON_S), Model())]

    @rule(seconds=st.sampled_from([1.0, 60.0, 600.0, 7000.0, 40_000.0]))
    def time_passes(self, seconds: float) -> None:
        """And nothing comes."""
        self.now_s += seconds

    @rule(
        which=st.sampled_from([-1, -1, -1, -1, -2, -3]),
        ages=st.lists(st.one_of(st.integers(-90, 90), st.integers(-400, 400)), max_size=8),
        value=VALUES,
        doubts=DOUBTS,
    )
    def some_come(self, which: int, ages: list[int], value: float, doubts: int) -> None:
        """In order or not, late or ahead, once or twice."""
        window, model = self.versions[max(which, -len(self.versions))]
        rows = [(self.now_s - 60.0 * age, value + i / 10, doubts if i % 2 else 0) for i, age in enumerate(ages)]
        self._keep(window.add(rows, self.now_s), model.add(rows, self.now_s))

    @rule(count=st.integers(1, 150), value=st.floats(-70, 95), doubts=DOUBTS)
    def many_come(self, count: int, value: float, doubts: int) -> None:
        """One by one, as they do."""
        window, model = self.versions[-1]
        for i in range(count):
            self.now_s += 60.0
            row = (self.now_s, value + i / 100, doubts if i % 7 == 0 else 0)
            window, model = window.add([row], self.now_s), model.add([row], self.now_s)
        self._keep(window, model)

    def _keep(self, window: Window, model: Model) -> None:
        self.versions = [*self.versions[-4:], (window, model)]

    @invariant()
    def every_version_is_what_it_was(self) -> None:
        """The older ones too, whatever was added to them or to newer ones."""
        for window, model in self.versions:
            everything = model.between(-math.inf, math.inf)
            assert rows_of(window.between(-math.inf, math.inf)) == rows_of(plain(everything))
            assert len(window) == len(everything)
            assert window.newest_s == (everything[-1][0] if everything else None)

    @rule(which=st.integers(-5, -1), back=st.integers(0, 400), until=st.integers(-20, 60), narrow=st.booleans())
    def is_asked(self, which: int, back: int, until: int, narrow: bool) -> None:
        """The part that a rule asks for, what is usable of it and its means are what lists would give, to the last bit."""
        window, model = self.versions[max(which, -len(self.versions))]
        start_s, end_s = self.now_s - 60.0 * back, self.now_s - 60.0 * until
        seen, expected = window.seen(PROBE, start_s, end_s), plain(model.between(start_s, end_s))
        assert rows_of(seen) == rows_of(expected)
        bounds = (0.0, 40.0) if narrow else (-60.0, 90.0)
        for until_s in (end_s, end_s - 1000.0):
            track, whole = seen.usable(until_s, *bounds), expected.usable(until_s, *bounds)
            assert rows_of(track) == rows_of(whole)
            assert seen.usable(until_s, *bounds) is track
            for span_s in (300.0, 180.0, 7.0):
                assert rows_of(track.means(span_s)) == rows_of(whole.means(span_s))
            middle_s = (start_s + end_s) / 2
            assert rows_of(track.since(middle_s)) == rows_of(whole.since(middle_s))
            assert rows_of(track.since(middle_s).means(300.0)) == rows_of(whole.since(middle_s).means(300.0))
            assert rows_of(track.between(start_s, middle_s)) == rows_of(whole.between(start_s, middle_s))


TestWindows = Windows.TestCase
TestWindows.settings = settings(max_examples=60, stateful_step_count=25, deadline=None)


@given(st.lists(st.integers(0, 10_000), unique=True, max_size=40).map(sorted))
def test_a_window_is_made_of_what_a_store_knows(times: list[int]) -> None:
    """Three ascending columns, taken as they are."""
    columns = [float(t) for t in times], [t / 10 for t in times], [0] * len(times)
    assert rows_of(window_of(HORIZON_S, *columns).between(-math.inf, math.inf)) == rows_of(Seen.of(PROBE, *columns))


def test_a_window_reaches_to_its_horizon_both_ways() -> None:
    """A reading of the very instant is in it, a second farther is not; nor once time has gone on by a second more."""
    now_s = 1_780_000_000.0
    for off_s, kept in ((HORIZON_S, 1), (HORIZON_S + 1, 0)):
        for at_s in (now_s - off_s, now_s + off_s):
            assert len(Window(HORIZON_S).add([(at_s, 1.0, 0)], now_s)) == kept
    old = Window(HORIZON_S).add([(now_s, 1.0, 0)], now_s)
    for later_s, kept in ((HORIZON_S, 1), (HORIZON_S + 1, 0)):
        assert len(old.add((), now_s + later_s)) == kept


def test_windows_are_equal_by_their_readings_and_their_horizon() -> None:
    """Both."""
    rows = [(1.0, 20.0, 0)]
    assert Window(HORIZON_S, rows) == Window(HORIZON_S, rows)
    assert Window(HORIZON_S, rows) != Window(HORIZON_S)
    assert Window(HORIZON_S, rows) != Window(HORIZON_S + 1, rows)


def test_a_flood_is_bounded() -> None:
    """Whatever comes within the horizon: the newest stay, and their number is bounded."""
    window = Window(1e9)
    for first in range(0, 2 * MOST, 10_000):
        window = window.add([(float(t), 1.0, 0) for t in range(first, first + 10_000)], float(first))
    assert len(window) == MOST
    assert window.newest_s == 2 * MOST - 1
    assert window.between(0.0, 2.0 * MOST).times_s[0] == float(MOST)


def test_a_window_holds_no_more_than_twice_its_horizon() -> None:
    """After weeks of one a minute the columns hold about the horizon: what is too old is let go, not only hidden."""
    window = Window(HORIZON_S)
    for minute in range(30_000):
        window = window.add([(60.0 * minute, 20.0, 0)], 60.0 * minute)
    assert len(window) == HORIZON_S / 60 + 1
    assert len(window._columns.times_s) <= 2 * (HORIZON_S / 60 + LEAST_LET_GO)


def test_adding_to_the_newest_version_copies_nothing() -> None:
    """The cost of a reading does not depend on how many there are: the columns are the same ones."""
    before = window_of(1e9, [float(t) for t in range(5000)], [1.0] * 5000, [0] * 5000)
    after = before.add([(5000.0, 1.0, 0)], 5000.0)
    assert after._columns is before._columns
    assert (len(before), len(after)) == (5000, 5001)


def test_readings_are_looked_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Asked again after one more reading, only that one is looked at, and only its span's mean is computed."""
    window = window_of(1e9, [60.0 * t for t in range(5000)], [20.0] * 5000, [0] * 5000)
    looked = CountingArray("d", window._columns.values)
    window._columns.values = looked
    for minute in range(5000, 5050):
        window.seen(PROBE, 0.0, math.inf).usable(math.inf, -60.0, 90.0).means(300.0)
        before = looked.looked_at
        window = window.add([(60.0 * minute, 20.0, 0)], 60.0 * minute)
        window.seen(PROBE, 0.0, math.inf).usable(math.inf, -60.0, 90.0).means(300.0)
        assert looked.looked_at - before <= 12


def test_what_is_asked_again_and_again_is_what_lists_give() -> None:
    """For longer than the horizon, with late readings, doubts, and values at the very bounds of what is usable."""
    chance = random.Random(5)
    now_s, window, model = 1_780_000_000.0, Window(HORIZON_S), Model()
    for _ in range(900):
        now_s += 60.0
        value = chance.choice([0.0, 40.0, -0.1, 40.1, chance.randint(100, 300) / 10])
        rows = [(now_s, value, chance.choice([0, 0, 0, 0, int(Doubt.JUMP)]))]
        if chance.random() < 0.05:
            rows.append((now_s - chance.randint(30, 3000), 20.5, 0))
        window, model = window.add(rows, now_s), model.add(rows, now_s)
        start_s, end_s = now_s - chance.choice([0, 200, 1000, 9000, HORIZON_S]), now_s + chance.choice([1, -100, -800])
        seen, expected = (window.seen(PROBE, start_s, end_s), plain(model.between(start_s, end_s)))
        assert rows_of(seen) == rows_of(expected)
        track, whole = (s.usable(math.inf, 0.0, 40.0) for s in (seen, expected))
        assert rows_of(track) == rows_of(whole)
        assert rows_of(track.means(300.0)) == rows_of(whole.means(300.0))


def test_means_stand_in_the_middle_of_their_readings() -> None:
    """Also of the span that is not whole yet, whether it was asked before or not."""
    window = Window(HORIZON_S)
    for minute in range(40):
        window = window.add([(60.0 * minute, minute / 7, 0)], 60.0 * minute)
        columns = window._columns
        for first in range(max(0, minute - 12), minute + 2):
            found, expected = columns.means(first, minute + 1, 300.0), Columns.means(columns, first, minute + 1, 300.0)
            assert [list(found[0]), list(found[1])] == [expected[0], expected[1]]


@pytest.mark.parametrize("seed", range(12))
def test_differences_to_another_series_are_what_lists_give(seed: int) -> None:
    """However the two series grow, whichever of their versions are compared, and however little of the other is seen."""
    chance = random.Random(seed)
    for _ in range(25):
        now_s, worlds = 10_000.0, [[(Window(HORIZON_S), Model())], [(Window(HORIZON_S), Model())]]
        for _ in range(60):
            now_s += chance.randint(0, 200)
            grown = chance.choice(worlds)
            late_s = chance.choice([0.0, 0.0, 0.0, 37.0, 500.0])
            rows = [(now_s - late_s, chance.randint(200, 400) / 10, chance.choice([0, 0, 0, int(Doubt.JUMP)]))]
            window, model = grown[-1]
            grown.append((window.add(rows, now_s), model.add(rows, now_s)))
            asked = [chance.choice(versions[-4:]) for versions in worlds]
            start_s, end_s = now_s - chance.randint(0, 3000), now_s - chance.choice([0, 0, 100, 600])
            tracks = [window.seen(PROBE, start_s, end_s).usable(math.inf, -60.0, 90.0) for window, _ in asked]
            plains = [plain(model.between(start_s, end_s)).usable(math.inf, -60.0, 90.0) for _, model in asked]
            for begin_s in (start_s, start_s + 300.0):
                found, expected = (t[0].less(t[1], begin_s, end_s - 60.0, 90.0) for t in (tracks, plains))
                assert [list(column) for column in found] == [list(column) for column in expected]


@given(
    st.lists(st.integers(0, 3000), unique=True, max_size=30).map(sorted),
    st.lists(st.integers(0, 3000), unique=True, max_size=30).map(sorted),
)
def test_each_reading_is_compared_with_the_nearest(times: list[int], others: list[int]) -> None:
    """Of all that were measured outside, and of two as near the later; with none where even that is too far."""
    inside = Seen.of(PROBE, [float(t) for t in times], [20.0 + t for t in times], [0] * len(times)).usable(math.inf)
    outside = Seen.of(PROBE, [float(t) for t in others], [float(t) for t in others], [0] * len(others)).usable(math.inf)
    found = inside.less(outside, 500.0, 2500.0, 90.0)
    expected = [
        (float(t), 20.0 + t - near)
        for t in times
        if 500 <= t <= 2500 and others
        for near in [min(others, key=lambda o: (abs(o - t), -o))]
        if abs(near - t) <= 90
    ]
    assert list(zip(*found, strict=True)) == expected


def test_columns_that_were_let_go_are_gone_at_once() -> None:
    """Nothing that was computed of a window keeps its readings: none of it is left for the search for garbage."""
    gc.collect()
    gc.disable()
    try:
        for _ in range(3):
            inside, outside = (Window(HORIZON_S, [(60.0 * n, value, 0) for n in range(200)]) for value in (25.0, 20.0))
            mine, theirs = (w.seen(PROBE, 0.0, 9000.0).usable(math.inf, -60.0, 90.0) for w in (inside, outside))
            assert mine.less(theirs, 3000.0, 9000.0, 90.0)[1][0] == 5.0
            assert mine.means(300.0).values[0] == 25.0
            del inside, outside, mine, theirs
        assert gc.collect() == 0
    finally:
        gc.enable()


class CountingArray(array):  # type: ignore[type-arg]
    """An array of numbers that counts how many of them were asked for."""

    looked_at = 0

    def __getitem__(self, index: Any) -> Any:
        self.looked_at += len(range(*index.indices(len(self)))) if isinstance(index, slice) else 1
        return super().__getitem__(index)
