"""The limits of those who are present: whose counts, what the configuration changes, and what a tighter tier makes needless."""

from __future__ import annotations

from dataclasses import replace

import pytest

from sensord.model import Severity, Stage
from sensord.science.bibliography import CITATIONS
from sensord.species import Species, load
from sensord.species.limits import Limits, Override, Tier, limits_of
from sensord.species.profile import HeatTier

MONARCH = load("monarch")
MINOR, MODERATE, SEVERE, EXTREME = Severity.MINOR, Severity.MODERATE, Severity.SEVERE, Severity.EXTREME


def species(*tiers: tuple[float, float, Severity, str], name: str = "made-up", frost_c: float = 2.0) -> Species:
    """The monarch with other tiers: level, hours, severity, and the one stage that it is of ("" for all)."""
    own = tuple(
        HeatTier.model_construct(
            name=f"{level:g}", temperature_c=level, sustained_hours=hours, severity=severity, source="", note="",
            stages=(Stage(stage),) if stage else (), confidence="chosen",
        )
        for level, hours, severity, stage in tiers
    )  # fmt: skip
    frost = MONARCH.frost.model_copy(update={"value": frost_c})
    return MONARCH.model_copy(update={"heat_tiers": own, "name": name, "frost": frost})


def levels(limits: Limits) -> list[tuple[float, float, Severity]]:
    """Level, hours and severity of each tier."""
    return [(tier.temperature_c, tier.after_h, tier.severity) for tier in limits.tiers]


PLAIN = species((30, 2, MODERATE, ""), (34, 1, SEVERE, ""), (38, 0, EXTREME, ""))


def test_the_monarch_alone_has_its_own_tiers_with_their_citations() -> None:
    """As its file says, in the words of the bibliography where they are published."""
    limits = limits_of([(MONARCH, None)])
    assert levels(limits) == [(29, 2, MINOR), (33, 1, MODERATE), (36, 0.5, SEVERE), (38, 0, EXTREME)]
    assert [tier.source for tier in limits.tiers] == [CITATIONS["YorkOberhauser2002"]] * 3 + [""]
    assert {tier.whose for tier in limits.tiers} == {"monarch"}
    assert (limits.species, limits.lower_c, limits.upper_c) == ("monarch", 11.5, MONARCH.upper_threshold_c)
    assert (limits.cool_c, limits.frost_c) == (MONARCH.comfort.low_c, MONARCH.frost_c)


def test_edges_begin_with_the_comfortable_band_where_it_lies_below_the_tiers() -> None:
    """A tier at its very edge, or below it, takes its place."""
    limits = limits_of([(PLAIN, None)])
    assert limits.edges_c == (limits.cool_c, 30, 34, 38)
    assert replace(limits, cool_c=30.0).edges_c == (30, 34, 38)
    assert replace(limits, cool_c=31.0).edges_c == (30, 34, 38)
    assert replace(limits, tiers=()).edges_c == (limits.cool_c,)


def test_who_minds_heat_first_gives_the_name_and_who_minds_cold_first_the_frost() -> None:
    """Of two species the one with the coolest tier; the first where they are alike; of frosts the warmest."""
    early = species((28, 1, MODERATE, ""), name="early", frost_c=1.0)
    late = species((31, 1, MODERATE, ""), name="late", frost_c=4.0)
    for present in ([(early, None), (late, None)], [(late, None), (early, None)]):
        assert (limits_of(present).species, limits_of(present).frost_c) == ("early", 4.0)
    other = early.model_copy(update={"name": "other"})
    assert limits_of([(early, None), (other, None)]).species == "early"
    of_eggs = species((20, 1, MODERATE, "egg"), name="eggs")  # has no tier in the stage that is there
    assert limits_of([(of_eggs, Stage.PUPA), (late, None)]).species == "late"


def test_a_tier_of_one_stage_counts_where_that_stage_is_or_may_be() -> None:
    """It names species and stage; while the stage is not known it is the species' alone."""
    own = species((30, 1, MODERATE, "egg"), (34, 1, SEVERE, ""))
    assert [(t.temperature_c, t.whose) for t in limits_of([(own, Stage.EGG)]).tiers] == [
        (30, "made-up, egg"),
        (34, "made-up"),
    ]
    assert [(t.temperature_c, t.whose) for t in limits_of([(own, Stage.PUPA)]).tiers] == [(34, "made-up")]
    assert [(t.temperature_c, t.whose) for t in limits_of([(own, None)]).tiers] == [(30, "made-up"), (34, "made-up")]


