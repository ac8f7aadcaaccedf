"""One turn of the rules: gather what each due rule declared, ask it, judge its verdict. Reads the store, writes nothing."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Protocol

from pydantic import BaseModel

from sensord import ledger
from sensord.garden import Garden, species_of
from sensord.judge import judge
from sensord.model import (
    AMBIENT,
    Concern,
    Entry,
    Notice,
    Probe,
    Quantity,
    Reading,
    State,
    Verdict,
    concern_key,
    milliseconds,
)
from sensord.ports import Series, Store
from sensord.rules import Evidence, Per, Rule, Seen, Stand, Watch

ENTRIES_KEPT = timedelta(hours=48)
"""How far back rules see what the keeper said."""
AHEAD = timedelta(minutes=1)
"""A reading that is dated ahead by less is one of now."""
DEFECT = "defect"
"""The reason of a verdict that a rule could not give."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a turn found."""

    verdicts: tuple[Verdict, ...]
    concerns: tuple[Concern, ...]  # as they are now, those that ended included
    notices: tuple[Notice, ...]
    defects: tuple[tuple[str, Exception], ...] = ()  # rules that failed instead of saying something, by concern's key


class _Newest(Protocol):
    """Whoever knows the newest reading of a series, or the newest that was measured before an instant."""

    def latest(
        self, site: str, probe: str, quantity: Quantity, before: datetime | None = None, /
    ) -> Reading | None: ...


def last_heard(store: _Newest, probe: Probe, now: datetime) -> datetime | None:
    """The latest receipt from a probe; None if there is none.

    Of the readings up to now, and of those that a wrong clock has dated ahead, which would stay the newest for long.
    """
    newest = (
        store.latest(probe.site, probe.name, quantity, before)
        for quantity in sorted(probe.quantities)
        for before in (now + AHEAD, None)
    )
    return max((r.received_at for r in newest if r is not None), default=None)


class _Readings:
    """The readings of one turn, each series fetched once for the longest look back that any rule asked for."""

    def __init__(self, store: Store, site: str, now: datetime) -> None:
        self._store, self._site, self._now = store, site, now
        self._fetched: dict[tuple[str, Quantity], tuple[timedelta, Series]] = {}

    def seen(self, probe: Probe, quantity: Quantity, lookback: timedelta) -> Seen:
        held = self._fetched.get((probe.name, quantity))
        if held is None or held[0] < lookback:
            series = self._store.readings(self._site, probe.name, quantity, self._now - lookback, self._now)
            self._fetched[probe.name, quantity] = held = (lookback, series)
        times, values, doubts = held[1]
        if held[0] > lookback:
            first = bisect_left(times, milliseconds(self._now - lookback) / 1000)
            times, values, doubts = times[first:], values[first:], doubts[first:]
        return Seen.of(probe, times, values, doubts)


def take(
    garden: Garden,
    store: Store,
    names: Iterable[str],
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
    readings = _Readings(store, garden.site.name, now)
    asked = [(garden.rules[name], subject) for name in names for subject in _subjects(garden, garden.rules[name])]
    wanted = sorted(
        (
            (n.lookback, p, n.quantity)
            for rule, subject in asked
            for n in _needs(garden, rule, subject)
            for p in _sources(garden, rule, subject, n)
        ),
        key=lambda w: -w[0],
    )
    for lookback, probe, quantity in wanted:  # the longest first, so that each series is read once
        readings.seen(probe, quantity, lookback)
    verdicts: list[Verdict] = []
    concerns: list[Concern] = []
    notices: list[Notice] = []
    defects: list[tuple[str, Exception]] = []
    for rule, subject in asked:
        key = concern_key(rule.name, subject)
        concern = standing.get(key)
        evidence = _evidence(garden, rule, subject, readings, stands, recent, standing, watch)
        try:
            verdict = rule.decide(evidence, now)
        except Exception as defect:  # noqa: BLE001  # told to the caller, who logs it and tells the keeper
            defects.append((key, defect))
            verdict = Verdict(rule.name, subject, State.UNKNOWN, now, DEFECT)
        verdicts.append(verdict)
        after, told = judge(concern, verdict, _about(recent, key, subject), site=garden.site.name, now=now)
        if after is not None and after != concern:
            concerns.append(after)
        notices.extend(told)
    return Outcome(tuple(verdicts), tuple(concerns), tuple(notices), tuple(defects))


def _about(entries: Sequence[Entry], key: str, subject: str) -> list[Entry]:
    """What was said of a concern, or of the enclosure that it is about."""
    return [e for e in entries if e.subject == key or (subject and e.subject == subject)]


def _subjects(garden: Garden, rule: Rule) -> tuple[str, ...]:
    match rule.per:
        case Per.ENCLOSURE:
            return tuple(e.name for e in garden.enclosures)
        case Per.PROBE:
            return tuple(p.name for p in garden.probes)
    return ("",)


def _parameters(garden: Garden, subject: str, rule: Rule) -> BaseModel:
    return garden.parameters.get((rule.name, subject)) or garden.parameters[rule.name, ""]


def _needs(garden: Garden, rule: Rule, subject: str) -> Any:
    return rule.needs(_parameters(garden, subject, rule))


def _sources(garden: Garden, rule: Rule, subject: str, need: Any) -> tuple[Probe, ...]:
    if need.where == AMBIENT:
        return garden.probes_at(AMBIENT, need.quantity)
    if rule.per is Per.ENCLOSURE:
        return garden.probes_at(subject, need.quantity)
    if rule.per is Per.PROBE:
        return tuple(p for p in garden.probes if p.name == subject and need.quantity in p.quantities)
    return tuple(p for p in garden.probes if p.place != AMBIENT and need.quantity in p.quantities)


def _evidence(
    garden: Garden,
    rule: Rule,
    subject: str,
    readings: _Readings,
    stands: Mapping[str, Stand],
    entries: Sequence[Entry],
    standing: Mapping[str, Concern],
    watch: Watch,
) -> Evidence:
    stand = stands.get(subject) if rule.per is Per.ENCLOSURE else None
    key = concern_key(rule.name, subject)
    return Evidence(
        site=garden.site,
        subject=subject,
        parameters=_parameters(garden, subject, rule),
        series={
            need.name: tuple(
                readings.seen(p, need.quantity, need.lookback) for p in _sources(garden, rule, subject, need)
            )
            for need in _needs(garden, rule, subject)
        },
        stand=stand,
        stands=tuple(stands.values()),
        probe=next((p for p in garden.probes if p.name == subject), None) if rule.per is Per.PROBE else None,
        probes=garden.probes,
        species=species_of(garden, stand),
        entries=tuple(_about(entries, key, subject)),
        concern=standing.get(key),
        others=standing,
        watch=watch,
    )
