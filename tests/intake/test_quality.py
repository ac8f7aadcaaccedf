"""What is doubtful about a reading, and what must not be doubted."""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Iterable
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sensord.intake.quality import Assessor
from sensord.intake.sensors import SENSORS, ability
from sensord.model import AMBIENT, Doubt, Enclosure, Kind, Probe, Quantity, Reading, Site

SITE = Site("lane", 41.5, -83.5, 190.0, "America/Detroit")
NOON = datetime(2026, 8, 20, 17, 30, tzinfo=UTC)  # 13:30 local, the sun is high
NIGHT = datetime(2026, 8, 21, 5, 0, tzinfo=UTC)  # 01:00 local
T, H, P = Quantity.TEMPERATURE, Quantity.HUMIDITY, Quantity.PRESSURE
MINUTE = timedelta(minutes=1)


def probe(name: str, place: str, sensor: str = "SHT4x", *quantities: Quantity, every_s: float = 60.0) -> Probe:
    return Probe("lane", name, place, sensor, frozenset(quantities or (T, H)), every_s)


def enclosure(name: str, kind: Kind = Kind.OPEN_MESH) -> Enclosure:
    return Enclosure("lane", name, name.title(), kind, 0.6, 0.6, 0.9, 0.9, 4.0, False, 0.4, 0.4, False, False)


PROBES = [
    probe("post", AMBIENT),
    probe("alder", "alder"),
    probe("birch", "birch", "DS18B20", T),
    probe("cedar", "cedar", "DHT22"),
    probe("barometer", AMBIENT, "BME280", P),
    probe("gauge", AMBIENT, "wind gauge", Quantity.WIND_SPEED, Quantity.WIND_GUST),
]
ENCLOSURES = [enclosure("alder"), enclosure("birch"), enclosure("cedar", Kind.CLEAR_BOX)]


def make(probes: Iterable[Probe] = PROBES, enclosures: Iterable[Enclosure] = ENCLOSURES) -> Assessor:
    return Assessor(probes, enclosures, SITE)


def reading(name: str, value: float, at: datetime = NOON, quantity: Quantity = T, doubts: int = 0) -> Reading:
    return Reading("lane", name, quantity, at, at, value, doubts)


def course(
    name: str, values: Iterable[float], start: datetime = NOON, quantity: Quantity = T, step: timedelta = MINUTE
) -> list[Reading]:
    return [reading(name, value, start + i * step, quantity) for i, value in enumerate(values)]


def doubts(assessor: Assessor, readings: Iterable[Reading]) -> list[int]:
    return [r.doubts for r in assessor.assess(list(readings))]


def noisy(values: Iterable[float], sigma: float = 0.03) -> list[float]:
    chance = random.Random(1)
    return [round(value + chance.gauss(0, sigma), 2) for value in values]


# --- the value itself -------------------------------------------------------------------------------------------------


@pytest.mark.outside
@pytest.mark.parametrize(
    ("register", "value"),
    [(0x07D0, 125.0), (0x0191, 25.0625), (0x00A2, 10.125), (0x0008, 0.5), (0x0000, 0.0), (0xFFF8, -0.5), (0xFF5E, -10.125),
     (0xFE6F, -25.0625), (0xFC90, -55.0)],
)  # fmt: skip
def test_ds18b20_all_values_of_the_datasheet_are_possible(register: int, value: float) -> None:
    """Source: DS18B20 datasheet (Maxim Integrated, 19-7487), table 1: register and temperature."""
    signed = register - 0x10000 if register >= 0x8000 else register
    assert signed * ability("DS18B20", T).step == value
    assert doubts(make(), [reading("birch", value)]) == [0]


@pytest.mark.outside
def test_ds18b20_says_85_after_power_on() -> None:
    """Source: DS18B20 datasheet, table 1, note: the power-on value of the register is +85 °C (0x0550)."""
    assert 0x0550 * ability("DS18B20", T).step == 85.0
    assert doubts(make(), [reading("birch", 85.0)]) == [Doubt.POWER_ON]
    assert doubts(make(), course("birch", [25.0, 85.0, 25.0625, 85.0, 85.0, 85.0, 85.0, 25.0])) == [
        0, Doubt.POWER_ON, 0, Doubt.POWER_ON, Doubt.POWER_ON, Doubt.POWER_ON, Doubt.POWER_ON, 0,
    ]  # fmt: skip
    assert doubts(make(), course("birch", [83.0, 85.0])) == [0, 0]  # it may well have got there
    assert doubts(make(), [reading("birch", 85.0625)]) == [0]


