"""Readings as columns that are looked at from somewhere to somewhere: every edge of a span."""

from __future__ import annotations

import math
from collections.abc import Sequence

import pytest

from sensord.model import Doubt
from sensord.rules._tracks import NOTHING, Columns, Seen, Track, nearest
from tests.rules.scenes import probe

STUCK, WET, JUMP = int(Doubt.STUCK), int(Doubt.WET), int(Doubt.JUMP)


def track(times_s: Sequence[float], values: Sequence[float] | None = None, doubts: Sequence[int] = ()) -> Track:
    """Values are the times where nothing else is said."""
    return Track.of(list(times_s), list(values or times_s), list(doubts) or [0] * len(times_s), 60.0)


def within(times_s: Sequence[float], first: int, last: int) -> Track:
    """Only those from `first` to `last` may be seen."""
    return Track(Columns(times_s, times_s, [0] * len(times_s)), first, last, 60.0)


TEN = [float(t) for t in range(0, 600, 60)]


def test_a_span_begins_with_what_is_at_its_begin_and_ends_before_its_end() -> None:
    """And never leaves what may be seen."""
    part = within(TEN, 2, 8)
    assert list(part.values) == [120, 180, 240, 300, 360, 420]
    assert list(part.since(240).values) == [240, 300, 360, 420]
    assert list(part.since(0).values) == [120, 180, 240, 300, 360, 420]
    assert list(part.between(180, 300).values) == [180, 240]
    assert list(part.between(0, 600).values) == [120, 180, 240, 300, 360, 420]
    assert part.since(421).is_empty
    assert not part.since(420).is_empty
    assert list(track([0.0, 0.1, 3600.1]).last_hour(3600.1).values) == [0.1, 3600.1]


def test_what_no_computation_may_use_is_left_out() -> None:
    """What is doubted so, what is out of range, what is no number, and what does not come after what was before."""
    of = probe("any", "birch")
    times, values = [0.0, 60.0, 60.0, 30.0, 120.0, 180.0, 240.0], [1.0, 2.0, 3.0, 4.0, math.nan, 6.0, 7.0]
    seen = Seen.of(of, times, values, [0, WET, 0, 0, 0, STUCK, JUMP])
    usable = seen.usable(1000.0)
    assert (list(usable.times_s), list(usable.values), list(usable.doubts)) == ([0.0, 60.0], [1.0, 2.0], [0, WET])
    ranged = Seen.of(of, TEN, TEN, [0] * 10)
    assert list(ranged.usable(1000.0, 60.0, 180.0).values) == [60, 120, 180]
    assert list(ranged.usable(120.0).values) == [0, 60, 120], "up to the instant, and that included"
    assert list(ranged.usable(119.9).values) == [0, 60]
    assert ranged.usable(540.0) is ranged.usable(900.0), "who asks for the same is given the same"
    assert ranged.usable(540.0) is not ranged.usable(540.0, 0.0)


def test_doubts_of_the_latest_readings() -> None:
    """From an instant on, that included, within what may be seen."""
    seen = Seen(probe("any", "birch"), Columns(TEN, TEN, list(range(10))), 2, 8)
    assert list(seen.doubts_since(300.0)) == [5, 6, 7]
    assert list(seen.doubts_since(301.0)) == [6, 7]
    assert list(seen.doubts_since(0.0)) == [2, 3, 4, 5, 6, 7]


def test_what_is_less_is_less_the_nearest_of_the_same_time() -> None:
    """Both ends of the span are included; of two as near, the later one counts; too far away is none."""
    inside = track([0.0, 60.0, 120.0, 180.0], [10.0, 11.0, 12.0, 13.0])
    outside = track([-30.0, 30.0, 90.0, 300.0], [1.0, 2.0, 3.0, 9.0])
    assert inside.less(outside, 60.0, 120.0, 30.0) == ([60.0, 120.0], [8.0, 9.0])
    assert inside.less(outside, 0.0, 180.0, 30.0) == ([0.0, 60.0, 120.0], [8.0, 8.0, 9.0])
    assert inside.less(outside, 0.0, 180.0, 89.9) == ([0.0, 60.0, 120.0], [8.0, 8.0, 9.0])
    assert inside.less(outside, 0.0, 180.0, 90.0) == ([0.0, 60.0, 120.0, 180.0], [8.0, 8.0, 9.0, 10.0])
    assert inside.less(NOTHING, 0.0, 180.0, 90.0) == ([], [])
    only = within([-30.0, 30.0, 90.0], 0, 1)
    assert inside.less(only, 0.0, 180.0, 60.0) == ([0.0], [10.0 + 30.0])


def test_nearest_goes_on_from_where_it_stood() -> None:
    """And not beyond what may be seen."""
    assert [nearest(TEN, 0, 10, at) for at in (0.0, 29.9, 30.0, 540.0, 9999.0)] == [0, 0, 1, 9, 9]
    assert nearest(TEN, 3, 10, 0.0) == 3
    assert nearest(TEN, 0, 4, 9999.0) == 3


def test_means_are_of_the_clocks_spans() -> None:
    """Each stands in the middle of its readings, the newest where the newest reading does; of some part alone."""
    means = track([0.0, 60.0, 120.0, 300.0, 540.0, 600.0, 660.0], [1.0, 2.0, 3.0, 4.0, 6.0, 7.0, 9.0]).means(300.0)
    assert (list(means.times_s), list(means.values)) == ([60.0, 420.0, 660.0], [2.0, 5.0, 8.0])
    assert means.interval_s == 300.0
    assert list(means.doubts) == [0, 0, 0]
    assert list(within(TEN, 2, 4).means(300.0).values) == [150.0]
    coarse = Track.of(TEN, TEN, [0] * 10, 300.0)
    assert coarse.means(300.0) is coarse
    assert coarse.means(301.0) is not coarse
    assert NOTHING.means(300.0) is NOTHING


@pytest.mark.parametrize(
    ("doubts", "share"), [([], 0.0), ([0, 0], 0.0), ([WET, 0, 0, JUMP], 0.25), ([WET | JUMP], 1.0)]
)
def test_the_share_that_carries_a_doubt(doubts: Sequence[int], share: float) -> None:
    """Of all that is there; of nothing, none."""
    assert track([float(i) for i in range(len(doubts))], None, doubts).share(Doubt.WET) == share
