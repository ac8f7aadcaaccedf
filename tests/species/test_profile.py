"""How far each figure of a species file may go: taken at the bound, refused beyond it with file and key."""

from __future__ import annotations

import pytest

from sensord.model import Stage
from sensord.species import SpeciesError, parse

VALID = """
name = "made-up"
scientific_name = "Fictus exemplaris"
common_name = "Made-up"
lower_threshold = { value = 10, confidence = "chosen" }

[[stages]]
stage = "egg"
through = "pupa"
degree_days = { value = 400, confidence = "chosen" }
sd = { value = 30, confidence = "chosen" }

[[heat_tiers]]
name = "hot"
temperature_c = 33
sustained_hours = 1
severity = "Moderate"
confidence = "chosen"

[comfort]
low_c = 15
high_c = 29
confidence = "chosen"

[frost]
value = 2
confidence = "chosen"
"""
TIER = '[[heat_tiers]]\nname = "t{0}"\ntemperature_c = {0}\nsustained_hours = 1\nseverity = "Extreme"\nconfidence = "chosen"\n'
DIAPAUSE = '[pupal_diapause]\nwhy = "{}"\nconfidence = "chosen"\n'
UPPER = 'upper_threshold = {{ value = {}, confidence = "chosen" }}\n'


def mistakes(*changes: tuple[str, str]) -> list[str]:
    """What is wrong with a sound file after these changes; the file's name is taken off."""
    text = VALID
    for before, after in changes:
        assert before in text
        text = text.replace(before, after, 1)
    try:
        parse(text, "made-up.toml")
    except SpeciesError as error:
        assert all(line.startswith("made-up.toml: ") for line in error.mistakes)
        return [line.removeprefix("made-up.toml: ") for line in error.mistakes]
    return []


@pytest.mark.parametrize(
    ("before", "taken", "refused", "key"),
    [
        ("temperature_c = 33", ["temperature_c = -20", "temperature_c = 60"],
         ["temperature_c = -20.1", "temperature_c = 60.1", "temperature_c = nan", "temperature_c = '33'"],
         "heat_tiers[1].temperature_c"),
        ("sustained_hours = 1", ["sustained_hours = 0", "sustained_hours = 240"],
         ["sustained_hours = -0.1", "sustained_hours = 240.1", "sustained_hours = '1'"], "heat_tiers[1].sustained_hours"),
        ("low_c = 15", ["low_c = -20", "low_c = 28.9"], ["low_c = -20.1", "low_c = '15'", "low_c = 61"], "comfort.low_c"),
        ("high_c = 29", ["high_c = 15.1", "high_c = 60"], ["high_c = 15", "high_c = 60.1", "high_c = '29'", "high_c = -21"],
         "comfort.high_c"),
        ("low_c = 15\nhigh_c = 29", ["low_c = -20\nhigh_c = -19.9", "low_c = 59.9\nhigh_c = 60"], [], ""),
        ("value = 400", ["value = 0.1"], ["value = 0", "value = -1", "value = inf", "value = '400'"], "stages[1].degree_days"),
        ("value = 30", ["value = 0.1"], ["value = 0", "value = -1"], "stages[1].sd"),
        ("[[stages]]", [UPPER.format(10.1) + "[[stages]]"], [UPPER.format(10) + "[[stages]]"], "upper_threshold"),
        ('"made-up"', ['"7"', f'"{"a" * 40}"', '" made-up "'], ['""', '"-a"', '"A"', f'"{"a" * 41}"'], "name"),
        ('"Fictus exemplaris"', ['"F"'], ['""', '" "'], "scientific_name"),
        ('"Made-up"', ['"M"'], ['""'], "common_name"),
        ('"hot"', ['"h"'], ['""'], "heat_tiers[1].name"),
        ("[frost]", [DIAPAUSE.format("x") + "[frost]"], [DIAPAUSE.format("") + "[frost]"], "pupal_diapause.why"),
        ("[comfort]", ["".join(TIER.format(34 + i) for i in range(11)) + "[comfort]"],
         ["".join(TIER.format(34 + i) for i in range(12)) + "[comfort]"], "heat_tiers"),
        ("name =", [f"caveats = {['x'] * 20}\nname ="], [f"caveats = {['x'] * 21}\nname ="], "caveats"),
    ],
)  # fmt: skip
def test_a_figure_may_go_so_far(before: str, taken: list[str], refused: list[str], key: str) -> None:
    """Both bounds are taken; what lies beyond, or is no number, is the only mistake, at its key."""
    for after in taken:
        assert mistakes((before, after)) == [], after
    for after in refused:
        said = mistakes((before, after))
        assert {line.split(": ")[0].removesuffix(".value") for line in said} == {key}, (after, said)


