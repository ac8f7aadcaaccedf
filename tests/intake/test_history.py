"""The course of a series: how fast it may change, how long it may stand still, when it is wet, in the sun, at odds.

The numbers are choices of ours, told at the head of `history` and `quality`: each is tried at it and just beyond.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd
import pytest
from pvlib import solarposition

from sensord.intake.quality import Assessor
from sensord.model import AMBIENT, Doubt, Enclosure, Kind, Probe, Quantity, Reading, Site

T, H, P = Quantity.TEMPERATURE, Quantity.HUMIDITY, Quantity.PRESSURE
SPEED, GUST, SUN = Quantity.WIND_SPEED, Quantity.WIND_GUST, Quantity.IRRADIANCE
SITE = Site("lane", 41.5, -83.5, 190.0, "America/Detroit")
NOON = datetime(2026, 8, 20, 17, 30, tzinfo=UTC)  # 13:30 local, the sun is high
NIGHT = datetime(2026, 8, 21, 5, 0, tzinfo=UTC)  # 01:00 local
POLAR_DAY = Site("lane", 80.0, 0.0, 0.0, "UTC")
JUNE = datetime(2026, 6, 20, tzinfo=UTC)
SECOND, MINUTE = timedelta(seconds=1), timedelta(minutes=1)


def probe(name: str, place: str, quantity: Quantity, sensor: str = "generic") -> Probe:
    return Probe("lane", name, place, sensor, frozenset([quantity]), 60.0)


def enclosure(name: str, kind: Kind = Kind.OPEN_MESH) -> Enclosure:
    return Enclosure("lane", name, name.title(), kind, 0.6, 0.6, 0.9, 0.9, 4.0, False, 0.4, 0.4, False, False)


def reading(name: str, value: float, at: datetime, quantity: Quantity = T) -> Reading:
    return Reading("lane", name, quantity, at, at, value)


def found(
    doubt: Doubt, probes: Iterable[Probe], readings: Iterable[Reading], kind: Kind = Kind.OPEN_MESH, site: Site = SITE
) -> list[bool]:
    """Whether each reading has a doubt; "alder" is of the kind, all other cages are of open mesh."""
    cages = [enclosure("alder", kind), enclosure("birch"), enclosure("cedar")]
    return [bool(r.doubts & doubt) for r in Assessor(probes, cages, site).assess(list(readings))]


def marked(
    quantity: Quantity, rows: Iterable[tuple[float, float]], doubt: Doubt, site: Site = SITE, start: datetime = NOON
) -> list[bool]:
    """Whether a plain probe's readings, of (second, value), have a doubt."""
    readings = [reading("p", value, start + second * SECOND, quantity) for second, value in rows]
    return found(doubt, [probe("p", AMBIENT, quantity)], readings, site=site)


@pytest.mark.parametrize(
    ("quantity", "start", "after_s", "reach"),
    [
        (T, 10.0, 0.001, 4.0), (T, 10.0, 60.0, 7.0), (T, 10.0, 520.0, 30.0), (T, 10.0, 7 * 3600.0, 30.0),
        (H, 0.2, 0.001, 0.3), (H, 0.2, 120.0, 0.6), (H, 0.01, 300.0, 1.04),
        (P, 100_000.0, 0.001, 300.0), (P, 100_000.0, 60.0, 400.0), (P, 100_000.0, 7200.0, 6000.0),
        (SPEED, 1.0, 0.001, 20.0), (SPEED, 1.0, 60.0, 30.0), (SPEED, 1.0, 318.0, 73.0),
        (GUST, 1.0, 0.001, 35.0), (GUST, 1.0, 60.0, 45.0), (GUST, 1.0, 468.0, 113.0),
    ],
)  # fmt: skip
def test_a_change_is_a_jump_beyond_what_the_time_allows(
    quantity: Quantity, start: float, after_s: float, reach: float
) -> None:
    """So much at once, so much more with each minute, and temperature and pressure never beyond a limit."""
    rows = [(0.0, start), (after_s, start + (0.999 * reach if quantity is H else reach))]
    assert marked(quantity, rows, Doubt.JUMP) == [False, False]
    beyond = start + 1.001 * reach
    if quantity is not H or beyond < 1.05:  # else it is impossible anyway
        assert marked(quantity, [(0.0, start), (0.99 * after_s, beyond)], Doubt.JUMP) == [False, True]


