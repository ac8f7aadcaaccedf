"""Asking the rules at one instant: evidence in, verdicts judged.

What is asked is planned once for a configuration; what several questions of a turn look at is cut once.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

from pydantic import BaseModel

from sensord.concerns import ended, judge
from sensord.engine import timetable
from sensord.engine.windows import Window
from sensord.garden import Garden
from sensord.model import (
    AMBIENT,
    EPOCH,
    Concern,
    Entry,
    Notice,
    Probe,
    Quantity,
    State,
    Verdict,
    concern_key,
    milliseconds,
)
from sensord.rules import Evidence, Need, Per, Rule, Seen, Unclear, Watch, verdict_of

ENTRIES_KEPT = timedelta(hours=48)
"""How far back rules see what the keeper said."""

NO_READINGS = Window(0.0)
BREACH = State.BREACH  # by itself: a member of an enumeration takes 0.1 µs to be found
NOTHING_STANDS: tuple[None, None, None] = (None, None, None)

SeriesName = tuple[str, Quantity]
"""A probe's name and what it measures."""
Windows = Mapping[SeriesName, Window]


@dataclass(frozen=True, slots=True, eq=False)
class SeriesLook:
    """One series, and how far back it is looked at; one object for all who look the same way."""

    probe: Probe
    key: SeriesName
    lookback: timedelta
    lookback_s: float


@dataclass(frozen=True, slots=True, eq=False)
class Looks:
    """What a rule wants to see, by need: each probe that meets it, the primary one first. One object, as above."""

    by_need: tuple[tuple[str, tuple[SeriesLook, ...]], ...]

    @property
    def all(self) -> tuple[SeriesLook, ...]:
        """Every one of them."""
        return tuple(look for _, looks in self.by_need for look in looks)


@dataclass(frozen=True, slots=True)
class Question:
    """One rule about one subject: all of it that does not change from turn to turn."""

    rule: Rule
    subject: str
    key: str
    parameters: Any
    looks: Looks
    of_enclosure: bool
    probe: Probe | None


@dataclass(frozen=True, slots=True)
class Plan:
    """Every question, by rule, and how often each rule is asked."""

    questions: Mapping[str, tuple[Question, ...]]
    cadences: Mapping[str, timedelta]
    paces: frozenset[timedelta]  # the cadences, each once
    _due: dict[tuple[timedelta, ...], list[str]] = field(init=False, compare=False, repr=False, default_factory=dict)

    def due(self, turn: datetime) -> Sequence[str]:
        """The rules to be asked at an instant of the grid; worked out once for all instants at which the same paces meet."""
        since = turn - EPOCH
        meeting = tuple(every for every in self.paces if not since % every)
        if meeting not in self._due:
            self._due[meeting] = timetable.due(turn, self.cadences)
        return self._due[meeting]

    def series_of(self, rule: str) -> frozenset[SeriesName]:
        """All series that a rule looks at."""
        return frozenset(look.key for q in self.questions[rule] for look in q.looks.all)

    @property
    def longest_look(self) -> timedelta:
        """As far back as any question looks."""
        looks = (look for of_rule in self.questions.values() for q in of_rule for look in q.looks.all)
        return max((look.lookback for look in looks), default=timedelta())


def plan_of(garden: Garden) -> Plan:
    """What a garden's rules are to be asked."""
    planner = _Planner(garden)
    questions = {
        name: tuple(planner.question(rule, subject) for subject in _subjects(garden, rule))
        for name, rule in garden.rules.items()
    }
    return Plan(questions, garden.cadences, frozenset(garden.cadences.values()))


class _Planner:
    """Makes questions, and sees that what is equal is the same object."""

    def __init__(self, garden: Garden) -> None:
        self._garden = garden
        self._look: dict[tuple[SeriesName, timedelta], SeriesLook] = {}
        self._looks: dict[tuple[tuple[str, tuple[SeriesLook, ...]], ...], Looks] = {}

    def question(self, rule: Rule, subject: str) -> Question:
        """One rule about one subject."""
        garden = self._garden
        common = garden.parameters[rule.name, ""]
        own: BaseModel = garden.parameters.get((rule.name, subject)) or common
        parameters = common if own == common else own
        by_need = tuple((n.name, self._probes_looked_at(rule, subject, n)) for n in rule.needs(parameters))
        looks = self._looks.setdefault(by_need, Looks(by_need))
        probe = next((p for p in garden.probes if p.name == subject), None) if rule.per is Per.PROBE else None
        key, of_enclosure = concern_key(rule.name, subject), rule.per is Per.ENCLOSURE
        return Question(rule, subject, key, parameters, looks, of_enclosure, probe)

    def _probes_looked_at(self, rule: Rule, subject: str, need: Need) -> tuple[SeriesLook, ...]:
        found = []
        for probe in _probes(self._garden, rule, subject, need):
            key = (probe.name, need.quantity)
            look = SeriesLook(probe, key, need.lookback, need.lookback.total_seconds())
            found.append(self._look.setdefault((key, need.lookback), look))
        return tuple(found)


