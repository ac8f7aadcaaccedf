"""The ledger: how things stand, read from the configuration and from what the keeper said since. Pure.

Entries are never changed. They are read in the order in which things happened (`at`, then receipt), so a later entry
corrects an earlier one, and one that is handed in late still takes its place. What an entry says of a cohort holds for
the enclosure that the cohort is in at that moment, and the other way round where there is no doubt which is meant.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from sensord.actions import named
from sensord.model import ANSWERS, MOST_BALLAST_KG, Cohort, Concern, Enclosure, Entry, Stage, What


@dataclass(frozen=True, slots=True)
class Stand:
    """How an enclosure stands now: the configuration at the start, and every entry since."""

    enclosure: Enclosure
    shaded: bool
    shaded_at: datetime | None  # when the shade that is on was put on; None: from the start or no shade
    unshaded_at: datetime | None
    covered: bool
    covered_at: datetime | None
    ballast_kg: float
    anchored_at: datetime | None
    pegged: bool
    sheltered_at: datetime | None  # moved out of the wind or indoors and not yet back
    cohorts: tuple[Cohort, ...]  # who is in it now, in which stage by the last entry


def stand(enclosure: Enclosure, cohorts: Sequence[Cohort], entries: Iterable[Entry], now: datetime) -> Stand:
    """How `enclosure` stands at `now`; `cohorts` are all of the site, as configured. Later entries do not count yet."""
    site_entries = [e for e in entries if e.at <= now and e.site == enclosure.site]
    site_entries.sort(key=lambda e: (e.at, e.received_at))
    living = {c.name: c for c in cohorts if c.site == enclosure.site}
    found = Stand(
        enclosure=enclosure,
        shaded=enclosure.shaded,
        shaded_at=None,
        unshaded_at=None,
        covered=enclosure.covered,
        covered_at=None,
        ballast_kg=enclosure.ballast_kg,
        anchored_at=None,
        pegged=enclosure.pegged,
        sheltered_at=None,
        cohorts=(),
    )
    for entry in site_entries:
        if entry.what in OF_COHORTS:
            _tell_cohorts(living, entry)
        elif _place(entry, enclosure, living) == enclosure.name:
            found = _tell_enclosure(found, entry)
    inside = (c for c in living.values() if c.enclosure == enclosure.name and c.count > 0)
    return replace(found, cohorts=tuple(inside))


OF_COHORTS = frozenset({What.HEADCOUNT, What.STAGE, What.MOVED})
"""What an entry says of animals: who is where, how many, how far."""


def _place(entry: Entry, enclosure: Enclosure, living: dict[str, Cohort]) -> str:
    """The enclosure that an entry about the cage is about; an enclosure's name outranks a cohort's."""
    if entry.subject == enclosure.name or entry.subject not in living:
        return entry.subject
    return living[entry.subject].enclosure


def _tell_enclosure(found: Stand, entry: Entry) -> Stand:
    match entry.what:
        case What.SHADED:
            return replace(found, shaded=True, shaded_at=entry.at)
        case What.UNSHADED:
            return replace(found, shaded=False, shaded_at=None, unshaded_at=entry.at)
        case What.COVERED:
            return replace(found, covered=True, covered_at=entry.at)
        case What.UNCOVERED:
            return replace(found, covered=False, covered_at=None)
        case What.ANCHORED if entry.amount is not None:
            return replace(found, ballast_kg=min(entry.amount, MOST_BALLAST_KG), anchored_at=entry.at)
        case What.BALLAST_ADDED if entry.amount is not None:
            together_kg = min(found.ballast_kg + entry.amount, MOST_BALLAST_KG)
            return replace(found, ballast_kg=together_kg, anchored_at=entry.at)
        case What.PEGGED:
            return replace(found, pegged=True, anchored_at=entry.at)
        case What.UNPEGGED:
            return replace(found, pegged=False)
        case What.SHELTERED:  # it was carried away: its pegs are out, and nobody says that they are in again
            return replace(found, sheltered_at=found.sheltered_at or entry.at, pegged=False)
        case What.RETURNED:
            return replace(found, sheltered_at=None)
    return found


def _tell_cohorts(living: dict[str, Cohort], entry: Entry) -> None:
    """Counts, stages and moves; of an enclosure, they are about those who are in it."""
    inside = [c.name for c in living.values() if c.enclosure == entry.subject]
    names = [entry.subject] if entry.subject in living else inside
    for name in names:
        cohort = living[name]
        if entry.what is What.MOVED:
            living[name] = replace(cohort, enclosure=entry.text.strip())
        elif entry.what is What.STAGE and (stage := stage_named(entry.text)) is not None:
            living[name] = replace(cohort, stage=stage, stage_since=entry.at)
        elif entry.what is What.HEADCOUNT and entry.amount is not None and len(names) == 1:
            living[name] = replace(cohort, count=round(entry.amount))  # of several together nobody knows who is missing


def uncounted(entry: Entry, cohorts: Iterable[Cohort], entries: Iterable[Entry]) -> tuple[str, ...]:
    """The cohorts that a headcount of their enclosure leaves as they are, because there are several of them in it.

    It is known only here: who lives where follows from everything that was said before.
    """
    living = {c.name: c for c in cohorts if c.site == entry.site}
    if entry.what is not What.HEADCOUNT or entry.subject in living:
        return ()
    before = (e for e in entries if e.site == entry.site and e.what in OF_COHORTS and e.at <= entry.at)
    for earlier in sorted(before, key=lambda e: (e.at, e.received_at)):
        _tell_cohorts(living, earlier)
    together = tuple(c.name for c in living.values() if c.enclosure == entry.subject)
    return together if len(together) > 1 else ()


def stage_named(text: str) -> Stage | None:
    """The stage that a keeper's words name: "pupa", "instar 4", "4"; None if they name none."""
    word = " ".join(text.lower().split())
    if word in ("1", "2", "3", "4", "5"):
        word = f"instar {word}"
    return Stage(word) if word in tuple(Stage) else None


