"""Hand-made evidence for the rules: a garden of one or more enclosures, series as functions of time, and a story teller."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

from sensord import ledger, species
from sensord.concerns import judge
from sensord.model import (
    AMBIENT,
    Cohort,
    Concern,
    Enclosure,
    Entry,
    Kind,
    Notice,
    Probe,
    Quantity,
    Site,
    Stage,
    Verdict,
    What,
)
from sensord.rules import Evidence, Rule, Seen, Watch
from sensord.rules._anchoring import Held, Holding
from sensord.rules._heat import HeatLimits
from tests.delivery import arrives

SITE = Site("larkfield", 41.5, -83.5, 190.0, "America/Detroit")
NOON = datetime(2026, 8, 20, 17, 37, tzinfo=UTC)
"""The sun's noon at the site, within minutes."""
MONARCH = species.load("monarch")
Curve = Callable[[float], float]
"""Hours from now (negative: before) → value."""


def probe(name: str, place: str, *quantities: Quantity, interval_s: float = 60.0) -> Probe:
    """A probe of a generic sensor."""
    return Probe(SITE.name, name, place, "generic", frozenset(quantities or {Quantity.TEMPERATURE}), interval_s)


def enclosure(name: str = "birch", kind: Kind = Kind.OPEN_MESH, **changes: Any) -> Enclosure:
    """A pop-up cage of 0.6 × 0.6 × 0.9 m and 0.8 kg."""
    fields: dict[str, Any] = {
        "site": SITE.name,
        "name": name,
        "title": name.capitalize(),
        "kind": kind,
        "width_m": 0.6,
        "depth_m": 0.6,
        "height_m": 0.9,
        "own_mass_kg": 0.8,
        "ballast_kg": 0.0,
        "pegged": False,
        "open_fraction": 0.5,
        "friction": 0.4,
        "shaded": False,
        "covered": False,
    }
    return Enclosure(**(fields | changes))


def cohort(place: str = "birch", stage: Stage = Stage.INSTAR_4, count: int = 9) -> Cohort:
    """Monarchs in an enclosure."""
    return Cohort(SITE.name, f"of-{place}", "monarch", place, stage, NOON - timedelta(days=3), count)


def entry(what: What, at: datetime, subject: str = "birch", amount: float | None = None, text: str = "") -> Entry:
    """Something that the keeper said."""
    return Entry(SITE.name, at, at, subject, what, amount, text)


def seen(of: Probe, curve: Curve | float, now: datetime, hours: float, doubts: int = 0) -> Seen:
    """What a probe measured in the hours before now, at its interval."""
    count = int(hours * 3600.0 / of.interval_s)
    ago_s = [of.interval_s * i for i in range(count, 0, -1)]
    values = [curve(-s / 3600.0) if callable(curve) else float(curve) for s in ago_s]
    return Seen.of(of, [now.timestamp() - s for s in ago_s], values, [doubts] * count)


def watch(now: datetime, heard: Mapping[str, datetime] | None = None, **changes: Any) -> Watch:
    """The watching, running since a day."""
    plain = Watch(now - timedelta(days=1), True, heard or {}, True)
    return replace(plain, **changes)


def evidence(
    rule: Rule,
    series: Mapping[str, Iterable[Seen]],
    now: datetime,
    subject: str = "birch",
    cages: Sequence[Enclosure] | None = None,
    cohorts: Sequence[Cohort] = (),
    entries: Sequence[Entry] = (),
    parameters: Mapping[str, Any] | None = None,
    **more: Any,
) -> Evidence:
    """Evidence about `subject`, one of the `cages`."""
    chosen = rule.Parameters(**(parameters or {}))
    heat = chosen if isinstance(chosen, HeatLimits) else HeatLimits()
    stands = tuple(ledger.stand(cage, cohorts, entries, now) for cage in cages or (enclosure(),))
    own = next((s for s in stands if s.enclosure.name == subject), None)
    return Evidence(
        site=SITE,
        subject=subject,
        parameters=chosen,
        series={need: tuple(them) for need, them in series.items()},
        stand=own,
        stands=stands,
        limits=heat.limits_of([(MONARCH, None)]),
        held=None if own is None else Held(own, chosen if isinstance(chosen, Holding) else Holding()),
        entries=tuple(entries),
        **more,
    )


def pair(
    inside: Curve | float, ambient: Curve | float, now: datetime, hours: float = 6.0, doubts: int = 0
) -> dict[str, list[Seen]]:
    """The two temperatures that most rules compare."""
    return {
        "inside": [seen(probe("birch-1", "birch"), inside, now, hours, doubts)],
        "ambient": [seen(probe("post", AMBIENT), ambient, now, hours)],
    }


class Told:
    """A rule and the judge over some time: `at` hands over evidence and keeps the concern, as the daemon would."""

    def __init__(self, rule: Rule) -> None:
        self.rule, self.concern = rule, None
        self.verdicts: list[Verdict] = []
        self.notices: list[Notice] = []

    concern: Concern | None

    def at(self, now: datetime, known: Evidence) -> Verdict:
        """The verdict at `now`."""
        known = known._replace(concern=self.concern)
        verdict = self.rule.decide(known, now)
        key = f"{self.rule.name}/{known.subject}"
        answers = [e for e in known.entries if e.subject in (known.subject, key)]
        concern, notices = judge(self.concern, verdict, answers, self.rule.manner, site=SITE.name, now=now)
        self.concern = arrives(concern, notices)
        if self.concern is not None and self.concern.over_at is not None:
            self.concern = None
        self.verdicts.append(verdict)
        self.notices.extend(notices)
        return verdict
