"""Weeks and seasons as spans of local days."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from sensord.review import weeks

DETROIT = ZoneInfo("America/Detroit")


def test_a_week_is_of_seven_local_days() -> None:
    """From Monday's midnight to the next one's; a label has four and two digits."""
    span = weeks.week("2004-W53", DETROIT)
    assert (span.first, span.last, len(span.parts)) == (date(2004, 12, 27), date(2005, 1, 2), 7)
    assert (span.start, span.end) == (datetime(2004, 12, 27, 5, tzinfo=UTC), datetime(2005, 1, 3, 5, tzinfo=UTC))
    assert (span.hours, span.parts[0].hours, span.is_season) == (168.0, 24.0, False)
    assert weeks.week_before(span).label == "2004-W52"
    assert weeks.week_before(weeks.week("2005-W01", DETROIT)) == span
    assert weeks.week_label(date(2005, 1, 2)) == "2004-W53"
    assert weeks.week_label(date(305, 1, 4)) == "0305-W01"


@pytest.mark.parametrize("label", ["2026-34", "2026-W3", "2005-W53", "2026-W00", "0000-W01", "9999-W53"])
def test_what_is_no_week_is_refused(label: str) -> None:
    """By its name."""
    with pytest.raises(ValueError, match=label):
        weeks.week(label, DETROIT)


@pytest.mark.parametrize("zone", [DETROIT, ZoneInfo("Pacific/Kiritimati"), ZoneInfo("Pacific/Pago_Pago")])
def test_every_week_has_weeks_beside_it(zone: ZoneInfo) -> None:
    """The calendar's own ends are beyond what can be asked for."""
    for label in ("1970-W01", "9998-W52"):
        span = weeks.week(label, zone)
        assert weeks.week_before(span).end == span.start
        assert weeks.week_label(span.last) == label
    for label in ("0001-W01", "1969-W52", "9999-W01"):
        with pytest.raises(ValueError, match=f"{label}.*from 1970 to 9998"):
            weeks.week(label, zone)


def test_a_season_is_of_iso_weeks() -> None:
    """Cut at its first and last day; they join without a gap."""
    span = weeks.season(date(2026, 6, 4), date(2026, 6, 16), DETROIT)
    assert [(p.label, p.first.day, p.last.day) for p in span.parts] == [
        ("2026-W23", 4, 7),
        ("2026-W24", 8, 14),
        ("2026-W25", 15, 16),
    ]
    assert all(a.end == b.start for a, b in zip(span.parts, span.parts[1:], strict=False))
    assert (span.label, span.is_season, span.hours) == ("2026-06-04/2026-06-16", True, 13 * 24.0)
    one = weeks.season(date(2026, 6, 7), date(2026, 6, 7), DETROIT)
    assert [(p.first, p.last) for p in one.parts] == [(date(2026, 6, 7), date(2026, 6, 7))]


def test_a_season_has_an_end_and_400_days_at_most() -> None:
    """To the day."""
    first = date(2026, 1, 1)
    assert weeks.season(first, first + timedelta(days=399), DETROIT).hours == pytest.approx(400 * 24, abs=1)
    with pytest.raises(ValueError, match="longer than 400 days"):
        weeks.season(first, first + timedelta(days=400), DETROIT)
    with pytest.raises(ValueError, match="before it starts"):
        weeks.season(first, first - timedelta(days=1), DETROIT)