@pytest.mark.parametrize("quantity", [SUN, Quantity.BATTERY, Quantity.VOLTAGE])
def test_what_a_cloud_or_a_charger_changes_never_jumps(quantity: Quantity) -> None:
    """Any value within the sensor's range may follow any other at once."""
    assert marked(quantity, [(0.0, 0.0), (1.0, 1.0), (2.0, 0.0)], Doubt.JUMP) == [False] * 3


def test_a_new_level_is_believed_from_its_third_reading_and_after_a_minute() -> None:
    """Both are needed, and the readings must be near each other."""
    assert marked(T, [(0, 20), (60, 45), (61, 45), (119, 45), (120, 45)], Doubt.JUMP) == [
        False,
        True,
        True,
        True,
        False,
    ]
    assert marked(T, [(0, 20), (60, 45), (120, 45), (121, 45)], Doubt.JUMP) == [False, True, True, False]
    # What lies further off than the time allows begins anew; back at the old level all is forgotten.
    assert marked(T, [(0, 20), (60, 50), (90, 59), (121, 50), (152, 50)], Doubt.JUMP)[-1] is True
    assert marked(T, [(0, 20), (60, 45), (90, 20), (120, 45), (121, 45), (122, 45)], Doubt.JUMP)[3:] == [True] * 3


def test_a_level_is_the_same_while_the_time_allows_the_change() -> None:
    """From one doubtful reading to the next it may move as any other: by seven kelvin in a minute, no further."""
    assert marked(T, [(0, 20), (60, 50), (120, 57), (121, 57)], Doubt.JUMP) == [False, True, True, False]
    assert marked(T, [(0, 20), (60, 50), (120, 57.1), (121, 57.1)], Doubt.JUMP) == [False, True, True, True]


@pytest.mark.parametrize(
    ("before", "second", "is_power_on"),
    [
        (78.0, 60, False),
        (77.9, 60, True),
        (84.0, 0.001, False),
        (84.0, 0.0, True),
        (84.0, -60, True),
        (84.0, 30, False),
    ],
)
def test_85_is_a_temperature_only_where_the_last_one_leads_there(
    before: float, second: float, is_power_on: bool
) -> None:
    """Seven kelvin in a minute; a reading dated before the last one follows from nothing."""
    readings = [reading("p", before, NOON), reading("p", 85.0, NOON + second * SECOND)]
    got = found(Doubt.POWER_ON, [probe("p", AMBIENT, T, "DS18B20")], readings)
    assert got == [False, is_power_on]


LONG = [
    (T, 20.0, 0.1, 7200), (H, 0.5, 0.01, 10_800), (P, 100_000.0, 10.0, 10_800),
    (SPEED, 3.0, 0.1, 3600), (GUST, 3.0, 0.1, 3600), (SUN, 300.0, 1.0, 3600),
]  # fmt: skip
"""Of a sensor with such steps: how long the same value may last by day [s]."""


def first_stuck(
    quantity: Quantity,
    value: float,
    step: float,
    every_s: float = 60.0,
    site: Site = POLAR_DAY,
    start: datetime = JUNE,
    sensor: str = "generic",
) -> float | None:
    """After how long of the same value it is stuck [s]; for a sensor that showed a step before, if not 0."""
    before = [reading("p", value - step, start - MINUTE, quantity)] if step else []
    readings = [reading("p", value, start + every_s * i * SECOND, quantity) for i in range(1500)]
    got = found(Doubt.STUCK, [probe("p", AMBIENT, quantity, sensor)], before + readings, site=site)[len(before) :]
    return every_s * got.index(True) if True in got else None


