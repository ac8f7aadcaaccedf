"""What stood in a span and how it was answered, at the edges of the span and of the telling."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from sensord.model import Concern, Entry, Gap, GapKind, Parcel, Severity, Standing, State, Telling, Verdict, What
from sensord.review.matters import Matter, groups, matters, missing
from tests.store_promises import a_message

SITE = "garden"
START = datetime(2026, 8, 17, 4, tzinfo=UTC)
END = START + timedelta(days=7)
NOON = START + timedelta(hours=60)
MINUTE, HOUR = timedelta(minutes=1), timedelta(hours=1)
HELPED = {"shade_helped": "yes", "offset_before_k": 5.0, "offset_after_k": 1.5}


def verdict(minutes: float, subject: str = "birch", **numbers: Any) -> Verdict:
    return Verdict("overheating", subject, State.FINE, NOON + minutes * MINUTE, "cooler", numbers=numbers)


def concern(**changes: Any) -> Concern:
    """Of NOON to 200 minutes later, told to shade."""
    whole = Concern(
        SITE, "overheating", "birch", Standing.OVER, verdict(200), NOON - 5 * MINUTE, opened_at=NOON, peak=Severity.SEVERE,
        told=Severity.SEVERE, told_action="shade", told_at=NOON, tellings=2, over_at=NOON + 200 * MINUTE,
    )  # fmt: skip
    return replace(whole, **changes)


def said(what: What, minutes: float, subject: str = "birch") -> Entry:
    at = NOON + minutes * MINUTE
    return Entry(SITE, at, at, subject, what)


def parcel(action: str, minutes: float, telling: Telling = Telling.CHANGED, key: str = "overheating/birch") -> Parcel:
    at = NOON + minutes * MINUTE
    return Parcel(
        replace(a_message(f"{action}{minutes}", at, site=SITE, concerns=(key,), action=action), telling=telling),
        1,
        at,
        "sent",
    )


def one(
    *entries: Entry, verdicts: tuple[Verdict, ...] = (), parcels: tuple[Parcel, ...] = (), **changes: Any
) -> Matter:
    (found,) = matters([concern(**changes)], entries, verdicts, parcels, START, END)
    return found


def test_what_opened_in_the_span_is_of_it() -> None:
    """From its begin on, to its end, and that not included; oldest first, then by rule and subject."""
    opened = [START - MINUTE, START, END - MINUTE, END]
    found = matters([concern(opened_at=at, over_at=END + HOUR) for at in reversed(opened)], (), (), (), START, END)
    assert [m.opened_at for m in found] == [START, END - MINUTE]
    alike = [concern(subject="birch"), concern(rule="wind"), concern(subject="alder")]
    assert [(m.rule, m.subject) for m in matters(alike, (), (), (), START, END)] == [
        ("overheating", "alder"),
        ("overheating", "birch"),
        ("wind", "birch"),
    ]


def test_how_long_it_lasted() -> None:
    """Until it was over, or its last verdict where that is not known, or until now where it stands."""
    assert one().lasted_h == pytest.approx(200 / 60)
    assert one(over_at=None, verdict=verdict(90)).lasted_h == 1.5
    standing = one(standing=Standing.OPEN)
    assert (standing.lasted_h, standing.over_at, standing.over_after_min) == ((END - NOON) / HOUR, None, None)
    assert (one().severity, one().tellings) == (Severity.SEVERE, 2)


@pytest.mark.parametrize(("minutes", "answer"), [(-1, ""), (0, "shaded"), (200, "shaded"), (201, "")])
def test_an_answer_comes_between_the_asking_and_the_end(minutes: float, answer: str) -> None:
    """Both included."""
    found = one(said(What.SHADED, minutes))
    assert (found.answer, found.answered_after_min) == (answer, minutes if answer else None)
    assert found.over_after_min == (200 - minutes if answer else None)


def test_only_what_had_been_asked_for_by_then_is_answered_by_an_act() -> None:
    """At the very moment of the asking, too; a word about the concern answers it always."""
    parcels = (parcel("shade", 0), parcel("add airflow", 60))
    assert one(said(What.UNCOVERED, 59), parcels=parcels).answer == ""
    assert one(said(What.UNCOVERED, 60), parcels=parcels).answer == "uncovered"
    assert one(said(What.SEEN, 10, "overheating/birch"), parcels=parcels).helped == ""
    assert one(said(What.NOT_NOW, 10, "overheating/birch"), parcels=parcels).helped == ""
    assert one(said(What.DONE, 10, "overheating/birch"), parcels=parcels).helped == "unknown"


def test_messages_of_others_or_of_other_times_asked_for_nothing() -> None:
    """What the concern remembers counts only where no message of it is kept."""
    assert one(parcels=(parcel("anchor", 5, key="wind/birch"),)).action == "shade"
    assert one(parcels=(parcel("anchor", -1), parcel("anchor", 201))).action == "shade"
    for minutes in (0, 200):
        assert one(parcels=(parcel("anchor", minutes),)).action == "anchor"
    assert one(told_action="").action == ""


def test_what_was_asked_for_is_what_reached_the_phone_and_can_be_done() -> None:
    """Not what was withdrawn, and to stay in only where nothing else was asked for."""
    assert one(parcels=(parcel("stay in", 0), parcel("look after", 80))).action == "look after"
    assert one(parcels=(parcel("stay in", 0),)).action == "stay in"
    assert one(parcels=(parcel("shade", 0)._replace(state="withdrawn"),)).action == ""


def test_whether_it_helped_is_what_the_rule_last_measured() -> None:
    """Of the concern's own verdicts while it stood; of what was not done nothing is told."""
    shaded = said(What.SHADED, 10)
    measured = (verdict(30, **{**HELPED, "shade_helped": "unknown"}), verdict(60, **HELPED), verdict(90))
    found = one(shaded, verdicts=measured)
    assert (found.helped, found.offset_before_k, found.offset_after_k) == ("yes", 5.0, 1.5)
    undone = one(verdicts=measured)
    assert (undone.helped, undone.offset_before_k, undone.offset_after_k, undone.over_after_min) == (
        "",
        None,
        None,
        None,
    )
    others = (verdict(60, "alder", **HELPED), verdict(-1, **HELPED), verdict(201, **HELPED))
    assert (one(shaded, verdicts=others).helped, one(shaded, verdicts=others).offset_before_k) == ("unknown", None)
    for minutes in (0, 200):
        assert one(shaded, verdicts=(verdict(minutes, **HELPED),)).helped == "yes"
    assert one(shaded, verdict=verdict(200, **HELPED)).helped == "yes"
    strange = one(shaded, verdict=verdict(200, shade_helped="yes", offset_before_k=True, offset_after_k="1"))
    assert (strange.offset_before_k, strange.offset_after_k) == (None, None)


