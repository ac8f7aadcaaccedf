"""The garden's answers: one place for each, and whoever asks is told the same."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from sensord import species
from sensord.adapters.influx_lines import LineMaker
from sensord.commands import _build, _house
from sensord.concerns import judge
from sensord.engine.asking import ask, plan_of
from sensord.engine.recovery import windows_of
from sensord.garden import Garden
from sensord.model import (
    AMBIENT,
    EPOCH,
    Advice,
    Entry,
    Quantity,
    Reading,
    Severity,
    Stage,
    Standing,
    State,
    Verdict,
    What,
)
from sensord.ports import Commit
from sensord.ports import Position as Start
from sensord.review import Review, lookback, weeks
from sensord.rules import USUAL, Watch
from sensord.species.limits import limits_of
from sensord.species.profile import HeatTier
from simulators import scenario
from tests.kept import Kept, kept, to_ship

SITE = "larkfield"
MONDAY = datetime(2026, 8, 17, 4, tzinfo=UTC)  # midnight in the garden
NOON = datetime(2026, 8, 20, 16, tzinfo=UTC)
MINUTE, HOUR, DAY = timedelta(minutes=1), timedelta(hours=1), timedelta(days=1)
MONARCH, JEZEBEL = species.load("monarch"), species.load("black-jezebel")


def house(first: str = "black-jezebel") -> _house.OneGarden:
    """The demonstration garden with another species in Alder."""
    chosen = scenario.configuration("larkfield")
    cohorts = [c.model_copy(update={"species": first if c.name == "first" else c.species}) for c in chosen.cohort]
    return _house.understood(chosen.model_copy(update={"cohort": tuple(cohorts)}), scenario.HERE / "larkfield.toml")


def entry(what: What, at: datetime, subject: str, text: str = "", amount: float | None = None) -> Entry:
    """Something that the keeper said."""
    return Entry(SITE, at, at, subject, what, amount, text)


def moved(at: datetime = NOON - 5 * HOUR, to: str = "birch") -> Entry:
    """The animals in Alder were carried to another enclosure."""
    return entry(What.MOVED, at, "first", to)


Curve = Callable[[datetime], float]


def store_of(
    directory: Path, built: _house.OneGarden, start: datetime, end: datetime, curve: Curve, entries: list[Entry]
) -> Kept:
    """Alder and Birch as the curve has them, the post 3 °C cooler; a reading a minute."""
    store = kept(
        directory / "s.sqlite3", built.garden.site, _build.places(built.garden), durable=False, ships_to="elsewhere"
    )
    readings, at = [], start
    while at <= end:
        for probe, value in (("alder-1", curve(at)), ("birch-1", curve(at)), ("post", curve(at) - 3.0)):
            readings.append(Reading(SITE, probe, Quantity.TEMPERATURE, at, at, value))
        at += MINUTE
    store.journal.commit(Commit(start, readings=readings, entries=entries))
    store.journal.summarise(end)
    return store


def verdicts(built: _house.OneGarden, store: Kept, now: datetime, name: str = "overheating") -> dict[str, Verdict]:
    """What a rule says, by subject."""
    entries = store.entries.between(MONDAY - 30 * DAY, now)
    watch = Watch(now - DAY, True, {p.name: now for p in built.garden.probes}, True)
    return {v.subject: v for v in asked(built.garden, store, name, entries, watch, now)}


def asked(
    garden: Garden, store: Kept, rule: str, entries: list[Entry], watch: Watch, now: datetime
) -> tuple[Verdict, ...]:
    """One rule about all its subjects."""
    plan = plan_of(garden)
    windows = windows_of(store.readings, plan.series_of(rule), plan.longest_look, now)
    return ask(garden, plan, [rule], windows, {}, entries, watch, now).verdicts


def week(built: _house.OneGarden, store: Kept, now: datetime) -> Review:
    """The running week looked back on."""
    span = weeks.week("2026-W34", built.settings.zone)
    return lookback.look_back(store.parts, built.garden, span, span.first, now)


# --- whose limits -------------------------------------------------------------------------------------------------


def test_the_tightest_of_those_present_decides() -> None:
    """Of two species in one place none is watched less than it would be alone; what adds nothing is left out."""
    both = limits_of([(MONARCH, Stage.PUPA), (JEZEBEL, Stage.INSTAR_5)])
    assert [(t.severity, t.temperature_c, t.after_h, t.whose) for t in both.tiers] == [
        (Severity.MODERATE, 27, 6, "black-jezebel"),
        (Severity.MINOR, 29, 2, "monarch"),
        (Severity.SEVERE, 30, 2, "black-jezebel"),
        (Severity.MODERATE, 33, 1, "monarch"),
        (Severity.EXTREME, 36, 0, "black-jezebel"),
    ]
    assert (both.species, both.lower_c, both.upper_c) == ("black-jezebel", 9, None)
    assert limits_of([(MONARCH, None)]).lower_c == 11.5


def test_a_tier_counts_only_for_the_stages_that_it_is_of() -> None:
    """A tier of larvae alone is none for pupae; where both are present, both are kept from harm."""
    common = MONARCH.heat_tiers
    of_larvae = HeatTier(
        name="larvae suffer", temperature_c=31.0, sustained_hours=1.0, severity="Moderate", confidence="chosen",
        stages=(Stage.INSTAR_4, Stage.INSTAR_5),
    )  # fmt: skip
    own = MONARCH.model_copy(update={"heat_tiers": (common[0], of_larvae, *common[1:])})
    levels = {
        stage: [t.temperature_c for t in limits_of([(own, stage)]).tiers] for stage in (Stage.INSTAR_4, Stage.PUPA)
    }
    assert levels == {Stage.INSTAR_4: [29, 31, 36, 38], Stage.PUPA: [29, 33, 36, 38]}
    together = limits_of([(own, Stage.PUPA), (own, Stage.INSTAR_4)])
    assert [t.temperature_c for t in together.tiers] == levels[Stage.INSTAR_4]
    assert together.tiers[1].whose == "monarch, instar 4"


@pytest.mark.parametrize(
    ("stages", "wrong"),
    [
        (["pupa"], 'leave the stage "egg" without any tier'),
        (["egg", "caterpillar"], "heat_tiers[1].stages[2]"),
    ],
)
def test_a_species_file_says_which_stages_a_tier_is_of(stages: list[str], wrong: str) -> None:
    """What is left without a tier, or is no stage, is told."""
    text = (Path(species.__file__).parent / "red-admiral.toml").read_text()
    head, first, rest = text.partition("[[heat_tiers]]")
    _, _, after = rest.partition("[comfort]")
    tier = (
        'name = "hot"\ntemperature_c = 33\nsustained_hours = 1.0\nseverity = "Moderate"\nconfidence = "chosen"\n'
        f"stages = {stages}\n\n"
    )
    with pytest.raises(species.SpeciesError, match=wrong.replace("[", r"\[").replace("]", r"\]")):
        species.parse(f"{head}{first}\n{tier}[comfort]{after}", "here")


def test_after_a_move_everybody_judges_by_the_same_species(tmp_path: Path) -> None:
    """Animals carried to Birch take their limits along: for the rule and the week."""
    built = house()
    store = store_of(tmp_path, built, NOON - 4 * HOUR, NOON + HOUR, lambda at: 30.5, [moved()])
    found = verdicts(built, store, NOON)
    assert (found["birch"].state, found["birch"].numbers["tier_c"]) == (State.BREACH, 30)
    assert found["birch"].numbers["tier_of"] == "black-jezebel"
    by_name = {cage.name: cage for cage in week(built, store, NOON).cages}
    assert [t.temperature_c for t in by_name["birch"].limits.tiers] == [27, 29, 30, 33, 36]
    assert by_name["birch"].was_too_hot
    warmth = 4 * (30.5 - JEZEBEL.lower_threshold_c) / 24
    assert by_name["birch"].total.degree_days == pytest.approx(warmth, rel=0.01)
    store.close()


def test_degree_days_follow_a_move_that_is_entered_late(tmp_path: Path) -> None:
    """Carried over at seven, told at noon: the hours since are counted anew for whom was there, those before stay as they were.

    What was counted for others is shipped once more, as nothing, and what is shipped carries the species of its hour.
    """
    built = house()
    store = store_of(tmp_path, built, NOON - 6 * HOUR, NOON, lambda at: 20.0, [])

    def warmth(name: str) -> list[float]:
        return [t.degree_days for t in store.summaries.tally(name, NOON - 6 * HOUR, NOON)]

    def shipped() -> dict[str, float]:
        found: dict[str, float] = {}
        with closing(to_ship(tmp_path / "s.sqlite3")) as reader:
            window = reader.window(Start(), 100_000)
            assert window is not None
            for line in LineMaker(reader.series, ["alder", "birch"], {}).lines(window).texts:
                if line.startswith("tally,enclosure=birch"):
                    species_of = line.split("species=")[1].split()[0]
                    found[species_of] = found.get(species_of, 0.0) + float(line.split("degree_days=")[1].split(",")[0])
        return found

    of_monarch, of_jezebel = (20 - 11.5) / 24, (20 - 9) / 24
    assert warmth("birch") == pytest.approx([of_monarch] * 6)
    store.journal.commit(Commit(NOON, entries=[moved(NOON - 5 * HOUR + MINUTE)]))
    store.journal.summarise(NOON)
    assert warmth("birch") == pytest.approx([of_monarch] * 2 + [of_jezebel] * 4)
    assert shipped() == pytest.approx({"monarch": 2 * of_monarch, "black-jezebel": 4 * of_jezebel})
    store.close()
    again = kept(tmp_path / "s.sqlite3", built.garden.site, _build.places(built.garden))
    assert again.journal.summarise(NOON) == 2, "only the hour that runs, of the two that are counted by"
    again.close()


def test_an_era_lasts_until_another_species_counts() -> None:
    """From the next full hour on; what changes nothing of the species begins none, nor what is taken back in the hour."""
    garden = house("black-jezebel").garden

    def eras(*entries: Entry) -> list[tuple[datetime, str]]:
        return [(era.since, era.species) for era in garden.told(entries).eras("birch")]

    monarch = (EPOCH, "monarch")
    stage = entry(What.STAGE, NOON - 8 * HOUR, "second", "pupa")
    assert eras() == eras(stage) == [monarch]
    full, early = moved(NOON - 5 * HOUR), moved(NOON - 5 * HOUR - timedelta(seconds=1))
    assert eras(full) == eras(early) == [monarch, (NOON - 5 * HOUR, "black-jezebel")]
    assert eras(moved(NOON - 5 * HOUR + timedelta(seconds=1)))[1][0] == NOON - 4 * HOUR
    back = moved(NOON - 2 * HOUR, "alder")
    assert eras(stage, full, back) == [monarch, (NOON - 5 * HOUR, "black-jezebel"), (NOON - 2 * HOUR, "monarch")]
    assert eras(early, moved(NOON - 5 * HOUR, "alder")) == [monarch]


def test_who_was_inside_for_a_moment_is_judged_by_too() -> None:
    """A span is judged by everybody who was in it: from its first instant, and up to its end, not included."""
    told = house("black-jezebel").garden.told((moved(NOON - HOUR), moved(NOON, "alder")))

    def strictest(start: datetime, end: datetime) -> float:
        limits = told.during("birch", start, end)
        assert limits is not None
        return min(t.temperature_c for t in limits.tiers)

    monarch, jezebel = 29, 27
    assert strictest(NOON - 2 * HOUR, NOON - HOUR) == monarch
    assert strictest(NOON - 2 * HOUR, NOON - HOUR + MINUTE) == jezebel
    assert strictest(NOON - MINUTE, NOON) == jezebel
    assert strictest(NOON, NOON + HOUR) == monarch


def test_nobody_inside_is_judged_by_the_first_species() -> None:
    """An empty enclosure waits for whom the garden has first; where no species is known, there is nothing to judge by."""
    garden = house("black-jezebel").garden
    both = replace(garden, species={"monarch": MONARCH, "black-jezebel": JEZEBEL})
    other = replace(garden, species={"black-jezebel": JEZEBEL, "monarch": MONARCH})
    stranger = replace(garden.cohorts[0], species="unheard of")
    for known, first in ((both, "monarch"), (other, "black-jezebel")):
        for nobody in ((), [stranger]):
            limits = known.limits("cedar", nobody)
            assert limits is not None
            assert {limits.species, *(t.whose for t in limits.tiers)} == {first}
    assert replace(garden, species={}).limits("cedar", ()) is None


def test_what_is_chosen_for_an_enclosure_holds_for_its_limits_and_its_ballast() -> None:
    """Where the rules that bring these settings are left out, the usual ones hold."""
    garden = house("monarch").garden
    heat, storm = (garden.rules[name].Parameters for name in ("overheating", "storm"))
    own = {
        ("overheating", "birch"): heat.model_validate({"severe_c": 34.5}),
        ("storm", "birch"): storm.model_validate({"safety_factor": 2.0}),
    }
    chosen, plain = replace(garden, parameters={**garden.parameters, **own}), replace(garden, parameters={})
    birch, alder = (garden.at(NOON).stands[name] for name in ("birch", "alder"))

    def severe_c(of: Garden, name: str) -> float:
        limits = of.limits(name, of.cohorts)
        assert limits is not None
        return next(t.temperature_c for t in limits.tiers if t.severity is Severity.SEVERE)

    assert [severe_c(chosen, name) for name in ("birch", "alder")] == [34.5, severe_c(plain, "birch")]
    assert chosen.held(birch).by.safety_factor == 2.0
    assert chosen.held(alder).by.safety_factor == plain.held(birch).by.safety_factor == 1.5
    assert chosen.held(birch).gust_m_s(None) < plain.held(birch).gust_m_s(None)


def test_whoever_asks_again_with_the_same_tuple_is_told_the_same() -> None:
    """Nothing is worked out twice; a list may have grown meanwhile, and is looked at anew."""
    garden = house().garden
    said = (moved(),)
    told = garden.told(said)
    assert garden.told(said) is told
    assert told.at(NOON) is told.at(NOON - 5 * HOUR)
    assert told.at(NOON - 6 * HOUR) is not told.at(NOON)
    growing = [moved()]
    before = garden.told(growing)
    growing.append(moved(NOON, "alder"))
    assert len(before.entries) == 1
    assert len(garden.told(growing).entries) == 2


# --- one spell ----------------------------------------------------------------------------------------------------


def test_the_phone_and_the_week_count_the_same_spells(tmp_path: Path) -> None:
    """Seven minutes of wind within two hot hours: one spell for the rule, and one of the same length in the review."""
    built = house("monarch")

    def curve(at: datetime) -> float:
        return 31.0 if timedelta() <= at - (NOON - HOUR) < 7 * MINUTE else 34.0 if at >= NOON - 2 * HOUR else 28.0

    store = store_of(tmp_path, built, NOON - 6 * HOUR, NOON, curve, [])
    told_h = verdicts(built, store, NOON)["birch"].numbers["spell_h"]
    (birch,) = (cage for cage in week(built, store, NOON).cages if cage.name == "birch")
    longest = birch.spells[birch.limit]
    assert longest is not None
    assert longest.hours == pytest.approx(told_h, abs=0.05)
    assert longest.hours > 1.9
    store.close()


# --- answered -----------------------------------------------------------------------------------------------------


def test_what_is_done_to_the_animals_answers_for_their_enclosure() -> None:
    """A headcount of the cohort in Birch answers "look after Birch", for the judge as for the page; not one in Alder."""
    garden = house("monarch").garden
    said = garden.told(
        [entry(What.HEADCOUNT, NOON, "second", amount=9), entry(What.HEADCOUNT, NOON, "first", amount=9)]
    )
    assert [e.subject for e in said.addressed] == ["birch", "alder"]
    hot = Verdict("storm", "birch", State.BREACH, NOON - HOUR, "x", Severity.MODERATE, advice=Advice("look after"))
    concern, _ = judge(None, hot, [], USUAL, site=SITE, now=NOON - HOUR)
    assert concern is not None
    opened = replace(concern, standing=Standing.OPEN, opened_at=NOON - HOUR)
    after, _ = judge(opened, replace(hot, at=NOON), said.addressed[:1], USUAL, site=SITE, now=NOON)
    assert after is not None
    assert (after.standing, after.answer) == (Standing.ANSWERED, What.DONE)
    untouched, _ = judge(opened, replace(hot, at=NOON), said.addressed[1:], USUAL, site=SITE, now=NOON)
    assert untouched is not None
    assert untouched.standing is Standing.OPEN


# --- silent -------------------------------------------------------------------------------------------------------


def test_silent_means_one_thing(tmp_path: Path) -> None:
    """A patience that the configuration chooses holds for every rule that asks, and for the gap that is noted."""
    built = house("monarch")
    patient = replace(
        built.garden,
        parameters={
            **built.garden.parameters,
            ("silent", ""): built.garden.rules["silent"].Parameters.model_validate({"silent_min": 40}),
        },
    )
    store = store_of(tmp_path, built, NOON - HOUR, NOON, lambda at: 25.0, [])
    ago: dict[str, Any] = {p.name: NOON for p in patient.probes} | {"birch-1": NOON - 30 * MINUTE}
    for garden, state in ((built.garden, State.BREACH), (patient, State.FINE)):
        watch = Watch(NOON - DAY, True, ago, True, patience=garden.patience)
        found = asked(garden, store, "silent", [], watch, NOON)
        assert {v.subject: v.state for v in found}["birch-1"] is state
    assert AMBIENT not in {e.name for e in built.garden.enclosures}
    store.close()


def test_a_rule_takes_no_patience_of_its_own() -> None:
    """What was each rule's own may stand in an older file with its default; another value goes where it counts."""
    rule = house("monarch").garden.rules["watch"]
    assert rule.Parameters.model_validate({"silent_min": 15}) == rule.Parameters.model_validate({})
    with pytest.raises(ValueError, match=r"silent_min holds for all rules alike: give it under \[rules.silent\]"):
        rule.Parameters.model_validate({"silent_min": 30})