def unknown_subject(entry: Entry, places: Collection[str], cohorts: Collection[str]) -> str | None:
    """What can't be understood in an entry, with what would be right; None if all is well. Answers name concerns."""
    if entry.what in ANSWERS or (entry.what is What.NOTE and not entry.subject):
        return None
    said = f'entry "{entry.what}" of {entry.at:%Y-%m-%d %H:%M} UTC'
    if entry.subject not in places and entry.subject not in cohorts:
        known = ", ".join((*sorted(places), *sorted(cohorts)))
        return f'{said}: there is no enclosure or cohort "{entry.subject}"; known are {known}'
    if entry.what is What.MOVED and entry.text.strip() not in places:
        return f'{said}: there is no enclosure "{entry.text}" to move to; known are {", ".join(sorted(places))}'
    if entry.what is What.STAGE and stage_named(entry.text) is None:
        return f'{said}: there is no stage "{entry.text}"; known are {", ".join(Stage)}'
    return None


def implied(entry: Entry, concern: Concern) -> Entry | None:
    """What "done" says about the enclosure: the act that was last advised. None where it leaves that open.

    Its amount is what the phone told: of ballast whole bricks, `bricks_kg` of the verdict.
    """
    action = named(concern.told_action or concern.last_action)
    if entry.what is not What.DONE or entry.subject not in (concern.key, concern.subject) or not action.done_says:
        return None
    amount = None
    if action.amount:
        told = concern.verdict.numbers.get(action.amount)
        if not isinstance(told, int | float) or told <= 0:
            return None
        amount = float(told)
    text = f"done: {concern.key}"
    return entry._replace(subject=concern.subject, what=action.told_by or entry.what, amount=amount, text=text)
