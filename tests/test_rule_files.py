"""A rule from elsewhere: a file and its sentences are enough for it to be judged, pushed, shown, answered, looked back on."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient
from typer.testing import CliRunner

from sensord.__main__ import app as commands
from sensord.adapters.clock import SteppedClock
from sensord.adapters.push import RecordingChannel
from sensord.adapters.sender import InlineSender
from sensord.commands import _build, _house
from sensord.config import Mistakes
from sensord.model import Arrival, Hazard, Route, Severity, Standing, What
from sensord.web.app import application
from sensord.web.snapshot import PageNeeds
from tests.kept import opened
from tests.test_loop import Feed

START = datetime(2026, 8, 20, 14, 0, tzinfo=UTC)  # ten in the morning in the garden
MINUTE = timedelta(minutes=1)

GARDEN = """
rules_directory = "rules"

[rules.dew]
after_min = 30

[site]
name = "larkfield"
title = "Larkfield Lane Community Garden (made-up)"
latitude_deg = 41.5
longitude_deg = -83.5
time_zone = "America/Detroit"

[push]
phone = ["json://localhost:9"]

[[enclosure]]
name = "birch"
width_m = 0.6
depth_m = 0.6
height_m = 0.9
own_mass_kg = 0.8

[[probe]]
name = "birch-1"
place = "birch"
topic = "larkfield/birch/climate"
reads = [
    { quantity = "temperature", pointer = "/air/celsius", unit = "°C" },
    { quantity = "relative_humidity", pointer = "/air/percent", unit = "%" },
]
"""
DEW = '''
"""Dew: the air in an enclosure has been near saturation for long."""

from datetime import timedelta
from enum import StrEnum

from pydantic import Field

from sensord.actions import define
from sensord.model import Quantity, Severity, What
from sensord.rules import NOTE, Bounds, Need, Per, Unclear, breach, fine, seconds, track, unknown

AIR_OUT = define("air out", What.UNCOVERED, told_by=What.UNCOVERED)


class Reason(StrEnum):
    DAMP = "damp"
    DRY = "dry enough"


class Thresholds(Bounds):
    damp_ratio: float = Field(0.95, ge=0.5, le=1, description="relative humidity that counts as damp [0-1]; chosen")
    after_min: float = Field(120, ge=10, le=600, description="damp for so long [min]; chosen")


class Dew:
    name = "dew"
    per = Per.ENCLOSURE
    every = timedelta(minutes=10)
    manner = NOTE
    reasons = Reason
    advises = (AIR_OUT,)
    Parameters = Thresholds

    def needs(self, parameters):
        return (Need("humidity", "subject", Quantity.HUMIDITY, timedelta(minutes=parameters.after_min)),)

    def decide(self, evidence, now):
        p = evidence.parameters
        air = track(evidence, "humidity", now, 0, 1.1)
        if not air.is_fresh(seconds(now)):
            return unknown(self.name, evidence, now, Unclear.NO_HUMIDITY)
        facts = {"humidity_ratio": air.values[-1]}
        damp = min(air.values) >= p.damp_ratio and air.times_s[-1] - air.times_s[0] > 54 * p.after_min
        if damp:
            advice = AIR_OUT.advice(holds_until=now + timedelta(hours=3))
            return breach(self.name, evidence, now, Reason.DAMP, Severity.MINOR, advice, facts)
        return fine(self.name, evidence, now, Reason.DRY, facts)


RULE = Dew()
'''
SAID = """
[names]
dew = "Dew"

[matters]
dew = "Dew in {subject}"

[asked]
"air out" = "to air something out"

[dew.damp]
title = "Air {subject} out"
text = "It has been damp in there for long: {humidity_ratio}. Open a side while the sun is on it."

[dew."dry enough"]
title = "Dry enough: {subject}"
text = "{humidity_ratio} inside. Nothing to do."
"""


@dataclass
class Place:
    """A configuration beside its directory of rules."""

    config: Path
    own: Path

    def with_rule(self, name: str = "dew", code: str = DEW, said: str | None = SAID) -> None:
        """A rule file, and its sentences beside it."""
        (self.own / f"{name}.py").write_text(code, encoding="utf-8")
        if said is not None:
            (self.own / f"{name}.toml").write_text(said, encoding="utf-8")

    def mistakes(self) -> list[str]:
        """What is wrong with the configuration."""
        with pytest.raises(Mistakes) as raised:
            _house.garden_in(self.config)
        return raised.value.lines


@pytest.fixture
def place(tmp_path: Path) -> Place:
    """A garden that is configured to have rules of its own."""
    own = tmp_path / "rules"
    own.mkdir(mode=0o755)
    config = tmp_path / "sensord.toml"
    config.write_text(GARDEN, encoding="utf-8")
    return Place(config, own)


def damp(percent: float, count: int, start: datetime = START) -> list[Arrival]:
    """What Birch's probe sends, a minute apart."""
    found = []
    for n in range(count):
        at = start + n * MINUTE
        air = f'{{"celsius": {22 + 0.1 * (n % 3)}, "percent": {percent + 0.1 * (n % 2)}}}'
        found.append(Arrival(at, "larkfield/birch/climate", f'{{"air": {air}, "taken": "{at.isoformat()}"}}'.encode()))
    return found


