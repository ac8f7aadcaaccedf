"""`sensord season` at the desk."""

import json
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner, Result

from sensord.commands import season
from sensord.config import Mistakes

app = typer.Typer()
app.command()(season.command)
LARKFIELD = ["--latitude", "41.5", "--longitude", "-83.5", "--year", "2026"]


def run(*arguments: str) -> Result:
    return CliRunner().invoke(app, list(arguments))


def words(result: Result) -> str:
    return " ".join(result.output.split())


def test_the_dates_of_a_garden():
    """The outdoor date lies a development time before the window opens, the careful one a week earlier; ends with 0."""
    result = run(*LARKFIELD, "--json")
    answer = json.loads(result.output)
    assert result.exit_code == 0
    assert answer["migration"] == {"opens": "2026-09-01", "middle": "2026-09-15", "closes": "2026-09-29"}
    assert answer["outdoors"] == {"careful_from": "2026-07-26", "from": "2026-08-02"}
    assert answer["not_covered"] is None


def test_the_text_and_the_chart():
    """The text says the same dates and its limits; the chart marks what each day means, bars shrinking with the days."""
    result = run(*LARKFIELD)
    assert "found from 2 Aug; to be careful, from 26 Jul" in words(result)
    assert "from 1 Sep to 29 Sep" in words(result)
    assert "eastern North America only" in words(result)
    rows = [line for line in result.output.splitlines() if "█" in line]
    assert len(rows) == 16
    bars = [line.count("█") for line in rows]
    assert bars == sorted(bars, reverse=True)
    phases = [line.split()[-1] for line in rows if line.split()[-1].isalpha()]
    assert phases == ["careful", "outdoors", "outdoors", "outdoors", "migration", "migration"]
    assert all(len(line) <= 80 for line in result.output.splitlines())


def test_elsewhere_no_date_is_given():
    """Outside eastern North America there is no window and no outdoor date, but day lengths; ends with 1."""
    result = run("--latitude", "51.5", "--longitude", "0", "--year", "2026", "--json")
    answer = json.loads(result.output)
    assert result.exit_code == 1
    assert answer["migration"] is None
    assert answer["outdoors"] is None
    assert "eastern North America" in answer["not_covered"]
    assert len(answer["days"]) == 16
    assert "No date can be given" in words(run("--latitude", "51.5", "--longitude", "0"))


def test_polar_days_and_the_far_south_do_not_fail():
    """Polar day, polar night and a window without end are printed as well."""
    assert run("--latitude", "80", "--longitude", "-83.5", "--year", "2026").exit_code == 1
    result = run("--latitude", "20.2", "--longitude", "-99", "--year", "2026")
    assert result.exit_code == 0
    assert "never quite" in words(result)


def test_a_colder_outlook_begins_earlier():
    """A lower mean temperature makes development longer and the outdoor date earlier; °F and °C agree."""
    warm = json.loads(run(*LARKFIELD, "--mean-temperature", "25", "--json").output)
    cool = json.loads(run(*LARKFIELD, "--mean-temperature", "20", "--json").output)
    same = json.loads(run(*LARKFIELD, "--mean-temperature", "68", "--units", "us", "--json").output)
    assert cool["outdoors"]["from"] < warm["outdoors"]["from"]
    assert cool["development_days"] == pytest.approx(same["development_days"])


@pytest.mark.outside
@pytest.mark.parametrize("mean_temperature", ["22", "23", "24", "25"])
def test_development_at_summer_temperatures_takes_as_long_as_published(mean_temperature):
    """At 22–25 °C egg to adult takes 20–37 days ([XercesMonarch] 20–35, [MonarchBuddies] about 37)."""
    answer = json.loads(run(*LARKFIELD, "--mean-temperature", mean_temperature, "--json").output)
    assert 20 <= answer["development_days"] <= 37


def test_the_place_may_come_from_the_configuration():
    """Without coordinates the site of the configuration is taken; a missing configuration is a mistake, not a crash."""
    minimal = Path(__file__).parents[2] / "config" / "minimal.toml"
    result = run("--config", str(minimal), "--year", "2026", "--json")
    assert result.exit_code == 0, result.output
    assert json.loads(result.output)["outdoors"]["from"] == "2026-08-02"
    assert isinstance(run("--config", "nowhere.toml").exception, Mistakes)


@pytest.mark.parametrize(
    ("arguments", "part"),
    [
        (["--latitude", "95", "--longitude", "0"], "--latitude"),
        (["--latitude", "41.5"], "both"),
        ([*LARKFIELD, "--development-days", "3"], "--development-days"),
        ([*LARKFIELD, "--development-days", "30", "--mean-temperature", "20"], "not both"),
        ([*LARKFIELD, "--mean-temperature", "5"], "monarch does not live through a mean of 5.0 °C"),
        ([*LARKFIELD, "--mean-temperature", "75"], "with --units us it is °F): give one between 11.5 °C"),
        ([*LARKFIELD, "--mean-temperature", "33"], "and 33.0 °C, where heat harms it"),
        (
            [*LARKFIELD, "--mean-temperature", "95", "--units", "us"],
            "a mean of 95 °F (read as °F): give one between 53 °F",
        ),
        ([*LARKFIELD, "--mean-temperature", "12"], "gives a development time of"),
        ([*LARKFIELD, "--species", "moth"], "moth"),
        ([*LARKFIELD, "--mean-temperature", "20", "--species", "unicorn"], "unicorn"),
    ],
)
def test_wrong_use_ends_with_2_and_says_what_was_wrong(arguments, part):
    """Half a place, two development times or an impossible one are refused in words."""
    result = run(*arguments)
    assert result.exit_code == 2
    assert part in " ".join(result.output.replace("│", " ").split())


def test_no_figure_is_minus_nought():
    """A sun a hair below the horizon, or a day that does not change, is 0."""
    for latitude in ("89.9", "66.7", "67", "90", "-68", "0"):
        shown = run("--latitude", latitude, "--longitude", "-83.5", "--year", "2026").output
        assert "-0°" not in shown
        assert "-0.0 min" not in shown
