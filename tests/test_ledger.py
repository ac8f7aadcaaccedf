"""The ledger: how an enclosure stands is a reading of what was configured and said, whatever the order of arrival."""

from __future__ import annotations

import random
from dataclasses import replace
from datetime import datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sensord import ledger
from sensord.model import (
    AMOUNTS,
    Advice,
    Asked,
    Concern,
    Entry,
    Severity,
    Stage,
    Standing,
    State,
    Telling,
    Verdict,
    What,
)
from tests.rules.scenes import NOON, SITE, cohort, enclosure, entry

HOUR = timedelta(hours=1)
BIRCH = enclosure(ballast_kg=2.0)
ALDER = enclosure("alder")


def stand(*entries: Entry, cohorts: tuple = (), now: datetime = NOON) -> ledger.Stand:
    return ledger.stand(BIRCH, cohorts, entries, now)


def test_without_entries_it_stands_as_configured() -> None:
    """Nothing said: the configuration holds, and shade that was always there has no date."""
    found = ledger.stand(replace(BIRCH, shaded=True), (), (), NOON)
    assert (found.shaded, found.shaded_at, found.ballast_kg, found.pegged) == (True, None, 2.0, False)


def test_shade_is_dated_and_taken_off() -> None:
    """Shade carries when it was put on; taken off, it carries that."""
    on = stand(entry(What.SHADED, NOON - HOUR))
    assert (on.shaded, on.shaded_at) == (True, NOON - HOUR)
    off = stand(entry(What.SHADED, NOON - 2 * HOUR), entry(What.UNSHADED, NOON - HOUR))
    assert (off.shaded, off.shaded_at, off.unshaded_at) == (False, None, NOON - HOUR)


def test_a_cover_is_dated_and_taken_off() -> None:
    """Covered since the last word of it; uncovered, whether from the start or later, it carries no date."""
    on = stand(entry(What.COVERED, NOON - HOUR))
    assert (on.covered, on.covered_at) == (True, NOON - HOUR)
    off = stand(entry(What.COVERED, NOON - 2 * HOUR), entry(What.UNCOVERED, NOON - HOUR))
    assert (off.covered, off.covered_at) == (False, None)
    always = ledger.stand(replace(BIRCH, covered=True), (), [entry(What.UNCOVERED, NOON - HOUR)], NOON)
    assert not always.covered


def test_ballast_is_set_and_added_to() -> None:
    """ "anchored" says what stands there in all; "ballast added" adds to it; the later corrects the earlier."""
    added = entry(What.BALLAST_ADDED, NOON - 3 * HOUR, amount=4.0)
    assert stand(added).ballast_kg == 6.0
    assert stand(added, entry(What.ANCHORED, NOON - 2 * HOUR, amount=5.0)).ballast_kg == 5.0
    assert stand(added, entry(What.ANCHORED, NOON - 4 * HOUR, amount=5.0)).ballast_kg == 9.0


def test_ballast_never_grows_beyond_what_can_be_meant() -> None:
    """Slips of the finger add up to no more than any computation takes: the watch goes on."""
    slips = [entry(What.BALLAST_ADDED, NOON - n * HOUR, amount=1000.0) for n in (3, 2, 1)]
    assert stand(*slips).ballast_kg == 1000.0
    assert stand(entry(What.ANCHORED, NOON - HOUR, amount=99_999.0)).ballast_kg == 1000.0
    assert stand(*slips, entry(What.ANCHORED, NOON, amount=4.0)).ballast_kg == 4.0


def test_pegs_come_out_again() -> None:
    """Said so, or carried away: nobody counts on pegs that may not be there."""
    pegged = entry(What.PEGGED, NOON - 3 * HOUR)
    assert stand(pegged).pegged
    assert not stand(pegged, entry(What.UNPEGGED, NOON - HOUR)).pegged
    away = (pegged, entry(What.SHELTERED, NOON - 2 * HOUR), entry(What.RETURNED, NOON - HOUR))
    assert not stand(*away).pegged
    assert stand(*away, entry(What.PEGGED, NOON)).pegged


def test_sheltered_keeps_its_first_date_until_it_is_returned() -> None:
    """How long it has been out of its place counts from the first word; back in place, it counts no more."""
    twice = (entry(What.SHELTERED, NOON - 3 * HOUR), entry(What.SHELTERED, NOON - HOUR))
    assert stand(*twice).sheltered_at == NOON - 3 * HOUR
    assert stand(*twice, entry(What.RETURNED, NOON)).sheltered_at is None


