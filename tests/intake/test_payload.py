"""Reading payloads: by the standards' own examples, and against whatever else may come."""

from __future__ import annotations

import json
import math
import random
from datetime import UTC, datetime, timedelta
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from paho.mqtt.client import topic_matches_sub

from sensord.intake import senml
from sensord.intake.payload import KEPT_PAYLOAD_BYTES, Decoded, Decoder, RecipeError
from sensord.intake.units import SCALES, converter, scale_of
from sensord.intake.wire import (
    EARLIEST_MS,
    LATEST_MS,
    Unreadable,
    pointed,
    pointer_tokens,
    time_from_milliseconds,
    time_from_rfc3339,
    topic_pattern,
)
from sensord.model import EPOCH, Arrival, Doubt, Form, Quantity, Recipe

NOW = datetime(2026, 8, 20, 14, 3, 5, 120000, tzinfo=UTC)
T, H = Quantity.TEMPERATURE, Quantity.HUMIDITY


def recipe(form: Form, quantity: Quantity = T, topic: str = "garden/alder", **more: object) -> Recipe:
    return Recipe("lane", "alder-low", topic, form, quantity, **more)  # type: ignore[arg-type]


def arrival(payload: bytes | str, topic: str = "garden/alder", **more: object) -> Arrival:
    return Arrival(NOW, topic, payload.encode() if isinstance(payload, str) else payload, **more)  # type: ignore[arg-type]


def decode(payload: bytes | str, *recipes: Recipe, **more: object) -> Decoded:
    return Decoder(recipes).decode(arrival(payload, **more))


def reason(decoded: Decoded) -> str:
    """The reason of a message of which nothing could be read."""
    assert decoded.readings == []
    (refusal,) = decoded.refusals
    return refusal.reason


def resolved(pack: str) -> list[tuple[str, str | None, float, object]]:
    return [(r.name, r.unit, r.time_s, r.value) for r in senml.resolve(json.loads(pack))]


# --- SenML ------------------------------------------------------------------------------------------------------------

PACK_5_1_2 = """[
 {"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,"bu":"A","bver":5,"n":"voltage","u":"V","v":120.1},
 {"n":"current","t":-5,"v":1.2},{"n":"current","t":-4,"v":1.3},{"n":"current","t":-3,"v":1.4},
 {"n":"current","t":-2,"v":1.5},{"n":"current","t":-1,"v":1.6},{"n":"current","v":1.7}]"""
PACK_5_1_3 = """[
 {"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09,"bu":"%RH","v":20},
 {"u":"lon","v":24.30621},{"u":"lat","v":60.07965},{"t":60,"v":20.3},{"u":"lon","t":60,"v":24.30622},
 {"u":"lat","t":60,"v":60.07965},{"t":120,"v":20.7},{"u":"lon","t":120,"v":24.30623},{"u":"lat","t":120,"v":60.07966},
 {"u":"%EL","t":150,"v":98},{"t":180,"v":21.2},{"u":"lon","t":180,"v":24.30628},{"u":"lat","t":180,"v":60.07967}]"""
RESOLVED_5_1_4 = """[
 {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067464e+09,"v":20},
 {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067464e+09,"v":24.30621},
 {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067464e+09,"v":60.07965},
 {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067524e+09,"v":20.3},
 {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067524e+09,"v":24.30622},
 {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067524e+09,"v":60.07965},
 {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067584e+09,"v":20.7},
 {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067584e+09,"v":24.30623},
 {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067584e+09,"v":60.07966},
 {"n":"urn:dev:ow:10e2073a01080063","u":"%EL","t":1.320067614e+09,"v":98},
 {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067644e+09,"v":21.2},
 {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067644e+09,"v":24.30628},
 {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067644e+09,"v":60.07967}]"""


@pytest.mark.outside
def test_senml_a_single_point_is_now() -> None:
    """Source: RFC 8428 section 5.1.1. Without a time it was measured at its receipt."""
    pack = '[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]'
    (reading,) = decode(pack, recipe(Form.SENML)).readings
    assert (reading.value, reading.measured_at, reading.received_at) == (23.1, NOW, NOW)
    assert decode(pack, recipe(Form.SENML)).undated


@pytest.mark.outside
def test_senml_base_fields_last_until_replaced() -> None:
    """Source: RFC 8428 section 5.1.2, third example: base name, time and unit; chronological order (section 4.6)."""
    name = "urn:dev:ow:10e2073a0108006:"
    base = 1276020076.001
    assert resolved(PACK_5_1_2) == [
        *((name + "current", "A", base + t, pytest.approx(1.7 + t / 10, abs=1e-9)) for t in (-5, -4, -3, -2, -1)),
        (name + "voltage", "V", base, 120.1),
        (name + "current", "A", base, 1.7),
    ]


