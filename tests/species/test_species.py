"""Species files: the package's own hold to the literature, a keeper's are checked with clear errors."""

from __future__ import annotations

import re
from importlib import resources

import pytest

import sensord.species
from sensord.model import Severity, Stage
from sensord.science.bibliography import CITATIONS
from sensord.species import SpeciesError, load, names, parse
from sensord.species.profile import Confidence

VALID = """
name = "made-up"
scientific_name = "Fictus exemplaris"
common_name = "Made-up"
lower_threshold = { value = 10, source = "OwnNotes", confidence = "published" }
upper_threshold = { value = 32, confidence = "chosen" }

[[stages]]
stage = "egg"
through = "pupa"
degree_days = { value = 400, source = "OwnNotes", confidence = "published" }
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

[sources]
OwnNotes = "The keeper's notes of three summers"
"""

# From the literature: threshold [°C] and egg-to-adult sum [°C·d], or the stage sums where only they are published.
# Source: the primary paper named in each file, read in [Buckley2022] unless noted.
PUBLISHED = [
    ("small-white", 10, [319.7]),  # [GodinBoivin1998] abstract
    ("large-white", 7.9, [68.6, 215.3, 161]),  # [DavidGardiner1962]
    ("indian-fritillary", 10, [72.6, 282.4, 128.1]),  # [Ito2001]
    ("spangle", 10, [67.5, 317.3, 175.8]),  # [IchinoseIwasaki1979]
    ("small-tortoiseshell", 10.6, [302.8]),  # [Bryant1997]
    ("peacock", 9.2, [420.6]),  # [Bryant1997]
    ("comma", 6.7, [411.8]),  # [Bryant1997]
    ("red-admiral", 7.3, [413.4]),  # [Bryant1997]
    ("black-jezebel", 9, [494]),  # [BrabyLyonns2003] abstract; from the first instar
    ("monarch", 11.5, [45.0, 32.3, 27.8, 24.5, 35.7, 66.6, 120.0]),  # [Grant2020]; the last from memory
]


@pytest.mark.outside
@pytest.mark.parametrize(("name", "threshold", "sums"), PUBLISHED)
def test_profiles_carry_the_published_figures(name, threshold, sums):
    """Base temperature and sums are those of the source, to the digit."""
    species = load(name)
    assert species.lower_threshold_c == threshold
    assert [part.degree_days.value for part in species.stages] == sums


@pytest.mark.outside
@pytest.mark.parametrize(
    ("stage", "cumulative"),
    [
        ("egg", 45),
        ("instar 1", 77.3),
        ("instar 2", 105.1),
        ("instar 3", 129.6),
        ("instar 4", 165.3),
        ("instar 5", 231.9),
    ],
)
def test_the_monarch_stages_add_up_to_the_cumulative_sums(stage, cumulative):
    """[Grant2020] carries cumulative sums to the end of each stage, to one decimal."""
    parts = load("monarch").stages
    last = [part.stage for part in parts].index(Stage(stage))
    assert sum(part.degree_days.value for part in parts[: last + 1]) == pytest.approx(cumulative, abs=1e-9)


@pytest.mark.outside
@pytest.mark.parametrize(
    ("stage", "sd"),
    [("egg", 4.32), ("instar 1", 3.97), ("instar 2", 3.71), ("instar 3", 2.88), ("instar 4", 4.09), ("instar 5", 3.89)],
)
def test_the_monarch_stages_carry_the_published_spread(stage, sd):
    """Standard deviations of [Zalucki1982] table 2 (field), read in [Grant2020]."""
    assert {part.stage: part.sd.value for part in load("monarch").stages}[Stage(stage)] == sd


@pytest.mark.outside
def test_the_monarch_threshold_lies_where_it_is_published():
    """[James1999]: a developmental zero of 11–12 °C; 52.7 °F is 11.5 °C (a popular page, citing [Zalucki1982])."""
    assert 11.0 <= load("monarch").lower_threshold_c <= 12.0
    assert load("monarch").lower_threshold_c == pytest.approx((52.7 - 32) / 1.8, abs=0.05)