@pytest.mark.parametrize(("minutes", "helped"), [(9, "yes"), (10, "no"), (200, "no"), (201, "yes")])
def test_what_was_asked_after_had_not_helped(minutes: float, helped: str) -> None:
    """A message that asks whether it helped, between the act and the end, is sent because it did not."""
    follow_up = (parcel("shade", 0), parcel("shade", minutes, Telling.FOLLOW_UP))
    assert one(said(What.SHADED, 10), verdict=verdict(200, **HELPED), parcels=follow_up).helped == helped
    other = (parcel("shade", 0), parcel("shade", 60, Telling.FOLLOW_UP, key="overheating/alder"))
    assert one(said(What.SHADED, 10), verdict=verdict(200, **HELPED), parcels=other).helped == "yes"
    again = (parcel("shade", 0), parcel("shade", 60, Telling.AGAIN))
    assert one(said(What.SHADED, 10), verdict=verdict(200, **HELPED), parcels=again).helped == "yes"


def test_groups_count_what_is_alike() -> None:
    """By rule and subject, the worst first, then the longest."""
    base = one(said(What.SHADED, 10))
    found = groups(
        [
            base,
            replace(
                base, answer="", answered_after_min=None, helped="", action="", over_at=None, severity=Severity.MINOR
            ),
            replace(base, answered_after_min=20.0, helped="no"),
            replace(base, subject="alder", severity=Severity.MODERATE),
            replace(base, subject="cedar", severity=Severity.MODERATE, lasted_h=9.0),
            replace(base, rule="wind", severity=Severity.MODERATE, answered_after_min=None),
        ]
    )
    assert [(g.rule, g.subject) for g in found] == [
        ("overheating", "birch"),
        ("overheating", "cedar"),
        ("overheating", "alder"),
        ("wind", "birch"),
    ]
    birch = found[0]
    assert (birch.severity, birch.count, birch.asked, birch.answered, birch.acted) == (Severity.SEVERE, 3, 2, 2, 2)
    assert (birch.typical_answer_min, birch.standing, birch.lasted_h) == (15.0, 1, pytest.approx(10.0))
    assert birch.helped == {"yes": 0, "no": 1, "unknown": 1}
    assert found[3].typical_answer_min is None


def test_what_is_missing_is_cut_to_the_span_the_longest_first() -> None:
    """What only touches it is nothing; with when the longest began."""

    def gap(begin_h: float, end_h: float | None, subject: str = "", kind: GapKind = GapKind.STOPPED) -> Gap:
        return Gap(SITE, kind, subject, START + begin_h * HOUR, None if end_h is None else START + end_h * HOUR)

    gaps = [
        gap(-2, 0), gap(168, 170), gap(1, 2), gap(5, 8), gap(10, 12),
        gap(160, None, "birch-1", GapKind.SILENCE), gap(1, 2.5, "alder-1", GapKind.SILENCE),
    ]  # fmt: skip
    assert [(m.kind, m.subject, m.count, m.hours, m.longest_h, m.longest_from) for m in missing(gaps, START, END)] == [
        ("silence", "birch-1", 1, 8.0, 8.0, START + 160 * HOUR),
        ("stopped", "", 3, 6.0, 3.0, START + 5 * HOUR),
        ("silence", "alder-1", 1, 1.5, 1.5, START + HOUR),
    ]