@pytest.mark.outside
def test_senml_resolves_as_the_standard_does() -> None:
    """Source: RFC 8428 sections 5.1.3 and 5.1.4: the pack and its resolved form are the same measurements."""
    assert resolved(PACK_5_1_3) == resolved(RESOLVED_5_1_4)
    humidity = [r.value for r in decode(PACK_5_1_3, recipe(Form.SENML, H)).readings]
    assert humidity == pytest.approx([0.20, 0.203, 0.207, 0.212])
    (battery,) = decode(PACK_5_1_3, recipe(Form.SENML, Quantity.BATTERY)).readings
    assert (battery.value, battery.measured_at) == (0.98, datetime(2011, 10, 31, 13, 26, 54, tzinfo=UTC))


@pytest.mark.outside
def test_senml_other_kinds_of_value_are_passed_by() -> None:
    """Source: RFC 8428 section 5.1.5: a pack with text, truth and data beside the temperature."""
    pack = """[{"bn":"urn:dev:ow:10e2073a01080063:","n":"temp","u":"Cel","v":23.1},{"n":"label","vs":"Machine Room"},
               {"n":"open","vb":false},{"n":"nfv-reader","vd":"aGkgCg"}]"""
    decoded = decode(pack, recipe(Form.SENML))
    assert ([r.value for r in decoded.readings], decoded.refusals) == ([23.1], [])
    wanted = decode(pack, recipe(Form.SENML, name="*:label"))
    assert reason(wanted) == "record 2, 'urn:dev:ow:10e2073a01080063:label': it holds text, not a number in v"


@pytest.mark.outside
def test_senml_a_second_base_name_keeps_the_base_time() -> None:
    """Source: RFC 8428 section 5.1.6: the third record changes the base name, the base time lasts."""
    pack = """[{"bn":"2001:db8::2/","bt":1.320078429e+09,"n":"temperature","u":"Cel","v":25.2},
               {"n":"humidity","u":"%RH","v":30},{"bn":"2001:db8::1/","n":"temperature","u":"Cel","v":12.3},
               {"n":"humidity","u":"%RH","v":67}]"""
    one, two = decode(
        pack, recipe(Form.SENML, H, name="2001:db8::1/*"), recipe(Form.SENML, name="*1/temperature")
    ).readings
    assert {one.value, two.value} == {0.67, 12.3}
    assert one.measured_at == two.measured_at == datetime(2011, 10, 31, 16, 27, 9, tzinfo=UTC)


@pytest.mark.outside
def test_senml_a_record_of_base_fields_alone_measures_nothing() -> None:
    """Source: RFC 8428 section 5.1.7, first example."""
    pack = """[{"bn":"urn:dev:ow:10e2073a01080063:"},{"n":"temp","u":"Cel","v":23.1},{"n":"heat","u":"/","v":1},
               {"n":"fan","u":"/","v":0}]"""
    assert [r[0] for r in resolved(pack)] == [f"urn:dev:ow:10e2073a01080063:{n}" for n in ("temp", "heat", "fan")]


@pytest.mark.outside
@pytest.mark.parametrize(
    ("time", "expected"),
    [
        ("0", NOW),
        ("-5", NOW - timedelta(seconds=5)),
        ("90.5", NOW + timedelta(seconds=90.5)),
        ("1276020076.001", datetime(2010, 6, 8, 18, 1, 16, 1000, tzinfo=UTC)),
    ],
)
def test_senml_times_below_2_to_28_are_relative(time: str, expected: datetime) -> None:
    """Source: RFC 8428 section 4.5.3; the date of 1276020076.001 is given in section 5.1.2."""
    decoded = decode(f'[{{"n":"a","u":"Cel","v":1,"t":{time}}}]', recipe(Form.SENML))
    assert decoded.readings[0].measured_at == expected
    assert decoded.undated == (float(time) < 2**28)


@pytest.mark.outside
def test_senml_the_smallest_absolute_time_is_of_an_unset_clock() -> None:
    """Source: RFC 8428 section 4.5.3: 2**28 is 1978-07-04 21:24:16 UTC; nobody measured anything for us then."""
    assert "1978-07-04T21:24:16Z: the probe's clock was not set" in reason(
        decode('[{"n":"a","u":"Cel","v":1,"t":268435456}]', recipe(Form.SENML))
    )


