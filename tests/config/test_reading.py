"""One round says everything once: what only follows from another mistake is not said beside it."""

from __future__ import annotations

from pathlib import Path

import pytest

from sensord.config import Mistakes, load, load_house

MINIMAL = (Path(__file__).parents[2] / "config" / "minimal.toml").read_text()
VALUE = "must be a number, true or false, or a text"
NO_RULE = "no such rule; allowed are "


def said(path: Path, text: str, environment: dict[str, str] | None = None) -> list[str]:
    """What is wrong, without the file."""
    file = path / "sensord.toml"
    file.write_text(text)
    with pytest.raises(Mistakes) as caught:
        load(file, {}, environment or {})
    return [line.removeprefix(f"{file}: ") for line in caught.value.lines]


def test_a_value_of_a_rule_is_one_mistake_of_its_four_kinds(tmp_path: Path) -> None:
    """A number, true or false, or a text: what is none of them is said once, for all enclosures and for one."""
    assert said(tmp_path, f"rules.heat.x = [1]\n{MINIMAL}") == [f"rules.heat.x: {VALUE}", f"rules.heat: {NO_RULE}"]
    assert said(tmp_path, f"rules.heat = {{ x = [1], y = [2] }}\n{MINIMAL}") == [
        f"rules.heat.x: {VALUE}",
        f"rules.heat.y: {VALUE}",
        f"rules.heat: {NO_RULE}",
    ]
    one = MINIMAL.replace("width_m = 0.6", "width_m = 0.6\nrules.heat.x = [1]")
    assert said(tmp_path, one) == [f"enclosure[1].rules.heat.x: {VALUE}", f"enclosure[1].rules.heat: {NO_RULE}"]


def test_a_variable_that_cannot_be_read_hides_no_mistake_of_the_file(tmp_path: Path) -> None:
    """What is wrong in the file is said; what it lacks is not, since the variable may have had it."""
    text = MINIMAL.replace("latitude_deg = 41.5\n", "").replace("[push]", '[keeper]\nunits = "si"\n[push]')
    first, second = said(tmp_path, text, {"SENSORD_SITE": "{"})
    assert first.startswith("environment or secrets: ")
    assert second == "keeper.units: must be 'metric' or 'us'"


def test_a_variable_that_sets_nothing_is_named_with_what_could_be_set(tmp_path: Path) -> None:
    """A whole table, or one key of it; nothing deeper, and no key of another table."""
    for name in (
        "SENSORD_BROKER__PORT__X",
        "SENSORD_BROKER__HOST__PORT",
        "SENSORD_SPECIES_DIRECTORY__X",
        "SENSORD_PORT",
    ):
        line = said(tmp_path, MINIMAL, {name: "1"})[0]
        assert line.startswith(f"environment: {name}: no such setting; allowed are SENSORD_BROKER__…, ")
    file = tmp_path / "sensord.toml"
    environment = {"SENSORD_BROKER__PORT": "1", "SENSORD_KEEPER": '{"units": "us"}', "SENSORD_RULES_DIRECTORY": "r"}
    chosen = load(file, {}, environment)
    assert (chosen.broker.port, chosen.keeper.units, chosen.rules_directory) == (1, "us", "r")


def test_a_mistake_of_a_variable_is_laid_to_it(tmp_path: Path) -> None:
    """By its own name where it sets one key, by that of the table where it sets all."""
    assert said(tmp_path, MINIMAL, {"SENSORD_BROKER__PORT": "x", "SENSORD_KEEPER": '{"units": "si"}'}) == [
        "environment SENSORD_KEEPER: keeper.units: must be 'metric' or 'us'",
        "environment SENSORD_BROKER__PORT: broker.port: must be a whole number, at least 1 and at most 65535",
    ]


HOUSE = 'gardens = ["one.toml", "two.toml"]\n'


def two(path: Path, more: str = "", house: str = HOUSE, name: str = '"two"') -> list[str]:
    """What is wrong with the second of two gardens, or with the house, without the directory."""
    (path / "one.toml").write_text(MINIMAL.replace('"garden', '"one'))
    text = MINIMAL.replace('name = "garden"', f"name = {name}").replace('"garden/', '"two/')
    (path / "two.toml").write_text(text.replace("[site]", f"{more}\n[site]", 1))
    (path / "sensord.toml").write_text(house)
    environment = {"SENSORD_GARDENS__TWO__PUSH__FONE": "1"} if name == '"Two"' else {}
    try:
        one, other = load_house(path / "sensord.toml", lambda *_: {}, environment).gardens
    except Mistakes as mistakes:
        return [line.removeprefix(f"{path}/") for line in mistakes.lines]
    assert one.mistakes == ()
    return [line.removeprefix(f"{path}/") for line in other.mistakes]


def test_a_garden_whose_name_is_none_has_no_secrets_and_variables(tmp_path: Path) -> None:
    """Neither is looked for under a name that is a mistake; the name itself is all that is said."""
    assert two(tmp_path) == []
    assert two(tmp_path, name="7") == ["two.toml: site.name: must be a text in quotes"]
    (line,) = two(tmp_path, name='"Two"')
    assert line.startswith("two.toml: site.name: must be lower-case letters")


def test_an_entry_topic_that_cannot_be_read_disagrees_with_nobody(tmp_path: Path) -> None:
    """It is a mistake of its own garden, and no topic that could be another's."""
    assert two(tmp_path, '[broker]\nentry_topic = "#"') == [
        "two.toml: broker.entry_topic: must be an MQTT topic, without + and #"
    ]
    assert two(tmp_path, "broker = 7") == ["two.toml: broker: must be a table"]


def test_gardens_share_a_broker_where_host_and_port_are_the_same(tmp_path: Path) -> None:
    """Only then can one be handed what is the other's; an address that can't be read is nobody's."""
    for key, shared in (("port = 1883", True), ("port = 1884", False), ("host = 'other'", False), ("port = 0", False)):
        found = two(tmp_path, f"[broker]\n{key}\nentry_topic = 'one/north'")
        assert any("of garden 1" in line for line in found) == shared, key


def test_a_page_of_a_house_that_cannot_be_read_is_not_called_open_too(tmp_path: Path) -> None:
    """As for a garden alone."""
    page = f"{HOUSE}[page]\nenabled = true\nhost = "
    assert [line.split(": ")[1] for line in two(tmp_path, house=f"{page}'garden.example'\n")] == ["page.host"]
    assert [line.split(": ")[1] for line in two(tmp_path, house=f"{page}'192.0.2.1'\n")] == ["page"]
