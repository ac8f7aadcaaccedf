"""The tiers of heat as the configuration changes them, and how long a track has been above one."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from sensord.model import Severity
from sensord.rules._heat import HeatAbove, HeatLimits, above, spells
from sensord.rules._tracks import NOTHING, Track
from tests.rules.scenes import MONARCH


def warm(minutes: Sequence[float], interval_s: float = 300.0, cool: Sequence[float] = ()) -> Track:
    """30 °C at those minutes, 20 °C where it is said."""
    return Track.of([60.0 * m for m in minutes], [20.0 if m in cool else 30.0 for m in minutes], [0] * 99, interval_s)


@pytest.mark.parametrize(
    ("key", "severity"), [("moderate", Severity.MODERATE), ("severe", Severity.SEVERE), ("extreme", Severity.EXTREME)]
)
def test_a_level_and_a_duration_of_the_configuration(key: str, severity: Severity) -> None:
    """In °C and minutes, each severity by itself; a tier lasts six minutes at least, or what is configured."""
    level = {"moderate": 30.0, "severe": 34.0, "extreme": 45.0}[key]
    tiers = HeatLimits(**{f"{key}_c": level, f"{key}_after_min": 90.0}).limits_of([(MONARCH, None)]).tiers
    assert next((t.temperature_c, t.after_h) for t in tiers if t.severity is severity) == (level, 1.5)
    at_once = {"extreme_after_min": 0.0}
    least = [
        HeatLimits(**at_once, **more).limits_of([(MONARCH, None)]).tiers[-1].after_h
        for more in ({}, {"least_min": 30.0})
    ]
    assert least == [0.1, 0.5]


def test_a_gap_of_twenty_minutes_or_three_intervals_is_bridged() -> None:
    """Of what lies further apart nothing is known; a spell does not reach across it."""
    assert above(warm([0, 20]), 30.0).hours == pytest.approx(1 / 3)
    assert above(warm([0, 20 + 0.5 / 60]), 30.0).hours == 0.0
    assert above(warm([0, 45], 900.0), 30.0).hours == pytest.approx(0.75)
    assert above(warm([0, 45.1], 900.0), 30.0).hours == 0.0
    assert len(spells(warm([0, 5, 25, 30]), 30.0)) == 1
    assert len(spells(warm([0, 5, 25.1, 30]), 30.0)) == 2


def test_a_dip_of_ten_minutes_ends_no_spell() -> None:
    """Two means wide; the tier's own temperature is above it, and where it was never reached there is nothing."""
    assert above(warm([0, 5, 10, 15, 20]), 30.0).spell_h == pytest.approx(1 / 3)
    assert above(warm([0, 5, 10, 15, 20], cool=[10]), 30.0).spell_h == pytest.approx(1 / 3)
    for minutes, cool in (([0, 5, 10, 15, 20, 25], [10, 15]), ([0, 5, 10, 15.02, 20.02], [10])):
        assert above(warm(minutes, cool=cool), 30.0).spell_h == pytest.approx(1 / 12)
    assert above(warm([0, 5]), 30.001) == above(NOTHING, 30.0) == above(warm([0]), 31.0)
    assert above(NOTHING, 30.0) == HeatAbove(hours=0.0, degree_hours=0.0, spell_h=0.0)
    assert above(warm([0, 5]), 29.0).degree_hours == pytest.approx(1 / 12)
