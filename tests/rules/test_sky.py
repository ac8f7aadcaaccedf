"""The sun of a rule: when it may shine, when it is dark, and the rest of a day's warmth."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import timedelta

import pytest

from sensord.model import AMBIENT, Quantity
from sensord.rules._sky import Course, Sky, course, is_afternoon, low_sun_at, sky_at, solar_hour, sun_at
from sensord.rules._tracks import NOTHING, Track
from sensord.science import sun
from tests.rules.scenes import NOON, SITE, Curve, probe, seen

MINUTE, HOUR = timedelta(minutes=1), timedelta(hours=1)


def air(curve: Curve | float, now=NOON, hours: float = 7.0, interval_s: float = 60.0) -> Track:  # type: ignore[no-untyped-def]
    of = probe("post", AMBIENT, interval_s=interval_s)
    return seen(of, curve, now, hours).usable(now.timestamp())


@pytest.mark.parametrize(
    ("elevation_deg", "share", "may_shine", "is_dark"),
    [
        (-0.1, None, False, True),
        (0.0, None, False, False),
        (7.9, 0.1, False, False),
        (8.0, None, True, False),
        (8.0, 0.35, True, False),
        (8.0, 0.349, False, False),
        (8.0, 0.25, False, False),
        (8.0, 0.249, False, True),
        (60.0, 0.1, False, True),
    ],
)
def test_when_it_may_shine_and_when_it_is_dark(
    elevation_deg: float, share: float | None, may_shine: bool, is_dark: bool
) -> None:
    """High enough above the hedges and no closed sky; below the horizon, or under one. In between, neither is known."""
    sky = Sky(elevation_deg, 180.0, share)
    assert (sky.may_shine, sky.is_dark) == (may_shine, is_dark)


def test_its_share_is_of_what_a_clear_sky_would_bring() -> None:
    """By the middle of the last twenty minutes; nothing is known of it while even a clear sky brings little."""
    clear = sun.clear_sky_irradiance_w_m2(sun_at(SITE.latitude_deg, SITE.longitude_deg, NOON).elevation_deg)
    pyranometer = probe("sun", AMBIENT, Quantity.IRRADIANCE)

    def share(curve: Curve | float) -> float | None:
        return sky_at(SITE, NOON, seen(pyranometer, curve, NOON, 1).usable(NOON.timestamp())).share

    assert share(clear / 2) == pytest.approx(0.5)
    assert share(-5.0) == 0.0
    half: Curve = lambda h: clear if round(60 * h) >= -10 else 0.0  # noqa: E731  # a curve reads best as one
    assert share(half) == pytest.approx(0.5), "ten minutes of twenty: the middle lies between"
    assert sky_at(SITE, NOON, NOTHING).share is None
    for ago, known in ((1200.0, True), (1200.5, False)):
        old = Track.of([NOON.timestamp() - ago], [clear], [0], 60.0)
        assert (sky_at(SITE, NOON, old).share is not None) is known


@pytest.mark.parametrize("above", [True, False])
def test_in_the_last_light_no_share_is_told(above: bool) -> None:
    """Below 50 W/m² of a clear sky a share would be of next to nothing."""
    at = NOON
    while sun.clear_sky_irradiance_w_m2(sun_at(SITE.latitude_deg, SITE.longitude_deg, at).elevation_deg) >= 50.0:
        at += MINUTE
    at -= MINUTE if above else timedelta()
    dim = seen(probe("sun", AMBIENT, Quantity.IRRADIANCE), 20.0, at, 1).usable(at.timestamp())
    assert (sky_at(SITE, at, dim).share is not None) is above


def test_solar_time_is_that_of_the_longitude() -> None:
    """Four minutes a degree, to the second: 17:37 UTC at 83.5° W is 12:03."""
    assert solar_hour(SITE, NOON) == pytest.approx(17 + 37 / 60 - 83.5 / 15)
    assert solar_hour(SITE, NOON + timedelta(seconds=45)) == pytest.approx(17 + 37.75 / 60 - 83.5 / 15, abs=1e-9)
    assert solar_hour(replace(SITE, longitude_deg=179.0), NOON) == pytest.approx(17 + 37 / 60 + 179 / 15 - 24)
    assert [is_afternoon(SITE, NOON - minutes * MINUTE) for minutes in (0, 3, 4)] == [True, True, False]


@pytest.mark.parametrize("elevation_deg", [0.0, 15.0, 40.0])
@pytest.mark.parametrize("hours", [-5, 0, 2])
def test_when_the_sun_will_have_sunk(elevation_deg: float, hours: int) -> None:
    """The first of the five-minute steps at which it has; asked in the morning, it is of the same evening."""
    at = low_sun_at(SITE, NOON + hours * HOUR, elevation_deg)
    assert at is not None
    before, then = (sun_at(SITE.latitude_deg, SITE.longitude_deg, t).elevation_deg for t in (at - 5 * MINUTE, at))
    assert then <= elevation_deg < before
    assert timedelta() < at - NOON < 12 * HOUR
    noon = NOON - timedelta(hours=solar_hour(SITE, NOON) - 12.0)
    off = (at - max(noon, NOON + hours * HOUR)) % (5 * MINUTE)
    assert min(off, 5 * MINUTE - off) < timedelta(milliseconds=1), "counted from now, or from noon"


def test_a_sun_that_is_about_to_sink_does_so_in_the_first_step() -> None:
    """Within the next five minutes."""
    at = low_sun_at(SITE, NOON, 15.0)
    assert at is not None
    assert low_sun_at(SITE, at - 5 * MINUTE, 15.0) == at


def test_a_sun_that_is_lower_already_sinks_no_more() -> None:
    """Neither in the evening, nor on a day on which it does not come so high."""
    assert low_sun_at(SITE, NOON + 8 * HOUR, 0.0) is None
    assert low_sun_at(SITE, NOON, 80.0) is None


# --- the rest of a day's warmth ---------------------------------------------------------------------------------------

SUNRISE_TO_SUNSET_H = 13.55
"""At that place on that day; the lowest temperature is half an hour after sunrise."""
STARTS_H = 12.5 - SUNRISE_TO_SUNSET_H / 2


def day(low: float, peak: float, now=NOON) -> Curve:  # type: ignore[no-untyped-def]
    """The half cosine from half an hour after sunrise to the sun's 15:00, seen from `now`."""

    def curve(h: float) -> float:
        way = (solar_hour(SITE, now) + h - STARTS_H) / (15.0 - STARTS_H)
        return low + (peak - low) * (1.0 - math.cos(math.pi * min(1.0, max(0.0, way)))) / 2.0

    return curve


