"""What must hold of every rule: its contract, its parameters, its texts, and that no evidence makes it stumble."""

from __future__ import annotations

import json
import math
import re
from dataclasses import replace
from datetime import datetime, timedelta
from itertools import pairwise
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from sensord import species
from sensord.actions import named
from sensord.concerns import judge
from sensord.language import TEXT_LIMIT, TITLE_LIMIT, Catalogue, Reader
from sensord.model import (
    AMBIENT,
    Concern,
    Doubt,
    Entry,
    Kind,
    Probe,
    Quantity,
    Severity,
    Stage,
    Standing,
    State,
    Verdict,
    What,
)
from sensord.rules import Evidence, Per, Rule, Seen, Unclear, all_rules
from sensord.rules._heat import HeatLimits
from tests.rules.scenes import NOON, SITE, cohort, enclosure, evidence, pair, probe, seen, watch

MINUTE = timedelta(minutes=1)
RULES = all_rules()
TEXTS = Catalogue.load()
EVERY = pytest.mark.parametrize("rule", RULES.values(), ids=RULES.keys())
DECLARED: dict[str, tuple[int, dict[str, int]]] = {
    "ambient": (5, {"ambient": 50, "inside": 50, "irradiance": 50}),
    "battery": (30, {"battery": 360, "voltage": 360}),
    "clock": (5, {"inside": 45, "ambient": 45, "pressure": 45}),
    "frost": (15, {"inside": 120}),
    "offset": (5, {"inside": 120, "ambient": 120, "irradiance": 120}),
    "overheating": (5, {"inside": 360, "ambient": 360, "irradiance": 360}),
    "shade": (15, {"inside": 360, "ambient": 360}),
    "shelter": (15, {"gust": 70, "wind": 70, "humidity": 40}),
    "shipping": (15, {}),
    "silent": (5, {"temperature": 45, "humidity": 45, "pressure": 45}),
    "storm": (2, {"pressure": 200, "air": 40, "gust": 70, "wind": 70, "humidity": 40}),
    "watch": (5, {}),
    "wet": (60, {"humidity": 18 * 60}),
    "wind": (10, {"gust": 70, "wind": 70, "humidity": 40}),
}
"""Every how many minutes a rule is asked, and how many minutes of readings it is handed: what a turn costs, and what the
engine keeps in memory."""
PRINTABLE = {Quantity.TEMPERATURE: (-90, 130), Quantity.HUMIDITY: (-0.2, 1.3), Quantity.PRESSURE: (20_000, 120_000)}


def test_all_rules_are_found_under_their_names() -> None:
    """A rule's name is a bare key of TOML, so that configuration, concerns and texts can be written without quotes."""
    assert set(RULES) >= {"ambient", "battery", "clock", "offset", "overheating", "silent", "storm", "watch", "wet"}
    for name, rule in RULES.items():
        assert re.fullmatch(r"[a-z]+", name)
        assert rule.name == name
        assert timedelta(minutes=1) <= rule.every <= timedelta(hours=1)


@EVERY
def test_every_parameter_says_its_unit_and_where_it_is_from(rule: Rule) -> None:
    """Frozen, closed, with bounds and a default; described by a unit in brackets and a source, or as chosen."""
    config = rule.Parameters.model_config
    assert config["frozen"]
    assert config["extra"] == "forbid"
    for name, info in rule.Parameters.model_fields.items():
        words = info.description or ""
        assert re.search(r"\[[^\]]+\]", words), f"{rule.name}.{name} has no unit"
        sourced = ("chosen", "default:", "Mahoney", "York", "ASCE", "practice", "strong breeze", "trade", "as in")
        assert any(word in words for word in sourced), f"{rule.name}.{name} has no source"
        bounds = {type(bound).__name__ for bound in info.metadata}
        assert bounds & {"Ge", "Gt"}, f"{rule.name}.{name} has no lower bound"
        assert bounds & {"Le", "Lt"}, f"{rule.name}.{name} has no upper bound"
        assert not info.is_required()
    rule.Parameters()


