"""A keeper who reads what the phone gets and answers after a while: does it in the garden, and says so by an entry.

The keeper has a day's work and a night's sleep: only Severe and worse wakes, some messages are forgotten, and nobody goes
out into lightning, gusts or pouring rain. On a round in the morning whatever was blown over is stood up again.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping
from datetime import UTC, datetime, time, timedelta
from queue import SimpleQueue
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from sensord import actions
from sensord.model import Message, Severity, Source, What
from simulators.chance import stream
from simulators.garden import Garden
from simulators.probes import Sent

ASLEEP_FROM, ASLEEP_UNTIL = time(22, 30), time(6, 15)
MORNING_ROUND = time(7, 30)
TOO_MUCH_GUST_M_S = 10.0
TOO_MUCH_RAIN_MM_H = 6.0
LOOK_AGAIN_AFTER = timedelta(minutes=10)
GIVE_UP_AFTER = timedelta(hours=6)
POUND_KG = 0.45359237
BALLAST_AT_HAND_KG = 60.0
"""Bricks that lie ready in this garden, in all."""
USUAL_BALLAST_KG = 4.0
"""What is added where the message names no mass."""

MENDING = frozenset(
    a.word
    for a in (
        actions.CHECK_PROBE,
        actions.CHECK_AMBIENT,
        actions.CHECK_CLOCK,
        actions.CHANGE_BATTERY,
        actions.SHIELD_PROBE,
    )
)
ONLY_SEEN = frozenset({actions.STAY_IN.word, actions.CHECK_WATCH.word, ""})
AFTERWARDS = frozenset(
    a.word for a in (actions.LOOK_AFTER, actions.RETURN, actions.CHANGE_BATTERY, actions.CHECK_PROBE)
)
"""Done even when the message has expired meanwhile: it stays right."""


class Errand(NamedTuple):
    """A message that the keeper has read and not yet dealt with."""

    due: datetime
    read_at: datetime
    rule: str
    action: str
    subjects: tuple[str, ...]
    concerns: tuple[str, ...]
    severity: Severity
    text: str
    holds_until: datetime | None
    put_off: bool = False


class Keeper:
    """Hand over messages with `read` (from any thread); the garden asks `turn` for what the keeper says."""

    def __init__(
        self,
        seed: int,
        entry_topic: str,
        time_zone: str,
        delay: timedelta = timedelta(minutes=12),
        forgets: float = 0.1,
        brick_kg: float = 2.0,
        author: str = "keeper",
    ) -> None:
        self.entry_topic, self.author = entry_topic, author
        self._zone = ZoneInfo(time_zone)
        self._delay, self._forgets = delay, forgets
        self._chance = stream(seed, "keeper")
        self._letters: SimpleQueue[dict[str, Any]] = SimpleQueue()
        self._errands: list[Errand] = []
        self._ballast_kg, self._brick_kg = BALLAST_AT_HAND_KG, brick_kg
        self._last_round: datetime | None = None

    def read(self, message: Message | Mapping[str, Any] | bytes | str) -> None:
        """A message arrives on the phone: as the product's own, or as its JSON."""
        if isinstance(message, Message):
            fields: dict[str, Any] = {name: getattr(message, name) for name in Message.__slots__}
        elif isinstance(message, Mapping):
            fields = dict(message)
        else:
            fields = json.loads(message)
        self._letters.put(fields)

    def turn(self, garden: Garden) -> list[Sent]:
        """What the keeper does and says in the garden's present moment."""
        now = garden.now
        while not self._letters.empty():
            self._consider(self._letters.get(), now, garden)
        said: list[Sent] = []
        waiting: list[Errand] = []
        for errand in self._errands:
            if errand.due > now:
                waiting.append(errand)
            elif self._too_dangerous(garden) and errand.action not in ONLY_SEEN:
                if not errand.put_off:
                    said += [self._entry(garden, What.SEEN, key) for key in errand.concerns]
                if now - errand.read_at < GIVE_UP_AFTER:
                    waiting.append(errand._replace(due=now + LOOK_AGAIN_AFTER, put_off=True))
            elif errand.holds_until is None or now <= errand.holds_until or errand.action in AFTERWARDS:
                said += self._run(errand, garden)
        self._errands = waiting
        return said + self._morning_round(garden)

    # --- when ---------------------------------------------------------------------------------------------------------

    def _consider(self, fields: dict[str, Any], now: datetime, garden: Garden) -> None:
        severity = _severity(fields.get("severity"))
        forgotten = self._chance.random() < self._forgets
        wait = self._delay * self._chance.lognormvariate(0.0, 0.4)
        if severity >= Severity.SEVERE:
            wait /= 2
        elif forgotten:
            return
        read_at = max(now, _instant(fields.get("at")) or now)
        due = read_at + wait
        if self._asleep(due) and severity < Severity.SEVERE:
            due = self._awake_again(due) + wait
        titles = {cage.enclosure.title.lower(): name for name, cage in garden.cages.items()}
        named = [part.strip().lower() for part in str(fields.get("subject", "")).split(",")]
        subjects = tuple(titles.get(word, word) for word in named if word)
        self._errands.append(
            Errand(
                due,
                read_at,
                str(fields.get("rule", "")),
                str(fields.get("action", "")),
                subjects,
                tuple(fields.get("concerns") or ()),
                severity,
                str(fields.get("text", "")),
                _instant(fields.get("holds_until")),
            )
        )

    def _asleep(self, instant: datetime) -> bool:
        clock = instant.astimezone(self._zone).time()
        return clock >= ASLEEP_FROM or clock < ASLEEP_UNTIL

    def _awake_again(self, instant: datetime) -> datetime:
        there = instant.astimezone(self._zone)
        day = there.date() + timedelta(days=1 if there.time() >= ASLEEP_FROM else 0)
        return datetime.combine(day, ASLEEP_UNTIL, self._zone).astimezone(UTC)

    def _too_dangerous(self, garden: Garden) -> bool:
        sky = garden.sky
        return sky.thunder or sky.wind_gust_m_s > TOO_MUCH_GUST_M_S or sky.rain_mm_h > TOO_MUCH_RAIN_MM_H

    # --- what ---------------------------------------------------------------------------------------------------------

    def _run(self, errand: Errand, garden: Garden) -> list[Sent]:
        """Do what was advised, and say it."""
        if errand.action in ONLY_SEEN:
            return [self._entry(garden, What.SEEN, key) for key in errand.concerns]
        if errand.action in MENDING:
            answer = What.DONE if self._mend(errand, garden) else What.SEEN
            return [self._entry(garden, answer, key) for key in errand.concerns]
        cages = [name for name in errand.subjects if name in garden.cages] or list(garden.cages)
        if errand.action == actions.ADD_AIRFLOW.word:
            said = [self._air(name, garden) for name in cages]
        elif (told_by := actions.named(errand.action).told_by) is not None:
            said = [self._act(told_by, name, errand.text, garden) for name in cages]
        else:
            said = [None]
        if None in said:  # something was done that has no word of its own
            said += [self._entry(garden, What.DONE, key) for key in errand.concerns]
        return [entry for entry in said if entry]

    def _mend(self, errand: Errand, garden: Garden) -> bool:
        """Look at the probes that are named, or that stand where is named; False if one is past mending."""
        near = [d for d in garden.devices if {d.probe.name, d.probe.place} & set(errand.subjects)]
        for device in near:
            garden.note(device.probe.name, "looked at")
        mended = [device.mend() for device in near]  # all of them, also behind one that is past it
        return all(mended)

    def _air(self, name: str, garden: Garden) -> Sent | None:
        """Take the cover off; where there is none, open a lid or fold netting back."""
        if garden.cages[name].covered:
            return self._act(What.UNCOVERED, name, "", garden)
        garden.cages[name].opened = True
        garden.note(name, "opened for more air")
        return None

    def _act(self, what: What, name: str, text: str, garden: Garden) -> Sent | None:
        cage = garden.cages[name]
        amount: float | None = None
        match what:
            case What.SHADED | What.UNSHADED:
                cage.shaded = what is What.SHADED
            case What.COVERED | What.UNCOVERED:
                cage.covered = what is What.COVERED
            case What.BALLAST_ADDED:
                asked_kg = _kilograms(text, cage.enclosure.title) or USUAL_BALLAST_KG
                bricks = math.ceil(asked_kg / self._brick_kg - 1e-6)
                amount = min(bricks * self._brick_kg, self._ballast_kg)
                self._ballast_kg -= amount
                cage.ballast_kg += amount
            case What.PEGGED:
                if cage.fabric.lets_air_through:
                    cage.pegged = True
                else:  # a box has nothing to put a peg through
                    return self._act(What.SHELTERED, name, text, garden)
            case What.SHELTERED | What.RETURNED:
                cage.sheltered = what is What.SHELTERED
            case What.HEADCOUNT:
                self._stand_up(name, garden)
                amount = float(garden.animals[name])
        garden.note(name, str(what), "" if amount is None else f"{amount:g}")
        return self._entry(garden, what, name, amount)

    def _stand_up(self, name: str, garden: Garden) -> bool:
        cage = garden.cages[name]
        fell, cage.fallen = cage.fallen, False
        if fell:
            garden.note(name, "stood up again")
        return fell

    def _morning_round(self, garden: Garden) -> list[Sent]:
        """Once a day, when it is safe: stand up what lies, close what is open, bring back what was sheltered."""
        there = garden.now.astimezone(self._zone)
        due = there.time() >= MORNING_ROUND and (self._last_round is None or self._last_round.date() < there.date())
        if not due or self._too_dangerous(garden):
            return []
        self._last_round = there
        said: list[Sent | None] = []
        for name, cage in garden.cages.items():
            cage.opened = False
            if cage.fallen:
                said.append(self._act(What.HEADCOUNT, name, "", garden))
            if cage.sheltered:
                said.append(self._act(What.RETURNED, name, "", garden))
        return [entry for entry in said if entry]

    def _entry(self, garden: Garden, what: What, subject: str, amount: float | None = None) -> Sent:
        done_at = garden.now.astimezone(UTC)
        entry: dict[str, Any] = {"what": str(what), "subject": subject, "by": self.author, "source": Source.SIMULATION}
        entry["at"] = done_at.strftime("%Y-%m-%dT%H:%M:%SZ")
        if amount is not None:
            entry["amount"] = round(amount, 2)
        at = garden.now + timedelta(milliseconds=self._chance.randrange(500, 3000))
        return Sent(at, self.entry_topic, json.dumps(entry, separators=(",", ":")).encode())


def _kilograms(text: str, title: str) -> float | None:
    """The mass that the text asks to add: the first one after the enclosure's name, else the first at all [kg]."""
    masses = [
        (found.start(), float(found[1]) * (POUND_KG if found[2] == "lb" else 1.0))
        for found in re.finditer(r"(\d+(?:\.\d+)?)\s?(kg|lb)\b", text)
    ]
    named = text.lower().find(title.lower())
    after = [mass for position, mass in masses if position >= named >= 0]
    return after[0] if after else masses[0][1] if masses else None


def _severity(value: object) -> Severity:
    if isinstance(value, int):
        return Severity(value)
    return Severity[str(value or "none").upper()]


def _instant(value: object) -> datetime | None:
    if isinstance(value, datetime):
        return value
    return datetime.fromisoformat(str(value)) if value else None