@contextmanager
def watched(place: Place, arrivals: list[Arrival], until: datetime) -> Iterator[tuple[Any, Any, RecordingChannel]]:
    """The garden after these arrivals: as it is built, its store, and the phone."""
    built = _house.garden_in(place.config)
    path = place.config.parent / "store.sqlite3"
    store = opened(built, path, durable=False)
    phone, clock = RecordingChannel(), SteppedClock(START)
    loop = _build.loop(built, clock, Feed(clock, arrivals), store, InlineSender(dict.fromkeys(Route, phone)))
    loop.run(until=until)
    try:
        yield built, store, phone
    finally:
        store.close()


def said_of_birch(what: str, at: datetime) -> Arrival:
    """An entry about the enclosure."""
    return Arrival(at, "sensord/entry", f'{{"what": "{what}", "subject": "birch"}}'.encode())


def test_it_is_judged_and_pushed_by_its_own_parameters_sentences_and_manner(place: Place) -> None:
    """Damp for half an hour, as configured and not the two of its default: one push, in its words, about its action."""
    place.with_rule()
    with watched(place, damp(97.0, 90), START + 90 * MINUTE) as (built, store, phone):
        (told,) = [m for m in phone.messages if m.rule == "dew"]
        assert (told.title, told.action, told.severity) == ("Air Birch out", "air out", Severity.MINOR)
        assert told.text.startswith("It has been damp in there for long: 97")
        assert START + 30 * MINUTE <= told.at <= START + 60 * MINUTE
        (concern,) = [c for c in store.concerns.standing() if c.rule == "dew"]
        assert (concern.key, concern.standing, concern.told_action) == ("dew/birch", Standing.OPEN, "air out")
        assert built.garden.rules["dew"].manner.hazard is Hazard.OTHER


def test_what_its_action_says_answers_it(place: Place) -> None:
    """The entry that its action names is an answer, and so are those of every concern."""
    place.with_rule()
    arrivals = [*damp(97.0, 90), said_of_birch("uncovered", START + 80 * MINUTE)]
    arrivals.sort(key=lambda a: a.received_at)
    with watched(place, arrivals, START + 100 * MINUTE) as (_, store, _):
        (concern,) = [c for c in store.concerns.standing() if c.rule == "dew"]
        assert (concern.standing, concern.answer) == (Standing.ANSWERED, What.DONE)


def test_the_page_shows_its_card_and_its_name_and_takes_its_answers(place: Place) -> None:
    """A card with its words and what can be answered; by the catalogue's name for it where it is fine by now."""
    place.with_rule()
    now = START + 90 * MINUTE
    with watched(place, damp(97.0, 90), now) as (built, _, _):
        heard: list[bytes] = []
        house = PageNeeds(
            settings=built.settings.model_copy(
                update={"page": built.settings.page.model_copy(update={"enabled": True})}
            ),
            garden=built.garden,
            texts=built.texts,
            store=place.config.parent / "store.sqlite3",
            now=lambda: now,
            known_at=lambda: now,
            connected=lambda: (True, None),
            put=lambda _, payload: heard.append(payload),
        )
        page, _ = application(house)
        with TestClient(page, base_url="http://localhost", headers={"sec-fetch-site": "same-origin"}) as browser:
            html = browser.get("/").text
        assert "Air Birch out" in html
        assert "It has been damp in there for long" in html
        assert 'value="dew/birch"' in html


def test_the_review_counts_it_by_its_name(place: Place) -> None:
    """The week's table has its short name, and what it asked for is told in its words."""
    place.with_rule()
    with watched(place, damp(97.0, 90), START + 90 * MINUTE):
        pass
    store, html = place.config.parent / "store.sqlite3", place.config.parent / "week.html"
    done = CliRunner().invoke(
        commands,
        ["review", "--config", str(place.config), "--store", str(store), "--week", "2026-W34", "--html", str(html)],
    )
    assert done.exit_code in (0, 1), done.output
    text = html.read_text(encoding="utf-8")
    assert ">Dew</th><td>Birch</td>" in text
    assert "You were asked to air something out once" in text


def test_without_its_directory_its_table_is_no_rule(place: Place) -> None:
    """[rules.dew] means something only where the rule is."""
    text = place.config.read_text(encoding="utf-8").replace('rules_directory = "rules"', "")
    place.config.write_text(text, encoding="utf-8")
    assert any("rules.dew: no such rule" in line for line in place.mistakes())


def test_a_parameter_out_of_its_bounds_is_said_as_of_every_rule(place: Place) -> None:
    """Its own bounds hold in the configuration."""
    place.with_rule()
    text = place.config.read_text(encoding="utf-8").replace("after_min = 30", "after_min = 5")
    place.config.write_text(text, encoding="utf-8")
    assert any("rules.dew.after_min" in line and "10" in line for line in place.mistakes())


