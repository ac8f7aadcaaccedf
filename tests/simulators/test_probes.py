"""Probes: what they make of the truth, what befalls them, and what they put on the wire."""

from __future__ import annotations

import json
import math
import statistics
from datetime import UTC, datetime, timedelta

import pytest

from sensord.intake.payload import Decoder
from sensord.model import Arrival, Form, Probe, Quantity, Recipe
from simulators import faults, payloads
from simulators.faults import Fate, Fault, Faults, Mishap
from simulators.garden import Garden
from simulators.probes import Air, Device, Sent, Shield, radiation_error_c
from simulators.scenario import configuration, larkfield

START = datetime(2026, 8, 20, 4, tzinfo=UTC)
MINUTE = timedelta(minutes=1)
AIR = Air(25.0, 0.6, 99_000.0, 2.0, 3.0, 0.0, 0.0, 0.5, 0.0)


def device(table: Faults = faults.NONE, *mishaps: Mishap, sensor: str = "DS18B20", dated: bool = False) -> Device:
    """One probe for temperature."""
    probe = Probe("field", "one", "ambient", sensor, frozenset({Quantity.TEMPERATURE}), 60.0)
    pointer = {"pointer": "/t", "time_pointer": "/at"} if dated else {}
    form = Form.JSON if dated else Form.NUMBER
    recipe = Recipe("field", "one", "field/one", form, Quantity.TEMPERATURE, "°C", **pointer)
    return Device(probe, [recipe], 3, START, table, mishaps)


def life(one: Device, minutes: int, air: Air = AIR) -> list[Sent]:
    """What it sends in some minutes of the same air."""
    sent: list[Sent] = []
    for i in range(minutes):
        sent += one.turn(START + (i + 1) * MINUTE, air)[0]
    return sent


def numbers(sent: list[Sent]) -> list[float]:
    """The bare numbers that were sent."""
    return [float(message.payload) for message in sent]


def test_a_sound_probe_reads_the_truth_within_its_accuracy_at_its_resolution() -> None:
    """One reading a minute, in steps of 1/16 °C (DS18B20), within half a degree of the air."""
    values = numbers(life(device(), 600))
    assert len(values) == 600
    assert statistics.fmean(values) == pytest.approx(25.0, abs=0.5)
    assert all(abs(v * 16 - round(v * 16)) < 0.02 for v in values)


def test_a_probe_follows_the_air_with_lag() -> None:
    """After a leap of 10 °C a probe with a lag of one minute is 63 % there after one minute, and there after ten."""
    one = device()
    life(one, 5)
    warm = AIR._replace(temperature_c=35.0)
    values = [numbers(one.turn(START + (6 + i) * MINUTE, warm)[0])[0] for i in range(10)]
    bias = values[-1] - 35.0
    assert values[0] - bias == pytest.approx(25.0 + 10.0 * (1 - math.exp(-1)), abs=0.2)
    assert abs(bias) < 0.5


@pytest.mark.outside
def test_makeshift_shields_err_as_published() -> None:
    """Mean error over the daylight hours of a sunny day: 0.8–3.0 °C behind a makeshift shield, about 0.2 °C in a good one.

    Source: Terando et al. (2017), Ecology and Evolution, abstract (mean absolute errors of ad hoc shields and of a good
    one). Without a shield errors are larger and stay below 25 °C: Maclean et al. (2021), Methods in Ecology and
    Evolution, abstract.
    """
    garden = larkfield(7, faults=faults.NONE)
    errors: dict[Shield, list[float]] = {shield: [] for shield in Shield}
    while garden.now < garden.start + timedelta(days=1):
        garden.step(garden.now + garden.step_length)
        sky = garden.sky
        if sky.sun_elevation_deg > 0.0:
            for shield, found in errors.items():
                found.append(radiation_error_c(shield, sky.irradiance_w_m2, 0.5 * sky.wind_speed_m_s))
    assert 0.8 <= statistics.fmean(errors[Shield.MAKESHIFT]) <= 3.0
    assert 0.1 <= statistics.fmean(errors[Shield.GOOD]) <= 0.3
    assert statistics.fmean(errors[Shield.NONE]) > 3.0
    assert max(errors[Shield.NONE]) < 25.0


@pytest.mark.outside
def test_power_on_and_unplugged_values() -> None:
    """85.000 °C after a restart (DS18B20 datasheet: power-on register 0x0550), −127 °C without contact (common practice,
    no source: the value that one-wire libraries return for a missing probe)."""
    minutes = timedelta(minutes=5)
    restart = Mishap("one", Fault.RESTART, START + 10 * MINUTE, minutes)
    unplugged = Mishap("one", Fault.UNPLUGGED, START + 30 * MINUTE, minutes)
    sent = life(device(faults.NONE, restart, unplugged), 60)
    assert [m.payload for m in sent].count(b"85.000") == 5
    assert [m.payload for m in sent].count(b"-127.000") == 5