@pytest.mark.parametrize(
    ("overrides", "least_h", "expected"),
    [
        ({}, 0.0, [(30, 2, MODERATE), (34, 1, SEVERE), (38, 0, EXTREME)]),
        ({MODERATE: (None, None)}, 0.0, [(30, 2, MODERATE), (34, 1, SEVERE), (38, 0, EXTREME)]),
        ({MODERATE: (31, None)}, 0.0, [(31, 2, MODERATE), (34, 1, SEVERE), (38, 0, EXTREME)]),
        ({MODERATE: (None, 3)}, 0.0, [(30, 3, MODERATE), (34, 1, SEVERE), (38, 0, EXTREME)]),
        ({MODERATE: (None, 0)}, 0.0, [(30, 0, MODERATE), (34, 1, SEVERE), (38, 0, EXTREME)]),
        ({SEVERE: (33, 0.5)}, 0.0, [(30, 2, MODERATE), (33, 0.5, SEVERE), (38, 0, EXTREME)]),
        ({MINOR: (27, None)}, 0.0, [(27, 0, MINOR), (30, 2, MODERATE), (34, 1, SEVERE), (38, 0, EXTREME)]),
        ({MINOR: (27, 4)}, 0.0, [(27, 4, MINOR), (30, 2, MODERATE), (34, 1, SEVERE), (38, 0, EXTREME)]),
        ({MINOR: (None, 4)}, 0.0, [(30, 2, MODERATE), (34, 1, SEVERE), (38, 0, EXTREME)]),
        ({}, 0.1, [(30, 2, MODERATE), (34, 1, SEVERE), (38, 0.1, EXTREME)]),
        ({}, 1.5, [(30, 2, MODERATE), (34, 1.5, SEVERE), (38, 1.5, EXTREME)]),
        # What a cooler tier says as badly and as early is needless; what is worse or sooner is not.
        ({SEVERE: (30, 2)}, 0.0, [(30, 2, SEVERE), (38, 0, EXTREME)]),
        ({SEVERE: (30, 1)}, 0.0, [(30, 1, SEVERE), (38, 0, EXTREME)]),
        ({SEVERE: (30, 3)}, 0.0, [(30, 2, SEVERE), (38, 0, EXTREME)]),
        ({SEVERE: (29, 2)}, 0.0, [(29, 2, SEVERE), (38, 0, EXTREME)]),
        ({EXTREME: (34, 2)}, 0.0, [(30, 2, MODERATE), (34, 1, EXTREME)]),
        ({SEVERE: (29, 3)}, 0.0, [(29, 3, SEVERE), (30, 2, MODERATE), (38, 0, EXTREME)]),
    ],
)
def test_what_the_configuration_changes(
    overrides: dict[Severity, Override], least_h: float, expected: list[tuple[float, float, Severity]]
) -> None:
    """A level, a duration, or both, of a severity that there is; a level alone makes one that there is not."""
    assert levels(limits_of([(PLAIN, None)], overrides, least_h)) == expected


def test_a_level_that_was_changed_is_no_longer_published() -> None:
    """It says that it is configured; with the species' own level, or another duration alone, the source stays."""

    def second(override: Override) -> Tier:
        return limits_of([(MONARCH, None)], {MODERATE: override}).tiers[1]

    assert (second((33.5, None)).source, second((33.5, None)).note) == ("", "as configured")
    assert second((33.0, None)) == limits_of([(MONARCH, None)]).tiers[1]
    assert second((None, 3.0)).source == CITATIONS["YorkOberhauser2002"]
    made = limits_of([(PLAIN, None)], {MINOR: (27, None)}).tiers[0]
    assert (made.name, made.source, made.note, made.whose) == ("", "", "as configured", "")


def test_of_several_of_a_severity_the_tightest_is_changed_for_all() -> None:
    """Two species in one place are given one level."""
    other = species((29, 3, MODERATE, ""), (36, 1, SEVERE, ""), name="other")
    both = [(PLAIN, None), (other, None)]
    assert levels(limits_of(both)) == [(29, 3, MODERATE), (30, 2, MODERATE), (34, 1, SEVERE), (38, 0, EXTREME)]
    changed = limits_of(both, {MODERATE: (None, 1)})
    assert levels(changed) == [(29, 1, MODERATE), (34, 1, SEVERE), (38, 0, EXTREME)]
    assert changed.tiers[0].whose == "other"
