"""Commands where the configuration has several gardens: which one is asked, and what is said of one that is wrong."""

from __future__ import annotations

import json
from contextlib import closing
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from sensord.__main__ import app
from sensord.commands import _build, _house
from sensord.config import Mistakes
from tests.adapters.broker import free_port
from tests.conftest import Receiver

MINIMAL = (Path(__file__).parents[2] / "config" / "minimal.toml").read_text()


@pytest.fixture
def house(tmp_path: Path) -> Path:
    """A house of two gardens."""
    path = tmp_path / "sensord.toml"
    path.write_text('gardens = ["larkfield.toml", "school.toml"]\n')
    for name, latitude in (("larkfield", "41.5"), ("school", "30.5")):
        text = MINIMAL.replace('name = "garden"', f'name = "{name}"').replace('"garden/', f'"{name}/')
        (tmp_path / f"{name}.toml").write_text(text.replace("41.5", latitude))
    return path


def run(*arguments: object) -> Result:
    return CliRunner().invoke(app, list(map(str, arguments)))


@pytest.mark.parametrize("command", [["season"], ["answer"], ["review"], ["replay", "feed.jsonl"]])
def test_where_there_are_several_one_must_be_named(house: Path, command: list[str]) -> None:
    """Without a name, or with one that is none, the names that there are are said."""
    (none,) = _mistakes(run(*command, "--config", house))
    assert none == f"--site: {house} has several gardens; name one of larkfield, school"
    (wrong,) = _mistakes(run(*command, "--config", house, "--site", "orchard"))
    assert wrong == f'--site: there is no garden "orchard" in {house}; allowed are larkfield, school'


def _mistakes(result: Result) -> list[str]:
    assert isinstance(result.exception, Mistakes), result.output
    return result.exception.lines


def test_the_named_garden_is_asked(house: Path) -> None:
    """Its own place; also while another garden is wrong, but not while it is wrong itself."""
    shown = {name: run("season", "--config", house, "--site", name, "--json") for name in ("larkfield", "school")}
    assert len({result.output for result in shown.values()}) == 2
    (house.parent / "school.toml").write_text("[site")
    assert run("season", "--config", house, "--site", "larkfield", "--json").output == shown["larkfield"].output
    (line,) = _mistakes(run("season", "--config", house, "--site", "school"))
    assert line.startswith(f"{house.parent}/school.toml: not a TOML file")


def test_check_looks_at_every_garden_and_ends_with_2_where_one_is_wrong(house: Path) -> None:
    """What is found is said with the garden's name; the mistakes of the wrong one are among it."""
    fine = run("check", "--offline", "--config", house)
    assert fine.exit_code == 0
    assert f"fine   larkfield, configuration: {house.parent}/larkfield.toml: 1 enclosure" in fine.output
    assert f"fine   school, configuration: {house.parent}/school.toml: 1 enclosure" in fine.output
    school = house.parent / "school.toml"
    school.write_text(school.read_text().replace("30.5", "130.5"))
    found = run("check", "--offline", "--config", house)
    assert found.exit_code == 2
    assert "fine   larkfield, configuration: " in found.output
    assert f"WRONG  configuration: {school}: site.latitude_deg: must be at least -90 and at most 90" in found.output
    assert run("check", "--offline", "--config", house, "--site", "larkfield").exit_code == 0
    assert run("check", "--offline", "--config", house, "--site", "school").exit_code == 2
    parts = json.loads(run("check", "--offline", "--json", "--config", house).output)
    assert [part for part in parts if part["fine"] is False] == [
        {
            "part": "configuration",
            "fine": False,
            "found": f"{school}: site.latitude_deg: must be at least -90 and at most 90",
        }
    ]


def test_the_store_is_saved_whatever_a_garden_says(house: Path) -> None:
    """`backup` takes the house's one store, also while a garden is wrong."""
    built = _house.garden_in(house, site="larkfield")
    with closing(_build.open_store(built, _build.store_path(built.settings.store, house))):
        (house.parent / "school.toml").write_text("[site")
        result = run("backup", "--to", house.parent, "--config", house)
    assert result.exit_code == 0, result.output
    assert list(house.parent.glob("sensord-gardens-*.sqlite3"))


def test_a_houses_own_phone_is_checked_with_the_rest(house: Path) -> None:
    """An address that nothing is known of is said in the same round as a mistake of a garden, and nothing starts with it."""
    house.write_text(f'{house.read_text()}[push]\nphone = ["ntyf://x/y"]\n')
    school = house.parent / "school.toml"
    school.write_text(school.read_text().replace("30.5", "130.5"))
    lines = _mistakes(run("check", "--offline", "--config", house))
    assert lines[0].startswith(f"{house}: push.phone[1]: no address that Apprise knows")
    assert lines[1].startswith(f"{school}: site.latitude_deg")


def test_check_tries_every_phone(house: Path, receiver: Receiver) -> None:
    """Each garden's own and the house's get a trial message."""
    house.write_text(f'{house.read_text()}[broker]\nport = {free_port()}\n[push]\nphone = ["{receiver.url}house"]\n')
    for name in ("larkfield", "school"):
        path = house.parent / f"{name}.toml"
        begin, _, end = path.read_text().partition("phone = [")
        path.write_text(f'{begin}phone = ["{receiver.url}{name}"]{end.partition("]")[2]}')
    found = run("check", "--wait", "0", "--config", house)
    assert "fine   larkfield, push (phone): " in found.output
    assert "fine   school, push (phone): " in found.output
    assert "fine   push (house): " in found.output
    assert len(receiver.posts) == 3