def test_a_restarted_clock_counts_from_1970() -> None:
    """A probe that sends its own time does not know it after a restart."""
    restart = Mishap("one", Fault.RESTART, START + 10 * MINUTE, 3 * MINUTE)
    years = [json.loads(m.payload)["at"][:4] for m in life(device(faults.NONE, restart, dated=True), 20)]
    assert years.count("1970") == 3
    assert years.count("2026") == 17


def test_stuck_silent_and_dead() -> None:
    """A stuck probe repeats itself, a silent one is back later, a dead one never; mending helps all but the dead."""
    stuck = life(device(faults.NONE, Mishap("one", Fault.STUCK, START + 10 * MINUTE, 60 * MINUTE)), 60)
    assert len(set(numbers(stuck[12:60]))) == 1
    silent = life(device(faults.NONE, Mishap("one", Fault.SILENCE, START + 10 * MINUTE, 30 * MINUTE)), 60)
    assert len(silent) == 30
    dead = device(faults.NONE, Mishap("one", Fault.FAILURE, START + 10 * MINUTE))
    assert len(life(dead, 60)) == 9
    assert dead.dead
    assert dead.turn(START + timedelta(days=50), AIR) == ([], [])
    assert not dead.mend()
    mended = device(faults.NONE, Mishap("one", Fault.SILENCE, START + 10 * MINUTE, timedelta(days=9)))
    life(mended, 20)
    assert mended.mend()
    assert len(life(mended, 40)) > 0


def test_held_back_readings_come_later_in_one_go() -> None:
    """Nothing is lost while a probe can't reach the broker: its readings come late, in order, with their own times."""
    held = Mishap("one", Fault.HELD_BACK, START + 10 * MINUTE, 30 * MINUTE)
    sent = [
        (m.at, datetime.fromisoformat(json.loads(m.payload)["at"]))
        for m in life(device(faults.NONE, held, dated=True), 60)
    ]
    assert len({taken for _, taken in sent}) == 60
    late = [(at, taken) for at, taken in sent if at - taken > MINUTE]
    assert 29 <= len(late) <= 31
    assert late == sorted(late)
    assert max(at for at, _ in late) - min(at for at, _ in late) < MINUTE


def test_a_flat_battery_runs_down_and_then_the_probe_is_silent() -> None:
    """From full to nothing within a day and a half."""
    flat = Mishap("one", Fault.FLAT_BATTERY, START + MINUTE)
    sent = life(device(faults.NONE, flat), 3 * 1440)
    assert START + timedelta(days=1) < sent[-1].at < START + timedelta(days=1.6)


def test_an_old_copy_comes_again() -> None:
    """As a broker hands out a retained message: an old payload, byte for byte, long after."""
    sent = life(device(faults.NONE, Mishap("one", Fault.OLD_COPY, START + 50 * MINUTE), dated=True), 60)
    copies = {m.payload: m.at for m in sent[:5]}
    again = [m for m in sent[5:] if m.payload in copies]
    assert len(again) == 1
    assert again[0].at - copies[again[0].payload] > 40 * MINUTE


def test_faults_appear_as_often_as_their_rates_say() -> None:
    """Over 4,000 probe-days the count of each fault lies within four standard deviations of its rate (Poisson)."""
    days = 4000
    table = faults.ROUGH
    fate = Fate(1, "one", table, START, [])
    counts = dict.fromkeys(Fault, 0)
    for hour in range(days * 24):
        for spell in fate.turn(START + timedelta(hours=hour)):
            counts[spell.fault] += 1
        fate.spells.pop(Fault.FAILURE, None)  # the dead would be spared everything else
    for fault in Fault:
        expected = table.rate(fault) * days
        assert abs(counts[fault] - expected) < 4 * math.sqrt(expected) + 0.02 * expected, fault


def test_messages_are_lost_doubled_and_garbled_as_often_as_they_should() -> None:
    """Per message, within four standard deviations (binomial)."""
    table = Faults(dropout=0.02, duplicate=0.03, garbled=0.01)
    count = 20_000
    sent = life(device(table), count)
    payload = [m.payload for m in sent]
    garbled = sum(p in payloads_garbled() for p in payload)
    doubled = len(sent) - count * (1 - table.dropout)
    for found, rate in ((garbled, table.garbled), (doubled, table.duplicate)):
        assert abs(found - rate * count) < 4 * math.sqrt(rate * count) + 4 * math.sqrt(table.dropout * count)


