"""What is wrong with a configuration is said in one round, with the key, and what is dangerous is not taken silently."""

from __future__ import annotations

from pathlib import Path

import pytest

from sensord.commands import _house
from sensord.config import Mistakes

CONFIG = Path(__file__).parents[2] / "config"
GOOD = (CONFIG / "minimal.toml").read_text()
COHORT = '[[cohort]]\nname = "a"\nspecies = "{}"\nenclosure = "north"\nstage = "egg"\nstage_since = {}\ncount = 3\n'


def mistakes(directory: Path, text: str, secrets: Path | None = None) -> list[str]:
    path = directory / "sensord.toml"
    path.write_text(text)
    with pytest.raises(Mistakes) as caught:
        _house.house(path, secrets, tries_push=True)
    return [line.removeprefix(f"{path}: ") for line in caught.value.lines]


def house(directory: Path, text: str) -> _house.OneGarden:
    path = directory / "sensord.toml"
    path.write_text(text)
    return _house.house(path, tries_push=True).gardens[0]


def test_one_round_says_everything(tmp_path: Path) -> None:
    """Types, names, places, rules, species, texts, sensors and units: each mistake has its line, none hides another."""
    text = (
        GOOD.replace("latitude_deg = 41.5", 'latitude_deg = "41.5 N"')
        .replace("-83.5", "83.5")
        .replace("[push]", '[keeper]\ntexts = "nofile.toml"\nunits = "imperial"\n[push]')
        .replace("ntfy://ntfy", "ntyf://ntfy")
        .replace('place = "north"', 'place = "nroth"\nevery_s = 0\nsensor = "DHT11"')
        .replace('name = "post"', 'name = "north-1"')
        .replace('pointer = "/temperature", unit = "°C" }]\n\n', 'pointer = "/temperature", unit = "%" }]\n\n')
        .replace("width_m = 0.6", "width_m = 0.6\nrules.nosuch.x = 1")
    )
    text += COHORT.format("moth", "2026-08-19") + "[rules.overheating]\nnear_k = [1]\n"
    lines = mistakes(tmp_path, text)
    for begin in (
        "site.latitude_deg: must be a number",
        "site.longitude_deg: 83.5° is 11 h of sun away from America/Detroit",
        "keeper.units: must be 'metric' or 'us'",
        f"keeper.texts: there is no file {tmp_path}/nofile.toml",
        "push.phone[1]: no address that Apprise knows",
        "enclosure[1].rules.nosuch: no such rule; allowed are ambient",
        'probe[1].place: there is no enclosure "nroth"; allowed are north, ambient',
        "probe[1].every_s: must be at least 1 and at most 3600",
        'probe[1].sensor: "DHT11" is not known; allowed are generic',
        "probe[1].reads[1].unit: '%' is no unit of temperature; allowed are °C",
        'probe[2].name: "north-1" is the name of probe[1] already',
        'cohort[1].species: there is no species "moth"; allowed are black-jezebel',
        "cohort[1].stage_since: must be a time with its offset from UTC, like 2026",
        "rules.overheating.near_k: must be a number, without quotes and unit, at least 0 and at most 5",
    ):
        assert sum(line.startswith(begin) for line in lines) == 1, (begin, lines)
    assert len(lines) == 14, "\n".join(lines)