def test_minus_127_is_a_sensor_that_does_not_answer() -> None:
    """Common practice of Arduino libraries; for another type it is simply impossible."""
    assert doubts(make(), [reading("birch", -127.0), reading("alder", -127.0)]) == [Doubt.POWER_ON, Doubt.IMPOSSIBLE]


@pytest.mark.outside
@pytest.mark.parametrize(
    ("sensor", "quantity", "lowest", "highest"),
    [
        ("DS18B20", T, -55, 125), ("SHT3x", T, -40, 125), ("SHT4x", T, -40, 125), ("DHT22", T, -40, 80), ("BME280", T, -40, 85),
        ("BME280", P, 30_000, 110_000),
    ],
)  # fmt: skip
def test_the_limits_are_those_of_the_datasheets(sensor: str, quantity: Quantity, lowest: float, highest: float) -> None:
    """Source: datasheets of the Maxim DS18B20, Sensirion SHT3x-DIS and SHT4x, Aosong AM2302, Bosch BME280: operating range."""
    assessor = make([probe("x", AMBIENT, sensor, quantity)])
    beyond = (highest - lowest) * 1e-3
    for value, expected in ((lowest, 0), (lowest - beyond, Doubt.IMPOSSIBLE), (highest + beyond, Doubt.IMPOSSIBLE)):
        assert doubts(assessor, [reading("x", value, quantity=quantity)]) == [expected]


@pytest.mark.parametrize("sensor", SENSORS)
@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf, 1e300, -1e300])
def test_no_sensor_measures_nonsense(sensor: str, value: float) -> None:
    """Not a number, or beyond everything: impossible for every type and quantity."""
    for quantity in Quantity:
        assessor = make([probe("x", AMBIENT, sensor, quantity)])
        assert doubts(assessor, [reading("x", value, quantity=quantity)]) == [Doubt.IMPOSSIBLE]


def test_an_unknown_sensor_type_is_said() -> None:
    """With the types that are known."""
    with pytest.raises(ValueError, match=r"sensor 'SHT99' is not known; known are generic, DS18B20"):
        make([probe("x", AMBIENT, "SHT99")])


# --- jumps ------------------------------------------------------------------------------------------------------------


def test_a_jump_is_marked_and_the_return_is_not() -> None:
    """One wild value between good ones."""
    assert doubts(make(), course("alder", [25.0, 25.1, 45.0, 25.1, 25.2])) == [0, 0, Doubt.JUMP, 0, 0]


def test_a_new_level_is_believed_after_a_while() -> None:
    """A probe that was really carried elsewhere is not locked out."""
    got = doubts(make(), course("alder", [25.0, 45.0, 45.1, 45.0, 45.2, 45.1]))
    assert got == [0, Doubt.JUMP, Doubt.JUMP, 0, 0, 0]


def test_wild_values_are_never_believed() -> None:
    """A loose contact that says something else each time stays doubtful."""
    got = doubts(make(), course("alder", [25.0, 60.0, -20.0, 75.0, -35.0, 60.0, 0.0, 25.1]))
    assert got == [0, *[Doubt.JUMP] * 5, Doubt.JUMP, 0]


@pytest.mark.outside
@pytest.mark.parametrize(
    ("name", "quantity", "values"),
    [
        ("alder", T, [33.0, 31.0, 29.0, 27.0, 25.0, 24.0, 23.5, 23.0]),  # 10 K in 5–8 minutes
        ("alder", H, [0.45, 0.60, 0.78, 0.85, 0.88]),  # 40 % more
        ("barometer", P, [98_700.0, 98_900.0, 99_050.0, 99_100.0]),  # 4 hPa
        ("gauge", Quantity.WIND_GUST, [5.0, 30.0, 14.0, 22.0]),  # 30 m/s
    ],
)
def test_a_gust_front_is_no_jump(name: str, quantity: Quantity, values: list[float]) -> None:
    """The very moments that matter most must not be thrown away.

    Source: Mahoney (1988) Monthly Weather Review 116: 1474, abstract (3.5 K, 0.6 hPa, 14.5 m/s on average), and the upper
    values of a study of Tehran gust fronts, abstract (10 K, 4 hPa, 30 m/s, 40 % of relative humidity).
    """
    assert doubts(make(), course(name, values, quantity=quantity)) == [0] * len(values)


