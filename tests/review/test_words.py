"""The sentences of a review, of figures that are made up."""

from __future__ import annotations

from dataclasses import replace

import pytest

from sensord.model import Doubt, Severity
from sensord.review.matters import Matter
from sensord.review.rows import Row
from sensord.review.whole import CageReview
from sensord.review.words import headline
from tests.review.figures import HOUR, LIMITS, METRIC, SEASON, TIERS, WEEK, cage, review, row, said


def before(over_h: float, known_h: float = 168.0) -> Row:
    return row(WEEK.start - 168 * HOUR, WEEK.start, over_h, known_h=known_h)


OWN = replace(LIMITS, tiers=(TIERS[0], replace(TIERS[1], temperature_c=35.0), TIERS[2]))
HOTTEST = "Alder was the hottest: 3 hours at or above 33 °C, and up to 34.0 °C on Thursday at 14:00"
MILD = "Alder did not reach 33 °C; the highest was 34.0 °C on Thursday at 14:00."
NONE = "No enclosure reached 33 °C; the highest was 34.0 °C on Thursday at 14:00 in Alder."
THREE = {3: 3.0}
HEAT: list[tuple[tuple[CageReview, ...], str]] = [
    ((cage("Alder"),), MILD),
    (
        (cage("Alder"), cage("Birch", top=(4, 35.0))),
        NONE.replace("34.0 °C on Thursday at 14:00 in Alder", "35.0 °C on Friday at 14:00 in Birch"),
    ),
    ((cage("Alder", {3: 0.04}),), MILD),
    ((cage("Alder", {3: 0.05}),), HOTTEST.replace("3 hours", "3 minutes") + "."),
    ((cage("Alder", THREE),), HOTTEST + "."),
    ((cage("Alder", {1: 1.0, 2: 1.0, 3: 1.0}),), HOTTEST + "."),
    ((cage("Alder", {2: 0.04, 3: 2.96}),), HOTTEST + "."),
    ((cage("Alder", {1: 2.7, 2: 2.7, 3: 4.6}),), HOTTEST.replace("3 hours", "10 hours") + "."),
    (
        (cage("Alder", {2: 0.05, 3: 2.95}),),
        "Alder was the hottest: 3 hours at or above 33 °C, 3 hours of it on Thursday, when it reached 34.0 °C at 14:00.",
    ),
    (
        (cage("Alder", {2: 2.0, 3: 3.0}, top=(3 - 14 / 24, 34.0)),),
        "Alder was the hottest: 5 hours at or above 33 °C, 3 hours of it on Thursday, when it reached 34.0 °C at 00:00.",
    ),
    (
        (cage("Alder", {2: 3.0, 3: 2.0}, top=(3 - 14 / 24, 34.0)),),
        "Alder was the hottest: 5 hours at or above 33 °C, 3 hours of it on Wednesday, and up to 34.0 °C on Thursday at 00:00.",
    ),
    (
        (cage("Alder", {2: 2.0, 3: 2.0}),),
        "Alder was the hottest: 4 hours at or above 33 °C, 2 hours of it on Wednesday, and up to "
        "34.0 °C on Thursday at 14:00.",
    ),
    (
        (cage("Alder", {2: 2.0, 3: 3.0}),),
        "Alder was the hottest: 5 hours at or above 33 °C, 3 hours of it on Thursday, when it "
        "reached 34.0 °C at 14:00.",
    ),
    (
        (cage("Alder", {2: 2.0, 3: 3.0}, high_doubts=int(Doubt.SUNLIT)),),
        "Alder was the hottest: 5 hours at or above 33 °C, 3 hours of it on Thursday, when it "
        "reached 34.0 °C at 14:00 (if the "
        "probe itself was not in the sun).",
    ),
    (
        (cage("Alder", THREE), cage("Birch", {3: 4.0}), cage("Cedar"), cage("Dill", {3: 0.05})),
        HOTTEST.replace("Alder", "Birch").replace("3 hours", "4 hours")
        + "; Alder 3 hours and Dill 3 minutes; Cedar stayed below.",
    ),
    (
        (cage("Alder", THREE), cage("Birch", {3: 4.0}, limits=OWN)),
        HOTTEST.replace("Alder", "Birch").replace("3 hours", "4 hours").replace("33", "35")
        + "; Alder 3 hours above its own limit.",
    ),
]


@pytest.mark.parametrize(("cages", "sentence"), HEAT)
def test_how_hot_it_was(cages: tuple[CageReview, ...], sentence: str) -> None:
    """The hottest, which day brought half of it, its top, and how the others fared; less "
    "than three minutes are nothing."""
    assert said(*cages) == sentence


@pytest.mark.parametrize(
    ("over_h", "was", "compared"),
    [
        (3.0, before(1.0), " For Alder that is 2 hours more than the week before."),
        (3.0, before(9.0), " For Alder that is 6 hours less than the week before."),
        (3.0, before(2.01), " For Alder that is much like the week before."),
        (3.0, before(3.99), " For Alder that is much like the week before."),
        (3.0, before(2.0), " For Alder that is an hour more than the week before."),
        (3.0, before(4.0), " For Alder that is an hour less than the week before."),
        (0.0, before(2.5), " The week before it had 2.5 hours above that in Alder."),
        (0.0, before(0.99), ""),
        (0.04, before(2.54), " The week before it had 2.5 hours above that in Alder."),
        (0.05, before(2.05), " For Alder that is 2 hours less than the week before."),
        (0.05, before(0.0), " For Alder that is much like the week before."),
        (3.0, before(9.0, known_h=84.0), " For Alder that is 6 hours less than the week before."),
        (3.0, before(9.0, known_h=83.9), ""),
        (3.0, None, ""),
    ],
)
def test_what_it_is_compared_with(over_h: float, was: Row | None, compared: str) -> None:
    """The week before, of which half must be known; an hour is a difference."""
    heat = said(cage("Alder", {3: over_h}, before=was))
    assert heat.partition(".")[2].partition("14:00.")[2] == compared
    assert "week before" not in said(cage("Alder", {3: over_h}, before=was), through=WEEK.end - HOUR)
    assert "week before" not in said(cage("Alder", {3: over_h}, before=was, known_h=151.0))


