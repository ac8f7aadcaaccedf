"""The texts: what a keeper may write, what is refused and how, and that the shipped ones are sound."""

from __future__ import annotations

import tomllib
from datetime import UTC, datetime
from importlib import resources
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sensord.language import TEXT_LIMIT, TITLE_LIMIT, Catalogue, CatalogueError, Reader, cut, template
from sensord.language.messages import ALWAYS, FRAMES
from sensord.language.template import TemplateError
from sensord.language.terminal import say
from sensord.rules import all_rules

SHIPPED = Catalogue.load()
READER = Reader(SHIPPED, "metric", ZoneInfo("America/Detroit"), datetime(2026, 8, 20, 16, tzinfo=UTC), 2.0)


def filled(text: str, **numbers: float | str | bool | None) -> str:
    return READER.fill(template(text), numbers).text


def base() -> Catalogue:
    """The shipped frame with one rule of our own."""
    return Catalogue.parse(
        shipped_frame()
        + """
[heat.hot]
title = "Shade {subject}[ before {by_at}]"
text = "{inside_c} inside.[ Add {add_kg}.]"
""",
        "base.toml",
    )


def shipped_frame() -> str:
    text = resources.files("sensord.language").joinpath("en/messages.toml").read_text(encoding="utf-8")
    return text.split("# --- the rules")[0]


def mistakes(toml: str, over: Catalogue | None = None) -> list[str]:
    with pytest.raises(CatalogueError) as error:
        Catalogue.parse(toml, "my.toml", over)
    return error.value.lines


def test_names_are_filled_in_and_brackets_are_optional() -> None:
    """Names in braces become figures; a bracket goes where one of its names is missing or false."""
    assert filled("{inside_c} inside[, {offset_k} more than outside].", inside_c=34.2, offset_k=5.2) == (
        "34 °C inside, 5.2 °C more than outside."
    )
    assert filled("{inside_c} inside[, {offset_k} more than outside].", inside_c=34.2) == "34 °C inside."
    assert filled("A.[{pupae} Pupae!]", pupae=True) == "A. Pupae!"
    assert filled("A.[{pupae} Pupae!]", pupae=False) == filled("A.[{pupae} Pupae!]") == "A."


def test_a_missing_number_is_shown_and_told() -> None:
    """A number that should be there never stops a message: it is a question mark, and its name is reported."""
    assert READER.fill(template("{inside_c} in {where}"), {"where": "Alder"}) == ("? in Alder", ("inside_c",))


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("{Inside}", "is no name"),
        ("{}", "is no name"),
        ("{inside_c:.1f}", "is no name"),
        ("{a.b}", "is no name"),
        ("{inside_c", "without its partner"),
        ("inside_c}", "without its partner"),
        ("[a [b]]", "without its partner"),
        ("a]", "without its partner"),
        ("[a", "never closed"),
    ],
)
def test_what_is_no_template(text: str, why: str) -> None:
    """Each slip in a template is named."""
    with pytest.raises(TemplateError) as slip:
        template(text)
    assert why in say(slip.value.key, **slip.value.parts)


def test_all_mistakes_at_once() -> None:
    """Every mistake of a file is reported, with file, table and key, and what is allowed."""
    lines = mistakes(
        """
stray = 1
[heat]
loose = "x"
[heat.hot]
titel = "Shade"
text = "{inside_c"
[heat.cold]
title = "{inside_c} in {subject}"
text = 3
"""
    )
    assert [line for line in lines if "frame." not in line] == [
        "my.toml: stray: a table is expected, like [stray.reason]",
        "my.toml: heat.loose: belongs into a table like [heat.reason]",
        "my.toml: heat.hot.titel: no such key; allowed are title, text, many, each",
        'my.toml: heat.hot.text: "{" without its partner, or one inside another, near "{"',
        "my.toml: heat.hot.title: must be given",
        "my.toml: heat.cold.title: {inside_c} must stand in [brackets] here, because it is left out where several "
        "subjects differ",
        "my.toml: heat.cold.text: a text is expected",
    ]
    assert [line for line in lines if "frame." in line] == [f"my.toml: frame.{name}: must be given" for name in FRAMES]


