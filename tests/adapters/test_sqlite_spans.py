"""What a span of readings amounts to: also where no line, or no reading, lies in it."""

from __future__ import annotations

import pytest

from sensord.adapters.sqlite_spans import NOTHING, SpanPart, look_at, slots_of, together
from sensord.model import Doubt

HOUR_MS = 3_600_000
STUCK = int(Doubt.STUCK)
WRONG = int(Doubt.IMPOSSIBLE)


def part(times_s: list[float], values: list[float], doubts: list[int] | None = None) -> SpanPart:
    """The first hour of some readings."""
    return look_at((times_s, values, doubts or [0] * len(values)), 0, HOUR_MS).part


def test_an_hour_without_a_reading_has_the_mean_of_the_line_through_it() -> None:
    """Ten minutes of a line from 20 to 26 that is 50 minutes long: read off it, and without extremes, which nobody read."""
    through = look_at(([1_000.0, 4_000.0], [20.0, 26.0], [0, 0]), 1_200_000, 1_800_000).part
    assert through == SpanPart(0, None, None, None, None, pytest.approx(21.0), 600.0)
    spoilt = look_at(([-600.0, 3_000.0, 6_600.0], [20.0, 99.0, 26.0], [0, WRONG, 0]), 0, HOUR_MS).part
    assert spoilt == NOTHING, "the wrong reading is not used, and the line across it would be too long"


def test_a_reading_alone_is_its_own_mean() -> None:
    """No line reaches it: the arithmetic mean stands, and nothing is covered; without any reading there is no mean."""
    assert part([60.0], [21.5]) == SpanPart(1, 21.5, 60_000, 21.5, 60_000, 21.5, 0.0)
    assert part([60.0, 3_661.0], [21.5, 30.0]).mean == 21.5, "further apart than a line may reach"
    assert part([60.0, 3_660.0], [21.5, 30.0]).covered_s == 3_540.0, "just as far as a line may reach"
    assert part([], []) == NOTHING
    assert part([60.0], [21.5], [WRONG]) == NOTHING


def test_parts_add_up_by_what_lines_cover_or_else_by_how_many_were_read() -> None:
    """A mean that is missing counts for nothing, and never as zero."""
    read = SpanPart(3, 10.0, 1, 14.0, 2, 12.0, 0.0)
    covered = SpanPart(60, 18.0, 3, 24.0, 4, 21.0, 3600.0)
    through = SpanPart(0, None, None, None, None, 30.0, 1200.0)
    assert together([NOTHING, read, NOTHING]) == read
    assert together([read, read._replace(count=1, mean=20.0)]).mean == 14.0
    assert together([covered, through]) == SpanPart(60, 18.0, 3, 24.0, 4, pytest.approx((21 * 3 + 30) / 4), 4800.0)
    assert together([read, covered]) == SpanPart(63, 10.0, 1, 24.0, 4, 21.0, 3600.0)
    assert together([through]) == through
    assert together([]) == together([NOTHING, NOTHING]) == NOTHING


def test_the_first_of_equal_extremes_is_named() -> None:
    """Within a span and across its parts."""
    assert part([0.0, 60.0, 120.0, 180.0], [20.0, 25.0, 20.0, 25.0])[1:5] == (20.0, 0, 25.0, 60_000)
    early, late = (SpanPart(1, 20.0, at_ms, 20.0, at_ms, 20.0, 0.0) for at_ms in (5, 9))
    assert together([early, late])[1:5] == (20.0, 5, 20.0, 5)


def test_doubtful_readings_of_the_span_are_counted_used_or_not() -> None:
    """Those before it and at its end are another's."""
    times, doubts = [-60.0, 0.0, 60.0, 120.0, 3600.0], [STUCK, WRONG, STUCK, 0, WRONG]
    assert look_at((times, [20.0] * 5, doubts), 0, HOUR_MS).doubtful == 2


def test_a_slot_is_of_what_is_not_refused_and_finite() -> None:
    """Slots lie on the grid of their length; one in which nothing counts is left out."""
    times, values = [0.0, 299.0, 300.0, 600.0, 601.0], [20.0, 22.0, 30.0, float("nan"), 99.0]
    assert slots_of((times, values, [0, STUCK, 0, 0, WRONG]), 300, WRONG) == [
        (0, 21.0, 20.0, 22.0),
        (300, 30.0, 30.0, 30.0),
    ]
