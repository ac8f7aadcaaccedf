"""Whether shade helped: only under comparable sun can it be told."""

from __future__ import annotations

from datetime import datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sensord.model import AMBIENT, Quantity
from sensord.rules._shade import Followed, follow
from sensord.rules._tracks import NOTHING, Track
from tests.rules.scenes import NOON, SITE, Curve, probe, seen

MINUTE = timedelta(minutes=1)


def track(place: str, quantity: Quantity, curve: Curve | float, now: datetime) -> Track:
    return seen(probe("any", place, quantity), curve, now, 3.0).usable(now.timestamp())


def followed(
    before_k: float, after_k: float, minutes: int, sun: tuple[float, float] | None = None, cooler_k: float = 0.0
) -> Followed:
    """Shade went up `minutes` ago; the sun before and after is measured where it is given."""
    now, hours = NOON + 2 * 60 * MINUTE, minutes / 60.0
    ambient = track(AMBIENT, Quantity.TEMPERATURE, lambda h: 27.0 - (cooler_k if h >= -hours else 0.0), now)
    inside = track(
        "birch",
        Quantity.TEMPERATURE,
        lambda h: 27.0 + before_k if h < -hours else 27.0 - cooler_k + after_k,
        now,
    )
    irradiance = NOTHING
    if sun is not None:
        before, after = sun
        irradiance = track(AMBIENT, Quantity.IRRADIANCE, lambda h: before if h < -hours else after, now)
    return follow(now - minutes * MINUTE, inside, ambient, irradiance, SITE, now)


def test_under_the_same_sun_a_smaller_offset_is_success() -> None:
    """The offset fell by more than a third within half an hour: the shade works, and both offsets are told."""
    assert followed(4.0, 1.0, 35) == Followed("yes", pytest.approx(4.0), pytest.approx(1.0))
    assert followed(4.0, 1.0, 35, sun=(800.0, 780.0)).helped == "yes"


def test_under_the_same_sun_an_offset_as_before_is_failure() -> None:
    """After half an hour nothing has changed: it has not helped."""
    assert followed(4.0, 4.0, 35).helped == "no"
    assert followed(4.0, 4.0, 35, sun=(800.0, 800.0)).helped == "no"


def test_a_cloud_is_no_success() -> None:
    """The sun fell by more than two fifths, or the shaded air cooled by day: it can't be told."""
    assert followed(4.0, 1.0, 35, sun=(800.0, 300.0)).helped == "unknown"
    assert followed(4.0, 1.0, 35, cooler_k=1.5).helped == "unknown"


def test_a_weaker_sun_is_scaled_for() -> None:
    """With a quarter less sun, a quarter less offset is not the shade's doing."""
    assert followed(4.0, 2.9, 35, sun=(800.0, 600.0)).helped == "no"


def test_it_is_not_told_too_early() -> None:
    """A quarter of an hour is too short, and failure is not told before half an hour."""
    assert followed(4.0, 1.0, 15).helped == "unknown"
    assert followed(4.0, 4.0, 25).helped == "unknown"


def test_where_there_was_little_to_win_nothing_is_told() -> None:
    """Half a degree above ambient says nothing of shade."""
    assert followed(0.5, 0.2, 35).helped == "unknown"


def test_what_was_before_must_be_seen() -> None:
    """Shade from the start, or from longer ago than the readings reach, is not followed."""
    inside = track("birch", Quantity.TEMPERATURE, 30.0, NOON)
    assert follow(None, inside, inside, NOTHING, SITE, NOON) == Followed("")
    assert follow(NOON - 600 * MINUTE, inside, inside, NOTHING, SITE, NOON) == Followed("")


@given(
    st.floats(-5, 20),
    st.floats(-5, 20),
    st.integers(1, 150),
    st.none() | st.tuples(st.floats(0, 1200), st.floats(0, 1200)),
)
def test_success_is_only_told_of_a_smaller_offset(
    before_k: float, after_k: float, minutes: int, sun: tuple[float, float] | None
) -> None:
    """Whatever the readings: "yes" means that the offset fell, "no" that it hardly did for the sun there was."""
    found = followed(before_k, after_k, minutes, sun)
    assert found.helped in ("", "yes", "no", "unknown")
    if found.helped == "yes":
        assert after_k < before_k * max(1.0, (sun or (1.0, 1.0))[1] / max((sun or (1.0, 1.0))[0], 1e-9))
    if found.helped == "no":
        assert after_k > 0.5 * min(before_k, before_k * (sun[1] / sun[0] if sun else 1.0))