def test_a_file_of_ones_own_lies_over_the_shipped_one() -> None:
    """Only what is given changes; units and deadlines may be used wherever the shipped text has the number."""
    texts = Catalogue.parse(
        '[heat.hot]\ntext = "Hot: {inside_c}[, {add_bricks}]"\n[words]\ntomorrow = "{time} next day"', "m", base()
    )
    hot = texts.find("heat", "hot")
    assert hot is not None
    assert READER.fill(hot.title, {"subject": "Alder"}).text == "Shade Alder"
    assert READER.fill(hot.text, {"inside_c": 30, "add_kg": 3}).text == "Hot: 30 °C, 2 bricks"
    assert texts.words["tomorrow"] == "{time} next day"
    assert texts.frames == base().frames


def test_mistakes_in_ones_own_file() -> None:
    """A text that does not exist, a number that is not known there, and a word of the wrong shape are mistakes."""
    lines = mistakes(
        """
[heat.hott]
text = "x"
[heating.hot]
text = "x"
[heat.hot]
text = "{outside_c}"
[frame.agian]
text = "x"
[words]
comma = ["a"]
numbers = ["no"]
brick = "{count} {colour} brick"
and = "{first} und {last"
stone = "x"
""",
        base(),
    )
    assert lines == [
        'my.toml: words.comma: a text is expected, with no other names in braces than ", "',
        "my.toml: words.numbers: a list of 13 words is expected",
        'my.toml: words.brick: a text is expected, with no other names in braces than "{count} brick"',
        "my.toml: words.and: a brace without its partner",
        f"my.toml: words.stone: no such word; allowed are {', '.join(base().words)}",
        "my.toml: heat.hott: there is no such text; allowed are heat.hot",
        "my.toml: heat.hot: {outside_c} is not known here; allowed are add_bricks, add_kg, by_at, inside_c, site, subject, "
        "until_at",
        "my.toml: heating.hot: there is no such text; allowed are frame, heat",
        "my.toml: frame.agian: there is no such text; allowed are " + ", ".join(f"frame.{name}" for name in FRAMES),
    ]


@pytest.mark.parametrize("numbers", ['"thirteen text"', str(list(range(13))), '["no"]'])
def test_a_list_of_words_is_one(numbers: str) -> None:
    """Just as many texts as the shipped one has, in a list: neither a text of as many letters nor numbers."""
    assert mistakes(f"[words]\nnumbers = {numbers}", base()) == [
        "my.toml: words.numbers: a list of 13 words is expected"
    ]
    assert mistakes("words = 3", base()) == ["my.toml: words: a table is expected"]


def test_not_toml_and_not_text(tmp_path: Path) -> None:
    """What is no TOML, or no UTF-8, is said with its place."""
    assert mistakes("[a")[0].startswith("my.toml: not a TOML file that can be read: ")
    file = tmp_path / "mine.toml"
    file.write_bytes(b'[words]\nand = "\xff"')
    with pytest.raises(CatalogueError, match=r"mine\.toml: not UTF-8 text"):
        Catalogue.load(own=file)
    file.write_text('[words]\nand = "{first} & {last}"', encoding="utf-8")
    assert Catalogue.load(own=file).words["and"] == "{first} & {last}"
    with pytest.raises(FileNotFoundError):
        Catalogue.load(own=tmp_path / "none.toml")


@pytest.mark.parametrize(("name", "limit"), [("title", 60), ("text", 480), ("many", 480), ("each", 160)])
def test_how_long_a_text_may_be(name: str, limit: int) -> None:
    """A text of just so many characters is taken, what is filled in not counted; one more is refused with the limit."""
    subject = "[{subject}]" if name in ("title", "many") else "{subject}"
    Catalogue.parse(f'[heat.hot]\n{name} = "{"x" * (limit - 2 * subject.count("["))}{subject}"', "my.toml", base())
    assert mistakes(f'[heat.hot]\n{name} = "{"x" * (limit + 1)}{{subject}}"', base()) == [
        f"my.toml: heat.hot.{name}: longer than {limit} characters even with nothing filled in"
    ]


def test_too_long_by_itself() -> None:
    """A text that can't fit even empty is a mistake, and so is a file of endless length."""
    assert mistakes(f'[heat.hot]\ntitle = "{"x" * 61}"', base()) == [
        "my.toml: heat.hot.title: longer than 60 characters even with nothing filled in"
    ]
    assert mistakes("#" * 200_000) == ["my.toml: 200000 characters long; at most 128000"]
    assert mistakes("#" * 128_001) == ["my.toml: 128001 characters long; at most 128000"]
    assert Catalogue.parse("#" * 128_000, "my.toml", base()).rules == base().rules