@EVERY
def test_needs_are_modest_and_named_once(rule: Rule) -> None:
    """A rule looks back a day at most, and by one name for one thing."""
    needs = rule.needs(rule.Parameters())
    assert len({need.name for need in needs}) == len(needs)
    assert all(timedelta() < need.lookback <= timedelta(hours=24) for need in needs)
    assert all(need.where in ("subject", AMBIENT) for need in needs)


def test_how_often_a_rule_is_asked_and_how_far_it_looks_back() -> None:
    """As it is written in the table above: what is added there costs every garden."""
    declared = {
        name: (rule.every / MINUTE, {need.name: need.lookback / MINUTE for need in rule.needs(rule.Parameters())})
        for name, rule in RULES.items()
    }
    assert declared == DECLARED


@EVERY
def test_without_anything_nothing_is_called_fine(rule: Rule) -> None:
    """Empty evidence: unknown. Without readings, but with everything else: unknown too, where readings are needed."""
    bare = Evidence(SITE, "birch", rule.Parameters())
    assert rule.decide(bare, NOON).state is State.UNKNOWN
    if rule.needs(rule.Parameters()) and rule.name not in ("shade", "shelter", "silent", "clock"):
        of, known = _subject(rule), watch(NOON, {"birch-1": NOON, "post": NOON}, running_since=NOON)
        empty = evidence(rule, {}, NOON, subject=of, probe=BIRCH, probes=(BIRCH, POST), watch=known)
        assert rule.decide(empty, NOON).state is State.UNKNOWN


@pytest.mark.parametrize("name", ["battery", "frost", "offset", "overheating", "storm", "wet", "wind"])
@pytest.mark.parametrize("doubt", [d for d in Doubt if d & Doubt.UNUSABLE])
def test_readings_that_cant_be_used_are_as_none(name: str, doubt: Doubt) -> None:
    """With nothing but unusable readings a rule that judges by readings knows nothing."""
    rule = RULES[name]
    series = {n.name: [seen(BIRCH, 20.0, NOON, 3, int(doubt))] for n in rule.needs(rule.Parameters())}
    known = watch(NOON, {"birch-1": NOON, "post": NOON})
    of = evidence(rule, series, NOON, subject=_subject(rule), probe=BIRCH, probes=(BIRCH, POST), watch=known)
    assert rule.decide(of, NOON).state is State.UNKNOWN


# --- any evidence at all --------------------------------------------------------------------------------------------

BIRCH = probe("birch-1", "birch", *Quantity)
POST = probe("post", AMBIENT, *Quantity)


def _subject(rule: Rule) -> str:
    return {Per.ENCLOSURE: "birch", Per.PROBE: "birch-1", Per.SITE: ""}[rule.per]


@st.composite
def readings(draw: st.DrawFn, of: Probe, quantity: Quantity, now: datetime, hours: float) -> Seen:
    """A level, a trend, noise, a step, doubts and gaps."""
    low, high = PRINTABLE.get(quantity, (0.0, 60.0))
    level = draw(st.floats(low, high))
    trend, step = draw(st.floats(-0.2, 0.2)) * (high - low), draw(st.floats(-0.2, 0.2)) * (high - low)
    step_at, noise = draw(st.floats(-2, 0)), draw(st.sampled_from([0.0, 0.01, 0.1])) * (high - low)
    interval_s = draw(st.sampled_from([10.0, 60.0, 300.0, 1800.0, 3600.0]))
    count = min(400, int(hours * 3600 / interval_s))
    of = replace(of, interval_s=interval_s)
    seed = draw(st.integers(0, 7))
    times, values, doubts = [], [], []
    ordinary = draw(st.sampled_from([0, 0, 0, int(Doubt.WET), int(Doubt.SUNLIT), int(Doubt.LATE), int(Doubt.STUCK)]))
    for i in range(count, 0, -1):
        if (i * 7 + seed) % 11 == 0:
            continue
        h = -i * interval_s / 3600
        times.append(now.timestamp() + h * 3600)
        values.append(level + trend * h + (step if h > step_at else 0.0) + noise * math.sin(i * 12.9898 + seed))
        doubts.append(int(Doubt.JUMP) if (i + seed) % 23 == 0 else ordinary)
    if values and draw(st.booleans()):
        values[-1] = draw(st.sampled_from([math.nan, math.inf, -math.inf, 1e300, -127.0, 85.0, 0.0]))
    return Seen.of(of, times, values, doubts)