@pytest.mark.outside
@pytest.mark.parametrize("version", [1, 2, 9, 10, 10.0])
def test_senml_every_version_up_to_that_of_the_standard_is_read(version: float) -> None:
    """Source: RFC 8428 section 4.4: the version is a positive whole number, 10 for the standard; older packs are read."""
    (record,) = senml.resolve([{"bver": version, "n": "a", "v": 1}])
    assert (record.value, record.problem) == (1, "")


@pytest.mark.outside
def test_senml_sums_and_values_are_added_to_their_base() -> None:
    """Source: RFC 8428 section 4.5.4, missing fields count as zero."""
    records = senml.resolve([{"bn": "a", "bv": 20, "v": 1.5}, {"n": "b"}, {"bs": 3, "s": 4}, {"v": -20}])
    assert [(r.value, r.sum) for r in records] == [(21.5, None), (20.0, None), (None, 7.0), (0.0, 3.0)]


@pytest.mark.outside
@pytest.mark.parametrize(
    ("pack", "words"),
    [
        ('[{"bver":11,"n":"a","v":1}]', "version 11 is newer than 10"),  # section 4.4
        ('[{"bver":5,"n":"a","v":1},{"bver":6,"n":"a","v":1}]', "the same bver"),  # section 4.4
        ('[{"bver":0,"n":"a","v":1}]', "positive whole number"),  # section 4.1
        ('[{"bver":9.5,"n":"a","v":1}]', "positive whole number"),  # section 4.1
        ('[{"bver":10.5,"n":"a","v":1}]', "positive whole number"),  # section 4.1
        ('[{"n":"a","v":1,"must_":2}]', "'must_' must be understood"),  # section 4.4
        ('{"n":"a","v":1}', "an array of records"),  # section 5
        ('[{"bt":"now","n":"a","v":1}]', "bt must be a number"),  # section 4.3, table 1
        ('[{"n":"a","v":true}]', "v must be a number"),
        ('[{"n":"a","v":"21.5"}]', "v must be a number"),
        ('[{"n":"a","v":1,"vs":"x"}]', "more than one value: v, vs"),  # section 4.2
        ('[{"n":"a","u":"Cel"}]', "has no value"),  # section 4.2
        ('[{"v":1}]', "neither n nor bn"),  # section 4.5.1
        ('[{"n":"_a","v":1}]', "beginning with a letter or digit"),  # section 4.5.1
        ('[{"n":"a b","v":1}]', "letters, digits and - : . / _"),  # section 4.5.1
        ('[{"n":"a","v":1e308,"bv":1e308}]', "too large"),
        ('[{"n":"a","v":1,"t":1' + "0" * 308 + ',"bt":1' + "0" * 308 + "}]", "too large"),
    ],
)
def test_senml_what_the_standard_forbids_is_refused(pack: str, words: str) -> None:
    """Source: RFC 8428, the sections beside each case."""
    assert words in reason(decode(pack, recipe(Form.SENML)))


@pytest.mark.outside
def test_senml_unknown_labels_are_ignored() -> None:
    """Source: RFC 8428 section 4.4: unless they end with _."""
    assert decode('[{"n":"a","v":1,"colour":"red","ut":60}]', recipe(Form.SENML)).readings[0].value == 1


def test_senml_one_bad_record_does_not_spoil_the_others() -> None:
    """What is good of a pack is kept, what is bad of it is refused with its place."""
    decoded = decode('[{"bn":"a:","n":"x","u":"Cel","v":1},{"n":"y","u":"degC","v":2}]', recipe(Form.SENML, name="*"))
    assert [r.value for r in decoded.readings] == [1]
    assert (
        decoded.refusals[0].reason
        == "record 2, 'a:y': unit 'degC' is not one of temperature in SenML; right is Cel or K"
    )


@pytest.mark.outside
def test_senml_the_percent_sign_is_a_ratio() -> None:
    """Source: RFC 8428 section 12.1, note 1: "%" is the ratio 0–1; "%RH" is per cent."""
    assert decode('[{"n":"a","u":"%","v":0.55}]', recipe(Form.SENML, H)).readings[0].value == 0.55
    assert 'for per cent write "%RH"' in reason(decode('[{"n":"a","u":"%","v":55}]', recipe(Form.SENML, H)))


# --- JSON pointers ----------------------------------------------------------------------------------------------------

DOCUMENT = json.loads('{"foo":["bar","baz"],"":0,"a/b":1,"c%d":2,"e^f":3,"g|h":4,"i\\\\j":5,"k\\"l":6," ":7,"m~n":8}')


