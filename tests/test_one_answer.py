"""One answer, one place: change it there, and the phone, the page, the week and what is shipped change together."""

from __future__ import annotations

import ast
import json
import re
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

import sensord
from sensord import concerns, ledger, species
from sensord.adapters.influx_lines import LineMaker
from sensord.adapters.push import RecordingChannel
from sensord.commands import _build, _house
from sensord.garden import Garden
from sensord.language import Measure
from sensord.ledger import Stand
from sensord.model import Arrival, Message
from sensord.ports import Position
from sensord.report import export
from sensord.review import lookback, weeks
from sensord.rules._anchoring import Held
from sensord.rules._watching import Patience
from sensord.science.wind_load import Frame
from sensord.species.limits import Limits, limits_of
from sensord.web.app import application
from sensord.web.snapshot import PageNeeds
from simulators import scenario
from tests.kept import kept, to_ship
from tests.test_loop import MINUTE, START, live

HOUR = timedelta(hours=1)
WEEK = "2026-W34"
Patch = Callable[[pytest.MonkeyPatch], None]


@dataclass(frozen=True)
class Seen:
    """What there is to see of one afternoon, everywhere where it is shown."""

    messages: list[Message]
    page: str
    review: dict[str, Any]
    shipped: list[str]

    def said(self, rule: str) -> list[Message]:
        """What the phone was told by a rule about Birch."""
        return [m for m in self.messages if m.rule == rule and any(k.startswith(f"{rule}/birch") for k in m.concerns)]

    def matter(self, rule: str) -> dict[str, Any] | None:
        """What the week knows of it."""
        found = (m for m in self.review["concerns"] if m["rule"] == rule and m["subject"].startswith("birch"))
        return next(found, None)

    def cage(self) -> dict[str, Any]:
        """Birch in the week."""
        found: dict[str, Any] = next(c for c in self.review["enclosures"] if c["name"] == "birch")
        return found

    def tiers(self) -> list[float]:
        """The week's limits for Birch [°C]."""
        return [tier["temperature_c"] for tier in self.cage()["limits"]["tiers"]]

    def lines(self, measurement: str, *parts: str) -> list[str]:
        """What was shipped of Birch."""
        return [x for x in self.shipped if x.startswith(measurement) and "birch" in x and all(p in x for p in parts)]


@dataclass(frozen=True)
class Afternoon:
    """What Birch's probe, the shaded post and the wind gauge say, and what the keeper does."""

    hours: float = 3.0
    birch_c: float = 34.0
    gust_km_h: float = 6.0
    silent_min: int = 0  # Birch's probe says nothing in the end
    seen_after: timedelta | None = None  # then the keeper says that the heat is known

    def arrivals(self) -> Iterator[Arrival]:
        """Minute by minute."""
        end = START + self.hours * HOUR
        for n in range(int(self.hours * 60)):
            at = START + n * MINUTE
            wiggle, percent = 0.0625 * (n % 3), 40 + n % 2
            if at < end - self.silent_min * MINUTE:
                document = {"air": {"celsius": self.birch_c + wiggle, "percent": percent}, "taken": at.isoformat()}
                yield Arrival(at, "larkfield/birch/climate", json.dumps(document).encode())
            pack = [
                {"n": "x:temperature", "u": "Cel", "v": 30 + wiggle},
                {"n": "x:humidity", "u": "%RH", "v": percent},
            ]
            yield Arrival(at + timedelta(seconds=1), "larkfield/post/climate", json.dumps(pack).encode())
            gust = self.gust_km_h + n % 2
            wind = {"wind": {"mean": gust / 2, "gust": gust}, "taken": at.timestamp()}
            yield Arrival(at + timedelta(seconds=2), "larkfield/post/wind", json.dumps(wind).encode())
            if self.seen_after is not None and at == START + self.seen_after:
                entry = b'{"what": "seen", "subject": "overheating/birch"}'
                yield Arrival(at + timedelta(seconds=3), "sensord/entry", entry)

    def seen(self, folder: Path) -> Seen:
        """Lived through by the loop; then the page, the week and what is to be shipped, as of its end."""
        built, path = _garden(), folder / "garden.sqlite3"
        garden, now = built.garden, START + self.hours * HOUR
        store = kept(path, garden.site, _build.places(garden), durable=False, ships_to="elsewhere")
        phone = RecordingChannel()
        with closing(store):
            live(built, store, list(self.arrivals()), phone).run(until=now)
            store.journal.summarise(now)
            span = weeks.week(WEEK, built.settings.zone)
            found = lookback.look_back(store.parts, garden, span, span.first, now)
            measure = Measure(built.texts, "metric", built.settings.zone)
            return Seen(
                phone.messages, _page(built, path, now), json.loads(export.as_json(found, measure)), _shipped(path)
            )


