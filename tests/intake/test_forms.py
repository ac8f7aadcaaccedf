"""The three forms of a payload: in which order readings come, what is said where nothing is wanted, SenML's edges."""

from __future__ import annotations

import json
from datetime import timedelta

import pytest

from sensord.intake import senml
from sensord.model import Form
from tests.intake.test_payload import NOW, H, T, decode, reason, recipe


@pytest.mark.parametrize("temperature_first", [False, True])
def test_the_oldest_reading_of_a_document_comes_first(temperature_first: bool) -> None:
    """Whatever the order of the recipes; two times in one message are two measurements."""
    humidity = recipe(Form.JSON, H, pointer="/h", time_pointer="/h_at")
    temperature = recipe(Form.JSON, T, pointer="/t", time_pointer="/t_at")
    recipes = (temperature, humidity) if temperature_first else (humidity, temperature)
    message = '{"t":20,"t_at":"2026-08-20T14:03:00Z","h":0.5,"h_at":"2026-08-20T14:02:00Z"}'
    assert [r.quantity for r in decode(message, *recipes).readings] == [H, T]


@pytest.mark.outside
def test_a_pack_is_in_the_order_of_its_times() -> None:
    """Source: RFC 8428 section 4.6: resolved records are in chronological order; two are enough to be out of it."""
    records = senml.resolve([{"n": "b", "v": 1.0, "t": -1.0}, {"n": "a", "v": 2.0, "t": -2.0}])
    assert [r.name for r in records] == ["a", "b"]


def test_absolute_and_relative_times_of_a_pack_are_put_in_order() -> None:
    """A record of an hour ago by the clock, and one of a minute before it was sent."""
    hour_ago = (NOW - timedelta(hours=1)).timestamp()
    pack = [{"n": "a", "u": "Cel", "v": 20.5, "t": -60}, {"n": "a", "u": "Cel", "v": 18.5, "t": hour_ago}]
    assert [r.value for r in decode(json.dumps(pack), recipe(Form.SENML)).readings] == [18.5, 20.5]


@pytest.mark.outside
def test_a_second_after_now_is_a_second_after_now() -> None:
    """Source: RFC 8428 section 4.5.3: zero is now, and other small times are relative to it."""
    for seconds in (0, 1, -1):
        (reading,) = decode(f'[{{"n":"a","u":"Cel","v":1,"t":{seconds}}}]', recipe(Form.SENML)).readings
        assert reading.measured_at == NOW + timedelta(seconds=seconds)


@pytest.mark.outside
@pytest.mark.parametrize(("ratio", "read"), [(1, True), (1.001, False), (1.5, False), (2, False)])
def test_a_ratio_is_at_most_one(ratio: float, read: bool) -> None:
    """Source: RFC 8428 section 12.1, note 1: the unit % is a ratio."""
    decoded = decode(f'[{{"n":"a","u":"%","v":{ratio}}}]', recipe(Form.SENML, H))
    assert (bool(decoded.readings), bool(decoded.refusals)) == (read, not read)


def test_where_nobody_wants_a_pack_it_is_said_what_it_has() -> None:
    """Up to eight names, or that it measures nothing."""
    pack = [{"n": f"n{i}", "u": "V", "v": 1.0} for i in range(9)]
    said = reason(decode(json.dumps(pack), recipe(Form.SENML, name="wanted")))
    assert [name for name in (f"n{i}" for i in range(9)) if f"'{name}'" in said] == [f"n{i}" for i in range(8)]
    assert "no measurement at all" in reason(decode('[{"bn":"a:"}]', recipe(Form.SENML)))
    assert "no measurement" not in said


@pytest.mark.parametrize("value", ["1e400", "-1e400"])
@pytest.mark.parametrize("label", ["v", "t", "bv", "bt"])
def test_what_is_larger_than_any_number_is_none_in_a_pack(label: str, value: str) -> None:
    """In a record it spoils that record, in a base field the pack."""
    fields = {"v": "20", label: value}
    record = ",".join(f'"{name}":{given}' for name, given in fields.items())
    assert f"{label} must be a number" in reason(decode(f'[{{"n":"a","u":"Cel",{record}}}]', recipe(Form.SENML)))