@pytest.mark.outside
@pytest.mark.parametrize(
    ("pointer", "value"),
    [
        ("", DOCUMENT), ("/foo", ["bar", "baz"]), ("/foo/0", "bar"), ("/", 0), ("/a~1b", 1), ("/c%d", 2), ("/e^f", 3),
        ("/g|h", 4), ("/i\\j", 5), ('/k"l', 6), ("/ ", 7), ("/m~0n", 8),
    ],
)  # fmt: skip
def test_pointers_lead_where_the_standard_says(pointer: str, value: object) -> None:
    """Source: RFC 6901 section 5."""
    assert pointed(DOCUMENT, pointer_tokens(pointer)) == value


@pytest.mark.outside
def test_pointers_unescape_in_the_right_order() -> None:
    """Source: RFC 6901 section 4: ~01 becomes ~1, not /."""
    assert pointer_tokens("/~01") == ("~1",)


@pytest.mark.outside
@pytest.mark.parametrize("pointer", ["foo", "/~2", "/~", "#/foo"])
def test_what_is_no_pointer_is_refused(pointer: str) -> None:
    """Source: RFC 6901 section 3, the grammar."""
    with pytest.raises(ValueError, match="is no JSON Pointer"):
        pointer_tokens(pointer)


@pytest.mark.outside
@pytest.mark.parametrize(
    "pointer", ["/foo/2", "/foo/-", "/foo/00", "/foo/01", "/foo/+1", "/foo/١", "/none", "/foo/0/x"]
)
def test_pointers_to_nothing_say_where_they_end(pointer: str) -> None:
    """Source: RFC 6901 section 4: no leading zeros, "-" is behind the last element, digits are ASCII."""
    with pytest.raises(Unreadable, match="is not there"):
        pointed(DOCUMENT, pointer_tokens(pointer))


@given(st.lists(st.text(max_size=8), max_size=6))
def test_every_key_can_be_pointed_at(keys: list[str]) -> None:
    """Escaping and splitting are inverse, whatever the keys are."""
    pointer = "".join("/" + key.replace("~", "~0").replace("/", "~1") for key in keys)
    assert pointer_tokens(pointer) == tuple(keys)


# --- topics -----------------------------------------------------------------------------------------------------------


@pytest.mark.outside
@pytest.mark.parametrize(
    ("topic_filter", "matching", "other"),
    [
        ("sport/tennis/player1/#", ["sport/tennis/player1", "sport/tennis/player1/ranking",
                                    "sport/tennis/player1/score/wimbledon"], ["sport/tennis/player2"]),
        ("sport/#", ["sport"], []),
        ("#", ["sport", "/", "a/b/c"], ["$SYS/x"]),
        ("sport/tennis/+", ["sport/tennis/player1", "sport/tennis/player2"], ["sport/tennis/player1/ranking"]),
        ("sport/+", ["sport/"], ["sport"]),
        ("+/+", ["/finance"], []),
        ("/+", ["/finance"], []),
        ("+", ["finance"], ["/finance"]),
        ("+/tennis/#", ["x/tennis"], []),
        ("sport/+/player1", ["sport/tennis/player1"], []),
        ("+/monitor/Clients", ["x/monitor/Clients"], ["$SYS/monitor/Clients"]),
        ("$SYS/#", ["$SYS/x"], []),
        ("$SYS/monitor/+", ["$SYS/monitor/Clients"], []),
        ("ACCOUNTS", ["ACCOUNTS"], ["Accounts"]),
    ],
)  # fmt: skip
def test_topic_filters_match_as_the_standard_says(topic_filter: str, matching: list[str], other: list[str]) -> None:
    """Source: OASIS MQTT 3.1.1 (2014) sections 4.7.1.2, 4.7.1.3, 4.7.2 and 4.7.3, their examples."""
    pattern = topic_pattern(topic_filter)
    assert [t for t in matching if not pattern.fullmatch(t)] == []
    assert [t for t in other if pattern.fullmatch(t)] == []


@pytest.mark.outside
@pytest.mark.parametrize("topic_filter", ["sport/tennis#", "sport/tennis/#/ranking", "sport+", "", "a\0b"])
def test_what_is_no_topic_filter_is_refused(topic_filter: str) -> None:
    """Source: OASIS MQTT 3.1.1 sections 4.7.1.2, 4.7.1.3 and 4.7.3."""
    with pytest.raises(ValueError, match="topic filter"):
        topic_pattern(topic_filter)


LEVELS = st.sampled_from(["a", "b", "", "$x", "é"])