MISSHAPEN: list[tuple[str, tuple[str, ...]]] = [
    (DEW.replace("RULE = Dew()", ""), ("dew.py: defines no RULE", "RULE = Dew()")),
    (DEW.replace("RULE = Dew()", "RULE = Dew"), ("RULE: is a class; right is an object of it, like RULE = Dew()",)),
    (DEW.replace('name = "dew"', 'name = "wet"'), ('RULE.name: is "wet", but the file is dew.py',)),
    (DEW.replace("per = Per.ENCLOSURE", 'per = "cage"'), ("RULE.per: one of Per.ENCLOSURE",)),
    (DEW.replace("minutes=10)", "seconds=1)"), ("RULE.every", "one minute to one hour")),
    (DEW.replace("manner = NOTE", ""), ("RULE.manner", "USUAL")),
    (DEW.replace("reasons = Reason", "reasons = ()"), ("RULE.reasons: a StrEnum",)),
    (DEW.replace("(AIR_OUT,)", '("air out",)'), ("RULE.advises: 'air out' is no action",)),
    (DEW.replace("float = Field(120, ", "float = Field("), ("RULE.Parameters: every parameter needs a default",)),
    (DEW.replace("parameters.after_min", "parameters.after_h"), ("RULE.needs(parameters): AttributeError",)),
    (DEW.replace("class Thresholds(Bounds):", "class Thresholds(Bounds:"), ("dew.py:21: no valid Python",)),
    (DEW.replace("AIR_OUT = define", "AIR_OUT = undefined"), ("dew.py:13: NameError", "undefined")),
    (DEW.replace('define("air out"', 'define("shade"'), ("dew.py:13: ValueError", '"shade" means something else')),
    (DEW.replace("RULE = Dew()", "raise SystemExit(3)"), (": SystemExit: 3",)),
]  # fmt: skip


@pytest.mark.parametrize(("code", "words"), MISSHAPEN)
def test_a_file_that_is_no_rule_is_a_mistake_of_the_configuration(
    place: Place, code: str, words: tuple[str, ...]
) -> None:
    """Said at once: which file, what is wrong with it and what would be right; of Python's own mistakes the line."""
    assert code != DEW
    place.with_rule(code=code)
    (line,) = place.mistakes()
    assert "rules_directory: " in line
    assert str(place.own / "dew.py") in line
    assert all(word in line for word in words), line


def test_a_name_that_is_taken_is_refused(place: Place) -> None:
    """A rule of the house can't be replaced unnoticed."""
    place.with_rule("storm", DEW.replace('name = "dew"', 'name = "storm"'), SAID)
    assert any('storm.py: the name "storm" is taken' in line for line in place.mistakes())


UNFIT: list[tuple[str | None, str]] = [
    (None, "its sentences are missing: "),
    (SAID.replace('[dew."dry enough"]', '[dew."dry as dust"]'), 'there is no sentence for the reason "dry enough"'),
    (SAID + '\n[dew.mist]\ntitle = "Mist"\ntext = "Mist."\n', '[dew."mist"]: the rule has no such reason'),
    (SAID + '\n[storm.mist]\ntitle = "Mist"\ntext = "Mist."\n', '[storm."mist"]: is not about this rule'),
    (SAID + '\n[storm.calm]\ntitle = "Calm"\ntext = "Calm."\n', "storm.calm: there is such a text already"),
    (SAID.replace('dew = "Dew"\n', ""), "[names] dew: is missing"),
    (SAID.replace('dew = "Dew in {subject}"', ""), "[matters] dew: is missing"),
    (SAID.replace("title =", "tilte ="), "dew.damp.tilte: no such key"),
]


@pytest.mark.parametrize(("said", "words"), UNFIT)
def test_sentences_that_do_not_fit_are_a_mistake(place: Place, said: str | None, words: str) -> None:
    """Every reason has its sentence, no sentence is left over, and the rule has a name for people."""
    place.with_rule(said=said)
    lines = place.mistakes()
    assert any(words in line and "dew.toml" in line for line in lines), lines


@pytest.mark.parametrize("mode", [0o775, 0o757])
@pytest.mark.parametrize("what", ["directory", "file"])
def test_what_others_may_write_to_is_not_run(place: Place, what: str, mode: int) -> None:
    """Such a file is code: what could have been put there by anybody is refused before it is read."""
    place.with_rule(code='raise RuntimeError("this was run")\n')
    odd = place.own if what == "directory" else place.own / "dew.py"
    odd.chmod(mode)
    lines = place.mistakes()
    assert any(f"{odd}: others may write to it" in line and "chmod go-w" in line for line in lines), lines
    assert not any("this was run" in line for line in lines)


def test_what_it_does_not_declare_is_its_defect(place: Place) -> None:
    """A reason or an action that is none of its own: it is not watched by it, and the keeper is told so."""
    place.with_rule(code=DEW.replace("advises = (AIR_OUT,)", "advises = ()"))
    with watched(place, damp(97.0, 90), START + 90 * MINUTE) as (_, _, phone):
        assert not [m for m in phone.messages if m.rule == "dew"]
        assert any(m.rule == "watch" and "dew" in m.text for m in phone.messages)
