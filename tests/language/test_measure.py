"""What lies at the edges: the number that a sentence goes by, the last hour before noon, the last digit."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from sensord.language import Catalogue
from sensord.language.measure import Measure

DETROIT = ZoneInfo("America/Detroit")
ENGLISH = Catalogue.load()


@dataclass(frozen=True, slots=True)
class ByNumber(Measure):
    """Says which number a sentence goes by: other languages than English have more than one plural."""

    def say(self, key: str, /, **parts: str | int | bool | None) -> str:
        """Only that."""
        return f"{key} {parts['count']}"


@pytest.mark.parametrize(
    ("hours", "count"), [(0.5, "minutes 30"), (1.0, "hours 1"), (1.05, "hours 2"), (2.0, "hours 2"), (2.1, "hours 3")]
)
def test_hours_go_by_the_next_whole_number(hours: float, count: str) -> None:
    """1.5 hours go by two, 2.1 by three."""
    assert ByNumber(ENGLISH, "metric", DETROIT).hours(hours) == f"numbers.{count}"


def test_the_hour_before_noon_is_before_noon() -> None:
    """And the one after midnight too."""
    us = Measure(ENGLISH, "us", DETROIT)
    for hour, clock, weekday in (
        (15, "11:30 am", "Thu 11 am"),
        (16, "12:30 pm", "Thu 12 pm"),
        (4, "12:30 am", "Thu 12 am"),
    ):
        at = datetime(2026, 8, 20, hour, 30, tzinfo=UTC)
        assert (us.clock(at), us.weekday_and_hour(at)) == (clock, weekday)


def test_a_forecast_s_wind_has_a_tenth() -> None:
    """As forecasts give it."""
    assert Measure(ENGLISH, "us", DETROIT).metres_a_second(6.44) == "6.4 m/s"
