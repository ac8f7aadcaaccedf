"""The steps between readings: each has one kind, whole or cut by the edge of a span."""

import math

import pytest

from sensord.science.steps import BRIDGED, MEASURED, MISSING, walk


@pytest.mark.parametrize(("gap_s", "kind"), [(900.0, MEASURED), (901.0, BRIDGED), (3600.0, BRIDGED), (3601.0, MISSING)])
@pytest.mark.parametrize("cut_s", [0.0, 100.0])
def test_a_step_keeps_its_kind_where_the_edge_of_a_span_cuts_it(gap_s: float, kind: int, cut_s: float) -> None:
    """A quarter of an hour is still measured, an hour still bridged; cut at either side or at both it stays what it is."""
    times, temperatures = [0.0, gap_s, 2 * gap_s], [10.0, 20.0, 10.0]
    steps = list(walk(times, temperatures, cut_s, 2 * gap_s - cut_s))
    assert [step[4] for step in steps] == [kind, kind]
    assert [step[:2] for step in steps] == [(cut_s, gap_s - cut_s), (gap_s, gap_s - cut_s)]
    ((begin_s, duration_s, _, _, within),) = walk(times, temperatures, cut_s + 1.0, gap_s - 1.0)
    assert (begin_s, duration_s, within) == (cut_s + 1.0, gap_s - cut_s - 2.0, kind)


def test_a_cut_step_begins_and_ends_on_its_line() -> None:
    """Read off the straight line between the two readings; what is missing has no temperature."""
    ((_, _, a, b, _),) = walk([0.0, 600.0], [10.0, 40.0], 200.0, 400.0)
    assert (a, b) == pytest.approx((20.0, 30.0))
    ((_, _, a, b, _),) = walk([0.0, 6000.0], [10.0, 40.0], 200.0, 400.0)
    assert math.isnan(a)
    assert math.isnan(b)


def test_before_the_first_and_after_the_last_reading_it_is_missing() -> None:
    """Up to the readings, and no step of no length where the span begins or ends with one."""
    times, temperatures = [100.0, 200.0], [10.0, 20.0]
    assert [(s[0], s[1], s[4]) for s in walk(times, temperatures, 0.0, 300.0)] == [
        (0.0, 100.0, MISSING),
        (100.0, 100.0, MEASURED),
        (200.0, 100.0, MISSING),
    ]
    assert [(s[0], s[1], s[4]) for s in walk(times, temperatures, 100.0, 200.0)] == [(100.0, 100.0, MEASURED)]
    assert [(s[0], s[1], s[4]) for s in walk(times, temperatures, 300.0, 400.0)] == [(300.0, 100.0, MISSING)]
    assert [(s[0], s[1], s[4]) for s in walk([], [], 0.0, 50.0)] == [(0.0, 50.0, MISSING)]
    with pytest.raises(ValueError, match="before it starts"):
        list(walk(times, temperatures, 200.0, 199.0))


def test_a_span_that_begins_or_ends_at_a_reading_has_no_empty_step() -> None:
    """The reading is its edge; nothing is cut there."""
    times, temperatures = [0.0, 600.0, 1200.0, 1800.0], [20.0, 21.0, 22.0, 23.0]
    assert list(walk(times, temperatures, 600.0, 1200.0)) == [(600.0, 600.0, 21.0, 22.0, MEASURED)]
    assert list(walk(times, temperatures, 600.0, 600.0)) == []