@pytest.mark.outside
@given(
    st.lists(st.one_of(LEVELS, st.just("+")), min_size=1, max_size=4),
    st.booleans(),
    st.lists(LEVELS, min_size=1, max_size=5),
)
def test_topic_filters_match_as_the_client_library_does(
    filter_levels: list[str], rest: bool, levels: list[str]
) -> None:
    """Source: paho-mqtt's own matcher, over random filters and topics."""
    topic_filter = "/".join([*filter_levels, "#"] if rest else filter_levels)
    topic = "/".join(levels)
    if topic_filter and topic:
        assert bool(topic_pattern(topic_filter).fullmatch(topic)) == topic_matches_sub(topic_filter, topic)


# --- units and times --------------------------------------------------------------------------------------------------


@pytest.mark.outside
@pytest.mark.parametrize(
    ("quantity", "unit", "value", "expected"),
    [
        (T, "°F", 212.0, 100.0), (T, "F", -40.0, -40.0), (T, "K", 273.15, 0.0), (H, "%", 55.0, 0.55),
        (Quantity.PRESSURE, "hPa", 1013.25, 101325.0), (Quantity.PRESSURE, "inHg", 29.92, 101320.76),
        (Quantity.PRESSURE, "mmHg", 760.0, 101325.02), (Quantity.PRESSURE, "kPa", 101.325, 101325.0),
        (Quantity.WIND_GUST, "mph", 58.0, 25.92832), (Quantity.WIND_GUST, "kn", 50.0, 25.72222),
        (Quantity.WIND_SPEED, "km/h", 36.0, 10.0), (Quantity.VOLTAGE, "mV", 3300.0, 3.3),
        (Quantity.BATTERY, "%EL", 98.0, 0.98),
    ],
)  # fmt: skip
def test_units_convert_by_their_definitions(quantity: Quantity, unit: str, value: float, expected: float) -> None:
    """Source: NIST SP 811 (2008) appendix B.8 (58 mph and 50 kn also in the NWS criteria for severe thunderstorms)."""
    convert = converter(scale_of(quantity, unit)) or (lambda v: v)
    assert convert(value) == pytest.approx(expected, rel=1e-6, abs=1e-9)


def test_every_unit_of_the_table_can_be_converted() -> None:
    """No entry is broken, and the quantity's own unit changes nothing."""
    for quantity, scales in SCALES.items():
        assert converter(scale_of(quantity, "")) is None
        for unit in scales:
            convert = converter(scale_of(quantity, unit))
            assert convert is None or math.isfinite(convert(1.0))


@pytest.mark.outside
@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("1985-04-12T23:20:50.52Z", "too early"),
        ("2016-12-31T15:59:60-08:00", datetime(2017, 1, 1, tzinfo=UTC)),  # a leap second, as in section 5.8
        ("2026-08-20t10:03:05.1239-04:00", NOW.replace(microsecond=123000)),
        ("2026-08-20 14:03:05z", NOW.replace(microsecond=0)),
    ],
)
def test_times_are_rfc_3339(text: str, expected: datetime | str) -> None:
    """Source: RFC 3339 sections 5.6 and 5.8 (examples; the leap second moved to one after 2001)."""
    if isinstance(expected, str):
        with pytest.raises(Unreadable, match="clock was not set"):
            time_from_rfc3339(text)
    else:
        assert time_from_rfc3339(text) == expected


@pytest.mark.parametrize(
    ("time", "form", "expected"),
    [
        ('"2026-08-20T14:03:05.120Z"', "rfc3339", NOW),
        ("1787234585.12", "unix", NOW),
        ('"1787234585.12"', "unix", NOW),
        ("1787234585120", "unix-ms", NOW),
        ('"2026-08-20T14:03:05"', "rfc3339", "with Z or an offset"),
        ('"2026-02-30T14:03:05Z"', "rfc3339", "does not exist"),
        ('"20 August"', "rfc3339", 'must be written like "2026-08-20T14:03:05Z"'),
        ("1787234585120", "unix", "is it unix-ms?"),
        ("1787234585", "unix-ms", "is it unix, in seconds?"),
        ("1e400", "unix", "too large"),
        ("17", "unix", "the probe's clock was not set"),
        ("-9e10", "unix", "before or after all calendars"),
        ("-9e13", "unix-ms", "before or after all calendars"),
        ("4102444800", "unix", "no time of a measurement"),
        ("null", "unix", "null"),
        ("true", "unix", "true, not a number"),
        ('"0001-01-01T00:00:00+23:59"', "rfc3339", "does not exist"),
    ],
)
def test_times_in_the_payload(time: str, form: str, expected: datetime | str) -> None:
    """All forms give the same instant; what is absurd is refused with a hint."""
    decoded = decode(f'{{"at":{time},"t":21.5}}', recipe(Form.JSON, pointer="/t", time_pointer="/at", time_form=form))
    if isinstance(expected, str):
        assert expected in reason(decoded)
        assert "temperature at '/at'" in reason(decoded)
    else:
        assert (decoded.readings[0].measured_at, decoded.undated) == (expected, False)


