"""How far each setting may go: what the example says beside each number, and what every text and list takes."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import NamedTuple

import pytest
from pydantic import BaseModel, ValidationError

from sensord.config import HouseSettings, Mistakes, load, load_house
from sensord.rules import all_rules

CONFIG = Path(__file__).parents[2] / "config"
MINIMAL = (CONFIG / "minimal.toml").read_text()
PARAMETERS = {name: rule.Parameters for name, rule in all_rules().items()}

COUNTED = {
    "port",
    "keepalive_s",
    "pushes_per_day",
    "refusals_kept",
    "points_at_once",
    "raw_days_kept",
    "count",
    "times",
}
LEAST: dict[str, dict[str, object]] = {
    "[site]": {"name": "garden", "latitude_deg": 41.5, "longitude_deg": -83.5, "time_zone": "America/Detroit"},
    "[[enclosure]]": {"name": "north", "width_m": 0.6, "depth_m": 0.6, "height_m": 0.9, "own_mass_kg": 0.8},
    "[[probe]]": {"name": "north-1", "place": "ambient", "topic": "t", "reads": [{"quantity": "temperature"}]},
    "[[cohort]]": {
        "name": "c",
        "enclosure": "north",
        "stage": "egg",
        "stage_since": "2026-08-19T12:00:00Z",
        "count": 1,
    },
}
"""What a table of the example needs, whatever else it says."""


class Bound(NamedTuple):
    """How far a number may go, as the example says it beside the key."""

    heading: str  # of its table, such as "[[probe]]"
    key: str
    words: str
    within: tuple[float, float]  # the lowest and the highest that are taken
    beyond: tuple[float, float]  # the nearest that are not


def _shown() -> Iterator[Bound]:
    """Every number of the example that has bounds."""
    heading = ""
    for line in (CONFIG / "sensord.toml").read_text().splitlines():
        heading = found[0] if (found := re.match(r"\[+[\w.]+\]+", line)) else heading
        found = re.match(r"(?:# )?(\w+) =.*\((above )?([-\d.,]+) to (below )?([-\d.,]+)\)$", line)
        if found:
            key, above, lowest, below, highest = found.groups()
            low, high = (float(number.replace(",", "")) for number in (lowest, highest))
            step = 1.0 if key in COUNTED else 1e-9
            words = f"{'above' if above else 'at least'} {low:g} and {'below' if below else 'at most'} {high:g}"
            within = (low + step if above else low, high - step if below else high)
            yield Bound(heading, key, words, within, (within[0] - step, within[1] + step))


BOUNDS = list(_shown())


def _file(path: Path, values: Mapping[tuple[str, str], object]) -> Path:
    """A configuration with these values: (heading, key) → value."""
    tables = {heading: dict(keys) for heading, keys in LEAST.items()}
    for (heading, key), value in values.items():
        tables.setdefault(heading, {})[key] = int(value) if isinstance(value, float) and key in COUNTED else value
    lines = [
        "\n".join([heading, *(f"{key} = {_written(value)}" for key, value in keys.items())])
        for heading, keys in tables.items()
    ]
    file = path / "sensord.toml"
    file.write_text("\n".join(lines))
    return file


def _written(value: object) -> str:
    if isinstance(value, list):
        return f"[{', '.join(map(_written, value))}]"
    if isinstance(value, dict):
        return f"{{ {', '.join(f'{key} = {_written(inner)}' for key, inner in value.items())} }}"
    return f"'{value}'" if isinstance(value, str) else repr(value)


def _place(heading: str, key: str) -> str:
    """The key as a mistake names it."""
    return f"{heading.strip('[]')}[1].{key}" if heading.startswith("[[") else f"{heading.strip('[]')}.{key}"


@pytest.mark.parametrize("end", [0, 1], ids=["lowest", "highest"])
def test_every_number_may_go_as_far_as_the_example_says(tmp_path: Path, end: int) -> None:
    """All of them at once, at the lowest or the highest that is said to be allowed."""
    chosen = load(_file(tmp_path, {(b.heading, b.key): b.within[end] for b in BOUNDS}), PARAMETERS, {})
    for bound in BOUNDS:
        if not bound.heading.startswith(("[[", "[rules")):
            assert getattr(getattr(chosen, bound.heading.strip("[]")), bound.key) == bound.within[end]


@pytest.mark.parametrize("end", [0, 1], ids=["lowest", "highest"])
def test_no_number_may_go_further(tmp_path: Path, end: int) -> None:
    """The nearest beyond is refused by a line with the file, the key and both bounds; all of them in one round."""
    file = _file(tmp_path, {(b.heading, b.key): b.beyond[end] for b in BOUNDS})
    with pytest.raises(Mistakes) as caught:
        load(file, PARAMETERS, {})
    told = [f"{file}: {_place(bound.heading, bound.key)}: must be {bound.words}" for bound in BOUNDS]
    assert sorted(caught.value.lines) == sorted(told)


HASH = "$argon2id$v=19$m=65536,t=3,p=4$c2FsdA$aGFzaA"
FULL_NAME = "a23456789-123456789-123456789-123456789_"
TEXTS: list[tuple[str, str, list[str], list[str], str]] = [
    ("[site]", "title", ["", "x" * 60], ["x" * 61], "at most 60 characters"),
    ("[site]", "name", ["7", FULL_NAME], ["", "-a", "_a", "A", "ä", "a b", f"{FULL_NAME}x"], ""),
    ("[site]", "time_zone", ["Europe/Berlin"], ["", "Berlin"], "IANA"),
    ("[keeper]", "units", ["us"], ["US"], ""),
    ("[keeper]", "quiet_from", ["", "00:00", "23:59"], ["24:00", "7:15", "07:15:00", "0715", "dusk"], ""),
    ("[broker]", "client_id", ["", "x" * 64], ["x" * 65], "at most 64 characters"),
    ("[broker]", "protocol", ["5"], ["3.1"], ""),
    ("[broker]", "entry_topic", ["e", "a/b"], ["", "a/+", "#"], ""),
    ("[page]", "host", ["localhost", "::1", "127.0.0.2"], ["", "example.org"], ""),
    ("[page]", "base_url", ["", "http://[::1]:80", "https://a-b.example"], ["ftp://a", "http://", "http://a/b"], ""),
    ("[page]", "token", ["", "x" * 20], ["x", "x" * 19], "20"),
    ("[page]", "secret", ["", "x" * 32], ["x", "x" * 31], "32"),
    ("[page]", "password_hash", ["", HASH], ["hush", f"{HASH}!", HASH.replace("v=19", "v=18")], ""),
    ("[store]", "path", ["x"], [""], "empty"),
    ("[influx]", "organisation", ["", "x" * 200], ["x" * 201], "at most 200 characters"),
    ("[influx]", "bucket", ["x", "x" * 200], ["", "x" * 201], ""),
    ("[influx]", "database", ["", "x" * 200], ["x" * 201], "at most 200 characters"),
    (
        "[influx]", "url", ["", "http://a", "https://a:8086/under/"],
        ["a", "ftp://a", "http://", "http://user@a", "http://a?b=c"], "",
    ),
    ("[review]", "day", ["monday"], ["Monday"], ""),
    ("[[enclosure]]", "title", ["", "x" * 40], ["x" * 41], "at most 40 characters"),
    ("[[probe]]", "topic", ["#", "+", "a/+/b", "a/#"], ["", "a#", "#/a", "a/#/b", "a+/b"], ""),
    ("[[probe]]", "form", ["json"], ["xml"], ""),
]  # fmt: skip
"""Of each text: table, key, some that are taken, some that are not, and a word that the refusal says."""


@pytest.mark.parametrize("turn", range(max(len(row[2]) for row in TEXTS)))
def test_what_a_text_may_be(tmp_path: Path, turn: int) -> None:
    """Up to the last that is allowed each text is taken."""
    texts = {(heading, key): taken[min(turn, len(taken) - 1)] for heading, key, taken, *_ in TEXTS}
    load(_file(tmp_path, texts), {}, {})


@pytest.mark.parametrize("turn", range(max(len(row[3]) for row in TEXTS)))
def test_what_a_text_may_not_be(tmp_path: Path, turn: int) -> None:
    """What is longer, or written otherwise, is refused with file and key, each by its own line."""
    wrong = [(heading, key, refused[turn], word) for heading, key, _, refused, word in TEXTS if turn < len(refused)]
    file = _file(tmp_path, {(heading, key): text for heading, key, text, _ in wrong})
    with pytest.raises(Mistakes) as caught:
        load(file, {}, {})
    said = {line.split(": ")[1]: line for line in caught.value.lines}
    assert set(said) == {_place(heading, key) for heading, key, *_ in wrong}
    for heading, key, _, word in wrong:
        assert said[_place(heading, key)].startswith(f"{file}: {_place(heading, key)}: must ")
        assert word in said[_place(heading, key)]


@pytest.mark.parametrize(("count", "taken"), [(0, False), (1, True), (32, True), (33, False)])
def test_a_house_holds_up_to_32_gardens(tmp_path: Path, count: int, taken: bool) -> None:
    """Each with its file; more are refused at that key."""
    for i in range(count):
        text = MINIMAL.replace('name = "garden"', f'name = "g{i}"').replace('"garden/', f'"g{i}/')
        (tmp_path / f"{i}.toml").write_text(text)
    house = tmp_path / "sensord.toml"
    house.write_text(f"gardens = {[f'{i}.toml' for i in range(count)]}\n")
    if taken:
        assert len(load_house(house, lambda *_: {}, {}).gardens) == count
        return
    with pytest.raises(Mistakes) as caught:
        load_house(house, lambda *_: {}, {})
    limit = "at most 32" if count else 'at least one must be given, as gardens = ["one", "two"]'
    assert [line.startswith(f"{house}: gardens: ") and limit in line for line in caught.value.lines] == [True]


def test_a_secret_holds_up_to_64_000_bytes(tmp_path: Path) -> None:
    """A certificate fits; what is larger was put there by mistake, and is said so without being read."""
    file, secret = tmp_path / "sensord.toml", tmp_path / "secrets" / "broker__password"
    file.write_text(MINIMAL)
    secret.parent.mkdir()
    secret.write_text("x" * 64_000)
    assert len(load(file, {}, {}, secret.parent).broker.password.get_secret_value()) == 64_000
    secret.write_text("x" * 64_001)
    with pytest.raises(Mistakes) as caught:
        load(file, {}, {}, secret.parent)
    assert caught.value.lines == [f"{secret}: can't be read: larger than 64000 bytes"]


def test_what_cannot_be_read_says_why(tmp_path: Path) -> None:
    """In the words of the system."""
    with pytest.raises(Mistakes) as caught:
        load(tmp_path, {}, {})
    assert caught.value.lines == [f"{tmp_path}: can't be read: Is a directory"]


def test_a_destination_is_told_from_others_by_address_organisation_and_bucket(tmp_path: Path) -> None:
    """Never by its token; there is none while nothing is shipped."""
    texts: dict[tuple[str, str], object] = {("[influx]", key): key[0] for key in ("organisation", "bucket", "token")}
    assert load(_file(tmp_path, texts), {}, {}).influx.destination == ""
    texts["[influx]", "url"] = "https://a:8086/"
    assert load(_file(tmp_path, texts), {}, {}).influx.destination == "https://a:8086 o b"


def test_settings_never_change_once_they_are_read(tmp_path: Path) -> None:
    """All that read them see the same, from the whole down to each table."""

    def tables(value: object) -> Iterator[BaseModel]:
        if isinstance(value, BaseModel):
            yield value
            for _, inner in value:
                yield from tables(inner)
        elif isinstance(value, tuple):
            for item in value:
                yield from tables(item)

    houses: list[HouseSettings] = []

    def noted(house: HouseSettings) -> tuple[()]:
        houses.append(house)
        return ()

    file = tmp_path / "sensord.toml"
    (tmp_path / "one.toml").write_text(MINIMAL)
    file.write_text('gardens = ["one.toml"]\n')
    found = load_house(file, lambda *_: {}, {}, of_house=noted)
    for whole in (*houses, *(garden.settings for garden in found.gardens)):
        for table in tables(whole):
            for key in type(table).model_fields:
                with pytest.raises(ValidationError, match="frozen"):
                    setattr(table, key, None)