@st.composite
def anything(draw: st.DrawFn, rule: Rule) -> tuple[Evidence, datetime]:
    """Evidence for a rule: whatever the weather, the stand, the watching and what was said."""
    now = NOON + timedelta(minutes=draw(st.integers(-60 * 24 * 200, 60 * 24 * 200)))
    series: dict[str, Any] = {}
    for need in rule.needs(rule.Parameters()):
        of = POST if need.where == AMBIENT else BIRCH
        count = draw(st.sampled_from([0, 1, 1, 1, 2]))
        hours = need.lookback / timedelta(hours=1)
        series[need.name] = [draw(readings(of, need.quantity, now, hours)) for _ in range(count)]
    kind = draw(st.sampled_from(list(Kind)))
    cage = enclosure(
        kind=kind,
        open_fraction=draw(st.sampled_from([0.0, 0.3, 0.5, 0.95])),
        ballast_kg=draw(st.floats(0, 60)),
        pegged=draw(st.booleans()),
        shaded=draw(st.booleans()),
    )
    entries = [
        Entry(SITE.name, now - timedelta(minutes=ago), now, "birch", what, amount)
        for what, ago, amount in draw(
            st.lists(
                st.tuples(st.sampled_from(list(What)), st.integers(-30, 3000), st.none() | st.floats(0, 50)), max_size=4
            )
        )
    ]
    ago = st.integers(-10, 5000)
    known = watch(
        now,
        {p.name: now - timedelta(minutes=draw(ago)) for p in (BIRCH, POST) if draw(st.booleans())},
        running_since=now - timedelta(minutes=draw(st.integers(0, 3000))),
        clock_is_set=draw(st.sampled_from([True, True, False])),
        connected=draw(st.sampled_from([True, True, False])),
        disconnected_since=now - timedelta(minutes=draw(ago)),
    )
    made = evidence(
        rule,
        series,
        now,
        subject=_subject(rule),
        cages=[cage, enclosure("alder")],
        cohorts=draw(st.sampled_from([[], [cohort(stage=Stage.PUPA)], [cohort("alder")]])),
        entries=entries,
        probe=BIRCH if rule.per is Per.PROBE else None,
        probes=(BIRCH, POST),
        watch=known,
    )
    if draw(st.booleans()):  # with what the same rule found before stands a concern
        then = now - rule.every
        before = rule.decide(made, then)
        standing = draw(st.sampled_from([Standing.FORMING, Standing.OPEN, Standing.ANSWERED]))
        concern = Concern(SITE.name, rule.name, made.subject, standing, before, then)
        if standing is not Standing.FORMING:
            told = before.advice.action if before.advice else ""
            concern = replace(
                concern, opened_at=then, told=Severity.MODERATE, told_action=told, told_at=then, tellings=1
            )
        if standing is Standing.ANSWERED:
            concern = replace(concern, answered_at=then, answer=draw(st.sampled_from([What.DONE, What.NOT_NOW])))
        made = made._replace(concern=concern, others={concern.key: concern})
    return made, now


def check(verdict: Verdict, rule: Rule, subject: str, now: datetime) -> None:
    """What every verdict must be."""
    assert (verdict.rule, verdict.subject, verdict.at) == (rule.name, subject, now)
    json.dumps(dict(verdict.numbers), allow_nan=False)
    for name, number in verdict.numbers.items():
        assert isinstance(number, float | int | str | bool), name
        if name.endswith("_at"):
            assert datetime.fromisoformat(str(number)).tzinfo is not None, name
    assert verdict.reason in set(Unclear if verdict.state is State.UNKNOWN else rule.reasons)
    assert verdict.advice is None or named(verdict.advice.action) in rule.advises
    assert (verdict.severity is not Severity.NONE) == (verdict.state is State.BREACH)
    if verdict.state is State.UNKNOWN:
        assert verdict.advice is None
    if verdict.easing:
        assert verdict.state is State.FINE
    if verdict.advice is not None:
        advice = verdict.advice
        assert all(end is None or end > now for end in (advice.by, advice.holds_until)), "late before it is told"
        assert advice.outdoors == (advice.action != "stay in")


