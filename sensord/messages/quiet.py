"""The keeper's quiet hours as instants. Pure."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, time, timedelta

from sensord.messages.desk import Desk


def quiet_until(desk: Desk, now: datetime) -> datetime | None:
    """The end of the quiet hours that `now` lies in; None outside them."""
    return next((end for start, end in quiet_hours(desk, now) if start <= now < end), None)


def quiet_hours(desk: Desk, now: datetime) -> Iterator[tuple[datetime, datetime]]:
    """Yesterday's, today's and tomorrow's quiet hours as instants: exact in the nights when the clock changes."""
    keeper, zone = desk.keeper, desk.zone
    if not keeper.quiet_from or not keeper.quiet_until or keeper.quiet_from == keeper.quiet_until:
        return
    first, last = time.fromisoformat(keeper.quiet_from), time.fromisoformat(keeper.quiet_until)
    today = now.astimezone(zone).date()
    for days in (-1, 0, 1):
        evening = today + timedelta(days=days)
        morning = evening + timedelta(days=1) if last <= first else evening
        start = datetime.combine(evening, first, zone).astimezone(UTC)
        yield start, datetime.combine(morning, last, zone).astimezone(UTC)
