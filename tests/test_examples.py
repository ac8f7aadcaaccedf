"""The example configurations: complete, at their defaults, and readable by the real command."""

import re
import tomllib
from pathlib import Path
from typing import Any

import pytest
from pydantic import SecretStr

from sensord.commands import _build
from sensord.config import CohortSettings, EnclosureSettings, HouseSettings, ProbeSettings, ReadSettings, Settings
from sensord.rules import all_rules

CONFIG = Path(__file__).parent.parent / "config"
TEXT = (CONFIG / "sensord.toml").read_text()
EXAMPLE = tomllib.loads(TEXT)
TABLES = [name for name, field in Settings.model_fields.items() if hasattr(field.annotation, "model_fields")]


@pytest.mark.parametrize("name", ["minimal.toml", "sensord.toml"])
def test_an_example_is_a_configuration(name: str) -> None:
    """Both examples are read without a mistake, with everything that they name."""
    assert _build.garden_in(CONFIG / name).garden.enclosures


def test_the_example_of_a_house_holds_two_gardens() -> None:
    """Both are sound, with all that they name; what each can't share with the other is its own."""
    house = _build.house(CONFIG / "house" / "sensord.toml", tries_push=True)
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
