"""When the next stage comes: degree-days needed, had and to be expected, as a distribution of dates.

Animals differ: each passage through a stage takes a normal amount of warmth, cut at two standard deviations as in
[Grant2020]. A forecast draws many animals with a fixed seed, walks each along what the cohort had and along the
outlook, whose error is one bias per draw, and reads P10, P50 and P90 off the dates. The same input gives the same
answer.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from random import Random
from statistics import NormalDist
from typing import NamedTuple

from sensord.model import Stage
from sensord.science.curve import Curve, Outlook, Past
from sensord.science.thresholds import Cutoff, check_thresholds

ORDER = tuple(Stage)
MOST_DRAWS = 20_000
FEWEST_KEPT = 25
"""With fewer draws left after what was seen, the spread no longer explains it (chosen)."""

BIASES = tuple(NormalDist().inv_cdf((index + 0.5) / 9) for index in range(9))
"""Nine equally likely errors of an outlook, in standard deviations."""

GENERATION_DEGREE_DAYS = 750.0 / 1.8
"""One monarch generation, egg to egg [°C·d]. Source: [LentzTaylor2005] table 1, 750 °F-days; unit inferred"""

REACHED_DEGREE_DAYS = dict(zip(ORDER, (0.0, 45.0, 77.3, 105.1, 129.6, 165.3, 231.9, 351.9), strict=True))
"""The monarch's warmth from laying to the start of each stage [°C·d]; shares a sum out where only the whole is known.