@given(st.integers(EARLIEST_MS, LATEST_MS - 1))
def test_a_whole_millisecond_is_that_instant(milliseconds: int) -> None:
    """In all years in which something can have been measured, to the last digit."""
    assert time_from_milliseconds(milliseconds) == EPOCH + timedelta(milliseconds=milliseconds)


@pytest.mark.parametrize(
    ("off", "retained", "doubts"),
    [
        (timedelta(minutes=-15), False, 0),
        (timedelta(minutes=-15, milliseconds=-1), False, Doubt.LATE),
        (timedelta(minutes=2), False, 0),
        (timedelta(minutes=2, milliseconds=1), False, Doubt.FUTURE),
        (timedelta(minutes=-1), True, Doubt.RETAINED),
        (timedelta(days=-1), True, Doubt.RETAINED | Doubt.LATE),
    ],
)
def test_late_future_and_retained_are_marked(off: timedelta, retained: bool, doubts: int) -> None:
    """Two minutes ahead and fifteen behind are forgiven."""
    text = (NOW + off).isoformat()
    decoded = decode(f'{{"at":"{text}","t":1}}', recipe(Form.JSON, pointer="/t", time_pointer="/at"), retained=retained)
    assert decoded.readings[0].doubts == doubts


@pytest.mark.parametrize(
    ("payload", "form"), [("21.5", Form.NUMBER), ('{"t":21.5}', Form.JSON), ('[{"n":"a","v":21.5,"t":-3}]', Form.SENML)]
)
def test_a_retained_message_without_a_time_is_refused(payload: str, form: Form) -> None:
    """Nobody can know when it was measured, so it is not dated now."""
    pointer = "/t" if form is Form.JSON else ""
    assert "nobody can know when it was measured" in reason(
        decode(payload, recipe(form, pointer=pointer), retained=True)
    )


# --- numbers, documents, recipes --------------------------------------------------------------------------------------


@pytest.mark.parametrize("text", ["21.5", " 21.5\r\n", "+21.5", "21.50", "2.15e1", "2.15E+01", "21.5\0"])
def test_bare_numbers(text: str) -> None:
    """What firmware prints of a number is read, also with blanks and the C string's last byte."""
    assert decode(text, recipe(Form.NUMBER)).readings[0].value == 21.5


@pytest.mark.parametrize(
    "text",
    ["", " ", "nan", "inf", "-Infinity", "1e400", "21,5", "1_0", "0x10", "21.5 °C", "٢١", "--1", "1e", ".", "t", "[1]"],
)
def test_what_is_no_bare_number(text: str) -> None:
    """Everything that Python would take for a number beyond that, and everything else, is refused."""
    assert reason(decode(text, recipe(Form.NUMBER)))


@pytest.mark.parametrize(
    ("payload", "words"),
    [
        ('{"h":1}', "/t is not there: the payload has no key 't', only 'h'"),
        ("[1]", "/t is not there: the payload is an array of 1, and 't' is no index of it"),
        ("3", "/t is not there: the payload is a number"),
        ('{"t":null}', "null: there is no value"),
        ('{"t":true}', "true, not a number"),
        ('{"t":"warm"}', "the text 'warm', not a number like 21.5"),
        ('{"t":{"c":1}}', "an object, not a number"),
        ('{"t":[1]}', "an array, not a number"),
        ('{"t":1e400}', "too large"),
        ('{"t":-1e400}', "too large"),
        ('{"t":' + "9" * 400 + "}", "too large"),
        ('{"t":' + "9" * 5000 + "}", "too many digits"),
        ('{"t":NaN}', "NaN is not JSON"),
        ('{"t":-Infinity}', "-Infinity is not JSON"),
        ('{"t":1,"t":2}', "the key 't' stands twice"),
        ('{"t":1', "no JSON: Expecting ',' delimiter at line 1, column 7, near the end"),
        ("[" * 30_000, "nested too deeply"),
        ("\ufeff{}", "no JSON"),
        (b'{"t":\xff}', "byte 5 is not UTF-8 text: 0xff"),
        (b"\xff\xfe\x00", "byte 0 is not UTF-8 text"),
        ("", "empty"),
        ('{"t":1}' + " " * 65_536, "the payload has 65543 bytes; the limit is 65536"),
    ],
)
def test_a_bad_document_is_refused_in_clear_words(payload: str | bytes, words: str) -> None:
    """What is wrong, where, and what would be right; and the payload is kept, cut to a limit."""
    decoded = decode(payload, recipe(Form.JSON, pointer="/t"))
    assert words in reason(decoded)
    raw = payload.encode() if isinstance(payload, str) else payload
    assert decoded.refusals[0].payload == raw[:KEPT_PAYLOAD_BYTES]
    assert decoded.refusals[0].topic == "garden/alder"


