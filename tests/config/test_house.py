"""Several gardens in one configuration: what they share, what is each one's own, and that a wrong one stops no other."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sensord.config import Found, HouseSettings, Mistakes, load, load_house

MINIMAL = (Path(__file__).parents[2] / "config" / "minimal.toml").read_text()


def no_rules(*_: object) -> dict[str, Any]:
    return {}


HOUSE = 'gardens = ["larkfield.toml", "school.toml"]\n'


def garden(name: str) -> str:
    """The least garden under a name, with topics of its own."""
    return MINIMAL.replace('name = "garden"', f'name = "{name}"').replace('"garden/', f'"{name}/')


class Directory:
    """A house's files, which a test changes before it is read."""

    def __init__(self, path: Path) -> None:
        self.path, self.house = path, path / "sensord.toml"
        self.secrets = path / "secrets"
        self.secrets.mkdir()
        self.environment: dict[str, str] = {}
        self.house.write_text(HOUSE)
        for name in ("larkfield", "school"):
            (path / f"{name}.toml").write_text(garden(name))

    def change(self, file: str, before: str, after: str) -> None:
        """Write something else in a file."""
        text = (self.path / file).read_text()
        assert before in text
        (self.path / file).write_text(text.replace(before, after, 1))

    def read(self) -> Found:
        """What is found."""
        return load_house(self.house, no_rules, self.environment, self.secrets)

    def mistakes(self) -> list[list[str]]:
        """The mistakes of each garden, without the directory."""
        return [[line.replace(f"{self.path}/", "") for line in found.mistakes] for found in self.read().gardens]

    def refused(self) -> list[str]:
        """What is said where nothing can be watched."""
        with pytest.raises(Mistakes) as caught:
            self.read()
        return [line.replace(f"{self.path}/", "") for line in caught.value.lines]


@pytest.fixture
def directory(tmp_path: Path) -> Directory:
    return Directory(tmp_path)


def test_a_file_without_gardens_is_a_house_of_one(tmp_path: Path) -> None:
    """Today's single file stays what it was: one garden, with its tables."""
    path = tmp_path / "sensord.toml"
    path.write_text(MINIMAL)
    found = load_house(path, no_rules, {})
    (only,) = found.gardens
    assert (only.name, only.file, only.mistakes) == ("garden", path, ())
    assert only.settings is not None
    assert only.settings.model_dump() == load(path, {}, {}).model_dump()
    assert found.push is None


def test_each_garden_has_its_own_and_what_is_shared(directory: Directory) -> None:
    """Store, page, shipping, broker and species are the house's; what two gardens can't both have is each one's own."""
    directory.house.write_text(
        f'species_directory = "species"\n{HOUSE}[store]\npath = "s.sqlite3"\n[broker]\nhost = "h"\nport = 1\n'
    )
    directory.change("school.toml", "[site]", '[broker]\nport = 2\nuser = "school"\n[site]')
    one, other = (found.settings for found in directory.read().gardens)
    assert one is not None
    assert other is not None
    assert one.store.path == other.store.path == "s.sqlite3"
    assert one.species_directory == str(directory.path / "species")
    assert (one.broker.host, one.broker.port, one.broker.user) == ("h", 1, "")
    assert (other.broker.host, other.broker.port, other.broker.user) == ("h", 2, "school")
    assert [s.broker.entry_topic for s in (one, other)] == ["sensord/larkfield/entry", "sensord/school/entry"]
    with pytest.raises(Mistakes, match="here one garden is expected"):
        load(directory.house, {}, {})


@pytest.mark.parametrize(
    ("spoil", "line"),
    [
        (lambda d: (d.path / "school.toml").write_text("[site"), "school.toml: not a TOML file that can be read"),
        (lambda d: (d.path / "school.toml").unlink(), "school.toml: there is no such file"),
        (lambda d: d.change("school.toml", "41.5", "141.5"), "school.toml: site.latitude_deg: must be at least -90"),
        (lambda d: d.change("school.toml", "[site]", '[store]\npath = "x"\n[site]'), "school.toml: store: is shared"),
        (
            lambda d: d.environment.update(SENSORD_GARDENS__SCHOOL__PUSH__FONE="1"),
            "environment: SENSORD_GARDENS__SCHOOL__PUSH__FONE: no such setting",
        ),
        (
            lambda d: d.environment.update(SENSORD_GARDENS__SCHOOL__STORE__PATH="1"),
            "environment: SENSORD_GARDENS__SCHOOL__STORE__PATH: no such setting",
        ),
        (lambda d: d.environment.update(SENSORD_GARDENS__SCHOOL__PUSH="[x"), "environment or secrets: "),
    ],
)
def test_a_wrong_garden_leaves_the_other_sound(directory: Directory, spoil: Any, line: str) -> None:
    """Unreadable, gone, misconfigured or set wrongly from outside: it is said of that garden, and the other can be watched."""
    spoil(directory)
    sound, wrong = directory.mistakes()
    assert sound == []
    assert wrong[0].startswith(line), wrong