def test_a_keeper_who_takes_the_probe_in_the_hand_is_no_jump() -> None:
    """From 22 to 33 °C within two or three minutes."""
    assert doubts(make(), course("birch", [22.0, 27.0, 31.0, 33.0, 33.5, 30.0, 26.0])) == [0] * 7


def test_after_a_long_silence_any_ordinary_value_is_believed() -> None:
    """The night lies between them."""
    assert doubts(make(), [reading("alder", 14.0), reading("alder", 38.0, NOON + timedelta(hours=9))]) == [0, 0]


# --- standing still ---------------------------------------------------------------------------------------------------


def first_marked(got: list[int], doubt: Doubt) -> int | None:
    return next((i for i, d in enumerate(got) if d & doubt), None)


def test_a_stuck_value_is_found_by_day() -> None:
    """A sensor of hundredths says exactly the same for half an hour of sunshine: it is stuck, until it moves."""
    values = [*noisy([25.0] * 30), *[25.07] * 60, 25.11]
    got = doubts(make(), course("alder", values))
    first = first_marked(got, Doubt.STUCK)
    assert first is not None
    assert 30 + 27 <= first <= 30 + 33
    assert all(d == Doubt.STUCK for d in got[first:-1])
    assert got[-1] == 0


def test_a_stuck_value_is_found_sooner_when_the_others_move() -> None:
    """The post and the other cages warm up by three kelvin within half an hour, and one does not move at all."""
    readings = []
    for i in range(60):
        at = NOON + i * MINUTE
        readings += [
            reading("post", round(20.0 + i / 10, 2), at),
            reading("cedar", round(23.0 + i / 10, 1), at),
            reading("alder", 21.37, at),
        ]
    marked = [i for i, d in enumerate(doubts(make(), readings)[2::3]) if d & Doubt.STUCK]
    assert marked
    assert 20 <= marked[0] <= 35
    assert marked == list(range(marked[0], 60))


def test_only_witnesses_that_were_there_and_still_are_show_that_one_is_left_behind() -> None:
    """By itself it is found after 75 minutes. Two others that warm up by 6 K/h show it 20 minutes after its fifth reading,
    one alone must move further; who came later, or fell silent, shows nothing."""

    def stuck_from(rise_k: float, post: range = range(120), cedar: range = range(120)) -> int:
        readings = []
        for i in range(120):
            value, at = round(20.0 + rise_k * i + 0.1 * (i % 2), 2), NOON + i * MINUTE
            readings += [reading(name, value, at) for name, there in (("post", post), ("cedar", cedar)) if i in there]
            readings.append(reading("birch", 21.375, at))
        got = [r for r in make().assess(readings) if r.probe == "birch"]
        return next(i for i, r in enumerate(got) if r.doubts & Doubt.STUCK)

    assert stuck_from(0.0) == 75
    assert stuck_from(0.1) == 24
    assert stuck_from(0.1, cedar=range(0)) == stuck_from(0.1, cedar=range(10, 120)) == 37
    assert stuck_from(0.1, post=range(8), cedar=range(8)) == 75


