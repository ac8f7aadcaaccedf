"""What is said of an enclosure and of the whole by its figures."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

import pytest

from sensord.model import Severity
from sensord.review.rows import Bar, LongestSpell
from sensord.review.whole import post_of
from tests.review.figures import HOUR, LIMITS, TIERS, WEEK, cage, review, row


def spell(hours: float) -> LongestSpell:
    return LongestSpell(hours, WEEK.start, WEEK.start + hours * HOUR)


@pytest.mark.parametrize(
    ("spells", "hot"),
    [
        ((spell(9.0), spell(0.99), None), False),
        ((spell(9.0), spell(1.0), None), True),
        ((spell(9.0), None, spell(0.5)), True),
        ((None, None, spell(0.49)), False),
    ],
)
def test_too_hot_is_a_tier_that_asks_for_something_for_as_long_as_it_takes(
    spells: tuple[LongestSpell | None, ...], hot: bool
) -> None:
    """An hour at the second tier, half an hour at the third; the first only records."""
    found = cage("Alder", spells=spells)
    assert found.was_too_hot is hot
    assert review(found).found is hot


def test_the_limit_is_the_first_tier_that_asks_for_something() -> None:
    """Else the hottest."""
    assert cage("Alder").limit == 1
    mild = replace(LIMITS, tiers=tuple(replace(t, severity=Severity.MINOR) for t in TIERS))
    assert cage("Alder", limits=mild).limit == 2


@pytest.mark.parametrize(("known_h", "patchy"), [(0.9 * 168, False), (151.1, True)])
def test_a_week_is_patchy_below_nine_tenths(known_h: float, patchy: bool) -> None:
    """Of its 168 hours; that is a finding."""
    found = cage("Alder", known_h=known_h)
    assert found.is_patchy is patchy
    assert review(found).found is patchy


def test_a_week_is_over_at_its_end() -> None:
    """To the second; and it is empty where nothing at all was measured."""
    assert review().is_over
    assert not review(through=WEEK.end - timedelta(seconds=1)).is_over
    nothing = replace(cage("Alder"), total=row(WEEK.start, WEEK.end, known_h=0.0))
    assert review(nothing).is_empty
    assert not review(nothing, cage("Birch")).is_empty
    single = replace(nothing, total=replace(nothing.total, high=cage("Alder").total.high))
    assert not review(single).is_empty, "one reading is something, though no line can be drawn"


def test_the_post_by_its_bars() -> None:
    """Its lowest, its mean and its highest; an hour with a reading counts as known."""

    def bar(n: int, *values: float) -> Bar:
        at: datetime = WEEK.start + n * HOUR
        return Bar(at, *values) if values else Bar(at, None, None, None)

    bars = (bar(0, 10.0, 12.0, 15.0), bar(1), bar(2, 9.0, 16.0, 20.0))
    post = post_of(bars)
    assert (post.low_c, post.mean_c, post.high_c, post.known_h, post.bars) == (9.0, 14.0, 20.0, 2.0, bars)
    assert (post_of(()).low_c, post_of(()).mean_c, post_of(()).high_c, post_of(()).known_h) == (None, None, None, 0.0)