@pytest.mark.parametrize(("quantity", "value", "step", "after_s"), LONG)
def test_the_same_value_may_last_so_long_by_day(quantity: Quantity, value: float, step: float, after_s: int) -> None:
    """Longer in proportion for a coarser sensor, up to a day; shorter for a finer one, down to a quarter."""
    sensor = {T: "DHT22", P: "BME280"}.get(quantity, "generic")  # of such a step by its data sheet, but for pressure
    assert first_stuck(quantity, value, step if quantity is P else 0.0, sensor=sensor) == after_s
    assert first_stuck(quantity, value, 2 * step) == pytest.approx(2 * after_s, abs=60)
    assert first_stuck(quantity, value, step / 2) == pytest.approx(after_s / 2, abs=60)
    assert first_stuck(quantity, value, step / 50) == pytest.approx(after_s / 4, abs=60)
    if quantity in (T, P):
        assert first_stuck(quantity, value, 29 * step) == 24 * 3600


def test_at_night_an_hour_counts_for_a_third() -> None:
    """Half an hour by day, an hour and a half at night, for a sensor of hundredths."""
    assert first_stuck(T, 20.0, 0.01) == 1800
    assert first_stuck(T, 20.0, 0.01, site=SITE, start=NIGHT) == 5400


def test_ten_readings_are_the_least_and_a_gap_counts_for_a_quarter_of_an_hour() -> None:
    """A probe that reports every ten minutes isn't stuck after three readings; silence is no standing still."""
    assert first_stuck(T, 20.0, 0.01, every_s=600) == 9 * 600
    assert first_stuck(P, 100_000.0, 10.0, every_s=1800) == 12 * 1800
    assert first_stuck(P, 100_000.0, 10.0, every_s=899.95) == 13 * 899.95


@pytest.mark.parametrize(
    ("quantity", "may", "may_not"), [(H, 0.97, 0.969), (SPEED, 0.49, 0.5), (GUST, 0.49, 0.5), (SUN, 4.9, 5.0)]
)
def test_saturation_calm_and_night_may_last(quantity: Quantity, may: float, may_not: float) -> None:
    """From 97 % on, below half a metre a second, below 5 W/m²."""
    assert first_stuck(quantity, may, 0.01) is None
    assert first_stuck(quantity, may_not, 0.01) is not None


@pytest.mark.parametrize(("quantity", "start", "moved"), [(T, 20.0, 3.0), (H, 0.5, 0.13), (P, 100_000.0, 400.0)])
def test_one_is_left_behind_where_two_others_have_moved(quantity: Quantity, start: float, moved: float) -> None:
    """By 1.5 K, 10 % or 1 hPa and three steps of the sensor, twenty minutes after its fifth reading."""

    def stuck_at(share: float) -> int | None:
        probes = [probe(name, name, quantity) for name in ("alder", "birch", "cedar")]
        readings = []
        for i in range(40):
            others = start + min(1.0, max(0, i - 4) / 10) * share * moved
            for name, value in (("alder", others), ("birch", others), ("cedar", start)):
                readings.append(reading(name, value, NOON + i * MINUTE, quantity))
        got = found(Doubt.STUCK, probes, readings)[2::3]
        return got.index(True) if True in got else None

    assert stuck_at(1.01) == 24
    assert stuck_at(0.99) is None


def test_it_is_wet_after_an_hour_at_saturation_until_it_is_dry_again() -> None:
    """From 99.5 % on, for an hour to the second; then down to 97 %."""
    assert marked(H, [(0, 0.995), (3599, 0.995), (3600, 0.995)], Doubt.WET) == [False, False, True]
    assert marked(H, [(0, 0.9949), (3600, 0.9949), (7200, 0.995)], Doubt.WET) == [False, False, False]
    rows = [(0, 1.0), (3600, 1.0), (3660, 0.9949), (3720, 0.97), (3780, 0.969), (3840, 1.0)]
    assert marked(H, rows, Doubt.WET) == [False, True, True, True, False, False]