def _garden() -> _house.OneGarden:
    """The demonstration garden; in Alder are animals of another species."""
    chosen = scenario.configuration("larkfield")
    cohorts = [c.model_copy(update={"species": "black-jezebel"} if c.name == "first" else {}) for c in chosen.cohort]
    page = chosen.page.model_copy(update={"enabled": True})
    return _house.understood(
        chosen.model_copy(update={"cohort": tuple(cohorts), "page": page}), scenario.HERE / "larkfield.toml"
    )


def _page(built: _house.OneGarden, path: Path, now: datetime) -> str:
    """What the page of now says is to be done, and what it says of Birch."""
    house = PageNeeds(
        settings=built.settings,
        garden=built.garden,
        texts=built.texts,
        store=path,
        now=lambda: now,
        known_at=lambda: now,
        connected=lambda: (True, None),
        put=lambda topic, payload: None,
    )
    app, _ = application(house)
    with TestClient(app, base_url="http://localhost", headers={"sec-fetch-site": "none"}) as browser:
        html = browser.get("/").text
    words = " ".join(re.sub(r"<[^>]+>", " ", re.sub(r"<(script|style|svg).*?</\1>", "", html, flags=re.DOTALL)).split())
    return (
        words[: words.index("Alder open mesh")] + words[words.index("Birch open mesh") : words.index("Cedar clear box")]
    )


def _shipped(path: Path) -> list[str]:
    with closing(to_ship(path)) as tail:
        window = tail.window(Position(), 100_000)
        assert window is not None
        rules = {name: rule.per for name, rule in _garden().garden.rules.items()}
        return list(LineMaker(tail.series, ["alder", "birch", "cedar"], rules).lines(window).texts)


# --- what is changed, in one place each ---------------------------------------------------------------------------

JEZEBEL = species.load("black-jezebel")
STAND = ledger.stand


def other_limits(patch: pytest.MonkeyPatch) -> None:
    """Everybody bears what black jezebels bear."""

    def limits(*_: object) -> Limits:
        return limits_of([(JEZEBEL, None)])

    patch.setattr(Garden, "limits", limits)


def standing(patch: pytest.MonkeyPatch, change: Callable[[Stand], Stand]) -> None:
    """Birch stands otherwise, whatever was said."""

    def stand(enclosure: Any, cohorts: Any, entries: Any, now: datetime) -> Stand:
        found = STAND(enclosure, cohorts, entries, now)
        return change(found) if enclosure.name == "birch" else found

    patch.setattr(ledger, "stand", stand)


def others_in_birch(patch: pytest.MonkeyPatch) -> None:
    """The animals of Alder are in Birch."""
    (first,) = (c for c in _garden().garden.cohorts if c.name == "first")
    standing(patch, lambda s: replace(s, cohorts=(first,)))


def shaded(patch: pytest.MonkeyPatch) -> None:
    """Birch is in the shade."""
    standing(patch, lambda s: replace(s, shaded=True))


def covered(patch: pytest.MonkeyPatch) -> None:
    """Birch has its rain cover on."""
    standing(patch, lambda s: replace(s, covered=True))