def test_all_that_is_wrong_is_said_in_one_round(directory: Directory) -> None:
    """Mistakes of the house and of each garden come together, each with its file; and nothing starts without a sound garden."""
    directory.change("school.toml", "41.5", "141.5")
    directory.change("larkfield.toml", 'place = "north"', 'place = "nrth"')
    wrong = [
        'larkfield.toml: probe[1].place: there is no enclosure "nrth"; allowed are north, ambient',
        "school.toml: site.latitude_deg: must be at least -90 and at most 90",
    ]
    assert directory.refused() == wrong
    directory.house.write_text(f"{HOUSE}[store]\npath = 7\n[site]\n[broker]\nclient_id = 'x'\n[page]\nenabled = true\n")
    directory.change("sensord.toml", "enabled = true", 'enabled = true\nhost = "0.0.0.0"')
    lines = directory.refused()
    assert lines[0] == "sensord.toml: site: belongs in the file of a garden that `gardens` names"
    assert [line.split(": ")[:2] for line in lines[1:4]] == [
        ["sensord.toml", "broker.client_id"],
        ["sensord.toml", "store.path"],
        ["sensord.toml", "page"],
    ]
    assert lines[4:] == wrong


@pytest.mark.parametrize("gardens", ["[]", '"larkfield.toml"', "[1, 2]", "[[]]", "{}"])
def test_gardens_must_be_a_list_of_files(directory: Directory, gardens: str) -> None:
    """Anything else is a mistake at that key."""
    directory.house.write_text(f"gardens = {gardens}\n")
    line = directory.refused()[0]
    assert line.startswith("sensord.toml: gardens")
    if gardens == "[]":
        assert line.endswith('at least one must be given, as gardens = ["one", "two"]')


def test_names_are_unique(directory: Directory) -> None:
    """The later of two gardens of a name is wrong; - and _ are the same, since variables can't tell them apart."""
    directory.change("larkfield.toml", '"larkfield"', '"a-b"')
    directory.change("school.toml", '"school"', '"a_b"')
    sound, wrong = directory.mistakes()
    assert sound == []
    assert wrong == [
        'school.toml: site.name: "a_b" is the name of garden 1 already (larkfield.toml); every garden needs its own, '
        "and - and _ count as the same"
    ]


@pytest.mark.parametrize(
    ("file", "before", "after", "at_fault", "line"),
    [
        ("school.toml", "school/north", "larkfield/north", 1, '"larkfield/north" is "larkfield/north" of garden 1'),
        (
            "school.toml",
            "school/north",
            "+/north",
            1,
            '"+/north" takes in "larkfield/north" of garden 1 (probe[1].topic)',
        ),
        ("larkfield.toml", "larkfield/north", "+/north", 0, '"+/north" takes in "school/north" of garden 2'),
        (
            "larkfield.toml",
            "larkfield/north",
            "sensord/school/entry",
            1,
            '"sensord/school/entry" is "sensord/school/entry" of garden 1 (probe[1].topic)',
        ),
        ("larkfield.toml", "larkfield/north", "sensord/+/+", 0, 'takes in "sensord/school/entry" of garden 2'),
        (
            "school.toml",
            "[site]",
            '[broker]\nentry_topic = "sensord/larkfield/entry"\n[site]',
            1,
            'broker.entry_topic: "sensord/larkfield/entry" is "sensord/larkfield/entry" of garden 1 (broker.entry_topic)',
        ),
    ],
)
def test_topics_belong_to_one_garden(
    directory: Directory, file: str, before: str, after: str, at_fault: int, line: str
) -> None:
    """A topic that two gardens would read is a mistake of the one that takes in the other's, else of the later one."""
    directory.change(file, before, after)
    found = directory.mistakes()
    assert found[1 - at_fault] == []
    assert any(line in said for said in found[at_fault]), found


def test_on_brokers_of_their_own_gardens_may_use_the_same_topics(directory: Directory) -> None:
    """What can't reach the other is no mistake."""
    directory.change("school.toml", "school/north", "#")
    assert directory.mistakes()[1]
    directory.change("school.toml", "school/post", "elsewhere")
    directory.change("school.toml", 'topic = "#"', 'topic = "larkfield/#"')
    directory.change("school.toml", "[site]", '[broker]\nhost = "192.0.2.1"\n[site]')
    assert directory.mistakes() == [[], []]


def test_a_client_id_belongs_to_one_garden(directory: Directory) -> None:
    """The broker cuts off the one when the other connects."""
    for file in ("larkfield.toml", "school.toml"):
        directory.change(file, "[site]", '[broker]\nclient_id = "me"\n[site]')
    sound, wrong = directory.mistakes()
    assert sound == []
    assert wrong[0].startswith('school.toml: broker.client_id: "me" is that of garden 1 already')