FINE = [probe("post", AMBIENT, T, "SHT4x"), probe("alder", "alder", T, "SHT4x")]


@pytest.mark.parametrize(
    ("kind", "far_k"),
    [(Kind.OPEN_MESH, 6.0), (Kind.FINE_MESH, 9.0), (Kind.CLEAR_BOX, 15.0), (Kind.PORCH, 8.0), (None, 2.5)],
)
def test_a_probe_is_in_the_sun_where_air_is_never_that_warm(kind: Kind | None, far_k: float) -> None:
    """Above ambient by its kind, the ambient post above the mesh; ten minutes on, to the second, it is said."""

    def sunlit(excess_k: float) -> list[bool]:
        warm, other = ("alder", "post") if kind else ("post", "alder")
        readings = []
        for i, second in enumerate((0, 60, 360, 659, 660)):
            at = NOON + second * SECOND
            readings += [reading(other, 22.0, at), reading(warm, 22.0 + excess_k + i / 1024, at)]
        return found(Doubt.SUNLIT, FINE, readings, kind or Kind.OPEN_MESH)[1::2]

    assert sunlit(far_k) == [False, False, False, False, True]
    assert sunlit(far_k - 1 / 128) == [False] * 5


def restless(swing_k: float, excess_k: float = 4.0, calm_from: int = 60, restless_from: int = 0) -> list[bool]:
    """Whether a mesh cage's probe is in the sun, that swings from minute to minute until it is calm."""
    readings = []
    for i in range(60):
        at = NOON + i * MINUTE
        above = excess_k + (swing_k * (i % 2) if restless_from <= i < calm_from else 0.01 * (i % 2))
        readings += [reading("post", 25.0 + i / 100, at), reading("alder", 25.0 + i / 100 + above, at)]
    return found(Doubt.SUNLIT, FINE, readings)[1::2]


def test_a_warm_probe_that_flickers_is_in_the_sun() -> None:
    """A quarter of the excess suffices with 0.8 K of change a minute, over eight changes at least and twelve at most."""
    assert restless(0.83).index(True) == 8 + 10
    assert True not in restless(0.77)
    assert restless(0.83, 1.5).index(True) == 8 + 10
    assert True not in restless(0.83, 0.5)
    assert restless(0.83, restless_from=20).index(True) == 20 + 12 + 10
    assert restless(1.5, calm_from=40).index(False, 20) == 40 + 6
    assert restless(1.64, calm_from=40).index(False, 20) == 40 + 7


def test_after_three_minutes_without_a_reading_flicker_begins_anew() -> None:
    """What happened in between is not known."""

    def sunlit(gap_s: float) -> bool:
        readings, at = [], NOON
        for i in range(30):
            at += gap_s * SECOND if i == 25 else MINUTE
            readings += [reading("post", 25.0, at), reading("alder", 29.0 + i % 2, at)]
        return found(Doubt.SUNLIT, FINE, readings)[-1]

    assert sunlit(180.0)
    assert not sunlit(181.0)


@pytest.mark.outside
@pytest.mark.parametrize("day", [20, 22, 24, 26, 28, 30])
def test_the_sun_is_up_from_five_degrees(day: int) -> None:
    """Source: elevation by pvlib (NREL's solar position algorithm), at the middle of each five minutes."""
    start = datetime(2026, 8, day, 10, 0, tzinfo=UTC)
    times = pd.DatetimeIndex([start + i * MINUTE - (i % 5) * MINUTE + 2.5 * MINUTE for i in range(180)])
    up = solarposition.get_solarposition(times, SITE.latitude_deg, SITE.longitude_deg)["elevation"].to_numpy() > 5.0
    readings: list[Reading] = []
    for i in range(180):
        at = start + i * MINUTE
        readings += [reading("post", 15.0, at), reading("alder", 25.0 + i % 2 / 10, at)]
    got = found(Doubt.SUNLIT, FINE, readings)[1::2]
    assert got.index(True) == int(np.argmax(up)) + 10