def test_a_number_written_as_text_is_read() -> None:
    """Many probes send "21.5"; the pointer names exactly this value, so nothing is guessed."""
    assert decode('{"t":"21.5"}', recipe(Form.JSON, pointer="/t")).readings[0].value == 21.5


def test_one_message_for_several_quantities_and_probes() -> None:
    """All recipes of a topic read the same message; what is missing is refused, the rest is kept."""
    temperature = recipe(Form.JSON, pointer="/t", unit="°F")
    humidity = recipe(Form.JSON, H, pointer="/h", unit="%")
    both = decode('{"t":70.7,"h":55}', temperature, humidity)
    assert [(r.quantity, r.value) for r in both.readings] == [(T, 21.5), (H, 0.55)]
    assert both.refusals == []
    half = decode('{"t":70.7}', temperature, humidity)
    assert (len(half.readings), len(half.refusals)) == (1, 1)
    assert half.refusals[0].reason.startswith("relative_humidity at '/h'")


def test_a_topic_that_nobody_reads_is_refused() -> None:
    """It is kept for inspection: it may be the misspelt topic of a probe that seems silent."""
    assert "no probe of the configuration reads this topic" in reason(
        decode("1", recipe(Form.NUMBER), topic="garden/x")
    )


def test_wrong_recipes_are_said_all_at_once() -> None:
    """Unit, filter, pointer and time form: one line each, with what is allowed."""
    with pytest.raises(RecipeError) as raised:
        Decoder(
            [
                recipe(Form.JSON, H, unit="°F"),
                recipe(Form.JSON, topic="a/#/b"),
                recipe(Form.JSON, pointer="t"),
                recipe(Form.JSON, time_pointer="/a", time_form="date"),
                recipe(Form.JSON),
            ]
        )
    assert len(raised.value.problems) == 4
    for problem, words in zip(
        raised.value.problems, ("allowed are 1, /, %", "# stands", "/sensors/0", "rfc3339"), strict=True
    ):
        assert words in problem
        assert "probe alder-low" in problem


# --- anything at all --------------------------------------------------------------------------------------------------

RECIPES = [
    recipe(Form.NUMBER, topic="garden/number"),
    recipe(Form.JSON, topic="garden/json/+", pointer="/a/0/t", time_pointer="/at"),
    recipe(Form.JSON, H, topic="garden/json/#", pointer="/h", unit="%"),
    recipe(Form.JSON, Quantity.PRESSURE, topic="garden/time", pointer="", time_pointer="/0", time_form="unix-ms"),
    recipe(Form.SENML, topic="garden/senml"),
    recipe(Form.SENML, H, topic="garden/senml", name="*:h?"),
    recipe(Form.SENML, Quantity.BATTERY, topic="+/senml/#"),
    recipe(Form.NUMBER, Quantity.WIND_GUST, topic="garden/both", unit="mph"),
    recipe(Form.JSON, Quantity.VOLTAGE, topic="garden/both", unit="mV"),
]
TOPICS = [
    "garden/number",
    "garden/json/x",
    "garden/json",
    "garden/time",
    "garden/senml",
    "x/senml",
    "garden/both",
    "nobody",
]
DECODER = Decoder(RECIPES)


def check(decoded: Decoded, came: Arrival) -> None:
    """Every arrival is stored or refused with a reason; what is stored is a finite number with a sane time."""
    assert decoded.readings or decoded.refusals
    assert len(decoded.refusals) <= 1
    for reading in decoded.readings:
        assert math.isfinite(reading.value)
        assert type(reading.value) is float
        assert reading.measured_at.tzinfo is UTC
        assert reading.measured_at.microsecond % 1000 == 0
        assert reading.received_at == came.received_at
        assert 2001 <= reading.measured_at.year < 2100
        assert type(reading.doubts) is int
    assert all(a.measured_at <= b.measured_at for a, b in pairwise(decoded.readings))
    for refusal in decoded.refusals:
        assert 0 < len(refusal.reason) <= 601
        (refusal.reason + refusal.topic).encode("utf-8")  # any database can store it
        assert "\0" not in refusal.reason + refusal.topic
        assert len(refusal.payload) <= KEPT_PAYLOAD_BYTES
    assert not decoded.undated or decoded.readings


