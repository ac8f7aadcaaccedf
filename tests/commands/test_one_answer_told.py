"""One answer for phone and review, seen from outside: a recorded feed replayed, its messages and its week read by command."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, NamedTuple

import pytest
import time_machine
from typer.testing import CliRunner

from sensord.__main__ import app
from simulators import scenario

CONFIG = scenario.HERE / "larkfield.toml"
WEEK = "2026-W34"
MIDNIGHT = datetime(2026, 8, 20, 4, tzinfo=UTC)  # of a Thursday in the garden
MINUTE, HOUR = timedelta(minutes=1), timedelta(hours=1)

Curve = Callable[[datetime], float | None]
"""The air in one place at an instant [°C]; None while nothing comes from there."""


class Seen(NamedTuple):
    """What a keeper has of it in the end."""

    messages: list[dict[str, Any]]
    review: dict[str, Any]

    def about(self, rule: str, subject: str) -> list[dict[str, Any]]:
        """What the phone got about a matter, as it came."""
        return [m for m in self.messages if m["rule"] == rule and subject in m["subject"].split(", ")]

    def cage(self, name: str) -> dict[str, Any]:
        """An enclosure in the review."""
        found: dict[str, Any] = next(c for c in self.review["enclosures"] if c["name"] == name)
        return found


def lived(
    folder: Path,
    places: dict[str, Curve],
    hours: tuple[float, float],
    said: Sequence[tuple[datetime, dict[str, Any]]] = (),
    configured: Callable[[str], str] = lambda text: text,
    low_from: datetime | None = None,
) -> Seen:
    """So many hours of that Thursday and after in the demonstration garden: the messages, and the week as known then."""
    config, feed, out = folder / "garden.toml", folder / "feed.jsonl", folder / "messages.jsonl"
    config.write_text(configured(CONFIG.read_text(encoding="utf-8")), encoding="utf-8")
    start, end = (MIDNIGHT + h * HOUR for h in hours)
    lines = [
        *_measured(places, start, end, low_from or end),
        *((at, "sensord/entry", json.dumps(entry)) for at, entry in said),
    ]
    with feed.open("w", encoding="utf-8") as file:
        for at, topic, payload in sorted(lines, key=lambda line: line[0]):
            file.write(
                json.dumps({"received_at": f"{at:%Y-%m-%dT%H:%M:%SZ}", "topic": topic, "payload": payload}) + "\n"
            )
    given, store = ("--config", str(config)), folder / "garden.sqlite3"
    done = CliRunner().invoke(app, ["replay", str(feed), *given, "--store", str(store), "--messages", str(out)])
    assert done.exit_code == 0, done.output
    with time_machine.travel(end, tick=False):
        told = CliRunner().invoke(app, ["review", *given, "--store", str(store), "--week", WEEK, "--json"])
    assert told.exit_code in (0, 1), told.output
    return Seen([json.loads(line) for line in out.read_text(encoding="utf-8").splitlines()], json.loads(told.stdout))


def _measured(
    places: dict[str, Curve], start: datetime, end: datetime, low_from: datetime
) -> Iterator[tuple[datetime, str, str]]:
    """A reading a minute, a little restless, as air is; from `low_from` on batteries are low."""
    for n in range(int((end - start) / MINUTE) + 1):
        at = start + n * MINUTE
        wiggle = 0.0625 * (n % 3)
        for seconds, (place, curve) in enumerate(places.items()):
            celsius = curve(at)
            if celsius is None:
                continue
            taken, percent = at + timedelta(seconds=seconds), 40 + n % 2
            if place == "birch":
                document: object = {
                    "air": {"celsius": celsius + wiggle, "percent": percent},
                    "taken": taken.isoformat(),
                }
            else:
                document = [
                    {"n": "x:temperature", "u": "Cel", "v": celsius + wiggle},
                    {"n": "x:humidity", "u": "%RH", "v": percent},
                    {"n": "x:battery", "u": "%EL", "v": 8 if at >= low_from else 80},
                ]
            yield taken, f"larkfield/{place}/climate", json.dumps(document)


def steady(celsius: float) -> Curve:
    """The same all the time."""
    return lambda at: celsius


def test_whoever_was_carried_over_is_judged_by_their_own_limits_everywhere(tmp_path: Path) -> None:
    """Animals of a tenderer species carried to Birch: the phone, the week's limits, its heat and its warmth are theirs."""
    moved = {"what": "moved", "subject": "first", "text": "birch"}

    def tender(text: str) -> str:
        return text.replace('species = "monarch"', 'species = "black-jezebel"', 1)

    seen = lived(
        tmp_path,
        {"birch": steady(31.0), "alder": steady(25.0), "post": steady(24.0)},
        (10, 16),
        [(MIDNIGHT + 10.01 * HOUR, moved)],
        tender,
    )
    assert [m["severity"] for m in seen.about("overheating", "birch")][-1] == "Severe"
    birch = seen.cage("birch")
    assert 30.0 in [tier["temperature_c"] for tier in birch["limits"]["tiers"]]
    assert birch["was_too_hot"]
    assert birch["degree_days_since"] == pytest.approx(6 * (31 - 9) / 24, rel=0.1), "above their threshold of 9 °C"