@pytest.mark.parametrize(
    ("before", "after", "line"),
    [
        ('phone = ["ntfy', 'phone = "ntfy', "not a TOML file"),
        ("[[enclosure]]", "[enclosure]", "enclosure: must be a list of tables, each headed [[enclosure]]"),
        ("reads = [{", 'reads = "x" #', "probe[1].reads: must be a list in brackets, like [{ quantity = … }]"),
        ("reads = [{", "reads = [] #", "probe[1].reads: at least one must be given"),
        ("[push]", '[push]\nstand_in = "ntfy://x/y"', 'push.stand_in: must be a list in brackets, like ["one", "two"]'),
        ("[push]", '[store]\npath = ""\n[push]', "store.path: must not be empty"),
        (
            "[push]",
            '[broker]\nentry_topic = "a/#"\n[push]',
            "broker.entry_topic: must be an MQTT topic, without + and #",
        ),
        ("[site]", 'species_directory = "none"\n[site]', "species_directory: there is no directory"),
        ("[push]", '[keeper]\ntexts = "."\n[push]', "keeper.texts: "),
        ("width_m = 0.6", "width_m = nan", "enclosure[1].width_m: must be above 0.05 and at most 10"),
    ],
)
def test_mistakes_are_in_plain_words(tmp_path: Path, before: str, after: str, line: str) -> None:
    """No jargon of the library that reads it; always what is allowed."""
    lines = mistakes(tmp_path, GOOD.replace(before, after, 1))
    assert any(found.startswith(line) for found in lines), lines
    for jargon in ("tuple", "Input", "timezone info", "validation", "Errno"):
        assert jargon not in "".join(lines).replace(str(tmp_path), "")


@pytest.mark.parametrize("year", ["0001", "1969", "9999"])
def test_a_day_of_the_season_is_of_a_year_that_can_be_looked_back_on(tmp_path: Path, year: str) -> None:
    """A day without a week before or after it is a mistake, also where its offset alone leaves the calendar."""
    text = GOOD + COHORT.format("monarch", f"{year}-01-01T00:00:00+14:00") + f"[review]\nseason_start = {year}-12-31\n"
    assert sorted(mistakes(tmp_path, text)) == [
        "cohort[1].stage_since: must be in one of the years 1970 to 9998",
        "review.season_start: must be in one of the years 1970 to 9998",
    ]


@pytest.mark.parametrize("day", ["1970-01-01", "9998-12-31"])
def test_the_first_and_the_last_such_day_are_taken(tmp_path: Path, day: str) -> None:
    """Each is a day like any other."""
    text = GOOD + COHORT.format("monarch", f"{day}T00:00:00+14:00") + f"[review]\nseason_start = {day}\n"
    assert str(house(tmp_path, text).settings.review.season_start) == day


def test_what_is_allowed_is_listed_once(tmp_path: Path) -> None:
    """Enclosures of the same name are one place to choose from."""
    double = "\n".join(GOOD.split("[[probe]]")[0].split("[[enclosure]]")[1:])
    lines = mistakes(tmp_path, f"{GOOD}[[enclosure]]{double}".replace('place = "north"', 'place = "x"'))
    assert 'probe[1].place: there is no enclosure "x"; allowed are north, ambient' in lines


def test_a_longitude_without_its_sign(tmp_path: Path) -> None:
    """The sun would rise half a day off; honest places, far from their zone's middle, are taken."""
    assert "is it -83.5" in mistakes(tmp_path, GOOD.replace("-83.5", "83.5"))[0]
    for longitude, zone in (
        (75.9, "Asia/Shanghai"),  # its far west
        (-157.4, "Pacific/Kiritimati"),  # beyond the date line
        (178.0, "Pacific/Auckland"),
        (-9.1, "Europe/Madrid"),
        (-83.5, "UTC"),
    ):
        text = GOOD.replace("-83.5", str(longitude)).replace("America/Detroit", zone)
        assert house(tmp_path, text).settings.site.longitude_deg == longitude


@pytest.mark.parametrize(
    ("topic", "line"),
    [
        (
            "garden/north",
            'probe[2].reads[1]: reads the same as probe[1].reads[1]: topic "garden/north" and "/temperature"',
        ),
        ("#", 'probe[2].topic: "#" takes in broker.entry_topic "sensord/entry", where the keeper\'s entries arrive'),
        ("#", 'probe[2].topic: "#" takes in "garden/north" of probe[1].topic too'),
        ("+/north", 'probe[2].topic: "+/north" takes in "garden/north" of probe[1].topic too'),
        ("garden/north/#", 'probe[2].topic: "garden/north/#" takes in "garden/north" of probe[1].topic too'),
        ("sensord/entry", 'probe[2].topic: "sensord/entry" is broker.entry_topic "sensord/entry"'),
        ("+/entry", 'probe[2].topic: "+/entry" takes in broker.entry_topic'),
    ],
)
def test_one_message_is_not_two_things(tmp_path: Path, topic: str, line: str) -> None:
    """A topic that takes in another probe's, or the keeper's entries, is a mistake."""
    lines = mistakes(tmp_path, GOOD.replace("garden/post", topic))
    assert any(found.startswith(line) for found in lines), lines