def test_a_season_is_told_by_its_weeks() -> None:
    """With the day on which its top was."""
    text = said(cage("Alder", {1: 2.0, 2: 3.0}, span=SEASON, top=(0, 36.0)), span=SEASON)
    assert text == (
        "Alder was the hottest: 5 hours at or above 33 °C, 3 hours of it in the week of 17 Aug, "
        "and up to 36.0 °C on 17 Aug at "
        "14:00."
    )
    assert headline(review(), METRIC) == "Week 34, 17 Aug to 23 Aug 2026"
    assert headline(review(span=SEASON), METRIC) == "The season, 3 Aug to 23 Aug 2026"
    assert said() == "Nothing was measured in this week, so nothing can be said of it."
    assert said(span=SEASON) == "Nothing was measured in this season, so nothing can be said of it."


def matter(action: str = "shade", after_min: float | None = 16.0, helped: str = "yes") -> Matter:
    """Something that was asked for, and answered so many minutes later."""
    opened = WEEK.start + 60 * HOUR
    answer = "" if after_min is None else "done"
    return Matter(
        "overheating", "alder", Severity.MODERATE, action, opened, opened + 2 * HOUR, 2.0, 1,
        answer, after_min, helped, 4.0, 1.0, 30.0,
    )  # fmt: skip


UNANSWERED = matter(after_min=None, helped="")


@pytest.mark.parametrize(
    ("matters", "sentence"),
    [
        ((matter("stay in"),), ""),
        ((matter(""),), ""),
        ((UNANSWERED,), "You were asked to shade once, and no answer came."),
        (
            (matter(),),
            "You were asked to shade once; you answered after 16 minutes. The one act that could be "
            "followed up helped.",
        ),
        (
            (matter(helped="no"),),
            "You were asked to shade once; you answered after 16 minutes. The one act that could be "
            "followed up was not enough.",
        ),
        ((matter(helped="unknown"),), "You were asked to shade once; you answered after 16 minutes."),
        (
            (matter(), UNANSWERED),
            "You were asked to shade twice; you answered once after 16 minutes. The one act that "
            "could be followed up helped.",
        ),
        (
            (matter(), matter(after_min=30.0)),
            "You were asked to shade twice; you answered each time, typically after 23 minutes. Of "
            "the 2 acts that could be "
            "followed up, all helped.",
        ),
        (
            (matter(helped="no"), matter(helped="no"), UNANSWERED),
            "You were asked to shade 3 times; you answered twice, typically after 16 minutes. Of the "
            "2 acts that could be "
            "followed up, none helped.",
        ),
        (
            (matter(), matter(helped="no"), matter("anchor", helped="unknown")),
            "You were asked for something 3 times, 2 times to shade; you answered each time, "
            "typically after 16 minutes. Of the 2 "
            "acts that could be followed up, 1 helped.",
        ),
        ((matter(after_min=600.0, helped=""),), "You were asked to shade once; you answered after 10 hours."),
        ((matter("water nettles", helped=""),), "You were asked to water nettles once; you answered after 16 minutes."),
    ],
)
def test_what_was_asked_and_answered(matters: tuple[Matter, ...], sentence: str) -> None:
    """What was asked for most, how often it was answered and how fast, and what of it "
    "helped; staying in is nothing to do."""
    assert said(cage("Alder"), matters=matters) == f"{MILD} | {sentence}".removesuffix(" | ")


@pytest.mark.parametrize(
    ("cages", "sentence"),
    [
        ((cage("Alder", swing_k=9.0),), "Days swung by 9 °C from their coolest to their warmest."),
        ((cage("Alder", degree_days=50.0),), "Development gained 50 °C-days."),
        (
            (cage("Alder", swing_k=9.0, degree_days=50.0),),
            "Days swung by 9 °C from their coolest to their warmest and development gained 50 °C-days.",
        ),
        (
            (
                cage("Alder", swing_k=12.0, degree_days=60.0),
                cage("Birch", swing_k=9.0, degree_days=50.0),
                cage("Cedar"),
            ),
            "Days swung by 9 to 12 °C from their coolest to their warmest and development gained 50 "
            "(Birch) to 60 (Alder) °C-days.",
        ),
        ((cage("Alder", missing_h=1.0), cage("Birch", missing_h=0.98)), "Nothing is known of an hour in Alder."),
        ((cage("Alder", missing_h=3.0),), "Nothing is known of 3 hours in Alder."),
        (
            (cage("Alder", missing_h=3.0), cage("Birch", missing_h=3.0)),
            "Nothing is known of 3 hours in every enclosure.",
        ),
        (
            (cage("Alder", missing_h=3.0), cage("Birch", missing_h=4.0)),
            "Nothing is known of 3 hours in Alder and 4 hours in Birch.",
        ),
        ((cage("Alder"), cage("Birch")), ""),
    ],
)
def test_how_development_went_and_what_is_not_known(cages: tuple[CageReview, ...], sentence: str) -> None:
    """From the slowest to the fastest; an hour that is missing is worth a word."""
    assert said(*cages).partition(" | ")[2] == sentence