def test_what_is_said_of_a_cohort_holds_for_its_enclosure() -> None:
    """Shading "of-birch" shades Birch, as long as the cohort is in it."""
    said = entry(What.SHADED, NOON - HOUR, subject="of-birch")
    assert stand(said, cohorts=(cohort(),)).shaded
    moved = entry(What.MOVED, NOON - 2 * HOUR, subject="of-birch", text="alder")
    assert not stand(moved, said, cohorts=(cohort(),)).shaded


def test_a_cohort_moves_and_leaves_nobody_behind() -> None:
    """A cohort is where the last move put it, and nowhere else."""
    moved = [entry(What.MOVED, NOON - HOUR, subject="of-birch", text="alder")]
    assert ledger.stand(BIRCH, [cohort()], moved, NOON).cohorts == ()
    assert [c.name for c in ledger.stand(ALDER, [cohort()], moved, NOON).cohorts] == ["of-birch"]


def test_counts_and_stages_follow_the_entries() -> None:
    """A headcount and a stage change the cohort; a stage carries when it was reached; nobody left is nobody inside."""
    said = [entry(What.STAGE, NOON - HOUR, subject="birch", text="Pupa"), entry(What.HEADCOUNT, NOON, amount=7)]
    (now,) = ledger.stand(BIRCH, [cohort()], said, NOON).cohorts
    assert (now.stage, now.stage_since, now.count) == (Stage.PUPA, NOON - HOUR, 7)
    assert ledger.stand(BIRCH, [cohort()], [entry(What.HEADCOUNT, NOON, amount=0)], NOON).cohorts == ()
    (last,) = ledger.stand(BIRCH, [cohort()], [entry(What.HEADCOUNT, NOON, amount=1)], NOON).cohorts
    assert last.count == 1, "one animal is somebody"


def test_a_headcount_of_several_cohorts_together_changes_none() -> None:
    """Of two cohorts in one enclosure nobody knows who is missing."""
    two = [cohort(), replace(cohort(), name="later")]
    counted = ledger.stand(BIRCH, two, [entry(What.HEADCOUNT, NOON, amount=3)], NOON).cohorts
    assert [c.count for c in counted] == [9, 9]


def test_whose_counts_a_headcount_leaves_is_known() -> None:
    """Those who were together when it was said; nobody's where one is alone, is named, or where something else was said."""
    two = [cohort(), replace(cohort(), name="later")]
    together = entry(What.HEADCOUNT, NOON, amount=3)
    assert ledger.uncounted(together, two, []) == ("of-birch", "later")
    assert ledger.uncounted(together, two, [together]) == ("of-birch", "later")
    assert ledger.uncounted(together._replace(subject="later"), two, []) == ()
    assert ledger.uncounted(entry(What.CLEANED, NOON), two, []) == ()
    moved = entry(What.MOVED, NOON - HOUR, subject="later", text="alder")
    assert ledger.uncounted(together, two, [moved]) == ()
    assert ledger.uncounted(together._replace(at=NOON - 2 * HOUR), two, [moved]) == ("of-birch", "later")
    assert ledger.uncounted(together, two, [moved._replace(site="elsewhere")]) == ("of-birch", "later")


def test_entries_of_other_sites_and_of_later_do_not_count() -> None:
    """A ledger is of one site, and of what had happened by then."""
    assert not stand(entry(What.SHADED, NOON + HOUR)).shaded
    assert not stand(entry(What.SHADED, NOON - HOUR)._replace(site="elsewhere")).shaded


ENTRIES = st.lists(
    st.builds(
        lambda what, minutes, subject, amount, text: Entry(
            SITE.name, NOON - minutes * timedelta(minutes=1), NOON, subject, what, amount, text
        ),
        st.sampled_from(list(What)),
        st.integers(-100, 5000),
        st.sampled_from(["birch", "alder", "of-birch", "of-alder", "", "nobody", "storm/birch"]),
        st.none() | st.floats(0, 1000),
        st.sampled_from(["", "alder", "birch", "pupa", "instar 5", "nonsense"]),
    ),
    max_size=25,
    unique_by=lambda e: e.at,
)


@given(ENTRIES, st.randoms(use_true_random=False))
def test_the_order_of_arrival_does_not_matter(entries: list[Entry], chance: random.Random) -> None:
    """Whatever is said, in whatever order it comes in: the stand is the same, and each cohort is in one place at most."""
    shuffled = list(entries)
    chance.shuffle(shuffled)
    cohorts = [cohort(), cohort("alder")]
    found = [ledger.stand(cage, cohorts, entries, NOON) for cage in (BIRCH, ALDER)]
    assert found == [ledger.stand(cage, cohorts, shuffled, NOON) for cage in (BIRCH, ALDER)]
    assert all(s.ballast_kg >= 0 for s in found)
    names = [c.name for s in found for c in s.cohorts]
    assert len(names) == len(set(names))


