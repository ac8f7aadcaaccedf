"""Whether shade helped: only under comparable sun can it be told."""

from __future__ import annotations

from datetime import datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sensord.model import AMBIENT, Quantity
from sensord.rules._shade import Followed, follow, helped
from sensord.rules._sky import sun_at
from sensord.rules._tracks import NOTHING, Track
from sensord.science.sun import clear_sky_irradiance_w_m2
from tests.rules.scenes import NOON, SITE, Curve, probe, seen

MINUTE = timedelta(minutes=1)


def track(place: str, quantity: Quantity, curve: Curve | float, now: datetime) -> Track:
    return seen(probe("any", place, quantity), curve, now, 3.0).usable(now.timestamp())


def followed(
    before_k: float,
    after_k: float,
    minutes: int,
    sun: tuple[float, float] | None = None,
    cooler_k: float = 0.0,
    air_c: float = 27.0,
    now: datetime = NOON + 120 * MINUTE,
) -> Followed:
    """Shade went up `minutes` ago; the sun before and after is measured where it is given."""
    hours = minutes / 60.0
    ambient = track(AMBIENT, Quantity.TEMPERATURE, lambda h: air_c - (cooler_k if h >= -hours else 0.0), now)
    inside = track(
        "birch",
        Quantity.TEMPERATURE,
        lambda h: air_c + before_k if h < -hours else air_c - cooler_k + after_k,
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


SUNNY = (800.0, 800.0)


@pytest.mark.parametrize(
    ("before_k", "after_k", "minutes", "sun", "cooler_k", "helped"),
    [
        (4.0, 2.8, 40, SUNNY, 0.0, "yes"),  # seven tenths
        (4.0, 2.81, 40, SUNNY, 0.0, "unknown"),
        (4.0, 3.39, 40, SUNNY, 0.0, "unknown"),
        (4.0, 3.4, 40, SUNNY, 0.0, "no"),  # seventeen twentieths
        (4.0, 1.0, 22, SUNNY, 0.0, "yes"),  # success shows early
        (4.0, 1.0, 21, SUNNY, 0.0, "unknown"),
        (4.0, 4.0, 30, SUNNY, 0.0, "no"),  # failure later
        (4.0, 4.0, 29, SUNNY, 0.0, "unknown"),
        (1.0, 0.0, 40, SUNNY, 0.0, "yes"),  # there was something to win
        (0.99, 0.0, 40, SUNNY, 0.0, "unknown"),
        (4.0, 0.0, 40, (1000.0, 600.0), 0.0, "yes"),  # the sun is comparable
        (4.0, 0.0, 40, (1000.0, 599.0), 0.0, "unknown"),
        (4.0, 0.0, 40, (100.0, 100.0), 0.0, "yes"),  # and was there at all
        (4.0, 0.0, 40, (99.0, 99.0), 0.0, "unknown"),
        (4.0, 0.0, 40, None, 0.7, "yes"),  # the air did not cool as under a cloud
        (4.0, 0.0, 40, None, 0.71, "unknown"),
    ],
)
def test_what_is_success_and_what_is_failure_to_the_point(
    before_k: float, after_k: float, minutes: int, sun: tuple[float, float] | None, cooler_k: float, helped: str
) -> None:
    """Each pair stands on either side of what is said at the head of the module; the bound itself belongs to the surer."""
    assert followed(before_k, after_k, minutes, sun, cooler_k, air_c=0.0).helped == helped


def clear_w_m2(at: datetime) -> float:
    return clear_sky_irradiance_w_m2(sun_at(SITE.latitude_deg, SITE.longitude_deg, at).elevation_deg)


def test_where_nothing_measures_the_sun_a_clear_sky_stands_for_it() -> None:
    """A quarter of an hour before the shade and half an hour after it: from 100 W/m², and down to three fifths."""

    def told(minutes: int, after_k: float = 0.0) -> str:
        return followed(4.0, after_k, 70, now=NOON + (minutes + 70) * MINUTE).helped

    first = NOON + next(m for m in range(-400, 0) if told(m) == "yes") * MINUTE
    latest = next(m for m in range(400, 0, -1) if told(m) == "yes")
    last = NOON + latest * MINUTE
    before, after = -15 * MINUTE, 30 * MINUTE
    to_the_second = (first - timedelta(seconds=s) for s in range(60))
    earliest = min(at for at in to_the_second if followed(4.0, 0.0, 70, now=at + 70 * MINUTE).helped == "yes")
    assert clear_w_m2(earliest + before) >= 100.0 > clear_w_m2(earliest - timedelta(seconds=1) + before)
    assert clear_w_m2(last + after) >= 0.6 * clear_w_m2(last + before)
    later = last + MINUTE
    assert clear_w_m2(later + after) < 0.6 * clear_w_m2(later + before)
    ratio = clear_w_m2(last + after) / clear_w_m2(last + before)
    for share, became in ((0.69, "yes"), (0.71, "unknown"), (0.84, "unknown"), (0.86, "no")):
        assert told(latest, share * ratio * 4.0) == became


@pytest.mark.parametrize("measured", ["before", "after"])
def test_a_sun_that_was_measured_only_before_or_only_after_is_not_known(measured: str) -> None:
    """A clear sky stands for it then, too."""
    now = NOON + 120 * MINUTE
    shaded_at = now - 40 * MINUTE
    inside = track("birch", Quantity.TEMPERATURE, lambda h: 4.0 if h < -40 / 60 else 0.0, now)
    still = track(AMBIENT, Quantity.TEMPERATURE, 0.0, now)
    sunlight = track(AMBIENT, Quantity.IRRADIANCE, 800.0, now)
    part = (
        sunlight.between(0.0, shaded_at.timestamp()) if measured == "before" else sunlight.since(shaded_at.timestamp())
    )
    assert follow(shaded_at, inside, still, part, SITE, now).helped == "yes"


def test_which_time_is_compared_with_which() -> None:
    """The half hour before the shade with the time from a quarter of an hour to an hour after it: of an offset that grows
    steadily, the medians are those of the middle of either."""
    now = NOON + 120 * MINUTE
    inside = track("birch", Quantity.TEMPERATURE, lambda h: 60.0 * h, now)
    still = track(AMBIENT, Quantity.TEMPERATURE, 0.0, now)

    def compared(ago: int) -> tuple[float | None, float | None]:
        found = follow(now - ago * MINUTE, inside, still, NOTHING, SITE, now)
        return found.before_k, found.after_k

    assert compared(90) == (pytest.approx(-90.0 - 15.0), pytest.approx(-90.0 + 37.5))
    assert compared(40) == (pytest.approx(-40.0 - 15.0), pytest.approx(-40.0 + 27.0))


@pytest.mark.parametrize(
    ("interval_s", "minutes", "helped"),
    [(1200.0, 60, "yes"), (1200.0, 50, "unknown"), (2400.0, 80, "")],
)
def test_a_single_reading_is_nothing_to_go_by(interval_s: float, minutes: int, helped: str) -> None:
    """Two before and two after the shade are the least; one after it leaves it open, one before it tells nothing."""
    now = NOON + 120 * MINUTE
    rare = probe("any", "birch", interval_s=interval_s)
    inside = seen(rare, lambda h: 4.0 if 60 * h <= -minutes else 0.0, now, 3.0).usable(now.timestamp())
    air = seen(rare, 0.0, now, 3.0).usable(now.timestamp())
    assert follow(now - minutes * MINUTE, inside, air, NOTHING, SITE, now).helped == helped


def test_shade_of_this_very_moment_is_followed_from_now_on() -> None:
    """What was before is known already; of shade that lies ahead nothing is."""
    assert followed(4.0, 4.0, 0) == Followed("unknown", 4.0)
    assert followed(4.0, 4.0, -1) == Followed("")


def test_the_numbers_say_it_by_name_where_there_was_something_to_win() -> None:
    """What little shade could win is no success to tell of."""
    assert helped(Followed("")) == {}
    numbers = helped(Followed("yes", 1.0, 0.5))
    assert numbers == {"shade_helped": "yes", "helped_yes": True, "offset_before_k": 1.0, "offset_after_k": 0.5}
    assert helped(Followed("no", 0.99, 0.9))["helped_no"] is None
    assert helped(Followed("unknown"))["helped_unknown"] is True


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