LABELS = [
    "a",
    "t",
    "h",
    "at",
    "bn",
    "bt",
    "bu",
    "bv",
    "bs",
    "bver",
    "n",
    "u",
    "v",
    "vs",
    "vb",
    "vd",
    "s",
    "ut",
    "must_",
]
JSON_VALUES = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.text(max_size=12)
    | st.sampled_from(["Cel", "%RH", "a:h1"]),
    lambda inner: (
        st.lists(inner, max_size=5)
        | st.dictionaries(
            st.text(max_size=4) | st.sampled_from(LABELS),
            inner,
            max_size=6,
        )
    ),
    max_leaves=20,
)


@settings(max_examples=400)
@given(
    st.one_of(
        st.binary(max_size=200), st.text(max_size=80).map(str.encode), JSON_VALUES.map(lambda v: json.dumps(v).encode())
    ),
    st.one_of(st.sampled_from(TOPICS), st.text(max_size=20)),
    st.booleans(),
)
def test_whatever_comes_is_stored_or_refused(payload: bytes, topic: str, retained: bool) -> None:
    """No input raises, and none vanishes."""
    came = Arrival(NOW, topic, payload, retained)
    check(DECODER.decode(came), came)


SEEDS = [
    b'[{"bn":"urn:dev:","bt":1787234585,"bu":"Cel","n":"t","v":21.5},{"n":"h1","u":"%RH","v":55,"t":-1}]',
    b'{"a":[{"t":21.5}],"h":"55","at":"2026-08-20T14:03:05Z"}',
    b"1013.25",
    b"[1787234585000,1,2]",
    PACK_5_1_2.encode(),
    PACK_5_1_3.encode(),
]
SPLINTERS = [
    b"NaN", b"1e999", b"-1e999", b"-0", b"null", b"true", b'""', b"[]", b"{}", b'"\\ud800"', b"\xff", b"\0", b"9" * 400,
    b"[" * 2000, b'{"v":' * 500, "\u202e".encode(), b'"t":"9999-12-31T23:59:59+00:00"', b"-268435457", b"268435455.9999",
    b"1e308", b"_", b"~1", b"/",
]  # fmt: skip


@pytest.mark.slow
def test_a_hundred_thousand_mutilated_payloads() -> None:
    """Good payloads cut, spliced and splintered, on known and unknown topics: none crashes, each is stored or refused."""
    chance = random.Random(20260820)
    stored = refused = 0
    for _ in range(100_000):
        payload, topic = bytearray(chance.choice(SEEDS)), chance.choice(TOPICS)
        for _ in range(chance.randrange(4)):
            start = chance.randrange(len(payload) + 1)
            end = min(len(payload), start + chance.choice((0, 1, 1, 3, 20)))
            splinter = (b"", chance.choice(SPLINTERS), chance.randbytes(2), chance.choice(SEEDS)[:30])
            payload[start:end] = chance.choice(splinter)
        if chance.random() < 0.05:
            topic = "".join(map(chr, chance.choices(range(0x20FF), k=8)))
        came = Arrival(NOW, topic, bytes(payload), chance.random() < 0.1)
        decoded = DECODER.decode(came)
        check(decoded, came)
        stored += bool(decoded.readings)
        refused += not decoded.readings
    assert stored + refused == 100_000
    assert stored > 3_000
    assert refused > 20_000


def test_a_flood_of_topics_does_not_fill_the_memory() -> None:
    """The recipes found for topics are remembered up to a limit, and the answers stay right."""
    decoder = Decoder([recipe(Form.NUMBER, topic="+")])
    for number in range(10_000):
        assert decoder.decode(arrival("1", topic=f"t{number}")).readings
    assert len(decoder._plans) <= 4096


def test_what_is_kept_of_a_refusal_is_not_endless() -> None:
    """A payload of 64 KiB is read; eight reasons are told and the rest counted, in 600 characters."""
    assert decode('{"t":1}' + " " * (65_536 - 7), recipe(Form.JSON, pointer="/t")).readings
    nothing = json.dumps({str(i): None for i in range(10)})
    ten = [recipe(Form.JSON, pointer=f"/{i}") for i in range(10)]
    assert reason(decode(nothing, *ten[:8])).count("there is no value") == 8
    assert reason(decode(nothing, *ten[:8])).endswith("there is no value")
    assert reason(decode(nothing, *ten)).count("there is no value") == 8
    assert reason(decode(nothing, *ten)).endswith("; and 2 more")
    long = reason(decode("{}", *ten))
    assert (len(long), long[-1]) == (601, "…")


def test_a_bare_number_takes_its_receipt_as_time() -> None:
    """So its message must be remembered until it is acknowledged."""
    assert decode("21.5", recipe(Form.NUMBER)).undated