@given(ENTRIES)
def test_what_happened_later_changes_nothing_of_before(entries: list[Entry]) -> None:
    """The stand of an instant is the same once more has happened."""
    past = [e for e in entries if e.at <= NOON]
    assert ledger.stand(BIRCH, [cohort()], entries, NOON) == ledger.stand(BIRCH, [cohort()], past, NOON)


@pytest.mark.parametrize(
    ("said", "complaint"),
    [
        (entry(What.SHADED, NOON, subject="brich"), 'no enclosure or cohort "brich"; known are alder, birch, of-birch'),
        (entry(What.MOVED, NOON, subject="of-birch", text="oak"), 'no enclosure "oak" to move to'),
        (entry(What.STAGE, NOON, subject="of-birch", text="worm"), 'no stage "worm"; known are egg'),
        (entry(What.SHADED, NOON), None),
        (entry(What.SEEN, NOON, subject="storm/birch"), None),
        (entry(What.NOTE, NOON, subject=""), None),
        (entry(What.NOTE, NOON, subject="brich"), 'no enclosure or cohort "brich"; known are alder, birch, of-birch'),
        (entry(What.SHADED, NOON, subject=""), 'no enclosure or cohort ""'),
        (entry(What.STAGE, NOON, subject="of-birch", text="4"), None),
    ],
)
def test_what_cant_be_understood_is_named(said: Entry, complaint: str | None) -> None:
    """A mistyped subject, place or stage is said with what would be right; answers and notes are not about subjects."""
    told = ledger.unknown_subject(said, {"alder", "birch"}, {"of-birch"})
    assert (told is None) if complaint is None else (told is not None and complaint in told)


def concern(action: str, **numbers: float) -> Concern:
    verdict = Verdict("storm", "birch", State.BREACH, NOON, action, numbers=numbers, advice=Advice(action))
    return Concern(
        SITE.name, "storm", "birch", Standing.OPEN, verdict, NOON, told=Severity.MODERATE, told_action=action
    )


def test_done_is_read_as_the_act_that_was_advised() -> None:
    """ "done" to "shade it" is shade; to "anchor" it is the bricks that were asked for; to "stay in" it is nothing."""
    done = entry(What.DONE, NOON, subject="storm/birch")
    shaded = ledger.implied(done, concern("shade"))
    assert shaded is not None
    assert (shaded.what, shaded.subject) == (What.SHADED, "birch")
    anchored = ledger.implied(done, concern("anchor", bricks_kg=16.0))
    assert anchored is not None
    assert (anchored.what, anchored.amount) == (What.BALLAST_ADDED, 16.0)
    for told, act in (("unshade", What.UNSHADED), ("uncover", What.UNCOVERED)):
        taken_off = ledger.implied(done, concern(told))
        assert taken_off is not None
        assert taken_off.what is act
    assert ledger.implied(done, concern("anchor")) is None
    assert ledger.implied(done, concern("peg or shelter")) is None
    assert ledger.implied(done, concern("stay in")) is None
    assert ledger.implied(entry(What.SEEN, NOON, subject="storm/birch"), concern("shade")) is None
    assert ledger.implied(entry(What.DONE, NOON, subject="storm/alder"), concern("shade")) is None


def test_done_is_to_what_the_phone_was_told() -> None:
    """Told to shade, and "more air" is still on its way: "done" is shade. Nothing was told yet: what is on its way."""
    done = entry(What.DONE, NOON, subject="storm/birch")
    on_its_way = Asked(NOON, Telling.CHANGED, Severity.SEVERE, "uncover")
    for told, said in (("shade", What.SHADED), ("", What.UNCOVERED)):
        act = ledger.implied(done, replace(concern("shade"), told_action=told, asked=on_its_way))
        assert act is not None
        assert act.what is said


@pytest.mark.parametrize(("asked_kg", "added_kg"), [(0.0, None), (-1.0, None), ("8", None), (0.5, 0.5), (2, 2.0)])
def test_done_adds_the_ballast_that_was_asked_for(asked_kg: float | str, added_kg: float | None) -> None:
    """However light; none where none was asked for."""
    asked = replace(concern("anchor"), verdict=replace(concern("anchor").verdict, numbers={"bricks_kg": asked_kg}))
    act = ledger.implied(entry(What.DONE, NOON, subject="storm/birch"), asked)
    assert (act and act.amount) == added_kg


def test_every_amount_that_can_be_said_is_read() -> None:
    """What takes an amount changes the stand by it: nothing that a keeper weighs is lost."""
    for what in AMOUNTS:
        before, after = stand(cohorts=(cohort(),)), stand(entry(what, NOON, amount=3.0), cohorts=(cohort(),))
        assert before != after, what