@given(st.text(max_size=700), st.integers(10, 480))
def test_cut(text: str, limit: int) -> None:
    """Whatever is cut fits, ends in an ellipsis where something is missing, and is stripped of needless spaces."""
    short = cut(text, limit)
    assert len(short) <= limit
    assert "  " not in short
    assert short == short.strip()
    assert cut(short, limit) == short


def test_cut_at_a_word() -> None:
    """A long text ends with a whole word."""
    assert cut("Shade Alder and Birch and Cedar", 20) == "Shade Alder and…"
    assert cut("x" * 30, 20) == "x" * 19 + "…"
    assert cut("x" * 20, 20) == "x" * 20
    assert cut("x" * 7 + " " + "x" * 30, 20) == "x" * 7 + " " + "x" * 11 + "…", (
        "half a line at most is given for a word"
    )
    assert cut("x" * 12 + " " + "x" * 30, 20) == "x" * 12 + "…"


@given(st.text(alphabet="ab {}[]_c.", max_size=40), st.dictionaries(st.sampled_from(["a", "b", "a_c"]), st.floats()))
def test_any_text_is_a_template_or_refused(text: str, numbers: dict[str, float]) -> None:
    """Any text is either refused with a reason or can be filled in, within the limit."""
    try:
        parsed = template(text)
    except ValueError as error:
        assert str(error)
        return
    assert len(READER.fill(parsed, numbers, TITLE_LIMIT).text) <= TITLE_LIMIT


def test_the_shipped_texts_belong_to_rules() -> None:
    """Every shipped table is of a rule that exists: a renamed rule leaves none behind."""
    assert {rule for rule, _ in SHIPPED.rules} <= set(all_rules())


@pytest.mark.parametrize(("rule", "reason"), SHIPPED.rules, ids=lambda part: str(part))
def test_the_shipped_texts_are_short(rule: str, reason: str) -> None:
    """With ordinary figures, each shipped text fits its limits without being cut, for one subject and for three."""
    text = SHIPPED.rules[rule, reason]
    ordinary: dict[str, float | str | bool] = dict.fromkeys(text.names, 12.5)
    ordinary |= {name: "2026-08-20T17:30:00+00:00" for name in text.names if name.endswith("_at")}
    ordinary |= {name: True for name in text.names if name not in ALWAYS and not name.count("_")}
    for subject in ("Alder", "Alder, Birch and Cedar"):
        ordinary["subject"] = subject
        for parsed, limit in ((text.title, TITLE_LIMIT), (text.text, TEXT_LIMIT), (text.many or text.text, TEXT_LIMIT)):
            whole = READER.fill(parsed, ordinary, limit=10_000)
            assert len(whole.text) <= limit, f"{len(whole.text)} characters: {whole.text}"


def test_the_shipped_file_explains_itself() -> None:
    """The head of the file names every key of a table."""
    head = shipped_frame().split("# --- the frame")[0]
    assert all(f"#   {key} " in head for key in ("title", "text", "many", "each"))
    assert tomllib.loads(shipped_frame())


@pytest.mark.parametrize("name", all_rules())
def test_whatever_a_rule_can_say_has_words(name: str) -> None:
    """Every reason of a rule stands in the file, of what is fine too: nobody is shown a bare word. None is left over."""
    assert {reason for rule, reason in SHIPPED.rules if rule == name} == set(all_rules()[name].reasons)


@pytest.mark.parametrize("key", [("storm", "anchor"), ("wind", "anchor")])
def test_who_carries_is_told_to_mind_thunder_and_their_back(key: tuple[str, str]) -> None:
    """Wherever bricks are asked for: a few at a time, with the legs, and in at the first thunder."""
    text = SHIPPED.rules[key]
    for parsed in (text.text, text.many):
        assert parsed is not None
        words = "".join(piece for part in parsed for piece, is_name in part.pieces if not is_name)
        for caution in ("a few at a time", "lift with your legs", "if you hear thunder", "no sensor here hears it"):
            assert caution in words


def test_plain_english_of_today() -> None:
    """A fall is told as a fall; and nothing that nobody says any more."""
    shipped = resources.files("sensord.language").joinpath("en/messages.toml").read_text(encoding="utf-8")
    assert "nobody need" not in shipped
    assert "{pressure_change_pa}" not in shipped