def test_a_coarse_sensor_in_a_calm_night_is_not_stuck() -> None:
    """Half-degree steps, nine hours of fog, three hours on one value: all is well."""
    probes = [probe("alder", "alder", "generic", T), probe("post", AMBIENT, "generic", T)]
    readings = []
    for i in range(540):
        value = 14.0 - (i // 180) * 0.5
        readings += [reading("post", value, NIGHT + i * MINUTE), reading("alder", value + 0.5, NIGHT + i * MINUTE)]
    assert set(doubts(make(probes), readings)) == {0}


def test_a_sensor_in_tenths_on_a_grey_day_is_not_stuck() -> None:
    """An hour and a half of drizzle on one value."""
    values = [*[16.0 + i / 10 for i in range(5)], *[16.4] * 90, 16.5]
    assert set(doubts(make(), course("cedar", values))) == {0}


@pytest.mark.parametrize(
    ("name", "quantity", "value"),
    [("gauge", Quantity.WIND_SPEED, 0.0), ("gauge", Quantity.WIND_GUST, 0.0), ("cedar", H, 0.99)],
)
def test_calm_and_saturation_may_last(name: str, quantity: Quantity, value: float) -> None:
    """No wind all night, fog all night: nothing is wrong with the sensor."""
    assert set(doubts(make(), course(name, [value] * 700, NIGHT, quantity))) == {0}


# --- wet --------------------------------------------------------------------------------------------------------------


def test_a_sensor_pinned_at_saturation_is_wet_until_it_has_dried() -> None:
    """After an hour at 100 % it is wet; below 97 % it is dry again."""
    values = [0.9, *[1.0] * 90, 0.98, 0.975, 0.96, 0.95]
    got = doubts(make(), course("alder", values, quantity=H))
    assert first_marked(got, Doubt.WET) == 61
    assert [bool(d & Doubt.WET) for d in got[61:]] == [True] * 32 + [False] * 2
    assert not any(d & (Doubt.STUCK | Doubt.IMPOSSIBLE) for d in got)


def test_a_foggy_hour_below_saturation_is_not_wet() -> None:
    """99 % is air."""
    assert set(doubts(make(), course("alder", noisy([0.988] * 300, 0.002), NIGHT, H))) == {0}


# --- in the sun -------------------------------------------------------------------------------------------------------


def day(inside: Callable[[int], float], start: datetime = NOON, minutes: int = 60, name: str = "alder") -> list[int]:
    chance = random.Random(2)
    readings = []
    for i in range(minutes):
        at = start + i * MINUTE
        readings.append(reading("post", round(27.0 + i / 100 + chance.gauss(0, 0.05), 2), at))
        readings.append(reading(name, round(inside(i) + chance.gauss(0, 0.05), 2), at))
    return doubts(make(), readings)[1::2]


def test_a_probe_far_above_the_air_with_the_sun_up_is_sunlit() -> None:
    """Nine kelvin above ambient is more than the air in a mesh cage gets; after ten minutes it is said."""
    got = day(lambda i: 27.0 + min(i, 9))
    first = first_marked(got, Doubt.SUNLIT)
    assert first is not None
    assert 14 <= first <= 20
    assert all(d == Doubt.SUNLIT for d in got[first:])


def test_of_several_ambient_probes_the_middle_is_the_air() -> None:
    """One that reads far too cold makes no cage sunlit, whichever comes first; and one that reads warm hides none."""
    posts = ("post-a", "post-b", "post-c")
    for cage_c, sunlit in ((28.0, False), (37.0, True)):
        for odd in posts:
            probes = [*(probe(name, AMBIENT, "SHT4x", T) for name in posts), probe("alder", "alder", "SHT4x", T)]
            readings = []
            for i in range(40):
                at = NOON + i * MINUTE
                air_c = dict.fromkeys(posts, 27.0 + i / 100) | {odd: (36.0 if sunlit else 18.0) + i / 100}
                readings += [reading(name, value, at) for name, value in air_c.items()]
                readings.append(reading("alder", cage_c + i / 100, at))
            assert bool(doubts(make(probes), readings)[-1] & Doubt.SUNLIT) is sunlit, (cage_c, odd)


def test_a_clear_box_may_be_that_warm() -> None:
    """What is sunlight on the probe in a mesh cage is the air itself in a closed box."""
    assert set(day(lambda i: 27.0 + min(i, 9), name="cedar")) == {0}


def test_a_restless_warm_probe_is_sunlit() -> None:
    """Four kelvin above ambient, up and down by two with every cloud and gust."""
    assert first_marked(day(lambda i: 31.0 + 1.5 * math.sin(i * 1.9)), Doubt.SUNLIT) is not None
    assert set(day(lambda i: 31.0 + 0.1 * math.sin(i * 1.9))) == {0}


def test_nothing_is_sunlit_at_night() -> None:
    """The same excess without the sun is something else."""
    assert first_marked(day(lambda i: 27.0 + min(i, 9), NIGHT), Doubt.SUNLIT) is None


def test_an_ambient_probe_in_the_sun_is_found_by_the_cages() -> None:
    """It is warmer than the mesh cages by day; and it is no measure for them any more."""
    readings = []
    for i in range(40):
        at = NOON + i * MINUTE
        readings += [
            reading("post", 34.0 + i / 100, at),
            reading("alder", 28.0 + i / 100, at),
            reading("birch", 28.5 + i / 16, at),
        ]
    got = doubts(make(), readings)
    assert got[0::3][-1] == Doubt.SUNLIT
    assert not any(d & Doubt.SUNLIT for d in got[1::3] + got[2::3])


def test_what_is_compared_with_is_fresh_for_a_quarter_of_an_hour_to_the_second() -> None:
    """A reading of the post counts up to 15 minutes from it, before and after; a second further on it is no measure."""

    def marked(post_minute: float, *minutes: float) -> list[bool]:
        readings = [reading("post", 27.0, NOON + post_minute * MINUTE)]
        readings += [reading("alder", 36.0 + 0.1 * (i % 2), NOON + m * MINUTE) for i, m in enumerate(minutes)]
        return [bool(d & Doubt.SUNLIT) for d in doubts(make(), readings)[1:]]

    before, after = [-5.0, 0.0, 5.0, 10.0], [0.0, 1.0, 11.0, 15.0]
    second = 1 / 60
    assert marked(0, *after) == [False, False, True, True]
    assert marked(0, *after[:3], 15 + second) == [False, False, True, False]
    assert marked(15, *before) == [False, False, False, True]
    assert marked(15 + second, *before) == [False, False, False, False]


# --- two of one place -------------------------------------------------------------------------------------------------

PAIR = [probe("low", "alder"), probe("high", "alder", "DS18B20", T), probe("post", AMBIENT)]


def pair(difference: float, minutes: int = 30, start: datetime = NIGHT) -> list[int]:
    readings = []
    for i in range(minutes):
        readings += [
            reading("low", round(18.0 + i / 50, 2), start + i * MINUTE),
            reading("high", round(18.0 + i / 50 + difference, 2), start + i * MINUTE),
        ]
    return doubts(make(PAIR), readings)


def test_two_probes_of_one_place_that_disagree_for_minutes_are_both_doubtful() -> None:
    """Nobody can say which of the two is wrong."""
    got = pair(3.0)
    assert set(got[:18]) == {0}
    assert set(got[-10:]) == {Doubt.DISAGREES}


def test_a_probe_that_fell_silent_is_disagreed_with_for_a_quarter_of_an_hour() -> None:
    """What the other of a place said counts up to 15 minutes after it; a second later there is nothing to disagree with."""

    def marked(*minutes: float) -> list[bool]:
        readings = [reading("low", 18.0, NIGHT)]
        readings += [reading("high", 22.0 + 0.1 * i, NIGHT + m * MINUTE) for i, m in enumerate(minutes)]
        return [bool(d & Doubt.DISAGREES) for d in doubts(make(PAIR), readings)[1:]]

    assert marked(1, 11, 15) == [False, True, True]
    assert marked(1, 11, 15 + 1 / 60) == [False, True, False]


def test_two_probes_within_their_tolerances_agree() -> None:
    """0.2 and 0.5 K of tolerance, and a kelvin between two spots of a cage at night, two by day."""
    assert set(pair(1.6)) == {0}
    assert set(pair(2.6, start=NOON)) == {0}


def test_of_three_only_the_odd_one_is_doubtful() -> None:
    """The middle of all decides."""
    probes = [probe(n, "alder", "SHT4x", T) for n in ("a", "b", "c")]
    readings = []
    for i in range(30):
        at = NIGHT + i * MINUTE
        readings += [reading("a", 18.0 + i / 50, at), reading("b", 18.2 + i / 50, at), reading("c", 23.0 + i / 50, at)]
    got = doubts(make(probes), readings)
    assert [got[k::3][-1] for k in range(3)] == [0, 0, Doubt.DISAGREES]


# --- order, clocks, memory --------------------------------------------------------------------------------------------


def test_late_readings_change_nothing_of_what_comes_after() -> None:
    """A backlog of the night that comes at noon is judged by its values alone, and the present goes on undisturbed."""
    now = course("alder", noisy([30.0] * 20))
    backlog = [
        r._replace(doubts=int(Doubt.LATE)) for r in course("alder", [12.0, 85.5, 127.0], NOON - timedelta(hours=9))
    ]
    got = doubts(make(), [*now[:10], *backlog, *now[10:]])
    assert got[:10] + got[13:] == doubts(make(), now)
    assert got[10:13] == [Doubt.LATE, Doubt.LATE, Doubt.LATE | Doubt.IMPOSSIBLE]


def test_readings_of_a_wrong_clock_teach_nothing() -> None:
    """One dated two days ahead does not make the rest look late."""
    ahead = reading("alder", 26.0, NOON + timedelta(days=2), doubts=int(Doubt.FUTURE))
    got = doubts(make(), [reading("alder", 25.0), ahead, reading("alder", 70.0, NOON + MINUTE)])
    assert got == [0, Doubt.FUTURE, Doubt.JUMP]


def test_a_clock_that_was_put_back_begins_anew() -> None:
    """Readings of just now, days before what is remembered: the memory was wrong, not they."""
    assessor = make()
    assessor.assess(course("alder", noisy([30.0] * 20), NOON + timedelta(days=2)))
    assert doubts(assessor, course("alder", [25.0, 60.0, 25.1])) == [0, Doubt.JUMP, 0]


def test_it_goes_on_after_a_restart() -> None:
    """Primed with the newest stored readings, what was stuck, wet, sunlit or at odds still is."""
    stored = [
        reading("alder", 1.0, quantity=H, doubts=int(Doubt.WET)),
        reading("alder", 33.07, doubts=int(Doubt.STUCK)),
        reading("post", 25.0),
        reading("birch", 85.0, doubts=int(Doubt.POWER_ON)),
    ]
    assessor = make()
    assessor.prime(stored)
    got = doubts(
        assessor,
        [
            reading("alder", 1.0, NOON + MINUTE, H),
            reading("alder", 33.07, NOON + MINUTE),
            reading("post", 60.0, NOON + MINUTE),
            reading("birch", 30.0, NOON + MINUTE),
        ],
    )
    assert [bool(d & x) for d, x in zip(got, (Doubt.WET, Doubt.STUCK, Doubt.JUMP, Doubt.JUMP), strict=True)] == [
        True, True, True, False,
    ]  # fmt: skip


def test_the_memory_does_not_grow() -> None:
    """After a week of every kind of trouble, a series remembers no more than after an hour."""
    chance = random.Random(3)
    assessor = make()
    for i in range(10_000):
        assessor.assess([reading("alder", chance.choice([25.0, 25.1, 60.0, 33.0, math.nan]), NOON + i * MINUTE)])
    series = assessor._series["alder", T]
    assert len(series.changes) <= 12
    assert len(series.stood) <= len(PROBES)


@settings(max_examples=150, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.sampled_from([(p.name, q) for p in PROBES for q in sorted(p.quantities)] + [("stranger", T)]),
            st.floats() | st.sampled_from([85.0, -127.0, 25.0, 1.0, 0.5, 0.0, 101_325.0]),
            st.integers(-10_000_000, 10_000_000),
            st.integers(0, 2047),
        ),
        max_size=60,
    )
)
def test_anything_in_any_order_is_marked_and_kept(rows: list[tuple[tuple[str, Quantity], float, int, int]]) -> None:
    """Nothing raises, nothing is lost, changed or cleared; the same input gives the same marks."""
    readings = [reading(n, v, NOON + timedelta(milliseconds=ms), q, d) for (n, q), v, ms, d in rows]
    one, two = make().assess(readings), make().assess(readings)
    assert repr(one) == repr(two)
    for before, after in zip(readings, one, strict=True):
        assert repr(after[:6]) == repr(before[:6])
        assert after.doubts & before.doubts == before.doubts
        assert type(after.doubts) is int