def test_a_file_holds_up_to_64_000_characters() -> None:
    """One more was no species file."""
    assert parse(VALID + "#" * (64_000 - len(VALID)), "made-up.toml")
    with pytest.raises(SpeciesError, match="64001 characters long; at most 64000"):
        parse(VALID + "#" * (64_001 - len(VALID)), "made-up.toml")


def test_a_passage_may_be_of_one_stage() -> None:
    """From where it begins to where it ends, both named."""
    assert mistakes(('stage = "egg"', 'stage = "pupa"')) == []


def test_a_list_whose_items_are_all_wrong_is_not_called_empty_too() -> None:
    """It is told what is wrong with each; one that is empty is told so, whatever is wrong with others."""
    assert [line.split(": ")[0] for line in mistakes(('stage = "egg"', 'stage = "grub"'))] == ["stages[1].stage"]
    empty = ("[[stages]]", "[[heat_tierz]]")
    assert sorted(line.split(": ")[0] for line in mistakes(empty)) == ["heat_tierz", "stages"]
    for part in ("heat_tiers", "stages"):
        table = VALID[VALID.index(f"[[{part}]]") :].split("\n\n", 1)[0]
        (line,) = mistakes((table, ""), ("name =", f"{part} = []\nname ="))
        assert line.startswith(f"{part}: ")
        assert "leave the stage" not in line
    none = VALID[VALID.index("[[heat_tiers]]") : VALID.index("[comfort]")]
    said = mistakes((none, ""), ("name =", "heat_tiers = []\nname ="), ('stage = "egg"', 'stage = "grub"'))
    assert [line.split(": ")[0] for line in said] == ["stages[1].stage", "heat_tiers"]


def test_what_is_not_said_is_as_for_most() -> None:
    """It does not migrate, its figures are its own, warmth has no upper threshold, and its pupae hatch when they are ready."""
    species = parse(VALID, "made-up.toml")
    assert (species.migratory, species.proxy, species.upper_threshold_c) == (False, "", None)
    assert species.plan().emergence_refusal == ""
    assert species.plan().caveats == ()
    assert [part.through for part in species.plan().passages] == [Stage.PUPA]


def test_tiers_of_different_stages_need_not_ascend_and_each_stage_has_one() -> None:
    """Where a stage is of both, they must; a stage of none is named."""
    eggs, pupae = 'stages = ["egg"]\n', 'stages = ["pupa", "adult"]\n'
    cooler = TIER.format(30).replace("Extreme", "Minor")
    assert mistakes(("[comfort]", cooler + pupae + "[comfort]"), ('"hot"', '"hot"\nstages = ["egg", "instar 1"]'))[
        0
    ].startswith('heat_tiers: leave the stage "instar 2" without any tier')
    rest = TIER.format(31) + 'stages = ["instar 2", "instar 3", "instar 4", "instar 5"]\n'
    early = ('"hot"', '"hot"\nstages = ["egg", "instar 1"]')
    assert mistakes(("[comfort]", cooler + pupae + rest + "[comfort]"), early) == []
    (line,) = mistakes(("[comfort]", cooler + eggs + "[comfort]"))
    assert line == 'heat_tiers: must ascend in temperature and severity; "t30" does not'
    (line,) = mistakes(("[comfort]", TIER.format(33) + "[comfort]"))
    assert line == 'heat_tiers: must ascend in temperature and severity; "t33" does not'
    assert mistakes(("[comfort]", TIER.format(34).replace("Extreme", "Moderate") + "[comfort]")) == []