Source: [Grant2020], cumulative; the pupa's 120 from memory
"""

AIR_NOT_BODY = (
    "The probe measures air, not bodies: in open sun three nettle butterflies took 10–20 % less time than in shade "
    "[Bryant2002]. Animals that bask come earlier than a shaded probe says, and a probe in the sun promises too much."
)
PHOTOPERIOD = (
    "Shortening days and older host plants lowered, and extreme heat raised, the warmth that monarchs took from egg to "
    "adult [GoehringOberhauser2002]: take a range, not a day."
)


class Passage(NamedTuple):
    """One stage, or several of which only the sum is known: from the start of `stage` to the end of `through`."""

    stage: Stage
    through: Stage
    degree_days: float  # mean of animals [°C·d]
    sd_degree_days: float  # between animals [°C·d]
    lower_c: float
    confidence: str

    @property
    def leads_to(self) -> Stage:
        """The stage that begins when this passage is done."""
        return ORDER[ORDER.index(self.through) + 1]


class DevelopmentPlan(NamedTuple):
    """What a species profile says of development."""

    passages: tuple[Passage, ...]
    upper_c: float | None
    cutoff: Cutoff
    emergence_refusal: str = ""  # why no emergence may be forecast; "" where it may
    caveats: tuple[str, ...] = ()


class Coming(NamedTuple):
    """When a stage begins, Unix time [s]; None where that lies beyond the end of the outlook."""

    stage: Stage
    p10_s: float | None
    p50_s: float | None
    p90_s: float | None
    confidence: str  # of the sum of the passage that leads to it
    carried: bool  # P90 lies, or may lie, beyond what the outlook knows


class NoForecast(NamedTuple):
    """A stage that is not forecast, and why."""

    stage: Stage
    why: str


class Forecast(NamedTuple):
    """What comes, in order; what is not forecast and why; and what to know before leaning on it."""

    coming: tuple[Coming, ...]
    refused: tuple[NoForecast, ...]
    caveats: tuple[str, ...]
    degree_days: float  # since the stage began, above the threshold of the present passage [°C·d]
    missing_hours: float  # of that time, filled in at the mean rate of the rest


def days_at(temperature_c: float, degree_days: float, lower_c: float, upper_c: float | None = None) -> float:
    """Days that a sum takes at a constant temperature [d]; infinite at or below the lower threshold.

    Args:
        temperature_c: constant [°C].
        degree_days: to be had, not negative [°C·d].
        lower_c: threshold of development [°C].
        upper_c: above it warmth counts as at it (horizontal cut-off), or None [°C].

    Source: [Zalucki1982] as [Grant2020], the linear degree-day model
    """
    check_thresholds(lower_c, upper_c)
    if degree_days < 0:
        raise ValueError(f"a sum of degree-days can't be negative, not {degree_days}")
    rate = min(temperature_c, math.inf if upper_c is None else upper_c) - lower_c
    return degree_days / rate if rate > 0 else math.inf


def generations(degree_days: float) -> float:
    """Monarch generations that a season's warmth allows.

    Args:
        degree_days: of the season, above the monarch's lower threshold [°C·d].

    Source: [LentzTaylor2005] table 1
    """
    return degree_days / GENERATION_DEGREE_DAYS


def forecast(
    plan: DevelopmentPlan,
    stage: Stage,
    since_s: float,
    past: Past,
    outlook: Outlook,
    now_s: float,
    seen_s: float | None = None,
    draws: int = 900,
    seed: int = 1,
) -> Forecast:
    """Dates of every coming stage of a cohort. Dates may lie in the past: then the stage is due to have come.

    Args:
        plan: of the species.
        stage: in which the cohort stands.
        since_s: when it entered that stage, Unix time [s].
        past: temperatures or tallies of where it stood, from then until now.
        outlook: of the temperatures where it will stand.
        now_s: where past and outlook meet [s].
        seen_s: when it was last seen to be still in that stage: animals that would have moved on are left out [s].
        draws: animals drawn, up to 20000.
        seed: of the draw.

    Raises:
        ValueError: for a stage that began in the future, too many draws, tallies of another threshold.

    Source: [Zalucki1982] by [Grant2020] for the spread between animals, truncated at ±2 SD
    """
    if since_s > now_s:
        raise ValueError(f"the stage began ({since_s} s) after now ({now_s} s)")
    if not 1 <= draws <= MOST_DRAWS:
        raise ValueError(f"draws must be 1 to {MOST_DRAWS}, not {draws}")
    ahead = [passage for passage in plan.passages if ORDER.index(passage.through) >= ORDER.index(stage)]
    caveats = (AIR_NOT_BODY, PHOTOPERIOD, *plan.caveats)
    if not ahead or ORDER.index(ahead[0].stage) > ORDER.index(stage):
        why = "adults have no stage to come" if stage is Stage.ADULT else f"no sum is known for the stage {stage}"
        return Forecast((), (NoForecast(stage, why),), caveats, 0.0, 0.0)
    had = {lower_c: past.curve(lower_c, plan.upper_c, plan.cutoff, since_s, now_s) for lower_c in _lowers(ahead)}
    here = had[ahead[0].lower_c]
    answer = Forecast((), (), caveats, here.total, here.missing_s / 3600)
    if here.missing_s > (now_s - since_s) / 2:
        why = "more than half of the time since the stage began was not measured"
        return answer._replace(refused=(NoForecast(ahead[0].leads_to, why),))
    dates = _draw(plan, ahead, stage, since_s, had, outlook, now_s, Random(seed), draws)  # noqa: S311 - a simulation
    kept = [row for row in dates if seen_s is None or row[0] > seen_s]
    if len(kept) < min(FEWEST_KEPT, draws):
        why = f"it was seen as {stage} later than the published spread allows: check the stage and the probe's place"
        return answer._replace(refused=(NoForecast(ahead[0].leads_to, why),))
    return _read_off(answer, plan, ahead, kept, outlook.known_until_s)


def _read_off(
    answer: Forecast,
    plan: DevelopmentPlan,
    ahead: Sequence[Passage],
    rows: Sequence[Sequence[float]],
    known_until_s: float,
) -> Forecast:
    """The answer with what comes, what is refused, and the caveats that follow from it."""
    coming, refused, caveats = [], [], list(answer.caveats)
    for index, passage in enumerate(ahead):
        if passage.leads_to is Stage.ADULT and plan.emergence_refusal:
            refused.append(NoForecast(Stage.ADULT, plan.emergence_refusal))
        else:
            coming.append(_quantiles(passage, sorted(row[index] for row in rows), known_until_s))
    if answer.missing_hours:
        caveats.append(f"{answer.missing_hours:.1f} h without readings were filled in at the mean rate of the rest.")
    if any(stage.carried for stage in coming):
        caveats.append("Beyond the end of the outlook its last days are taken to repeat, or the date stays open.")
    return answer._replace(coming=tuple(coming), refused=tuple(refused), caveats=tuple(caveats))


def _lowers(passages: Sequence[Passage]) -> set[float]:
    return {passage.lower_c for passage in passages}


def _draw(
    plan: DevelopmentPlan,
    ahead: Sequence[Passage],
    stage: Stage,
    since_s: float,
    had: dict[float, Curve],
    outlook: Outlook,
    now_s: float,
    random: Random,
    draws: int,
) -> list[list[float]]:
    """One row an animal: when it ends each passage ahead [s]; infinite beyond the end of the outlook."""
    paths = [
        {
            lower_c: had[lower_c].then(outlook.curve(lower_c, plan.upper_c, plan.cutoff, now_s, bias * outlook.sd_c))
            for lower_c in _lowers(ahead)
        }
        for bias in BIASES
    ]
    rows = []
    for index in range(draws):
        path = paths[index % len(paths)]
        at_s, row = since_s, []
        for passage in ahead:
            need = _truncated(random, passage.degree_days, passage.sd_degree_days)
            if passage is ahead[0]:
                need *= 1.0 - _share_done(passage, stage) * random.uniform(0.85, 1.15)  # a share is below 0.75
            curve = path[passage.lower_c]
            at_s = curve.when(curve.at(at_s) + need)  # once beyond the end of the outlook, always
            row.append(at_s)
        rows.append(row)
    return rows


def _share_done(passage: Passage, stage: Stage) -> float:
    """How much of a passage lies behind an animal that enters `stage`, shared out as the monarch's stages are."""
    start, end = REACHED_DEGREE_DAYS[passage.stage], REACHED_DEGREE_DAYS[passage.leads_to]
    return (REACHED_DEGREE_DAYS[stage] - start) / (end - start)


def _truncated(random: Random, mean: float, sd: float) -> float:
    """A normal draw within two standard deviations, and above 0."""
    for _ in range(100):
        value = random.gauss(mean, sd)
        if abs(value - mean) <= 2 * sd and value > 0:
            return value
    return mean


def _quantiles(passage: Passage, dates_s: Sequence[float], known_until_s: float) -> Coming:
    """P10, P50 and P90 of ascending dates."""

    def at(share: float) -> float | None:
        date_s = dates_s[int(share * len(dates_s))]
        return None if math.isinf(date_s) else date_s

    p90_s = at(0.9)
    carried = p90_s is None or p90_s > known_until_s
    return Coming(passage.leads_to, at(0.1), at(0.5), p90_s, passage.confidence, carried)