@pytest.mark.outside
def test_the_monarch_heat_tiers_are_those_of_york_and_oberhauser():
    """29, 33 and 36 °C come from [YorkOberhauser2002]; 38 °C and all durations are chosen, and say so."""
    tiers = load("monarch").heat_tiers
    assert [tier.temperature_c for tier in tiers if tier.source == "YorkOberhauser2002"] == [29, 33, 36]
    assert [(t.severity, t.sustained_hours) for t in tiers] == [
        (Severity.MINOR, 2.0),
        (Severity.MODERATE, 1.0),
        (Severity.SEVERE, 0.5),
        (Severity.EXTREME, 0.0),
    ]
    assert tiers[3].confidence is Confidence.CHOSEN
    assert all("chosen" in tier.note for tier in tiers[:3])


def test_what_is_from_memory_is_not_called_published():
    """The monarch pupa's sum was read nowhere: it says so, and names no source."""
    pupa = load("monarch").stages[-1].degree_days
    assert pupa.confidence is Confidence.FROM_MEMORY
    assert pupa.source == ""
    assert any("from memory" in caveat for caveat in load("monarch").caveats)


@pytest.mark.parametrize("name", names())
def test_every_profile_loads_and_says_where_its_figures_are_from(name):
    """Each figure has a confidence, and a known source unless it is chosen or from memory; brackets cite what exists."""
    species = load(name)
    figures = dict(species.figures())
    assert {"lower_threshold", "stages[1].degree_days", "stages[1].sd", "heat_tiers[1]", "comfort", "frost"} <= set(
        figures
    )
    for key, figure in figures.items():
        assert figure.source in CITATIONS or figure.confidence in (Confidence.CHOSEN, Confidence.FROM_MEMORY), key
    cited = re.findall(r"\[([A-Z][A-Za-z]+\d{4})\]", " ".join([*species.caveats, *(f.note for f in figures.values())]))
    assert set(cited) <= set(CITATIONS)


@pytest.mark.parametrize("name", names())
def test_proxies_say_whose_figures_they_are(name):
    """A profile has proxy development figures exactly if it names the other species, and its plan says so first."""
    species = load(name)
    borrowed = [part.degree_days.confidence is Confidence.PROXY for part in species.stages]
    assert any(borrowed) == bool(species.proxy)
    if species.proxy:
        assert species.proxy in species.plan().caveats[0]


def test_at_least_six_species_beside_the_monarch_are_published():
    """The package brings the monarch and six or more others with their own threshold and sums."""
    own = [name for name in names() if not load(name).proxy]
    assert "monarch" in own
    assert len(own) >= 7


@pytest.mark.parametrize("name", ["small-white", "large-white", "spangle", "black-swallowtail"])
def test_autumn_diapause_is_stated_with_its_reason(name):
    """Species whose autumn pupae rest over winter say why no emergence is forecast."""
    assert "winter" in load(name).plan().emergence_refusal


def test_a_profile_is_frozen():
    """Nothing can change a species after it was read."""
    with pytest.raises(ValueError, match="frozen"):
        load("monarch").name = "other"


def test_a_keepers_own_file_is_enough(tmp_path):
    """One file in a directory of the keeper's adds a species, and stands before one of ours of the same name."""
    (tmp_path / "made-up.toml").write_text(VALID, encoding="utf-8")
    (tmp_path / "monarch.toml").write_text(VALID.replace("made-up", "monarch"), encoding="utf-8")
    assert load("made-up", [tmp_path]).lower_threshold_c == 10
    assert load("monarch", [tmp_path]).lower_threshold_c == 10
    assert load("monarch", [tmp_path / "absent"]).lower_threshold_c == 11.5
    assert "made-up" in names([tmp_path])