def _subjects(garden: Garden, rule: Rule) -> tuple[str, ...]:
    match rule.per:
        case Per.ENCLOSURE:
            return tuple(e.name for e in garden.enclosures)
        case Per.PROBE:
            return tuple(p.name for p in garden.probes)
    return ("",)


def _probes(garden: Garden, rule: Rule, subject: str, need: Need) -> tuple[Probe, ...]:
    if need.where == AMBIENT:
        return garden.probes_at(AMBIENT, need.quantity)
    if rule.per is Per.ENCLOSURE:
        return garden.probes_at(subject, need.quantity)
    if rule.per is Per.PROBE:
        return tuple(p for p in garden.probes if p.name == subject and need.quantity in p.quantities)
    return tuple(p for p in garden.probes if p.place != AMBIENT and need.quantity in p.quantities)


class _Sight:
    """The readings of one turn: each cut is made once, and so is each set of them."""

    def __init__(self, windows: Windows, now_s: float) -> None:
        self._windows, self._now_s = windows, now_s
        self._seen: dict[SeriesLook, Seen] = {}
        self._series: dict[Looks, Mapping[str, tuple[Seen, ...]]] = {}

    def series(self, looks: Looks) -> Mapping[str, tuple[Seen, ...]]:
        found = self._series.get(looks)
        if found is None:
            found = self._series[looks] = {name: tuple(map(self._look, them)) for name, them in looks.by_need}
        return found

    def _look(self, look: SeriesLook) -> Seen:
        seen = self._seen.get(look)
        if seen is None:
            window = self._windows.get(look.key, NO_READINGS)
            seen = self._seen[look] = window.seen(look.probe, self._now_s - look.lookback_s, self._now_s)
        return seen


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a turn found."""

    verdicts: tuple[Verdict, ...]
    concerns: tuple[Concern, ...]  # as they are now, those that ended included
    notices: tuple[Notice, ...]
    defects: tuple[tuple[str, Exception], ...] = ()  # rules that failed instead of saying something, by concern's key


def ask(
    garden: Garden,
    plan: Plan,
    names: Iterable[str],
    windows: Windows,
    standing: Mapping[str, Concern],
    entries: Sequence[Entry],
    watch: Watch,
    now: datetime,
) -> Outcome:
    """Ask the rules `names` about all their subjects. `entries`: everything the keeper said; `standing`: by key.

    A rule that fails is UNKNOWN and named among the defects: it must not take the others with it.
    """
    told = garden.told(entries)
    stood = told.at(now)
    site, probes, all_stands = garden.site, garden.probes, tuple(stood.stands.values())
    recent = told.addressed[bisect_left(told.addressed, now - ENTRIES_KEPT, key=_said_at) :]
    sight = _Sight(windows, milliseconds(now) / 1000)
    verdicts: list[Verdict] = []
    concerns: list[Concern] = []
    notices: list[Notice] = []
    defects: list[tuple[str, Exception]] = []
    for question in (q for name in names for q in plan.questions[name]):
        rule, subject, key = question.rule, question.subject, question.key
        said = about(recent, key, subject) if recent else ()
        concern = standing.get(key)
        stand, limits, held = stood.of(subject) if question.of_enclosure else NOTHING_STANDS
        evidence = Evidence(  # in the order of its fields: names take longer
            site, subject, question.parameters, sight.series(question.looks), stand, all_stands, question.probe, probes,
            limits, held, said, concern, standing, watch,
        )  # fmt: skip
        try:
            verdict = verdict_of(rule, evidence, now)
        except Exception as defect:  # noqa: BLE001  # told to the caller, who logs it and tells the keeper
            defects.append((key, defect))
            verdict = Verdict(rule.name, subject, State.UNKNOWN, now, Unclear.DEFECT)
        verdicts.append(verdict)
        if concern is None and verdict.state is not BREACH:
            continue  # nearly always: nothing stands, and nothing begins
        after, news = judge(concern, verdict, said, rule.manner, site=site.name, now=now)
        if after is None and concern is not None:
            after = ended(concern, now)  # before it opened: whoever keeps what stands must let go of it
        if after is not None and after != concern:
            concerns.append(after)
        notices.extend(news)
    return Outcome(tuple(verdicts), tuple(concerns), tuple(notices), tuple(defects))


def _said_at(entry: Entry) -> datetime:
    return entry.at


def about(entries: Sequence[Entry], key: str, subject: str) -> tuple[Entry, ...]:
    """What was said of a concern, or of the enclosure that it is about."""
    return tuple(e for e in entries if e.subject == key or (subject and e.subject == subject))
