"""Development: constants against published durations and generations, forecasts against what must hold of any."""

from __future__ import annotations

import math
from statistics import NormalDist

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sensord.model import Stage
from sensord.science.curve import Outlook, PastReadings, Tallies, carry_on, outlook_from_hours
from sensord.science.degree_days import DAY_S, Tally
from sensord.science.development import (
    REACHED_DEGREE_DAYS,
    DevelopmentPlan,
    Forecast,
    Passage,
    days_at,
    forecast,
    generations,
)
from sensord.science.thresholds import Cutoff
from sensord.species import load

MONARCH = load("monarch")
NOW = 1_788_000_000.0  # a summer's day


def constant(temperature_c: float, start_s: float, end_s: float) -> PastReadings:
    times = [start_s + 600.0 * index for index in range(int((end_s - start_s) // 600) + 1)]
    return PastReadings(times, [temperature_c] * len(times))


def steady(temperature_c: float, days: int, sd_c: float = 0.0) -> Outlook:
    return outlook_from_hours([NOW, NOW + days * DAY_S], [temperature_c] * 2, sd_c)


# --- published durations and generations -----------------------------------------------------------------------------

EGG, LARVA, PUPA = 45.0, 186.9, 120.0  # the monarch's sums [°C·d]; the pupa's from memory

# Days in summer. Egg 3–8: [LSUBugBiz]. Larva 9–18: monarchconservation.org from 9, [MonarchBuddies] to 18. Pupa 8–15:
# [MonarchJointVenture]. Total 20–37: [XercesMonarch] from 20, [MonarchBuddies] about 37. Only 22–25 °C is "summer" here:
# at 27 °C the sums run just below the envelopes, at 18 °C well above.
ENVELOPES = [("egg", EGG, 3, 8), ("larva", LARVA, 9, 18), ("pupa", PUPA, 8, 15), ("total", EGG + LARVA + PUPA, 20, 37)]


@pytest.mark.outside
@pytest.mark.parametrize("temperature_c", [22.0, 23.0, 24.0, 25.0])
@pytest.mark.parametrize(("_", "degree_days", "fewest", "most"), ENVELOPES, ids=[row[0] for row in ENVELOPES])
def test_stages_last_as_long_as_published_at_22_to_25_c(temperature_c, _, degree_days, fewest, most):
    """The sums with their threshold give durations within the envelope of published life cycles."""
    assert fewest <= days_at(temperature_c, degree_days, 11.5, 33) <= most


@pytest.mark.outside
@pytest.mark.parametrize("temperature_c", [21.5, 22.0, 23.0, 24.0, 25.0, 27.0])
def test_egg_to_adult_is_21_to_35_days(temperature_c):
    """Common practice, no source: egg to adult takes 21–35 days, mostly 25–30 (that at 23–25 °C)."""
    days = days_at(temperature_c, EGG + LARVA + PUPA, 11.5, 33)
    assert 21 <= days <= 35.2
    if 24 <= temperature_c <= 25:
        assert 25 <= days <= 30


# Durations [d] worked out from sums of [Grant2020] above 11.5 °C by DD / (T − 11.5): arithmetic, to two decimals.
WORKED = [
    (18, 6.92, 35.68, 18.46),
    (20, 5.29, 27.28, 14.12),
    (22, 4.29, 22.09, 11.43),
    (25, 3.33, 17.18, 8.89),
    (27, 2.90, 14.96, 7.74),
    (30, 2.43, 12.54, 6.49),
]


@pytest.mark.outside
@pytest.mark.parametrize(("temperature_c", "egg", "to_pupation", "pupa"), WORKED)
def test_durations_at_constant_temperatures(temperature_c, egg, to_pupation, pupa):
    """The model file's stage sums give the worked durations: 45 to hatching, 231.9 to pupation, 120 as pupa."""
    totals = [p.degree_days.value for p in MONARCH.stages]
    lower, upper = MONARCH.lower_threshold_c, MONARCH.upper_threshold_c
    assert days_at(temperature_c, totals[0], lower, upper) == pytest.approx(egg, abs=0.005)
    assert days_at(temperature_c, sum(totals[:6]), lower, upper) == pytest.approx(to_pupation, abs=0.0051)
    assert days_at(temperature_c, totals[6], lower, upper) == pytest.approx(pupa, abs=0.005)


# [LentzTaylor2005] table 1: °F-days and generations by 23 September of 2003, 2004, 2005.
GENERATIONS = [
    ("Winnipeg", 1508.1, 2.01),
    ("Winnipeg", 996.8, 1.33),
    ("Winnipeg", 1351.0, 1.80),
    ("St Paul", 2160.6, 2.88),
    ("St Paul", 1856.2, 2.47),
    ("St Paul", 2250.7, 3.0),
    ("Des Moines", 2626.3, 3.50),
    ("Des Moines", 2391.5, 3.19),
    ("Des Moines", 2866.0, 3.82),
    ("Lawrence", 3003.9, 4.0),
    ("Lawrence", 2863.9, 3.81),
    ("Lawrence", 3180.3, 4.24),
    ("Dallas", 4511.0, 6.0),
    ("Dallas", 4458.3, 5.94),
    ("Dallas", 4783.8, 6.38),
]


@pytest.mark.outside
@pytest.mark.parametrize(("_", "degree_days_f", "published"), GENERATIONS)
def test_generations_of_five_cities(_, degree_days_f, published):
    """750 °F-days a generation gives each published number to within the rounding of the generation constant."""
    assert generations(degree_days_f / 1.8) == pytest.approx(published, abs=0.0155)


@pytest.mark.outside
@pytest.mark.parametrize(("temperature_c", "days"), [(27, 29), (19, 52)])
def test_black_jezebel_develops_as_published(temperature_c, days):
    """[BrabyLyonns2003]: first instar to adult 29 d at 27 °C, 52 d at 19 °C; the paper's own fit misses by 6 %."""
    species = load("black-jezebel")
    ours = days_at(temperature_c, species.stages[0].degree_days.value, species.lower_threshold_c)
    assert ours == pytest.approx(days, rel=0.06)


@pytest.mark.outside
@pytest.mark.parametrize(("name", "by_stage"), [("large-white", 468), ("indian-fritillary", 480), ("spangle", 553.8)])
def test_stage_sums_come_near_the_published_whole(name, by_stage):
    """[Buckley2022] gives egg to adult too, above a common threshold: within 6 %, as stage thresholds differ."""
    assert sum(part.degree_days.value for part in load(name).stages) == pytest.approx(by_stage, rel=0.06)


def test_nothing_develops_at_or_below_the_threshold():
    """Below the threshold a stage never ends; heat above the upper one does not shorten it further."""
    assert days_at(11.5, 45, 11.5) == math.inf
    assert days_at(5, 45, 11.5) == math.inf
    assert days_at(40, 45, 11.5, 33) == days_at(33, 45, 11.5, 33)
    with pytest.raises(ValueError, match="negative"):
        days_at(20, -1, 11.5)
    assert days_at(20, 0, 11.5) == 0
    assert days_at(12, 45, 11.5) == 90


# --- forecasts ---------------------------------------------------------------------------------------------------------


def coming(result: Forecast) -> dict[Stage, tuple[float | None, float | None, float | None]]:
    return {stage.stage: (stage.p10_s, stage.p50_s, stage.p90_s) for stage in result.coming}


def test_at_a_constant_temperature_the_median_is_sum_over_rate():
    """An egg laid now at 25 °C: each coming stage's P50 lies at its summed degree-days over 13.5, within a few hours."""
    result = forecast(MONARCH.plan(), Stage.EGG, NOW, constant(25, NOW, NOW), steady(25, 60), NOW)
    total = 0.0
    for part, (stage, dates) in zip(MONARCH.stages, coming(result).items(), strict=True):
        total += part.degree_days.value
        assert dates[1] == pytest.approx(NOW + total / 13.5 * DAY_S, abs=0.25 * DAY_S), stage
        assert dates[0] < dates[1] < dates[2]


def test_the_spread_is_that_of_the_stages_added():
    """P10–P90 of pupation is 2.56 standard deviations of the independent sum, a tenth less for the cut tails."""
    result = forecast(MONARCH.plan(), Stage.EGG, NOW, constant(25, NOW, NOW), steady(25, 60), NOW, draws=9000)
    sd = math.sqrt(sum(part.sd.value**2 for part in MONARCH.stages[:6]))
    p10, _, p90 = coming(result)[Stage.PUPA]
    assert (p90 - p10) / DAY_S * 13.5 == pytest.approx(2.563 * sd * 0.88, rel=0.05)


def test_the_same_question_gets_the_same_answer():
    """Simulation is seeded: no date moves between two calls, and another seed moves the median by hours at most."""
    ask = (MONARCH.plan(), Stage.INSTAR_3, NOW - DAY_S, constant(24, NOW - DAY_S, NOW), steady(22, 60, 1.5), NOW)
    assert forecast(*ask) == forecast(*ask)
    other = coming(forecast(*ask, seed=7))
    for stage, dates in coming(forecast(*ask)).items():
        assert other[stage][1] == pytest.approx(dates[1], abs=0.35 * DAY_S)


@settings(max_examples=15, deadline=None)
@given(st.floats(15, 28), st.floats(0.5, 4))
def test_a_warmer_outlook_is_never_later(temperature_c, warmer):
    """Monotone in temperature: every quantile of every stage."""
    past = constant(20, NOW - DAY_S, NOW)
    cool = forecast(MONARCH.plan(), Stage.PUPA, NOW - DAY_S, past, steady(temperature_c, 90), NOW, draws=90)
    warm = forecast(MONARCH.plan(), Stage.PUPA, NOW - DAY_S, past, steady(temperature_c + warmer, 90), NOW, draws=90)
    for earlier, later in zip(coming(warm)[Stage.ADULT], coming(cool)[Stage.ADULT], strict=True):
        assert earlier <= (math.inf if later is None else later) + 1e-6


def test_an_uncertain_outlook_widens_the_range():
    """The error of the outlook spreads the dates to both sides."""
    past = constant(20, NOW - DAY_S, NOW)
    sharp = coming(forecast(MONARCH.plan(), Stage.PUPA, NOW - DAY_S, past, steady(22, 60), NOW))[Stage.ADULT]
    blunt = coming(forecast(MONARCH.plan(), Stage.PUPA, NOW - DAY_S, past, steady(22, 60, 2.0), NOW))[Stage.ADULT]
    assert blunt[0] < sharp[0]
    assert blunt[2] > sharp[2]


def test_what_the_cohort_had_brings_the_date_nearer():
    """A pupa of five days at 25 °C has 67.5 °C·d, and emerges that much sooner than one of today."""
    since = NOW - 5 * DAY_S
    result = forecast(MONARCH.plan(), Stage.PUPA, since, constant(25, since, NOW), steady(25, 60), NOW)
    assert result.degree_days == pytest.approx(67.5, abs=0.01)
    assert coming(result)[Stage.ADULT][1] == pytest.approx(NOW + (120 - 67.5) / 13.5 * DAY_S, abs=0.15 * DAY_S)


def test_tallies_forecast_as_readings_do():
    """Hourly tallies of where it stood give the same dates as the readings they were made of."""
    since = NOW - 3 * DAY_S
    readings = constant(24, since, NOW)
    hours = [since + 3600.0 * hour for hour in range(72)]
    tallies = Tallies(hours, [Tally(12.5 / 24, 3600, 0, 0)] * 72, 11.5)
    by_tally = forecast(MONARCH.plan(), Stage.PUPA, since, tallies, steady(24, 60), NOW)
    by_reading = forecast(MONARCH.plan(), Stage.PUPA, since, readings, steady(24, 60), NOW)
    assert coming(by_tally)[Stage.ADULT] == pytest.approx(coming(by_reading)[Stage.ADULT], abs=1)
    with pytest.raises(ValueError, match="were made above"):
        tallies.curve(10.0, None, Cutoff.HORIZONTAL, since, NOW)


def test_missing_time_goes_at_the_mean_rate_of_the_rest_and_is_told():
    """A lost day of four does not make the animals a day younger; more than half lost is unknown."""
    since = NOW - 4 * DAY_S
    whole = constant(25, since, NOW)
    cut = [(t, c) for t, c in zip(*whole[:2], strict=True) if not since + DAY_S < t < since + 2 * DAY_S]
    gappy = PastReadings([t for t, _ in cut], [c for _, c in cut])
    full = forecast(MONARCH.plan(), Stage.PUPA, since, whole, steady(25, 60), NOW)
    partial = forecast(MONARCH.plan(), Stage.PUPA, since, gappy, steady(25, 60), NOW)
    assert partial.degree_days == pytest.approx(full.degree_days)
    assert partial.missing_hours == pytest.approx(24)
    assert any("24.0 h without readings" in caveat for caveat in partial.caveats)
    lost = forecast(MONARCH.plan(), Stage.PUPA, since, constant(25, NOW - DAY_S, NOW), steady(25, 60), NOW)
    assert lost.coming == ()
    assert "more than half" in lost.refused[0].why


def test_being_seen_still_as_a_larva_moves_the_date():
    """Animals that would have pupated by then are left out; if none would be left, the forecast refuses and says why."""
    since = NOW - 5 * DAY_S
    ask = (MONARCH.plan(), Stage.INSTAR_5, since, constant(24.5, since, NOW), steady(24.5, 60), NOW)
    unseen, seen = forecast(*ask), forecast(*ask, seen_s=NOW)
    assert coming(unseen)[Stage.PUPA][0] < NOW < coming(seen)[Stage.PUPA][0]
    late = forecast(
        MONARCH.plan(), Stage.INSTAR_5, since - 5 * DAY_S, constant(25, since - 5 * DAY_S, NOW), *ask[4:], NOW
    )
    assert late.coming == ()
    assert "later than the published spread" in late.refused[0].why


def test_beyond_the_outlook_dates_stay_open_or_are_marked():
    """Without temperatures to the end a date is None; carried on by repeating days it is a date, and marked so."""
    short = steady(25, 6)
    past = constant(25, NOW, NOW)
    open_end = forecast(MONARCH.plan(), Stage.INSTAR_5, NOW, past, short, NOW)
    pupa, adult = open_end.coming
    assert not pupa.carried
    assert adult.p50_s is None
    assert adult.carried
    closed = forecast(MONARCH.plan(), Stage.INSTAR_5, NOW, past, carry_on(short, NOW + 40 * DAY_S), NOW)
    assert closed.coming[1].p50_s == pytest.approx(NOW + (66.6 + 120) / 13.5 * DAY_S, abs=0.2 * DAY_S)
    assert closed.coming[1].carried
    assert any("outlook" in caveat for caveat in closed.caveats)


@pytest.mark.parametrize("name", ["small-white", "large-white", "spangle", "black-swallowtail"])
def test_species_that_rest_as_autumn_pupae_refuse_emergence(name):
    """No emergence date, but the reason; what comes before is still forecast where its sum is known."""
    plan = load(name).plan()
    result = forecast(plan, Stage.INSTAR_2, NOW, constant(22, NOW, NOW), steady(22, 120), NOW)
    assert Stage.ADULT not in coming(result)
    assert [refused.stage for refused in result.refused] == [Stage.ADULT]
    assert "winter" in result.refused[0].why
    assert (Stage.PUPA in coming(result)) == (len(plan.passages) > 1)


def test_a_stage_without_a_sum_is_refused():
    """The black jezebel's egg has no published sum, and an adult has nothing to come."""
    ask = (NOW, constant(22, NOW, NOW), steady(22, 60), NOW)
    assert "no sum is known" in forecast(load("black-jezebel").plan(), Stage.EGG, *ask).refused[0].why
    none = forecast(MONARCH.plan(), Stage.ADULT, *ask)
    assert (none.degree_days, none.missing_hours) == (0.0, 0.0)
    assert "no stage to come" in forecast(MONARCH.plan(), Stage.ADULT, *ask).refused[0].why


def test_a_stage_within_a_longer_sum_takes_its_share():
    """Where only the larva as a whole is published, a fifth instar is taken to have most of it behind it."""
    plan = load("large-white").plan()
    young = forecast(plan, Stage.INSTAR_1, NOW, constant(22, NOW, NOW), steady(22, 60), NOW)
    old = forecast(plan, Stage.INSTAR_5, NOW, constant(22, NOW, NOW), steady(22, 60), NOW)
    left = (coming(old)[Stage.PUPA][1] - NOW) / (coming(young)[Stage.PUPA][1] - NOW)
    assert left == pytest.approx(66.6 / 186.9, abs=0.06)


def test_caveats_name_air_and_day_length():
    """Every forecast says that air is not body, and that day length and plants shift the sum; a proxy says it is one."""
    result = forecast(load("painted-lady").plan(), Stage.EGG, NOW, constant(22, NOW, NOW), steady(22, 60), NOW)
    text = " ".join(result.caveats)
    assert "not bodies" in text
    assert "Shortening days" in text
    assert "Vanessa atalanta" in text
    assert result.coming[0].confidence == "proxy"
    assert coming(forecast(MONARCH.plan(), Stage.PUPA, NOW, constant(22, NOW, NOW), steady(22, 60), NOW))
    assert (
        forecast(MONARCH.plan(), Stage.PUPA, NOW, constant(22, NOW, NOW), steady(22, 60), NOW).coming[0].confidence
        == "from memory"
    )


def one_passage(sd: float = 0.0, mean: float = 135.0, stage: Stage = Stage.PUPA) -> DevelopmentPlan:
    """A plan of one passage to the adult, ten days at 25 °C."""
    return DevelopmentPlan((Passage(stage, Stage.PUPA, mean, sd, 11.5, "chosen"),), None, Cutoff.NONE)


def adult_days(plan: DevelopmentPlan, outlook: Outlook, stage: Stage = Stage.PUPA, draws: int = 900) -> list[float]:
    """P10, P50 and P90 of emergence of what entered its stage now [d]."""
    (adult,) = forecast(plan, stage, NOW, constant(25, NOW, NOW), outlook, NOW, draws=draws).coming
    return [(date_s - NOW) / DAY_S for date_s in (adult.p10_s, adult.p50_s, adult.p90_s)]


@pytest.mark.outside
def test_the_outlook_errs_as_a_normal_distribution_does():
    """Nine equally likely errors: P10 and P90 are the outermost, the normal quantiles of 17/18 and 1/18 (standard library)."""
    outermost = NormalDist().inv_cdf(0.5 / 9)
    for draws in (9, 900):
        days = adult_days(one_passage(), steady(25, 60, 1.5), draws=draws)
        assert days == pytest.approx([135 / (13.5 - 1.5 * outermost), 10, 135 / (13.5 + 1.5 * outermost)], abs=1e-6)


@pytest.mark.outside
def test_animals_spread_as_a_normal_distribution_cut_at_two_deviations():
    """P10, P50, P90 of [Grant2020]'s truncated normal, by the standard library's quantiles, to 0.02 deviations."""
    inside = NormalDist().cdf(2) - NormalDist().cdf(-2)
    wanted = [NormalDist().inv_cdf(NormalDist().cdf(-2) + share * inside) for share in (0.1, 0.5, 0.9)]
    days = adult_days(one_passage(sd=13.5), steady(25, 60), draws=20_000)
    assert [day - 10 for day in days] == pytest.approx(wanted, abs=0.02)


def test_no_animal_needs_less_than_nothing():
    """Where the deviation is as large as the mean, draws of 0 and less are drawn again."""
    low, middle, high = adult_days(one_passage(sd=135.0), steady(25, 60), draws=9000)
    assert 0.5 < low < 10 < middle < high < 30


def test_how_much_of_a_longer_sum_lies_behind_is_known_to_15_percent():
    """A fifth instar of a sum from the egg has 165.3 of 351.9 parts behind it, as the monarch has, give or take 15 %."""
    days = adult_days(one_passage(stage=Stage.EGG), steady(25, 60), Stage.INSTAR_5, draws=9000)
    share = 165.3 / 351.9
    assert days == pytest.approx([10 * (1 - share * (1 + part)) for part in (0.12, 0.0, -0.12)], abs=0.03)


@pytest.mark.outside
def test_a_monarch_has_reached_each_stage_with_the_published_sum():
    """Cumulative sums of [Grant2020] to the end of each stage; the pupa's 120 from memory. [LentzTaylor2005]: 750 °F-days."""
    assert list(REACHED_DEGREE_DAYS.items()) == list(
        zip(Stage, (0.0, 45.0, 77.3, 105.1, 129.6, 165.3, 231.9, 351.9), strict=True)
    )
    assert generations(750 / 1.8) == 1.0


def test_half_of_the_time_may_be_missing():
    """A second more is too much to fill in."""
    since = NOW - 4 * DAY_S
    for seconds, known in ((0, True), (1, False)):
        half = PastReadings([since + 2 * DAY_S + seconds, NOW], [25.0, 25.0], math.inf)
        found = forecast(one_passage(), Stage.PUPA, since, half, steady(25, 60), NOW)
        assert bool(found.coming) == known
        assert found.missing_hours == pytest.approx(48 + seconds / 3600)


def test_who_was_seen_at_the_instant_is_left_out_and_few_draws_suffice():
    """Animals that would have moved on by then, or just then; of less than 25 draws all must be left."""
    plan, outlook = one_passage(), steady(25, 60, 1.5)
    ask = (plan, Stage.PUPA, NOW, constant(25, NOW, NOW), outlook, NOW)
    middle_s = NOW + 10 * DAY_S
    (adult,) = forecast(*ask, draws=900, seen_s=middle_s).coming
    assert adult.p10_s > middle_s
    assert forecast(*ask, draws=9).coming
    assert forecast(*ask, draws=9, seen_s=middle_s).coming == ()


def test_a_date_is_marked_where_it_lies_beyond_what_is_known():
    """At the very end of the outlook it is not; a second later it is."""
    for seconds, carried in ((0, False), (-1, True)):
        outlook = steady(25, 60)._replace(known_until_s=NOW + 10 * DAY_S + seconds)
        found = forecast(one_passage(), Stage.PUPA, NOW, constant(25, NOW, NOW), outlook, NOW)
        assert found.coming[0].carried == carried
        assert any("last days are taken to repeat" in caveat for caveat in found.caveats) == carried
    assert not any("without readings" in caveat for caveat in found.caveats)


def test_impossible_questions_are_refused():
    """A stage that begins in the future, or too many draws, raises ValueError."""
    with pytest.raises(ValueError, match="after now"):
        forecast(MONARCH.plan(), Stage.EGG, NOW + 1, constant(20, NOW, NOW), steady(20, 9), NOW)
    with pytest.raises(ValueError, match="draws"):
        forecast(MONARCH.plan(), Stage.EGG, NOW, constant(20, NOW, NOW), steady(20, 9), NOW, draws=0)
    with pytest.raises(ValueError, match="draws must be 1 to 20000, not 20001"):
        forecast(one_passage(), Stage.PUPA, NOW, constant(20, NOW, NOW), steady(20, 90), NOW, draws=20_001)
    assert forecast(one_passage(), Stage.PUPA, NOW, constant(20, NOW, NOW), steady(20, 90), NOW, draws=1).coming


def test_a_plan_of_ones_own_can_be_forecast():
    """Nothing but a plan is needed: thresholds may differ by passage, each walks its own curve."""
    plan = DevelopmentPlan(
        (
            Passage(Stage.EGG, Stage.INSTAR_5, 100, 1, 10.0, "chosen"),
            Passage(Stage.PUPA, Stage.PUPA, 50, 1, 15.0, "chosen"),
        ),
        None,
        Cutoff.NONE,
    )
    result = forecast(plan, Stage.EGG, NOW, constant(20, NOW, NOW), steady(20, 60), NOW)
    assert coming(result)[Stage.PUPA][1] == pytest.approx(NOW + 10 * DAY_S, abs=0.05 * DAY_S)
    assert coming(result)[Stage.ADULT][1] == pytest.approx(NOW + 20 * DAY_S, abs=0.1 * DAY_S)
