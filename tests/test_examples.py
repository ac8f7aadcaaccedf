"""The example configurations: complete, at their defaults, and readable by the real command."""

import re
import tomllib
from pathlib import Path
from typing import Any

import pytest
from pydantic import SecretStr
from pydantic.fields import FieldInfo

from sensord.commands import _house
from sensord.config import CohortSettings, EnclosureSettings, HouseSettings, ProbeSettings, ReadSettings, Settings
from sensord.rules import all_rules

CONFIG = Path(__file__).parent.parent / "config"
TEXT = (CONFIG / "sensord.toml").read_text()
EXAMPLE = tomllib.loads(TEXT)
TABLES = [name for name, field in Settings.model_fields.items() if hasattr(field.annotation, "model_fields")]


@pytest.mark.parametrize("name", ["minimal.toml", "sensord.toml"])
def test_an_example_is_a_configuration(name: str) -> None:
    """Both examples are read without a mistake, with everything that they name."""
    assert _house.garden_in(CONFIG / name).garden.enclosures


def test_the_example_of_a_house_holds_two_gardens() -> None:
    """Both are sound, with all that they name; what each can't share with the other is its own."""
    house = _house.house(CONFIG / "house" / "sensord.toml", tries_push=True)
    assert [garden.name for garden in house.gardens] == ["larkfield", "school"]
    assert house.unsound == ()
    shown = tomllib.loads((CONFIG / "house" / "sensord.toml").read_text())
    assert set(HouseSettings.model_fields) - {"influx"} == set(shown)


@pytest.mark.parametrize("table", TABLES)
def test_every_key_of_a_table_is_shown_with_its_default(table: str) -> None:
    """A key without an example line, or with another value than the default, is a mistake of the example."""
    for key, field in Settings.model_fields[table].annotation.model_fields.items():  # type: ignore[union-attr]
        if key not in EXAMPLE[table]:
            assert re.search(rf"^# {key} = ", TEXT, re.MULTILINE), f"{table}.{key}"
        elif not field.is_required() and table != "site":
            default = field.default.get_secret_value() if isinstance(field.default, SecretStr) else field.default
            assert EXAMPLE[table][key] == (list(default) if isinstance(default, tuple) else default), f"{table}.{key}"


@pytest.mark.parametrize("rule", sorted(all_rules()))
def test_every_threshold_of_a_rule_is_shown_with_its_default(rule: str) -> None:
    """The example's rule tables are the rules' own defaults, with a comment each."""
    shown: dict[str, Any] = EXAMPLE["rules"].get(rule, {})
    section = re.search(rf'^\[rules\."?{re.escape(rule)}"?\]\n(.*?)(?=^\[|\Z)', TEXT, re.MULTILINE | re.DOTALL)
    for key, field in all_rules()[rule].Parameters.model_fields.items():
        assert section is not None
        assert re.search(rf"^(# )?{key} =.*# \S", section.group(1), re.MULTILINE), f"rules.{rule}.{key}"
        if field.default is not None:
            assert shown[key] == field.default


def test_every_key_of_the_lists_is_shown() -> None:
    """Enclosure, probe, read and cohort: each key appears somewhere in the example."""
    for model in (EnclosureSettings, ProbeSettings, ReadSettings, CohortSettings):
        for key in model.model_fields:
            assert re.search(rf"\b{key}\b ?[.=]|\b{key} = |{key}\.", TEXT), f"{model.__name__}.{key}"


def test_the_least_is_about_twenty_lines() -> None:
    """The minimal example stays minimal."""
    lines = [x for x in (CONFIG / "minimal.toml").read_text().splitlines() if x and not x.startswith("#")]
    assert len(lines) <= 27


def _written(number: float) -> str:
    return f"{number:,.10g}" if abs(number) >= 10_000 else f"{number:.10g}"


def may_be(field: FieldInfo) -> str:
    """What a number may be, in the words of the example; "" where nothing bounds it on both sides."""
    bounds = {name: value for part in field.metadata for name, value in vars_of(part).items()}
    low, high = bounds.get("gt", bounds.get("ge")), bounds.get("lt", bounds.get("le"))
    if low is None or high is None:
        return ""
    above, below = "above " if "gt" in bounds else "", "below " if "lt" in bounds else ""
    return f"{above}{_written(low)} to {below}{_written(high)}"


def vars_of(part: object) -> dict[str, Any]:
    """The bounds in one part of a field's metadata."""
    return {name: getattr(part, name) for name in ("gt", "ge", "lt", "le") if getattr(part, name, None) is not None}


BOUNDED = [
    (heading, key, may_be(field))
    for heading, model in [
        *((f"[{table}]", Settings.model_fields[table].annotation) for table in TABLES),
        ("[[enclosure]]", EnclosureSettings),
        ("[[probe]]", ProbeSettings),
        ("[[cohort]]", CohortSettings),
        *((f"[rules.{name}]", rule.Parameters) for name, rule in sorted(all_rules().items())),
    ]
    for key, field in model.model_fields.items()  # type: ignore[union-attr]
    if may_be(field)
]


@pytest.mark.parametrize(("heading", "key", "words"), BOUNDED, ids=lambda part: str(part))
def test_every_number_is_shown_with_what_it_may_be(heading: str, key: str, words: str) -> None:
    """A keeper reads beside each key how far it may go, and that is how far it may."""
    section = TEXT.split(f"\n{heading}", 1)[1].split("\n[", 1)[0]
    line = re.search(rf"^(?:# )?{key} = .*$|^(?:# )?{key} =.*$", section, re.MULTILINE)
    assert line is not None, f"{heading} {key} is not shown"
    assert line[0].endswith(f" ({words})"), f"{heading} {key} may be {words}"
