"""Asking the rules at one instant: evidence in, verdicts judged. What is asked is planned once for a configuration."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, NamedTuple

from pydantic import BaseModel

from sensord import ledger
from sensord.engine.windows import Window
from sensord.garden import Garden, species_of
from sensord.judge import judge
from sensord.model import AMBIENT, Concern, Entry, Notice, Probe, Quantity, State, Verdict, concern_key, milliseconds
from sensord.rules import Evidence, Need, Per, Rule, Seen, Stand, Unclear, Watch

ENTRIES_KEPT = timedelta(hours=48)
"""How far back rules see what the keeper said."""

NO_READINGS = Window(0.0)

Series = tuple[str, Quantity]
"""A probe's name and what it measures."""
Windows = Mapping[Series, Window]


class Source(NamedTuple):
    """One need of a rule, and the probes that meet it, the primary one first."""

    need: Need
    probes: tuple[Probe, ...]


@dataclass(frozen=True, slots=True)
class Question:
    """One rule about one subject: all of it that does not change from turn to turn."""

    rule: Rule
    subject: str
    key: str
    parameters: Any
    sources: tuple[Source, ...]
    probe: Probe | None


@dataclass(frozen=True, slots=True)
class Plan:
    """Every question, by rule, and how often each rule is asked."""

    questions: Mapping[str, tuple[Question, ...]]
    cadences: Mapping[str, timedelta]

    def series_of(self, rule: str) -> frozenset[Series]:
        """All series that a rule looks at."""
        sources = (s for q in self.questions[rule] for s in q.sources)
        return frozenset((p.name, s.need.quantity) for s in sources for p in s.probes)

    @property
    def longest_look(self) -> timedelta:
        """As far back as any question looks."""
        looks = (s.need.lookback for of_rule in self.questions.values() for q in of_rule for s in q.sources)
        return max(looks, default=timedelta())


def plan_of(garden: Garden) -> Plan:
    """What a garden's rules are to be asked."""
    questions = {
        name: tuple(_question(garden, rule, subject) for subject in _subjects(garden, rule))
        for name, rule in garden.rules.items()
    }
    return Plan(questions, garden.cadences)


def _question(garden: Garden, rule: Rule, subject: str) -> Question:
    parameters: BaseModel = garden.parameters.get((rule.name, subject)) or garden.parameters[rule.name, ""]
    sources = tuple(Source(n, _probes(garden, rule, subject, n)) for n in rule.needs(parameters))
    probe = next((p for p in garden.probes if p.name == subject), None) if rule.per is Per.PROBE else None
    return Question(rule, subject, concern_key(rule.name, subject), parameters, sources, probe)


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
    stands = {e.name: ledger.stand(e, garden.cohorts, entries, now) for e in garden.enclosures}
    recent = [e for e in entries if e.at >= now - ENTRIES_KEPT]
    now_s = milliseconds(now) / 1000
    verdicts: list[Verdict] = []
    concerns: list[Concern] = []
    notices: list[Notice] = []
    defects: list[tuple[str, Exception]] = []
    for question in (q for name in names for q in plan.questions[name]):
        said = about(recent, question.key, question.subject)
        concern = standing.get(question.key)
        evidence = _evidence(garden, question, windows, stands, said, standing, watch, now_s)
        try:
            verdict = question.rule.decide(evidence, now)
        except Exception as defect:  # noqa: BLE001  # told to the caller, who logs it and tells the keeper
            defects.append((question.key, defect))
            verdict = Verdict(question.rule.name, question.subject, State.UNKNOWN, now, Unclear.DEFECT)
        verdicts.append(verdict)
        after, told = judge(concern, verdict, said, site=garden.site.name, now=now)
        if after is not None and after != concern:
            concerns.append(after)
        notices.extend(told)
    return Outcome(tuple(verdicts), tuple(concerns), tuple(notices), tuple(defects))


def about(entries: Sequence[Entry], key: str, subject: str) -> list[Entry]:
    """What was said of a concern, or of the enclosure that it is about."""
    return [e for e in entries if e.subject == key or (subject and e.subject == subject)]


def _evidence(
    garden: Garden,
    question: Question,
    windows: Windows,
    stands: Mapping[str, Stand],
    said: Sequence[Entry],
    standing: Mapping[str, Concern],
    watch: Watch,
    now_s: float,
) -> Evidence:
    stand = stands.get(question.subject) if question.rule.per is Per.ENCLOSURE else None
    return Evidence(
        site=garden.site,
        subject=question.subject,
        parameters=question.parameters,
        series={
            need.name: tuple(
                _seen(windows, p, need.quantity, now_s - need.lookback.total_seconds(), now_s) for p in probes
            )
            for need, probes in question.sources
        },
        stand=stand,
        stands=tuple(stands.values()),
        probe=question.probe,
        probes=garden.probes,
        species=species_of(garden, stand),
        entries=tuple(said),
        concern=standing.get(question.key),
        others=standing,
        watch=watch,
    )


def _seen(windows: Windows, probe: Probe, quantity: Quantity, start_s: float, end_s: float) -> Seen:
    window = windows.get((probe.name, quantity)) or NO_READINGS
    return window.seen(probe, start_s, end_s)