def pegged(patch: pytest.MonkeyPatch) -> None:
    """Birch is pegged to the ground."""
    standing(patch, lambda s: replace(s, pegged=True))


def a_sail(patch: pytest.MonkeyPatch) -> None:
    """The wind sees more of every enclosure than there is of it."""
    patch.setattr(Held, "frame", property(lambda held: Frame(1.5, 1.5, 2.0, held.stand.enclosure.own_mass_kg)))


def no_patience(patch: pytest.MonkeyPatch) -> None:
    """Three minutes of silence are too long."""
    patch.setattr(Patience, "silence_s", lambda patience, probe: 180.0)


def nothing_is_an_answer(patch: pytest.MonkeyPatch) -> None:
    """Whatever the keeper says or does answers nothing. The function itself is changed: many hold it by name."""

    def never(entry: Any, key: Any, actions: Any) -> bool:
        return False

    patch.setattr(concerns.speaks_of, "__code__", never.__code__)


# --- and everybody follows ----------------------------------------------------------------------------------------

WARM, WINDY = Afternoon(birch_c=31.5), Afternoon(birch_c=31.0, gust_km_h=24.0)
CHANGES: dict[str, tuple[Afternoon, Patch, dict[str, Callable[[Seen], bool]]]] = {
    "what they bear": (
        WARM,
        other_limits,
        {
            "phone": lambda s: bool(s.said("overheating")),
            "page": lambda s: "steady above 30 °C" in s.page and "Shade Birch" in s.page,
            "week": lambda s: s.matter("overheating") is not None and 30.0 in s.tiers(),
            "shipped": lambda s: bool(
                s.lines("tally", "species=black-jezebel") and s.lines("concern", "rule=overheating")
            ),
        },
    ),
    "who is where": (
        WARM,
        others_in_birch,
        {
            "phone": lambda s: any("2 h above 30 °C" in m.text for m in s.said("overheating")),
            "page": lambda s: "Birch open mesh · 14 larvae" in s.page and "steady above 30 °C" in s.page,
            "week": lambda s: s.matter("overheating") is not None and 30.0 in s.tiers(),
            "shipped": lambda s: bool(
                s.lines("tally", "species=black-jezebel") and s.lines("concern", "rule=overheating")
            ),
        },
    ),
    "what is shaded": (
        Afternoon(),
        shaded,
        {
            "phone": lambda s: any(m.title == "Move Birch into deep shade" for m in s.said("overheating")),
            "page": lambda s: "9 pupae · shaded" in s.page and "Move Birch into deep shade" in s.page,
            "week": lambda s: (s.matter("overheating") or {}).get("action") == "move to shade",
            "shipped": lambda s: bool(s.lines("message", r"action=move\ to\ shade")),
        },
    ),
    "what is covered": (
        Afternoon(birch_c=31.0, gust_km_h=21.7),
        covered,
        {
            "phone": lambda s: bool(s.said("wind")),
            "page": lambda s: "9 pupae · covered" in s.page and "More than it holds" in s.page,
            "week": lambda s: s.matter("wind") is not None,
            "shipped": lambda s: bool(s.lines("concern", "rule=wind")),
        },
    ),
    "what is pegged": (
        WINDY,
        pegged,
        {
            "phone": lambda s: not s.said("wind"),
            "page": lambda s: "Pegged down. Heard" in s.page and "Anchor Birch" not in s.page,
            "week": lambda s: s.matter("wind") is None,
            "shipped": lambda s: not s.lines("concern", "rule=wind"),
        },
    ),
    "what it holds": (
        WINDY,
        a_sail,
        {
            "phone": lambda s: any(m.title.startswith("Peg Alder and Birch") for m in s.said("wind")),
            "page": lambda s: "holds gusts of 10 km/h" in s.page and "Peg Alder and Birch" in s.page,
            "week": lambda s: (s.matter("wind") or {}).get("action") == "peg or shelter",
            "shipped": lambda s: bool(s.lines("message", r"action=peg\ or\ shelter", "rule=wind")),
        },
    ),
    "which probe is silent": (
        Afternoon(hours=1.0, birch_c=31.0, silent_min=14),
        no_patience,
        {
            "phone": lambda s: bool(s.said("silent")),
            "page": lambda s: "Look at probe" in s.page and "birch-1" in s.page,
            "week": lambda s: (
                s.matter("silent") is not None and any(g["subject"] == "birch-1" for g in s.review["gaps"])
            ),
            "shipped": lambda s: bool(s.lines("gap", "kind=silence") and s.lines("concern", "rule=silent")),
        },
    ),
    "what is answered": (
        Afternoon(seen_after=timedelta(minutes=95)),
        nothing_is_an_answer,
        {
            "phone": lambda s: "Said first" in s.said("overheating")[-1].text,
            "page": lambda s: "Since 13:20 Done Seen Not now" in s.page,
            "week": lambda s: (s.matter("overheating") or {}).get("answer") == "",
            "shipped": lambda s: not s.lines("concern", "rule=overheating", "answered_at_s"),
        },
    ),
}