MISTAKES = [
    ("value = 10,", "value = true,", "lower_threshold.value"),
    ("value = 10,", "value = nan,", "lower_threshold.value"),
    ("value = 32,", "value = 9,", "upper_threshold: must lie above the lower threshold (10 °C), not at 9 °C"),
    (
        '"OwnNotes", confidence = "published" }\nupper',
        '"Nobody1900", confidence = "published" }\nupper',
        "no known source",
    ),
    ('source = "OwnNotes", confidence', "confidence", 'a "published" figure names its source'),
    ('"published"', '"certain"', "'published', 'second-hand', 'computed', 'proxy', 'chosen' or 'from memory'"),
    ('stage = "egg"', 'stage = "caterpillar"', "stages[1].stage"),
    ('stage = "egg"', 'stage = "adult"', "comes before"),
    ('through = "pupa"', 'through = "instar 5"', "stages: must follow each other without gap or overlap up to pupa"),
    ('through = "pupa"', 'through = "adult"', '"adult" takes no warmth'),
    ("value = 400", "value = 0", "must be above 0 °C·d"),
    ("temperature_c = 33", "temperature_c = 330", "heat_tiers[1].temperature_c"),
    ('"Moderate"', '"Bad"', '"Bad" is no severity; allowed: Minor, Moderate, Severe, Extreme'),
    ("high_c = 29", "high_c = 9", "comfort.high_c: must lie above low_c (15 °C)"),
    ("[frost]", "[frozt]", "frost: is missing"),
    ("[frost]", "[frozt]", "frozt: is no key of a species file"),
    ('name = "made-up"', 'name = "Made Up"', "name:"),
    ('name = "made-up"', "name = made-up", "not a TOML file that can be read"),
]


@pytest.mark.parametrize(("right", "wrong", "words"), MISTAKES)
def test_a_mistake_is_named_with_file_key_and_what_is_right(right, wrong, words):
    """Each slip in a valid file is refused, told with the file, the key and what is allowed."""
    assert parse(VALID, "made-up.toml")
    with pytest.raises(SpeciesError) as caught:
        parse(VALID.replace(right, wrong, 1), "made-up.toml")
    assert words in str(caught.value)
    assert all(mistake.startswith("made-up.toml: ") for mistake in caught.value.mistakes)


def test_tiers_must_ascend():
    """A cooler tier after a hotter one, or a milder after a worse, is refused by its name."""
    tier = VALID[VALID.index("[[heat_tiers]]") : VALID.index("[comfort]")]
    milder = tier.replace("33", "36").replace("Moderate", "Minor").replace('"hot"', '"hotter"')
    with pytest.raises(SpeciesError, match='"hotter" does not'):
        parse(VALID.replace("[comfort]", milder + "[comfort]"), "made-up.toml")


def test_all_mistakes_are_told_at_once():
    """Whatever is wrong comes in one go, not one after the other."""
    text = VALID
    for right, wrong, _ in (MISTAKES[0], MISTAKES[8], MISTAKES[12], MISTAKES[13], MISTAKES[15]):
        text = text.replace(right, wrong, 1)
    with pytest.raises(SpeciesError) as caught:
        parse(text, "made-up.toml")
    keys = [mistake.split(": ")[1] for mistake in caught.value.mistakes]
    assert set(keys) >= {
        "lower_threshold.value",
        "stages",
        "heat_tiers[1].severity",
        "comfort.high_c",
        "frost",
        "frozt",
    }


def test_what_is_not_there_or_not_text_is_told(tmp_path):
    """An unknown name lists the known ones; a file of another name or encoding, or a huge one, is refused."""
    with pytest.raises(SpeciesError, match=r"no file unicorn\.toml; known are .*monarch"):
        load("unicorn")
    (tmp_path / "other.toml").write_text(VALID, encoding="utf-8")
    with pytest.raises(SpeciesError, match="make them agree"):
        load("other", [tmp_path])
    (tmp_path / "latin.toml").write_bytes(b'name = "caf\xe9"')
    with pytest.raises(SpeciesError, match="not UTF-8"):
        load("latin", [tmp_path])
    with pytest.raises(SpeciesError, match="at most"):
        parse("#" * 70_000, "huge.toml")


def test_the_files_are_part_of_the_package():
    """The profiles are found through the package, wherever it is installed."""
    found = {entry.name for entry in resources.files(sensord.species).iterdir()}
    assert {f"{name}.toml" for name in names()} <= found