@pytest.mark.parametrize("hours", [-1, 0, 1, 2])
def test_a_half_cosine_is_foretold_exactly(hours: int) -> None:
    """From late morning on: what is still to come of a day that keeps to the ordinary course, and when."""
    now = NOON + hours * HOUR
    curve = day(16.0, 30.0, now)
    way = course(SITE, now, air(curve, now))
    assert way is not None
    assert way.rise_k == pytest.approx(30.0 - curve(0.0), abs=0.4)
    more_k = way.rise_k / 2
    at = way.reaches(more_k)
    assert at is not None
    assert curve((at - now) / HOUR) - curve(0.0) == pytest.approx(more_k, abs=0.3)


def test_what_a_course_reaches_and_when() -> None:
    """At once what is reached already, at the warmest hour the peak, and never what lies beyond it. From 6 to 15 o'clock
    half of the way is half of the rise."""
    way = Course(NOON, starts_h=6.0, at_h=10.5, rise_k=5.0)
    assert way.reaches(-1.0) == way.reaches(0.0) == NOON
    peak = way.reaches(5.0)
    assert peak is not None
    assert peak - NOON == pytest.approx(4.5 * HOUR, abs=timedelta(seconds=1))
    assert way.reaches(5.001) is None
    third = way.reaches(5.0 * math.sin(math.pi / 6))
    assert third is not None
    assert third - NOON == pytest.approx(1.5 * HOUR, abs=timedelta(seconds=1))
    assert way._replace(rise_k=0.0).reaches(0.1) is None
    assert way._replace(rise_k=0.0).reaches(0.0) == NOON
    for minute in range(541):
        at = way._replace(at_h=6.0 + minute / 60).reaches(5.0)
        assert at is not None
        assert at - NOON == pytest.approx((540 - minute) * MINUTE, abs=timedelta(seconds=1))