def payloads_garbled() -> tuple[bytes, ...]:
    """What unreadable payloads look like."""
    from simulators.probes import GARBLED

    return GARBLED


def test_one_fault_more_does_not_shift_the_others() -> None:
    """Each fault draws from its own stream: silence begins at the same instants with or without others."""

    def silences(table: Faults) -> list[datetime]:
        fate = Fate(1, "one", table, START, [])
        begun = []
        for minute in range(20 * 1440):
            begun += [s.since for s in fate.turn(START + minute * MINUTE) if s.fault is Fault.SILENCE]
        return begun

    alone = silences(Faults(silence=0.5))
    assert alone
    assert alone == silences(Faults(silence=0.5, restart=1.0, clock_step=2.0))


def test_everything_a_sound_garden_sends_is_understood() -> None:
    """The configuration's own recipes read every message, and what they read is what was true."""
    settings = configuration("larkfield")
    garden = larkfield(7, faults=faults.NONE)
    garden.keeper = None
    decoder = Decoder(settings.recipes)
    off: dict[Quantity, list[float]] = {}
    for message in garden.step(garden.start + timedelta(hours=14)):
        decoded = decoder.decode(Arrival(message.at, message.topic, message.payload))
        assert decoded.refusals == []
        for reading in decoded.readings:
            truth = garden.truth(min(reading.measured_at, garden.now))
            place = next(p.place for p in settings.probe if p.name == reading.probe)
            true = {
                Quantity.TEMPERATURE: truth.temperature_c[place],
                Quantity.HUMIDITY: truth.relative_humidity[place],
                Quantity.PRESSURE: truth.pressure_pa,
                Quantity.WIND_SPEED: truth.wind_speed_m_s,
                Quantity.WIND_GUST: truth.wind_gust_m_s,
            }.get(reading.quantity)
            if true is not None:
                off.setdefault(reading.quantity, []).append(abs(reading.value - true))
    limits = {
        Quantity.TEMPERATURE: 1.0,
        Quantity.HUMIDITY: 0.05,
        Quantity.PRESSURE: 60.0,
        Quantity.WIND_SPEED: 0.3,
        Quantity.WIND_GUST: 0.3,
    }
    assert off.keys() == limits.keys()
    for quantity, found in off.items():
        assert sorted(found)[int(0.95 * len(found))] < limits[quantity], quantity


def test_the_forms_on_the_wire_are_those_of_the_standards() -> None:
    """SenML with base name and base time, JSON by pointers with escapes and arrays, times in each form."""
    taken = datetime(2026, 8, 20, 14, 3, 5, tzinfo=UTC)
    temperature = Recipe("field", "one", "a/+/b", Form.SENML, Quantity.TEMPERATURE, name="*:temperature")
    [(topic, write)] = payloads.writers([temperature])
    assert topic == "a/garden/b"
    assert json.loads(write({Quantity.TEMPERATURE: 21.5}, taken)) == [
        {"bn": "field:one:", "bt": taken.timestamp(), "n": "temperature", "u": "Cel", "v": 21.5}
    ]
    pointed = Recipe(
        "field", "one", "a", Form.JSON, Quantity.TEMPERATURE, "°F", "/s~1x/1/v", "/at", time_form="unix-ms"
    )
    [(_, write)] = payloads.writers([pointed])
    assert json.loads(write({Quantity.TEMPERATURE: 25.0}, taken)) == {
        "s/x": [None, {"v": 77.0}],
        "at": int(taken.timestamp() * 1000),
    }
    assert payloads.written_time(taken, "rfc3339") == "2026-08-20T14:03:05Z"


def test_a_rough_garden_is_read_or_refused_but_never_upsets_the_decoder() -> None:
    """With every fault at a high rate each message is read or refused with a reason."""
    settings = configuration("larkfield")
    garden: Garden = larkfield(5, faults=faults.ROUGH)
    decoder = Decoder(settings.recipes)
    readings = refusals = 0
    for message in garden.step(garden.start + timedelta(days=3)):
        if message.topic != settings.broker.entry_topic:
            decoded = decoder.decode(Arrival(message.at, message.topic, message.payload))
            assert decoded.readings or decoded.refusals
            assert all(r.reason for r in decoded.refusals)
            readings += len(decoded.readings)
            refusals += len(decoded.refusals)
    assert readings > 10_000
    assert refusals > 50