@pytest.mark.parametrize("dip_min", [4, 7, 9, 12])
def test_phone_and_week_count_the_same_spell(tmp_path: Path, dip_min: int) -> None:
    """A breath of wind within hot hours: where it ends the spell for the phone, it ends it for the week; else for neither."""
    dip = MIDNIGHT + 13 * HOUR

    def birch(at: datetime) -> float:
        if dip <= at < dip + dip_min * MINUTE:
            return 31.0
        return 34.0 if at >= MIDNIGHT + 12.5 * HOUR else 28.0

    seen = lived(tmp_path, {"birch": birch, "post": steady(31.0)}, (8, 15))
    told = seen.about("overheating", "birch")[0]
    is_one_for_the_phone = datetime.fromisoformat(told["at"]) < dip + HOUR  # Moderate is an hour of 33 °C
    cage = seen.cage("birch")
    (moderate,) = (n for n, t in enumerate(cage["limits"]["tiers"]) if t["temperature_c"] == 33)
    is_one_for_the_week = cage["spells"][moderate]["hours"] > 2.4
    assert is_one_for_the_week is is_one_for_the_phone
    assert is_one_for_the_phone is (dip_min < 8)


def test_a_probe_is_silent_for_all_or_for_none(tmp_path: Path) -> None:
    """A keeper who is patient for forty minutes: half an hour of silence is none on the phone, and no gap in the week."""

    def birch(at: datetime) -> float | None:
        return None if 11.5 * HOUR <= at - MIDNIGHT < 12 * HOUR else 25.0

    patient = "\n[rules.silent]\nsilent_min = 40\n"
    seen = lived(
        tmp_path,
        {"birch": birch, "alder": steady(25.0), "post": steady(24.0)},
        (10, 14),
        configured=lambda text: text + patient,
    )
    assert seen.about("silent", "birch-1") == []
    assert [g for g in seen.review["gaps"] if g["subject"] == "birch-1"] == []


def test_what_waited_for_the_morning_was_told_in_the_morning(tmp_path: Path) -> None:
    """A battery runs low in the evening, and the phone may not ring: a repeat says that it was said first in the morning.

    So does the week: it counts from there until somebody answered.
    """
    answered_at = MIDNIGHT + 37 * HOUR
    answer = {"what": "seen", "subject": "battery/alder-1"}
    places = {"birch": steady(21.0), "alder": steady(21.0), "post": steady(20.0)}
    seen = lived(tmp_path, places, (20, 39), [(answered_at, answer)], low_from=MIDNIGHT + 22.5 * HOUR)
    first, again = seen.about("battery", "alder-1")
    assert "Said first" not in first["text"]
    assert again["text"].endswith("Said first at 06:30.")
    (matter,) = [m for m in seen.review["concerns"] if m["rule"] == "battery"]
    assert (matter["tellings"], matter["answer"]) == (2, "seen")
    assert matter["answered_after_min"] == pytest.approx((answered_at - MIDNIGHT - 30.5 * HOUR) / MINUTE, abs=2)
