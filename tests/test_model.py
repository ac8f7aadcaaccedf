"""The nouns: numbers that stand in every store keep their meaning, and a value comes back as it was measured."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta
from enum import IntEnum
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sensord.model import (
    EPOCH,
    FAR,
    Advice,
    Arrival,
    Certainty,
    Concern,
    Doubt,
    Entry,
    Gap,
    GapKind,
    Message,
    Quantity,
    Reading,
    Severity,
    Standing,
    State,
    Urgency,
    Verdict,
    What,
    as_kept,
    instant,
    milliseconds,
)
from sensord.ports import ChangeKind, Commit, Position

STORED: dict[type[IntEnum] | type[Doubt], dict[str, int]] = {
    Doubt: {
        "IMPOSSIBLE": 1, "POWER_ON": 2, "JUMP": 4, "STUCK": 8, "WET": 16, "SUNLIT": 32, "DISAGREES": 64, "CLOCK": 128,
        "FUTURE": 256, "LATE": 512, "RETAINED": 1024,
    },
    Severity: {"NONE": 0, "MINOR": 1, "MODERATE": 2, "SEVERE": 3, "EXTREME": 4},
    ChangeKind: {
        "READING": 0, "HOUR": 1, "DAY": 2, "TALLY": 3, "CONCERN": 4, "ENTRY": 5, "MESSAGE": 6, "GAP": 7,
    },
}  # fmt: skip
FINEST = {
    Quantity.TEMPERATURE: 4,
    Quantity.HUMIDITY: 5,
    Quantity.PRESSURE: 1,
    Quantity.WIND_SPEED: 4,
    Quantity.WIND_GUST: 4,
    Quantity.IRRADIANCE: 3,
    Quantity.BATTERY: 5,
    Quantity.VOLTAGE: 4,
}
"""Decimals with which a value comes back, in the quantity's own unit."""


def kept(quantity: Quantity, value: float) -> float:
    """The value as every store gives it back."""
    return as_kept(Reading("larkfield", "post", quantity, EPOCH, EPOCH, value)).value


@pytest.mark.parametrize("kind", STORED, ids=lambda kind: kind.__name__)
def test_what_is_stored_as_a_number_keeps_its_meaning(kind: type[IntEnum] | type[Doubt]) -> None:
    """A store, and another database, that were written by any version say the same to this one; what is new takes a new one."""
    known = {member.name or "": member.value for member in kind}
    assert {name: known.get(name) for name in STORED[kind]} == STORED[kind]
    assert len(set(known.values())) == len(known)


def test_what_is_unusable() -> None:
    """What a sensor can't have measured, and what nobody knows the time of; the rest is for the rules to weigh."""
    unusable = {doubt for doubt in Doubt if doubt & Doubt.UNUSABLE}
    assert unusable - {Doubt.UNUSABLE} == {Doubt.IMPOSSIBLE, Doubt.POWER_ON, Doubt.JUMP, Doubt.CLOCK, Doubt.FUTURE}


@pytest.mark.outside
def test_unix_time() -> None:
    """From 1970-01-01 00:00 UTC (POSIX.1-2017, 4.16); a thousand million seconds were full on 2001-09-09 at 01:46:40."""
    billion = datetime(2001, 9, 9, 1, 46, 40, tzinfo=UTC)
    assert (milliseconds(billion), instant(10**12)) == (10**12, billion)
    assert milliseconds(billion + timedelta(microseconds=1999)) == 10**12 + 1
    assert milliseconds(EPOCH - timedelta(microseconds=1)) == -1
    assert isinstance(milliseconds(billion), int)
    assert datetime.fromtimestamp(0, UTC) == EPOCH < billion < FAR


@pytest.mark.parametrize("quantity", Quantity)
@given(steps=st.integers(10**5, 10**9), sign=st.sampled_from([-1, 1]))
def test_a_decimal_comes_back_as_it_was_measured(quantity: Quantity, steps: int, sign: int) -> None:
    """With as many decimals as the quantity is kept with; anything finer to half of the last one."""
    decimals = FINEST[quantity]
    value = sign * steps / 10**decimals
    assert kept(quantity, value) == value
    for finer in (-0.4, 0.4):
        assert kept(quantity, (sign * steps + finer) / 10**decimals) == value


def test_no_value_is_lost_for_being_absurd() -> None:
    """From a hundred million million steps on it is kept as it came: it is no measurement, but it is what was sent."""
    for sign in (-1, 1):
        assert kept(Quantity.PRESSURE, sign * (1e13 - 0.47)) == sign * (1e13 - 0.5)
        for value in (1e13, 1e13 + 0.03, 1e300, math.inf):
            assert kept(Quantity.PRESSURE, sign * value) == sign * value
    assert math.isnan(kept(Quantity.PRESSURE, math.nan))


def test_what_nobody_says_is_not_so() -> None:
    """A reading without a doubt, a message that came once and at first hand, a concern of which nothing was told.

    Only an advice sends somebody out unless it says otherwise: so none goes into a storm by an oversight.
    """
    verdict = Verdict("storm", "birch", State.BREACH, EPOCH, "anchor", advice=Advice("anchor"))
    concern = Concern("larkfield", "storm", "birch", Standing.FORMING, verdict, EPOCH)
    arrival = Arrival(EPOCH, "garden/birch", b"21")
    assert Reading("larkfield", "post", Quantity.TEMPERATURE, EPOCH, EPOCH, 20.0).doubts == Doubt.NONE
    assert not any((arrival.retained, arrival.redelivered, arrival.connection, verdict.easing))
    assert not any(
        (concern.tellings, concern.askings, concern.told, concern.peak, concern.last_action, concern.withheld)
    )
    assert Advice("anchor").outdoors
    assert Position() < Position(0, milliseconds(EPOCH)) < Position(1), "who begins, begins before the first change"


def test_a_commit_of_one_site_holds_nothing_of_another() -> None:
    """Neither a concern nor a message, one held back, an entry or a gap; readings are left to the store."""
    verdict = Verdict("storm", "birch", State.BREACH, EPOCH, "anchor", advice=Advice("anchor"))
    concern = Concern("elsewhere", "storm", "birch", Standing.FORMING, verdict, EPOCH)
    message = Message(
        "a key", "elsewhere", EPOCH, "storm", "birch", Severity.MINOR, Urgency.EXPECTED, Certainty.LIKELY, "Wind", "Wind.",
        "anchor", (), None,
    )  # fmt: skip
    entry = Entry("elsewhere", EPOCH, EPOCH, "birch", What.NOTE, None, "")
    strange: list[dict[str, Any]] = [
        {"concerns": [concern]},
        {"messages": [message]},
        {"held": [(message, "no room")]},
        {"entries": [entry]},
        {"gaps": [Gap("elsewhere", GapKind.SILENCE, "post", EPOCH, None)]},
    ]
    for things in strange:
        Commit(EPOCH, **things).check_site("elsewhere")
        with pytest.raises(ValueError, match="something of elsewhere does not belong here"):
            Commit(EPOCH, **things).check_site("larkfield")
