"""The configuration: precedence, and every mistake at once, in words that help."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import BaseModel, ConfigDict, Field

from sensord import config
from sensord.config import Mistakes, load, reading
from sensord.config.sources import NOTHING, Sources
from sensord.model import Form, Quantity

CONFIG = Path(__file__).parents[2] / "config"


class Knob(BaseModel):
    """A stand-in for a rule's parameters."""

    model_config = ConfigDict(extra="forbid")
    warm_c: float = Field(33, ge=20, le=45)


RULES = {"overheating": Knob}
GOOD = (CONFIG / "minimal.toml").read_text()


def read(
    path: Path, text: str, environment: dict[str, str] | None = None, secrets: Path | None = None
) -> config.Settings:
    path = path / "sensord.toml"
    path.write_text(text)
    return load(path, RULES, environment or {}, secrets)


def mistakes(
    path: Path, text: str, environment: dict[str, str] | None = None, secrets: Path | None = None
) -> list[str]:
    with pytest.raises(Mistakes) as caught:
        read(path, text, environment, secrets)
    return caught.value.lines


def test_environment_over_secrets_over_file_over_default(tmp_path: Path) -> None:
    """Each layer covers the one below it, key by key."""
    secrets = tmp_path / "secrets"
    secrets.mkdir()
    (secrets / "broker__password").write_text("from-secret")
    (secrets / "broker__user").write_text("from-secret")
    text = '[broker]\nhost = "from-file"\nuser = "from-file"\nport = 1\n' + GOOD
    got = read(
        tmp_path, text, {"SENSORD_BROKER__PORT": "2", "SENSORD_BROKER__USER": "from-environment"}, secrets
    ).broker
    assert (got.host, got.port, got.user) == ("from-file", 2, "from-environment")
    assert got.password.get_secret_value() == "from-secret"
    assert got.keepalive_s == 60


def test_all_mistakes_are_reported_at_once(tmp_path: Path) -> None:
    """Seven different mistakes give a line each, with file, key and what is allowed."""
    text = (
        GOOD.replace("latitude_deg = 41.5", "latitude_deg = 141.5")
        .replace("America/Detroit", "America/Detroitt")
        .replace('place = "north"', 'place = "nrth"')
        .replace("width_m = 0.6", "width_mm = 600")
    )
    lines = mistakes(tmp_path, text, {"SENSORD_BROKER__PORT": "99999", "SENSORD_TYPO": "1"})
    joined = "\n".join(lines)
    for words in (
        "latitude_deg",
        "IANA",
        "width_m: must be given",
        "width_mm: no such key",
        "SENSORD_BROKER__PORT",
        "SENSORD_TYPO",
    ):
        assert words in joined
    assert all(str(tmp_path) in line or "environment" in line for line in lines)
    assert mistakes(tmp_path, GOOD.replace('place = "north"', 'place = "nrth"')) == [
        f'{tmp_path}/sensord.toml: probe[1].place: there is no enclosure "nrth"; allowed are north, ambient'
    ]


def test_rules_and_their_overrides_are_checked(tmp_path: Path) -> None:
    """A rule that isn't there, a key that it doesn't take and a value out of bounds are mistakes, also per enclosure."""
    lines = mistakes(tmp_path, GOOD + "[rules.overheeting]\nwarm_c = 30\n[rules.overheating]\nwarm_f = 90\n")
    assert "no such rule; allowed are overheating" in lines[0]
    assert "warm_f: no such key; allowed are warm_c" in lines[1]
    override = GOOD.replace("own_mass_kg = 0.8", "own_mass_kg = 0.8\nrules.overheating.warm_c = 60")
    assert "enclosure[1].rules.overheating.warm_c" in mistakes(tmp_path, override)[0]


@pytest.mark.parametrize("text", ["[site", "\x00", 'site = "x"', ""])
def test_what_is_no_configuration_is_said_so(tmp_path: Path, text: str) -> None:
    """A file that is no TOML, or no configuration, gives a mistake that names it."""
    assert str(tmp_path) in mistakes(tmp_path, text)[0]


def test_a_missing_file_and_a_missing_secrets_directory_are_mistakes(tmp_path: Path) -> None:
    """Nothing is silently replaced by defaults."""
    with pytest.raises(Mistakes, match="no such file"):
        load(tmp_path / "none.toml", RULES, {})
    assert "not there" in mistakes(tmp_path, GOOD, {"CREDENTIALS_DIRECTORY": str(tmp_path / "none")})[0]