@pytest.mark.parametrize("name", CHANGES)
def test_change_it_in_one_place_and_all_change(name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The same readings twice, with one answer changed between: phone, page, week and shipping say the other thing, all."""
    afternoon, change, others = CHANGES[name]
    before = afternoon.seen(_made(tmp_path / "before"))
    change(monkeypatch)
    after = afternoon.seen(_made(tmp_path / "after"))
    assert {where: (says(before), says(after)) for where, says in others.items()} == dict.fromkeys(
        others, (False, True)
    )


def _made(folder: Path) -> Path:
    folder.mkdir()
    return folder


# --- and nowhere else ---------------------------------------------------------------------------------------------

HOUSE = Path(sensord.__file__).parent
ANSWERED_IN = {
    "heat_tiers": {"species/", "commands/season.py", "commands/_mistakes.py"},
    "lower_threshold_c": {"species/", "commands/season.py"},
    "limits_of": {"species/limits.py", "rules/_heat.py", "garden.py"},
    "spells_above": {"science/heat.py", "rules/_heat.py"},
    "gust_held": {"science/wind_load.py", "rules/_anchoring.py", "commands/anchor.py"},
    "force_coefficient": {"science/wind_load.py", "rules/_anchoring.py", "commands/anchor.py"},
    "silent_min": {"rules/_watching.py"},
    "silent_intervals": {"rules/_watching.py"},
    "is_done_by": {"actions.py", "concerns/"},
    "speaks_of": {"concerns/", "review/matters.py"},
    "ledger.stand": {"garden.py"},
}
"""What an answer is worked out from, and who may name it. `season` speaks of a species without a garden, `anchor` of a cage
that nobody configured, `_mistakes` of whether a configuration's tiers ascend."""


def _named(path: Path) -> set[str]:
    """What a module names or defines; functions of the ledger as `ledger.stand`."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Attribute):
            found |= {node.attr, ast.unparse(node)}
        elif isinstance(node, ast.Name):
            found.add(node.id)
        elif isinstance(node, ast.FunctionDef):
            found.add(node.name)
        elif isinstance(node, ast.ImportFrom):
            found |= {alias.name for alias in node.names}
            found |= {f"ledger.{alias.name}" for alias in node.names if node.module == "sensord.ledger"}
    return found


@pytest.mark.parametrize("name", ANSWERED_IN)
def test_nobody_else_works_it_out(name: str) -> None:
    """Who needs an answer asks for it: what it is worked out from is named where it is worked out, and nowhere else."""
    named_in = {p.relative_to(HOUSE).as_posix() for p in HOUSE.rglob("*.py") if name in _named(p)}
    may = ANSWERED_IN[name]
    assert {m for m in named_in if m not in may and not any(d.endswith("/") and m.startswith(d) for d in may)} == set()
    assert all(any(m.startswith(d) for m in named_in) for d in may), "who names it no more leaves the list"