@pytest.mark.parametrize(
    ("quantity", "start", "by_night", "by_day"),
    [(T, 18.0, 3.0, 4.0), (H, 0.5, 0.15, 0.2), (P, 100_000.0, 450.0, 450.0)],
)
def test_two_of_one_place_disagree_beyond_their_tolerances_and_what_a_place_allows(
    quantity: Quantity, start: float, by_night: float, by_day: float
) -> None:
    """A kelvin, 5 % or half a hectopascal at night, two kelvin or 10 % by day; for ten minutes, to the second."""

    def at_odds(difference: float, at: datetime) -> list[bool]:
        probes = [probe("low", "alder", quantity), probe("high", "alder", quantity)]
        readings = []
        for second in (0, 300, 599, 600):
            readings += [
                reading("low", start, at + second * SECOND, quantity),
                reading("high", start + difference, at + second * SECOND, quantity),
            ]
        return found(Doubt.DISAGREES, probes, readings)[1::2]

    for allowed, at in ((by_night, NIGHT), (by_day, NOON)):
        assert at_odds(0.999 * allowed, at) == [False] * 4
        assert at_odds(1.001 * allowed, at) == [False, False, False, True]


def test_two_readings_of_one_instant_teach_once() -> None:
    """The second is judged by its value alone."""
    assert marked(T, [(0, 20), (0, 60), (60, 21)], Doubt.JUMP) == [False, False, False]


@pytest.mark.parametrize(
    ("doubt", "place", "quantity", "value", "following"),
    [
        (Doubt.WET, "alder", H, 1.0, 0.98),
        (Doubt.SUNLIT, "alder", T, 36.0, 36.1),
        (Doubt.DISAGREES, AMBIENT, T, 31.0, 31.1),
        (Doubt.STUCK, "alder", T, 28.0, 28.0),
    ],
)
def test_after_a_restart_only_what_was_marked_goes_on_at_once(
    doubt: Doubt, place: str, quantity: Quantity, value: float, following: float
) -> None:
    """Primed with the last reading and its marks; one that had none begins anew, and a stranger's is passed by."""
    for stored, marks in ((doubt, True), (0, False), (int(Doubt.JUMP), False)):
        probes = [probe("post", AMBIENT, T, "SHT4x"), probe("p", place, quantity, "SHT4x")]
        assessor = Assessor(probes, [enclosure("alder")], SITE)
        last = reading("p", value, NOON, quantity)._replace(doubts=int(stored))
        assessor.prime([reading("post", 27.0, NOON), last, last._replace(probe="stranger")])
        (got,) = assessor.assess([reading("p", following, NOON + MINUTE, quantity)])
        assert got.doubts == (doubt if marks else 0)


def test_what_was_not_believed_before_a_restart_is_not_believed_after_it() -> None:
    """Nothing is learnt from it, so that what is ordinary does not look like a jump."""
    assessor = Assessor([probe("p", AMBIENT, T)], [], SITE)
    assessor.prime([reading("p", 80.0, NOON)._replace(doubts=int(Doubt.JUMP))])
    assert assessor.assess([reading("p", 25.0, NOON + MINUTE)])[0].doubts == 0


def test_a_clock_that_is_a_quarter_of_an_hour_behind_was_put_back() -> None:
    """A little out of order is only late and teaches nothing; further back, what is remembered was of a wrong clock."""

    def believed(back_s: float) -> bool:
        rows = [(0.0, 20.0), (60.0, 20.1), (60.0 - back_s, 60.0), (120.0, 20.2)]
        return not marked(T, rows, Doubt.JUMP)[-1]

    assert believed(900.0)
    assert not believed(901.0)
