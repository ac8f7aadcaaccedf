"""Battery: told well before a probe falls silent."""

from __future__ import annotations

import pytest

from sensord.model import (
    Probe,
    Severity,
    State,
    Verdict,
)
from sensord.rules import battery
from tests.rules.scenes import NOON, Curve, seen
from tests.rules.watched import BIRCH, HOUR, POST, about


def charge(ratio: float, volts: float | None = None) -> Verdict:
    series = {"battery": [seen(BIRCH, ratio, NOON, 2)]}
    if volts is not None:
        series["voltage"] = [seen(BIRCH, volts, NOON, 2)]
    return about(BIRCH, series, battery.RULE)


def test_a_low_battery_is_told_before_it_is_empty() -> None:
    """At 15 % or 2.4 V: Minor, change it. Just above: neither begun nor ended."""
    low = charge(0.12)
    assert low.advice is not None
    assert (low.severity, low.advice.action) == (Severity.MINOR, "change battery")
    assert charge(0.9, 2.3).state is State.BREACH
    assert (charge(0.18).state, charge(0.18).easing) == (State.FINE, True)
    assert charge(0.8).easing is False


def test_what_a_probe_does_not_tell_of_its_battery_is_unknown() -> None:
    """No reading of the supply: unknown, not full."""
    assert about(BIRCH, {}, battery.RULE).state is State.UNKNOWN


def test_a_sag_while_it_sends_is_no_low_battery() -> None:
    """One low value among seven is the radio."""
    sag: Curve = lambda h: 0.05 if h > -0.02 else 0.6  # noqa: E731
    assert about(BIRCH, {"battery": [seen(BIRCH, sag, NOON, 2)]}, battery.RULE).state is State.FINE


def supply(ratio: float | None, volts: float | None = None, of: Probe = BIRCH, **parameters: float) -> Verdict:
    told = {"battery": ratio, "voltage": volts}
    series = {need: [seen(of, value, NOON, 2)] for need, value in told.items() if value is not None}
    return about(of, series, battery.RULE, parameters=parameters)


@pytest.mark.parametrize(
    ("ratio", "volts", "reason", "easing"),
    [
        (0.15, None, "low", False),
        (0.151, None, "full enough", True),
        (0.2, None, "full enough", True),
        (0.201, None, "full enough", False),
        (0.9, 2.4, "low", False),
        (0.9, 2.401, "full enough", True),
        (0.9, 2.52, "full enough", True),
        (0.9, 2.521, "full enough", False),
        (None, 2.4, "low", False),
        (None, 3.0, "full enough", False),
        (0.1, 3.0, "low", False),
        (0.0, None, "low", False),  # what no supply can have is no reading
        (-0.01, None, "not told", False),
        (1.05, None, "full enough", False),
        (1.06, None, "not told", False),
        (None, 100.0, "full enough", False),
        (None, 100.1, "not told", False),
    ],
)
def test_a_battery_is_low_to_the_point(ratio: float | None, volts: float | None, reason: str, easing: bool) -> None:
    """By its ratio or its voltage, whichever is told; a twentieth above either it is nearly so."""
    verdict = supply(ratio, volts)
    assert (verdict.reason, verdict.easing) == (reason, easing)


def test_a_voltage_that_says_nothing_may_be_left_out() -> None:
    """Where 0 V is configured: then only a ratio tells."""
    assert supply(None, 3.0, low_v=0.0).reason == "not told"
    full = supply(0.9, 0.0, low_v=0.0)
    assert (full.reason, full.easing) == ("full enough", False)


def test_of_a_battery_the_middle_of_the_last_seven_values_counts() -> None:
    """Three that sag are the radio, four are the battery; two days after it a message about it is of no use."""
    for sagging, reason in ((3, "full enough"), (4, "low")):
        sag: Curve = lambda h, count=sagging: 0.05 if round(60 * h) >= -count else 0.2  # type: ignore[misc]  # noqa: E731
        verdict = about(BIRCH, {"battery": [seen(BIRCH, sag, NOON, 2)]}, battery.RULE)
        assert verdict.reason == reason
    assert verdict.advice is not None
    assert verdict.advice.holds_until == NOON + 48 * HOUR
    high: Curve = lambda h: 0.05 if round(60 * h) >= -4 else 9.0  # noqa: E731  # only what can be is among the seven
    assert about(BIRCH, {"battery": [seen(BIRCH, high, NOON, 2)]}, battery.RULE).numbers["battery_ratio"] == 0.05


def test_whose_battery_it_is() -> None:
    """That of a cage's probe, or of one at the post."""
    assert supply(0.1).numbers["place"] == "Birch"
    at_the_post = supply(0.1, of=POST).numbers
    assert ("place" in at_the_post, at_the_post["at_post"], "at_post" in supply(0.1).numbers) == (False, True, False)


def test_the_middle_of_the_last_seven_counts() -> None:
    """Four low ones of seven are low, whatever was before."""
    last: Curve = lambda h: 0.1 if round(-60 * h) in (1, 2, 3, 4) else 0.6  # noqa: E731
    assert about(BIRCH, {"battery": [seen(BIRCH, last, NOON, 2)]}, battery.RULE).reason == "low"