def test_too_early_too_late_or_without_rise_nothing_is_foretold() -> None:
    """From 0.42 of the way on, until the warmest hour, and while it warms by 0.2 K an hour at least."""
    told = []
    for minutes in range(-300, 240, 10):
        now = NOON + minutes * MINUTE
        steady: Curve = lambda h: 20.0 + h  # noqa: E731
        if course(SITE, now, air(steady, now, 2)) is not None:
            told.append(solar_hour(SITE, now))
    assert told[0] == pytest.approx(STARTS_H + 0.42 * (15.0 - STARTS_H), abs=0.17)
    assert 14.8 < told[-1] < 15.0
    assert course(SITE, NOON, air(lambda h: 20.0 + 0.199 * h)) is None
    assert course(SITE, NOON, air(lambda h: 20.0 + 0.201 * h)) is not None
    assert course(SITE, NOON, NOTHING) is None


def test_no_day_swings_by_more_than_twenty_kelvin() -> None:
    """However steep the last hour was, where the morning is not known."""
    way = course(SITE, NOON, air(lambda h: 30.0 + 12.0 * h, hours=2))
    assert way is not None
    done = (solar_hour(SITE, NOON) - STARTS_H) / (15.0 - STARTS_H)
    assert way.rise_k == pytest.approx(20.0 * (1.0 + math.cos(math.pi * done)) / 2.0, abs=0.1)


def test_mist_that_burns_off_is_no_hot_day() -> None:
    """Steep for an hour, and hardly warmer than in the morning: what it has come from the morning's lowest counts."""
    mist: Curve = lambda h: 16.0 if h < -1.0 else 16.0 + 3.0 * (1.0 + h)  # noqa: E731
    way, known = course(SITE, NOON, air(mist, hours=2)), course(SITE, NOON, air(mist, hours=7))
    assert way is not None
    assert known is not None
    done = (solar_hour(SITE, NOON) - STARTS_H) / (15.0 - STARTS_H)
    come_k = sum(mist(-minute / 60) for minute in range(1, 6)) / 5 - 16.0
    assert known.rise_k == pytest.approx(
        come_k / (1 - math.cos(math.pi * done)) * (1 + math.cos(math.pi * done)), abs=0.01
    )
    assert way.rise_k > 2 * known.rise_k


@pytest.mark.parametrize("hours", [-1, 0, 1])
def test_where_the_morning_is_not_known_the_slope_alone_tells(hours: int) -> None:
    """Of a day that keeps to the course, within a hundredth: a half cosine is nearly straight for an hour and a quarter."""
    now = NOON + hours * HOUR
    curve = day(16.0, 30.0, now)
    way = course(SITE, now, air(curve, now, 2))
    assert way is not None
    assert way.rise_k == pytest.approx(30.0 - curve(0.0), rel=0.01)


@pytest.mark.parametrize(
    ("off_s", "counts"), [(-1800.5, False), (-1799.5, True), (0.0, True), (5399.5, True), (5400.5, False)]
)
def test_the_mornings_lowest_is_looked_for_about_half_an_hour_after_sunrise(off_s: float, counts: bool) -> None:
    """From half an hour before that until an hour and a half after: a colder breath at another time says nothing."""
    now_s = NOON.timestamp()
    known = course(SITE, NOON, air(day(16.0, 30.0)))
    assert known is not None
    times = [now_s - 60.0 * minute for minute in range(420, 0, -1)]
    breath_s = now_s - 3600.0 * (known.at_h - known.starts_h) + off_s
    values = [20.0 + 3.0 * max(0.0, 1.0 - (now_s - t) / 3600.0) for t in times]
    cold = sorted([*zip(times, values, strict=True), (breath_s, 19.0)])

    def rise_k(rows: list[tuple[float, float]]) -> float:
        found = course(SITE, NOON, Track.of([t for t, _ in rows], [v for _, v in rows], [0] * len(rows), 60.0))
        assert found is not None
        return found.rise_k

    assert (rise_k(cold) > 1.2 * rise_k(list(zip(times, values, strict=True)))) is counts


def test_what_is_colder_than_the_morning_has_nothing_to_come() -> None:
    """A front in the forenoon, and it warms again from far below: the day's course is broken, nothing is foretold of it."""
    broken: Curve = lambda h: 25.0 if h < -2.0 else 15.0 + 2.0 * (2.0 + h)  # noqa: E731
    way = course(SITE, NOON, air(broken))
    assert way is not None
    assert way.rise_k == 0.0