def check_texts(verdict: Verdict, rule: Rule) -> None:
    """What can be pushed has a text that needs no number which the verdict does not carry."""
    pushed = verdict.state is State.BREACH or verdict.advice is not None
    if not pushed:
        return
    text = TEXTS.find(rule.name, verdict.reason)
    assert text is not None, f"{rule.name}.{verdict.reason} has no text"
    reader = Reader(TEXTS, "metric", ZoneInfo("America/Detroit"), verdict.at, 2.0)
    advice = verdict.advice
    numbers = {**verdict.numbers, "subject": "Birch", "site": "Larkfield"}
    numbers["by_at"] = advice.by.isoformat() if advice and advice.by else None
    for template, limit in ((text.title, TITLE_LIMIT), (text.text, TEXT_LIMIT), (text.each or (), 200)):
        filled = reader.fill(template, numbers, 10_000)
        assert not filled.missing, f"{rule.name}.{verdict.reason} lacks {filled.missing}"
        assert len(filled.text) <= limit, filled.text


@EVERY
def test_no_evidence_makes_it_stumble(rule: Rule) -> None:
    """Whatever is handed over: a verdict, with finite numbers, advice that is not late, and a text that can be filled."""

    @settings(max_examples=120, deadline=None, suppress_health_check=list(HealthCheck))
    @given(anything(rule))
    def run(made: tuple[Evidence, datetime]) -> None:
        known, now = made
        verdict = rule.decide(known, now)
        check(verdict, rule, known.subject, now)
        check_texts(verdict, rule)
        judge(known.concern, verdict, known.entries, rule.manner, site=SITE.name, now=now)

    run()


@EVERY
def test_the_same_evidence_gives_the_same_verdict(rule: Rule) -> None:
    """A rule keeps nothing to itself: asked twice, it says the same, and it changes nothing that it was handed."""

    @settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))
    @given(anything(rule))
    def run(made: tuple[Evidence, datetime]) -> None:
        known, now = made
        copies = {name: [(list(s.times_s), list(s.doubts)) for s in them] for name, them in known.series.items()}
        assert rule.decide(known, now) == rule.decide(known, now)
        assert copies == {
            name: [(list(s.times_s), list(s.doubts)) for s in them] for name, them in known.series.items()
        }

    run()


@pytest.mark.parametrize("worth", [math.nan, math.inf, -math.inf])
@pytest.mark.parametrize("place", [0, 5, -1])
def test_what_is_no_number_is_not_computed_with(worth: float, place: int) -> None:
    """Wherever it stands in a series: neither minimum nor maximum of a list sees every NaN."""
    known = evidence(RULES["overheating"], pair(30.0, 28.0, NOON), NOON)
    seen = known.series["inside"][0]
    values = list(seen.values)
    values[place] = worth
    part = Seen.of(seen.probe, seen.times_s, values, seen.doubts).usable(NOON.timestamp())
    assert len(part.values) == len(values) - 1
    assert all(map(math.isfinite, part.values))


def test_every_text_of_a_rule_is_of_a_rule() -> None:
    """No table of the text file is left over from a rule that is gone."""
    assert {rule for rule, _ in TEXTS.rules} <= set(RULES)


@pytest.mark.parametrize("name", species.names())
def test_the_heat_of_every_species_is_told_by_its_own_tiers(name: str) -> None:
    """A degree above a species' tier, for longer than its file says: that tier's severity, in a box where it is air."""
    rule, own = RULES["overheating"], species.load(name)
    for tier, hotter in pairwise([*own.heat_tiers, None]):
        if tier is None or tier.severity < Severity.MODERATE:
            continue
        warm = tier.temperature_c + 0.5
        assert hotter is None or warm < hotter.temperature_c
        if tier.sustained_hours >= 5.5:
            continue  # longer than the rule looks back
        now = NOON + timedelta(hours=3)
        known = evidence(rule, pair(warm, warm - 5.0, now), now, cages=[enclosure(kind=Kind.CLEAR_BOX)])
        assert (
            rule.decide(known._replace(limits=HeatLimits().limits_of([(own, None)])), now).severity is tier.severity
        ), (name, tier)
