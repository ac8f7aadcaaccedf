"""`sensord anchor` at the desk."""

import json

import pytest
import typer
from typer.testing import CliRunner, Result

from sensord.commands import anchor

app = typer.Typer()
app.command()(anchor.command)
TALL = ["--width", "0.6", "--height", "0.9", "--mass", "0.8"]


def run(*arguments: str) -> Result:
    return CliRunner().invoke(app, [*TALL, *arguments])


def words(result: Result) -> str:
    return " ".join(result.output.split())


@pytest.mark.outside
def test_the_example_worked_by_hand():
    """15 m/s on dry netting: 14.930 kg against sliding, 8 bricks, 16 kg in all (worked by hand); ends with 1."""
    result = run("--gust", "15", "--netting", "dry", "--friction", "0.4", "--json")
    answer = json.loads(result.output)
    assert result.exit_code == 1
    assert (answer["advice"], answer["bricks"], answer["ballast_kg"]) == ("add ballast", 8, 16.0)
    assert answer["add_kg"] == pytest.approx(14.930, abs=0.001)
    assert answer["fails_by"] == "sliding"
    assert answer["holds"] is False


def test_the_text_says_what_to_add_and_against_what():
    """The answer names the gust, the way it fails, kilograms rounded up, bricks, and the total."""
    text = words(run("--gust", "15", "--netting", "dry", "--friction", "0.4"))
    assert "does not hold a gust of 15.0 m/s (54 km/h): it would fail by sliding" in text
    assert "Add 15 kg or more: 8 bricks of 2 kg, which makes 16 kg" in text


def test_the_caution_is_always_there():
    """With or without a gust, in text and JSON: before the wind, not in lightning, lift with care, local codes."""
    for arguments in ([], ["--gust", "5"], ["--gust", "30"], ["--json"]):
        text = words(run(*arguments))
        for part in ("never in lightning", "stay in if you hear thunder", "Lift with care", "local codes"):
            assert part in text


def test_a_gust_that_is_held_ends_with_0():
    """A weighted enclosure in a light gust holds, and nothing is to be added."""
    result = run("--gust", "5", "--ballast", "10", "--json")
    answer = json.loads(result.output)
    assert result.exit_code == 0
    assert (answer["holds"], answer["add_kg"], answer["bricks"]) == (True, 0.0, 0)
    assert "It holds a gust" in words(run("--gust", "5", "--ballast", "10"))


def test_a_storm_is_not_answered_by_bricks():
    """At 26 m/s the answer is to peg or shelter it, outdoors, and no bricks are named."""
    result = run("--gust", "26")
    assert result.exit_code == 1
    assert "Peg it down" in words(result)
    assert "outdoors" in words(result)
    assert "bricks of" not in words(result)


def test_uncertain_inputs_give_a_range_and_the_worst_is_advised():
    """Unsure netting and friction give the spread of gusts held; the first figure is the careful one."""
    answer = json.loads(run("--gust", "6-7", "--json").output)
    assert answer["gust_m_s"] == {"low": 6.0, "high": 7.0}
    assert answer["force_coefficient"] == {"low": 0.65, "high": 1.3}
    assert answer["ballast_needed_kg"]["low"] < answer["ballast_needed_kg"]["high"]
    assert answer["add_kg"] == answer["ballast_needed_kg"]["high"]
    assert ", at best " in words(run("--gust", "6-7"))


def test_without_a_gust_it_says_what_it_holds():
    """No gust: the gust held and a table of more ballast, rising with it; ends with 0."""
    result = run("--json")
    answer = json.loads(result.output)
    assert result.exit_code == 0
    assert answer["holds"] is None
    speeds = [step["gust_m_s"] for step in answer["holds_with"]]
    assert speeds == sorted(speeds)
    assert len(speeds) == 5
    assert speeds[0] == pytest.approx(answer["gust_held_m_s"]["low"])


@pytest.mark.outside
def test_units_mean_the_same():
    """Inches, pounds and miles an hour give the metric answer (1 in = 2.54 cm, 1 lb = 0.45359237 kg, by definition)."""
    metric = json.loads(
        run("--gust", "13.4112", "--netting", "dry", "--depth", "60cm", "--ballast", "907.18474g", "--json").output
    )
    size = ["--width", "23.62204724", "--height", "35.43307087", "--mass", "1.763698097", "--units", "us"]
    us = CliRunner().invoke(app, [*size, "--gust", "30", "--netting", "dry", "--ballast", "2", "--json"])
    assert json.loads(us.output)["add_kg"] == pytest.approx(metric["add_kg"], rel=1e-6)
    text = words(CliRunner().invoke(app, ["--width", "24", "--height", "36", "--mass", "2", "--units", "us"]))
    assert "mph" in text
    assert "lb" in text
    assert "kg" not in text


def test_tipping_is_named_where_it_comes_first():
    """On a rough floor a tall box tips before it slides."""
    assert json.loads(run("--gust", "12", "--friction", "0.9", "--json").output)["fails_by"] == "tipping"
    assert "then it fails by tipping" in words(run("--friction", "0.9"))


@pytest.mark.parametrize(
    ("arguments", "part"),
    [
        (["--gust", "strong"], "--gust"),
        (["--gust", "15 knots"], "kn"),
        (["--width", "1-2"], "range"),
        (["--width", "60"], "width of an enclosure"),
        (["--open-fraction", "1"], "--open-fraction"),
        (["--friction", "0"], "friction"),
        (["--safety-factor", "0.5"], "safety factor"),
        (["--netting", "silk"], "netting"),
    ],
)
def test_wrong_use_ends_with_2_and_says_what_was_wrong(arguments, part):
    """A wrong amount, unit or range is refused with the option or the quantity named, and nothing is computed."""
    result = run(*arguments)
    assert result.exit_code == 2
    assert part in result.output


def test_all_wrong_options_are_said_at_once():
    """What can't be read and what makes no sense, each with its option."""
    result = CliRunner().invoke(
        app, ["--width", "60", "--height", "x", "--mass", "0.8", "--gust", "strong", "--safety-factor", "0.3"]
    )
    assert result.exit_code == 2
    for part in (
        "--width: the width of an enclosure",
        "--height: 'x'",
        "--gust: 'strong'",
        "--safety-factor: the safety",
    ):
        assert part in words(result), part
    assert "--depth" not in result.output


def test_what_no_ballast_does_is_put_into_words():
    """Beyond what anybody carries, the kilograms are no advice, and the line says so."""
    text = words(run("--gust", "26"))
    assert (
        "By ballast alone it would take 125.3 kg; if friction, netting and gust were all at their best, 46.5 kg" in text
    )
    assert "More than 20 kg is neither carried nor trusted here." in text
    assert "Ballast in all that it takes" not in text


@pytest.mark.outside
def test_hurricane_force_is_answered_by_a_building():
    """From 32.7 m/s on (Beaufort 12; WMO Manual on Codes, table 1100; from memory) nothing outdoors is to be trusted."""
    for more in ([], ["--ballast", "1000"]):
        result = run("--gust", "32.7", *more)
        assert result.exit_code == 1
        assert "into a sturdy building" in words(result)
        assert "stay in yourself" in words(result)
        assert "official warnings" in words(result)
        assert "Peg it down" not in words(result)
        answer = json.loads(run("--gust", "32.7", *more, "--json").output)
        assert (answer["holds"], answer["advice"]) == (False, "take indoors")
        assert "sturdy building" in answer["caution"]
    assert "sturdy building" not in words(run("--gust", "32.6"))
