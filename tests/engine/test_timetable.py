"""The timetable: pure, on a grid, never making up for what was missed."""

from datetime import UTC, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from sensord.engine import timetable

MINUTE = timedelta(minutes=1)
instants = st.datetimes(datetime(1970, 1, 2), datetime(2100, 1, 1)).map(lambda d: d.replace(tzinfo=UTC))
cadences = st.sampled_from([1, 2, 5, 15, 60]).map(lambda m: timedelta(minutes=m))


@given(instants, cadences)
def test_the_next_instant_is_later_and_within_one_step(now: datetime, every: timedelta) -> None:
    """The next instant is later than now, by at most one step, and lies on the grid."""
    following = timetable.next_turn(now, [every])
    assert now < following <= now + every
    assert timetable.next_turn(following - timedelta(microseconds=1), [every]) == following


@given(instants, st.timedeltas(timedelta(0), timedelta(days=20000)))
def test_a_jump_of_any_size_costs_one_turn(turn: datetime, jump: timedelta) -> None:
    """After a jump ahead the following turn is within the patience of now: a bounded backlog, whatever the jump."""
    now = min(turn + jump, datetime(2200, 1, 1, tzinfo=UTC))
    following = timetable.turn_after(turn, now, [MINUTE, 5 * MINUTE])
    assert following > turn
    assert following > now - timetable.PATIENCE


def test_due_names_what_the_instant_divides() -> None:
    """At 12:05 what runs each minute and each five minutes is due, what runs hourly is not."""
    turn = datetime(2026, 8, 20, 12, 5, tzinfo=UTC)
    cadence = {"storm": MINUTE, "offset": 5 * MINUTE, "tally": 60 * MINUTE}
    assert timetable.due(turn, cadence) == ["storm", "offset"]


def test_a_late_loop_makes_up_for_its_turns_in_order() -> None:
    """Being late by minutes skips nothing; being late by hours starts afresh near now."""
    turn = datetime(2026, 8, 20, 12, 0, tzinfo=UTC)
    assert timetable.turn_after(turn, turn + MINUTE / 2, [MINUTE]) == turn + MINUTE
    made_up_for = turn + 11 * MINUTE - MINUTE / 60
    assert timetable.turn_after(turn, made_up_for, [MINUTE]) == turn + MINUTE, "late by less than ten minutes"
    assert timetable.turn_after(turn, turn + 11 * MINUTE, [MINUTE]) == turn + 11 * MINUTE
    assert timetable.turn_after(turn, turn + 180 * MINUTE, [MINUTE]) == turn + 180 * MINUTE
