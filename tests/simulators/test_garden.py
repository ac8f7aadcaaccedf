"""The garden as a whole: determinism, order, truth, and what a storm costs."""

from __future__ import annotations

import itertools
from datetime import timedelta

import pytest

from simulators import faults
from simulators.garden import Garden
from simulators.probes import Sent
from simulators.scenario import PROBE_FAILS, larkfield


def run(garden: Garden, days: float, at_a_time: timedelta = timedelta(hours=6)) -> list[Sent]:
    """What a garden sends in some days."""
    until, sent = garden.start + timedelta(days=days), []
    while garden.now < until:
        sent += garden.step(min(until, garden.now + at_a_time))
    return sent


@pytest.fixture(scope="module")
def demonstration() -> tuple[Garden, list[Sent]]:
    """The demonstration's three days."""
    garden = larkfield(7)
    return garden, run(garden, 3)


def test_the_same_seed_gives_the_same_bytes_however_it_is_stepped() -> None:
    """In strides of six hours, of seven minutes, or with another garden beside it."""
    once = run(larkfield(5, faults=faults.ROUGH), 0.5)
    assert once == run(larkfield(5, faults=faults.ROUGH), 0.5, timedelta(minutes=7))
    assert once != run(larkfield(6, faults=faults.ROUGH), 0.5)


def test_receipts_ascend_strictly_in_whole_milliseconds(demonstration: tuple[Garden, list[Sent]]) -> None:
    """As a feed demands it."""
    for before, after in itertools.pairwise(demonstration[1]):
        assert before.at < after.at
    assert all(m.at.microsecond % 1000 == 0 for m in demonstration[1])


def test_three_days_are_about_seven_messages_a_minute(demonstration: tuple[Garden, list[Sent]]) -> None:
    """Six probes, one of them with one topic each: what a demonstration of a minute must carry."""
    assert 24_000 < len(demonstration[1]) < 31_000


def test_a_probe_fails_on_the_third_day(demonstration: tuple[Garden, list[Sent]]) -> None:
    """From then on nothing comes from it."""
    last = [m.at for m in demonstration[1] if m.topic == "larkfield/birch/climate"][-1]
    assert abs(last - PROBE_FAILS.at) < timedelta(minutes=3)


def test_who_ignores_the_storm_loses_animals(demonstration: tuple[Garden, list[Sent]]) -> None:
    """With the ballast of the configuration the light cage goes over; with enough of it nothing does."""
    ignored = demonstration[0]
    assert ignored.losses["birch"] > 0
    assert any(e.what == "tipped over" and e.subject == "birch" for e in ignored.events)
    anchored = larkfield(7)
    for cage in anchored.cages.values():
        cage.ballast_kg = 24.0
    run(anchored, 2.5)
    assert sum(anchored.losses.values()) == 0
    assert not [e for e in anchored.events if e.what == "tipped over"]


def test_the_truth_is_kept_for_every_step(demonstration: tuple[Garden, list[Sent]]) -> None:
    """From the first step to the last; before and after, the garden says what it has seen."""
    garden = demonstration[0]
    noon = garden.truth(garden.start + timedelta(hours=14))
    assert noon.at == garden.start + timedelta(hours=14)
    assert noon.temperature_c["cedar"] > noon.temperature_c["ambient"] + 1.0
    assert garden.truth(garden.start).at == garden.start + timedelta(minutes=1)
    assert garden.truth(garden.now).at == garden.now
    for outside in (garden.start - timedelta(minutes=1), garden.now + timedelta(minutes=1)):
        with pytest.raises(ValueError, match="has lived from"):
            garden.truth(outside)


def test_the_truth_can_be_asked_while_a_step_is_computed() -> None:
    """From another thread the present may not be written yet: then it is the step before."""
    garden = larkfield(7)
    garden.step(garden.start + timedelta(minutes=3))
    garden.now += garden.step_length
    assert garden.truth(garden.now).at == garden.start + timedelta(minutes=3)


def test_animals_are_lost_only_once(demonstration: tuple[Garden, list[Sent]]) -> None:
    """Who is left and who is lost add up to who was there."""
    garden = demonstration[0]
    assert garden.animals["alder"] + garden.losses["alder"] == 14
    assert garden.animals["birch"] + garden.losses["birch"] == 9
    assert garden.losses["cedar"] == 0