def test_a_list_that_is_no_list_is_a_mistake(tmp_path: Path) -> None:
    """A malformed list in the environment is said, without its value."""
    lines = mistakes(tmp_path, GOOD, {"SENSORD_PUSH": "[hush-hush"})
    assert "push" in lines[0]
    assert "JSON" in lines[0]
    assert "hush-hush" not in "".join(lines)


def test_secrets_never_show(tmp_path: Path) -> None:
    """Neither a mistake nor the settings' own text shows a secret's value."""
    secrets = tmp_path / "secrets"
    secrets.mkdir()
    (secrets / "broker__password").write_text("hush-hush")
    (secrets / "broker__port").write_text("hush-hush")
    assert "hush-hush" not in "".join(mistakes(tmp_path, GOOD, {}, secrets))
    (secrets / "broker__port").unlink()
    assert "hush-hush" not in repr(read(tmp_path, GOOD, {}, secrets))
    assert "hush-hush" not in "".join(mistakes(tmp_path, '[push]\nphone = "ntfys://hush-hush"\n'))


@given(st.text(max_size=300))
def test_no_text_crashes_the_reader(tmp_path_factory: pytest.TempPathFactory, text: str) -> None:
    """Any text is read or refused with Mistakes."""
    path = tmp_path_factory.mktemp("config") / "sensord.toml"
    path.write_bytes(text.encode("utf-8", "surrogatepass"))
    with pytest.raises(Mistakes):
        load(path, RULES, {})


@given(
    st.dictionaries(
        st.sampled_from(sorted(config.Settings.model_fields)) | st.text(max_size=8),
        st.recursive(
            st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=9),
            lambda c: st.lists(c, max_size=4) | st.dictionaries(st.text(max_size=9), c, max_size=4),
        ),
    ),
)
def test_no_document_crashes_the_reader(document: dict[str, object]) -> None:
    """Any values in any tables give Settings or a list of mistakes, each with its place."""
    from pydantic import ValidationError

    sources = Sources(NOTHING, NOTHING, ((Path("x.toml"), document),))
    try:
        reading.settled(config.Settings, sources)
    except ValidationError as error:
        assert [reading.line_of(config.Settings, sources, item) for item in error.errors(include_url=False)]


def test_what_is_read_stands_in_the_words_of_the_model(tmp_path: Path) -> None:
    """A title where one is given, else the name; what a reading does not say itself its probe says."""
    more = (
        '[[probe]]\nname = "p"\nplace = "north"\ntopic = "t"\nform = "number"\nevery_s = 30\n'
        'time = { pointer = "/at", form = "unix" }\nreads = [{ quantity = "temperature", unit = "K" },\n'
        '{ quantity = "relative_humidity", topic = "h", form = "json", pointer = "/h" }]\n'
    )
    plain = read(tmp_path, GOOD + more)
    named = read(
        tmp_path, GOOD.replace("[site]", '[site]\ntitle = "Home"').replace("own_mass", 'title = "N"\nown_mass', 1)
    )
    assert (plain.place_on_earth.title, named.place_on_earth.title) == ("garden", "Home")
    assert ([e.title for e in plain.enclosures], [e.title for e in named.enclosures]) == (["North"], ["N"])
    assert str(plain.zone) == "America/Detroit"
    (probe,) = (probe for probe in plain.probes if probe.name == "p")
    assert (probe.site, probe.place, probe.interval_s, probe.quantities) == (
        "garden", "north", 30, {Quantity.TEMPERATURE, Quantity.HUMIDITY},
    )  # fmt: skip
    first, *_, t, h = plain.recipes
    assert (first.topic, first.form, first.pointer, first.time_pointer, first.time_form) == (
        "garden/north", Form.JSON, "/temperature", None, "rfc3339",
    )  # fmt: skip
    assert (t.topic, t.form, t.unit, t.pointer, t.time_pointer, t.time_form) == (
        "t",
        Form.NUMBER,
        "K",
        "",
        "/at",
        "unix",
    )
    assert (h.topic, h.form, h.unit, h.pointer, h.time_pointer, h.time_form) == (
        "h",
        Form.JSON,
        "",
        "/h",
        "/at",
        "unix",
    )