def test_a_garden_that_cannot_be_watched_anyway_stops_no_other(directory: Directory) -> None:
    """Larkfield's wide filter takes in the school's topics only once the school is sound."""
    directory.change("larkfield.toml", "larkfield/north", "+/north")
    assert directory.mistakes()[0]
    directory.change("school.toml", "41.5", "141.5")
    sound, wrong = directory.mistakes()
    assert sound == []
    assert len(wrong) == 1


def test_secrets_and_variables_are_each_gardens_own(directory: Directory) -> None:
    """Environment over secrets over file, garden by garden; a directory below and systemd's joined names are the same."""
    (directory.secrets / "gardens_larkfield_push__phone").write_text("ntfy://x/lark")
    (directory.secrets / "gardens" / "school").mkdir(parents=True)
    (directory.secrets / "gardens" / "school" / "push__phone").write_text("ntfy://x/one\nntfy://x/two\n")
    (directory.secrets / "gardens" / "school" / "broker__user").write_text("hidden")
    (directory.secrets / "broker__password").write_text("hush")
    (directory.secrets / "push__phone").write_text("ntfy://x/caretaker")
    directory.environment |= {
        "SENSORD_GARDENS__SCHOOL__BROKER__USER": "over",
        "SENSORD_BROKER__PORT": "1884",
        "SENSORD_GARDENS__LARKFIELD__KEEPER__UNITS": "us",
    }
    found = directory.read()
    one, other = (garden.settings for garden in found.gardens)
    assert one is not None
    assert other is not None
    assert [u.get_secret_value() for u in one.push.phone] == ["ntfy://x/lark"]
    assert [u.get_secret_value() for u in other.push.phone] == ["ntfy://x/one", "ntfy://x/two"]
    assert found.push is not None
    assert [u.get_secret_value() for u in found.push.phone] == ["ntfy://x/caretaker"]
    assert (one.broker.user, other.broker.user) == ("", "over")
    assert one.broker.port == other.broker.port == 1884
    assert one.broker.password.get_secret_value() == other.broker.password.get_secret_value() == "hush"
    assert (one.keeper.units, other.keeper.units) == ("us", "metric")


def test_a_mistake_in_a_gardens_secret_names_its_file(directory: Directory) -> None:
    """Where the value stands, never the value."""
    (directory.secrets / "gardens_school_broker__port").write_text("hush-hush")
    _, wrong = directory.mistakes()
    assert wrong == [
        "secrets/gardens_school_broker__port: broker.port: must be a whole number, at least 1 and at most 65535"
    ]
    (directory.secrets / "gardens_school_broker__port").write_bytes(b"\xff\xfe")
    _, wrong = directory.mistakes()
    assert wrong[0].startswith("secrets/gardens_school_broker__port: can't be read: ")


def test_a_variable_for_no_garden_is_a_mistake(directory: Directory) -> None:
    """Said with the gardens that there are; but not while a garden can't be read, whose name is then not known."""
    directory.environment["SENSORD_GARDENS__SKOOL__PUSH__PHONE"] = '["ntfy://x/y"]'
    assert directory.refused() == [
        "environment: SENSORD_GARDENS__SKOOL__PUSH__PHONE: no such garden; allowed are SENSORD_GARDENS__LARKFIELD__…, "
        "SENSORD_GARDENS__SCHOOL__…"
    ]
    (directory.path / "school.toml").write_text("[site")
    assert directory.mistakes()[0] == []


@given(
    st.dictionaries(
        st.sampled_from(sorted(HouseSettings.model_fields)) | st.text(max_size=8),
        st.recursive(
            st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=9),
            lambda c: st.lists(c, max_size=4) | st.dictionaries(st.text(max_size=9), c, max_size=4),
        ),
    ),
)
def test_no_house_crashes_the_reader(tmp_path_factory: pytest.TempPathFactory, document: dict[str, object]) -> None:
    """Any values in any tables of a house are refused with lines that say where."""
    from sensord.config import house

    path = tmp_path_factory.mktemp("house") / "sensord.toml"
    path.write_text("")
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(house, "document_in", lambda file: {"gardens": [], **document} if file == path else {})
        with pytest.raises(Mistakes) as caught:
            load_house(path, no_rules, {})
    assert all(caught.value.lines)


@pytest.mark.parametrize("named", ["sensord.toml", "./sensord.toml", "link.toml"])
def test_a_house_is_no_garden_of_its_own(directory: Directory, named: str) -> None:
    """Its own file among its gardens, by whatever name, is said once and plainly."""
    (directory.path / "link.toml").symlink_to(directory.house)
    directory.change("sensord.toml", "school.toml", named)
    assert directory.refused() == ["sensord.toml: gardens: names this file itself; name the file of each garden"]
    directory.house.write_text(f'gardens = ["{named}"]\n')
    assert directory.refused() == ["sensord.toml: gardens: names this file itself; name the file of each garden"]
