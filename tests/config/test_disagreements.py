"""What disagrees between the tables of a garden: each with the place of the one at fault and of the other."""

from __future__ import annotations

from pathlib import Path

import pytest
from pydantic import BaseModel, ConfigDict, Field

from sensord.config import Mistakes, load

MINIMAL = (Path(__file__).parents[2] / "config" / "minimal.toml").read_text()
ENCLOSURE = '[[enclosure]]\nname = "{}"\nwidth_m = 0.6\ndepth_m = 0.6\nheight_m = 0.9\nown_mass_kg = 0.8\n'
PROBE = '[[probe]]\nname = "{}"\nplace = "{}"\n{}reads = [{{ quantity = "temperature"{} }}]\n'
COHORT = '[[cohort]]\nname = "{}"\nenclosure = "{}"\nstage = "egg"\nstage_since = 2026-08-19T12:00:00Z\ncount = 1\n'


class Knob(BaseModel):
    """A stand-in for a rule's parameters."""

    model_config = ConfigDict(extra="forbid")
    warm_c: float = Field(33, ge=20, le=45)


def said(path: Path, text: str) -> list[str]:
    """What is wrong with a configuration, without its file."""
    file = path / "sensord.toml"
    file.write_text(text)
    with pytest.raises(Mistakes) as caught:
        load(file, {"overheating": Knob}, {})
    return [line.removeprefix(f"{file}: ") for line in caught.value.lines]


@pytest.mark.parametrize(
    ("text", "lines"),
    [
        (
            ENCLOSURE.format("b") + ENCLOSURE.format("b") + ENCLOSURE.format("b"),
            [
                'enclosure[3].name: "b" is the name of enclosure[2] already; every enclosure needs its own',
                'enclosure[4].name: "b" is the name of enclosure[2] already; every enclosure needs its own',
            ],
        ),
        (ENCLOSURE.format("ambient"), ['enclosure[2].name: "ambient" is kept for the shaded post; choose another']),
        (
            PROBE.format("post", "north", 'topic = "x"\n', ""),
            ['probe[3].name: "post" is the name of probe[2] already; every probe needs its own'],
        ),
        (PROBE.format("ambient", "north", 'topic = "x"\n', ""), None),  # only a place of that name is kept
        (
            COHORT.format("c", "north") + COHORT.format("c", "north"),
            ['cohort[2].name: "c" is the name of cohort[1] already; every cohort needs its own'],
        ),
        (
            COHORT.format("c", "south"),
            ['cohort[1].enclosure: there is no enclosure "south"; allowed are north'],
        ),
        (
            COHORT.format("c", "ambient"),  # nobody lives at the post
            ['cohort[1].enclosure: there is no enclosure "ambient"; allowed are north'],
        ),
        (
            PROBE.format("p", "south", 'topic = "x"\n', ""),
            ['probe[3].place: there is no enclosure "south"; allowed are north, ambient'],
        ),
        (
            ENCLOSURE.format("B") + PROBE.format("p", "south", 'topic = "x"\n', ""),
            [
                "enclosure[2].name: must be lower-case letters, digits, - and _, at most 40, starting with a letter or digit",
                'probe[3].place: there is no enclosure "south"; allowed are north, ambient, '
                "and those whose names have mistakes",
            ],
        ),
        (
            PROBE.format("p", "north", "", ', topic = "x" }, { quantity = "relative_humidity"'),
            ["probe[3].reads[2]: no topic; give `topic` here or in probe[3]"],
        ),
        (
            PROBE.format("p", "north", 'topic = "x"\nform = "number"\n', ', pointer = "/t"'),
            ['probe[3].reads[1].pointer: only form = "json" takes a pointer'],
        ),
        (PROBE.format("p", "north", 'topic = "x"\nform = "number"\n', ', form = "json", pointer = "/t"'), None),
        (PROBE.format("p", "north", 'topic = "x"\nform = "number"\n', ""), None),
        ("[rules.heat]\nwarm_c = 30\n", ["rules.heat: no such rule; allowed are overheating"]),
        ("[rules.overheating]\nwarm_f = 90\n", ["rules.overheating.warm_f: no such key; allowed are warm_c"]),
        (
            "[rules.overheating]\nwarm_c = 46\n",
            ["rules.overheating.warm_c: must be at least 20 and at most 45"],
        ),
        (
            "[rules.overheating]\nwarm_c = [1]\n",  # no value at all is said by its rule, once
            ["rules.overheating.warm_c: must be a number, without quotes and unit, at least 20 and at most 45"],
        ),
        (
            "[rules.overheating]\nwarm_c = 'hot'\n",
            ["rules.overheating.warm_c: must be a number, without quotes and unit, at least 20 and at most 45"],
        ),
    ],
)
def test_what_disagrees_is_laid_to_the_later(tmp_path: Path, text: str, lines: list[str] | None) -> None:
    """Names that must be unique, places that must be there, topics, pointers, and what the rules take."""
    if lines is None:
        (tmp_path / "sensord.toml").write_text(MINIMAL + text)
        load(tmp_path / "sensord.toml", {"overheating": Knob}, {})
    else:
        assert said(tmp_path, MINIMAL + text) == lines


def test_a_page_with_a_mistake_is_not_called_open_too(tmp_path: Path) -> None:
    """While its host can't be read nobody knows who can reach it; once it can, it must be guarded."""
    page = f"{MINIMAL}[page]\nenabled = true\nhost = "
    assert [line.split(": ")[0] for line in said(tmp_path, f"{page}'garden.example'\n")] == ["page.host"]
    assert [line.split(": ")[0] for line in said(tmp_path, f"{page}'192.0.2.1'\n")] == ["page"]