def test_one_message_may_carry_several_things(tmp_path: Path) -> None:
    """Probes that share a topic, each with its own pointer or name, are fine."""
    shared = GOOD.replace("garden/post", "garden/north").replace('pointer = "/temperature"', 'pointer = "/a"', 1)
    assert house(tmp_path, shared)
    packs = GOOD.replace('topic = "garden/north"', 'topic = "garden/+"\nform = "senml"')
    packs = packs.replace('topic = "garden/post"', 'topic = "garden/post"\nform = "senml"')
    for name in ("a", "b"):
        packs = packs.replace('pointer = "/temperature", unit = "°C"', f'name = "{name}"', 1)
    assert house(tmp_path, packs)


@pytest.mark.parametrize(
    ("rules", "line"),
    [
        (
            "[rules.overheating]\nmoderate_c = 40\nsevere_c = 30\n",
            "rules.overheating.severe_c: severe_c = 30 °C must be above moderate_c = 40 °C",
        ),
        (
            "[rules.overheating]\nsevere_c = 25\n",
            "rules.overheating.severe_c: severe_c = 25 °C must be above moderate_c",
        ),
    ],
)
def test_a_worse_tier_begins_higher(tmp_path: Path, rules: str, line: str) -> None:
    """Tiers out of order, among themselves or with the species', are a mistake."""
    (found,) = mistakes(tmp_path, GOOD + rules)
    assert found.startswith(line)


def test_a_worse_tier_begins_higher_in_each_enclosure(tmp_path: Path) -> None:
    """What an enclosure overrides must fit to what it does not."""
    text = GOOD.replace("width_m = 0.6", "width_m = 0.6\nrules.overheating.moderate_c = 44")
    (found,) = mistakes(tmp_path, text + "[rules.overheating]\nsevere_c = 43\nextreme_c = 46\n")
    assert found.startswith("enclosure[1].rules.overheating.")
    assert "severe_c = 43 °C must be above moderate_c = 44 °C" in found


def test_addresses_are_named_and_not_shown(tmp_path: Path) -> None:
    """The line has the key and the file that holds it, and how the address begins; nothing else of it."""
    secrets = tmp_path / "secrets"
    secrets.mkdir()
    (secrets / "push__phone").write_text("ntfy://h/fine ntyf://user:hush@h/hush-hush\nnot-a-url-hush\n")
    lines = mistakes(tmp_path, GOOD, secrets)
    assert lines[0].startswith(f"{secrets}/push__phone: push.phone[2]: no address that Apprise knows")
    assert lines[0].endswith('it begins with "ntyf://"')
    assert lines[1].startswith(f"{secrets}/push__phone: push.phone[3]: ")
    assert "hush" not in "".join(lines)


def test_mistakes_of_a_species_file_are_in_plain_words_too(tmp_path: Path) -> None:
    """With the key of the cohort that asks for it, the file, and the key in it."""
    (tmp_path / "own").mkdir()
    (tmp_path / "own" / "moth.toml").write_text('name = "moth"\nstages = 3\n')
    text = 'species_directory = "own"\n' + GOOD + COHORT.format("moth", "2026-08-19T00:00:00Z")
    lines = mistakes(tmp_path, text)
    assert all(line.startswith(f"cohort[1].species: {tmp_path}/own/moth.toml: ") for line in lines), lines
    assert any("stages: must be a list in brackets, not 3" in line for line in lines), lines
    assert "tuple" not in "".join(lines)
