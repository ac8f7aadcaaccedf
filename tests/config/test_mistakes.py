"""What is wrong with one value, in plain words: no jargon of the library that reads it, and always what is allowed."""

from __future__ import annotations

from pathlib import Path

import pytest

from sensord.config import Mistakes, load

MINIMAL = (Path(__file__).parents[2] / "config" / "minimal.toml").read_text()
COHORT = '[[cohort]]\nname = "c"\nenclosure = "north"\nstage = "egg"\nstage_since = {}\ncount = 1\n'
NAIVE, UNDATED = COHORT.format("2026-08-19T12:00:00"), COHORT.format("true")
IMAGO = COHORT.format("2026-08-19T12:00:00Z").replace("egg", "imago")
STAGES = "'egg', 'instar 1', 'instar 2', 'instar 3', 'instar 4', 'instar 5', 'pupa' or 'adult'"
OFFSET = "must be a time with its offset from UTC, like 2026-08-19T07:30:00-04:00, or Z for UTC itself"
NUMBER = "must be a number, without quotes and unit"
NAME = "must be lower-case letters, digits, - and _, at most 40, starting with a letter or digit"
TABLES = "must be a list of tables, each headed [[cohort]] in two pairs of brackets"
QUANTITIES = (
    "'temperature', 'relative_humidity', 'pressure', 'wind_speed', 'wind_gust', 'irradiance', 'battery' or 'voltage'"
)
KEYS = (
    "site, keeper, push, broker, page, store, influx, review, rules, enclosure, probe, cohort, species_directory, "
    "rules_directory"
)
ENCLOSURE = (
    "name, title, kind, width_m, depth_m, height_m, own_mass_kg, ballast_kg, pegged, open_fraction, friction, shaded, "
    "covered, rules"
)
READING = "quantity, unit, pointer, name, topic, form"


@pytest.mark.parametrize(
    ("before", "after", "line"),
    [
        ("latitude_deg = 41.5", "", "site.latitude_deg: must be given"),
        ("latitude_deg = 41.5", "latitude_deg = [1]", f"site.latitude_deg: {NUMBER}, at least -90 and at most 90"),
        ("latitude_deg = 41.5", "latitude_deg = nan", "site.latitude_deg: must be at least -90 and at most 90"),
        ('name = "garden"', "name = 7", "site.name: must be a text in quotes"),
        ("width_m = 0.6", "width_m = 0.6\npegged = 'often'", "enclosure[1].pegged: must be true or false"),
        (
            "width_m = 0.6",
            "width_m = 0.6\nwidth_mm = 1",
            f"enclosure[1].width_mm: no such key; allowed are {ENCLOSURE}",
        ),
        (
            "width_m = 0.6",
            "width_m = 0.6\nkind = 'tent'",
            "enclosure[1].kind: must be 'open mesh', 'fine mesh', 'clear box' or 'porch'",
        ),
        ("[push]", "[keeper]\nunits = 'si'\n[push]", "keeper.units: must be 'metric' or 'us'"),
        (
            "[push]",
            "[keeper]\npushes_per_day = 1.5\n[push]",
            "keeper.pushes_per_day: must be a whole number, at least 1 and at most 100",
        ),
        ("[push]", "[store]\nsize = 1\n[push]", "store.size: no such key; allowed are path, refusals_kept"),
        ("[push]", "[review]\nseason_start = 'may'\n[push]", "review.season_start: must be a date, like 2026-06-01"),
        ("[push]", "[wheather]\n[push]", f"wheather: no such key; allowed are {KEYS}"),
        ("[push]", "[push]\nstand_in = 'x'", 'push.stand_in: must be a list in brackets, like ["one", "two"]'),
        ("[push]", "[push]\nstand_in = [1]", "push.stand_in[1]: must be a text in quotes"),
        ("[site]", "page = 7\n[site]", "page: must be a table"),
        ("[site]", "rules = 7\n[site]", "rules: must be a table"),
        ("[site]", "rules.overheating = 7\n[site]", "rules.overheating: must be a table"),
        ("[site]", "cohort = 7\n[site]", f"cohort: {TABLES}"),
        ("[site]", "cohort = [7]\n[site]", "cohort[1]: must be a table"),
        ("reads = [", "time = 7\nreads = [", "probe[1].time: must be a table"),
        ("reads = [", "time = {}\nreads = [", "probe[1].time.pointer: must be given"),
        (
            "reads = [",
            "time = { pointer = '/t', form = 'x' }\nreads = [",
            "probe[1].time.form: must be 'rfc3339', 'unix' or 'unix-ms'",
        ),
        ("reads = [", "reads = [] #", "probe[1].reads: at least one must be given, as reads = [{ … }]"),
        ("reads = [", "reads = 7 #", "probe[1].reads: must be a list in brackets, like [{ quantity = … }]"),
        ("reads = [", "reads = [{ quantity = 'heat' }] #", f"probe[1].reads[1].quantity: must be {QUANTITIES}"),
        ("reads = [{", "reads = [{ unti = 'x',", f"probe[1].reads[1].unti: no such key; allowed are {READING}"),
        ('place = "north"', 'place = "North"', f"probe[1].place: {NAME}"),
        ("[[probe]]", f"{NAIVE}[[probe]]", f"cohort[1].stage_since: {OFFSET}"),
        ("[[probe]]", f"{UNDATED}[[probe]]", f"cohort[1].stage_since: {OFFSET}"),
        ("[[probe]]", f"{IMAGO}[[probe]]", f"cohort[1].stage: must be {STAGES}"),
    ],
)
def test_a_mistake_is_said_once_with_what_is_allowed(tmp_path: Path, before: str, after: str, line: str) -> None:
    """The only line is the one that is expected: nothing that only follows from it is said beside it."""
    assert before in MINIMAL
    file = tmp_path / "sensord.toml"
    file.write_text(MINIMAL.replace(before, after, 1))
    with pytest.raises(Mistakes) as caught:
        load(file, {}, {})
    assert caught.value.lines == [f"{file}: {line}"]


def test_a_list_that_needs_one_says_how_to_write_it(tmp_path: Path) -> None:
    """Tables that are missing altogether are asked for by their heading."""
    file = tmp_path / "sensord.toml"
    file.write_text("enclosure = []\nprobe = []\n" + MINIMAL.split("[[")[0])
    with pytest.raises(Mistakes) as caught:
        load(file, {}, {})
    assert caught.value.lines == [
        f"{file}: {key}: at least one must be given, as [[{key}]]" for key in ("enclosure", "probe")
    ]
