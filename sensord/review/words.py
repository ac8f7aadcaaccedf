"""The two or three sentences that a person would write about it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from sensord import actions
from sensord.language import Measure
from sensord.model import Doubt
from sensord.review.matters import Matter, groups
from sensord.review.whole import CageReview, Review

LEAST_H = 0.05
"""Less heat than three minutes is not worth a word. Chosen."""
USUAL_H = 1.0
"""A difference between weeks of less than an hour is no difference. Chosen."""
GONE_H = 1.0
"""So much missing is worth a word [h]. Chosen."""
DOUBTS = {Doubt.SUNLIT: "sunlit", Doubt.STUCK: "stuck", Doubt.DISAGREES: "disagrees"}


def sentences(review: Review, measure: Measure) -> tuple[str, ...]:
    """Two or three sentences: how hot it was, what was done about it, how development went and what is not known."""
    if review.is_empty:
        return (measure.say("review.nothing_season" if review.span.is_season else "review.nothing"),)
    made = [_heat(review, measure), _answers(review, measure), _growth(review, measure)]
    return tuple(text for text in made if text)


def headline(review: Review, measure: Measure) -> str:
    """The span in words: Week 34, 17 to 23 August."""
    first, last = review.span.first, review.span.last
    days = {"first": measure.day(first), "last": measure.day(last), "year": str(last.year)}
    if review.span.is_season:
        return measure.say("review.headline.season", **days)
    return measure.say("review.headline.week", week=str(last.isocalendar().week), **days)


# --- how hot it was -----------------------------------------------------------------------------------------------


def _heat(review: Review, measure: Measure) -> str:
    known = [c for c in review.cages if c.total.high is not None]
    hot = sorted((c for c in known if _over(c) >= LEAST_H), key=lambda c: -_over(c))
    if not hot:
        return _mild(review, known, measure)
    worst = hot[0]
    key = "other" if all(_same_limit(c, worst) for c in hot) else "other_own_limit"
    others = [measure.say(f"review.heat.{key}", who=c.title, hours=measure.hours(_over(c))) for c in hot[1:]]
    cool = [c.title for c in known if _over(c) < LEAST_H]
    return measure.say(
        "review.heat.hottest",
        who=worst.title,
        hours=measure.hours(_over(worst)),
        limit=_limit(worst, measure),
        most=_most_and_top(review, worst, measure),
        others=measure.listed(others) or None,
        cool=measure.listed(cool) or None,
        compared=_compared(review, worst, measure),
    )


def _mild(review: Review, known: Sequence[CageReview], measure: Measure) -> str:
    warmest = max(known, key=lambda c: c.total.high.value_c if c.total.high else 0.0)
    return measure.say(
        "review.heat.none_reached" if len(known) > 1 else "review.heat.not_reached",
        who=warmest.title,
        limit=_limit(warmest, measure),
        top=_top(review, warmest, measure),
        compared=_compared(review, warmest, measure),
    )


def _top(review: Review, cage: CageReview, measure: Measure) -> str:
    high = cage.total.high
    assert high is not None
    when = measure.day(high.at.astimezone(measure.zone).date()) if review.span.is_season else measure.weekday(high.at)
    temperature, time = measure.temperature(high.value_c), measure.clock(high.at)
    return measure.say("review.heat.top", temperature=temperature, day=when, time=time, doubt=doubt(cage, measure))


def doubt(cage: CageReview, measure: Measure) -> str | None:
    """Why the highest reading is doubtful; None where it is not."""
    return next((measure.say(f"review.doubt.{why}") for flag, why in DOUBTS.items() if cage.high_doubts & flag), None)


def _most_and_top(review: Review, cage: CageReview, measure: Measure) -> str:
    """Which day brought more than half of it, and the highest temperature with its time."""
    parts = [(row.above_h[cage.limit], row) for row in cage.rows]
    most, row = max(parts, key=lambda pair: pair[0])
    top, high = _top(review, cage, measure), cage.total.high
    if sum(part >= LEAST_H for part, _ in parts) < 2 or most < 0.5 * _over(cage) or high is None:
        return measure.say("review.heat.most.up_to", top=top)
    hours = measure.hours(most)
    if review.span.is_season:
        day = measure.day(row.start.astimezone(measure.zone).date())
        return measure.say("review.heat.most.in_week", hours=hours, day=day, top=top)
    day = measure.weekday(row.start)
    if not row.start <= high.at < row.end:
        return measure.say("review.heat.most.on_day", hours=hours, day=day, top=top)
    return measure.say(
        "review.heat.most.on_day_with_top",
        hours=hours,
        day=day,
        temperature=measure.temperature(high.value_c),
        time=measure.clock(high.at),
        doubt=doubt(cage, measure),
    )


def _compared(review: Review, cage: CageReview, measure: Measure) -> str | None:
    """With the week before, where both are known well enough to compare."""
    before = cage.before
    if before is None or before.known_h < 0.5 * before.hours or cage.is_patchy or not review.is_over:
        return None
    more = _over(cage) - before.above_h[cage.limit]
    if abs(more) < USUAL_H:
        return measure.say("review.heat.compared.alike", who=cage.title) if _over(cage) >= LEAST_H else None
    way = "before" if _over(cage) < LEAST_H else "more" if more > 0 else "less"
    return measure.say(f"review.heat.compared.{way}", who=cage.title, hours=measure.hours(abs(more)))


def _over(cage: CageReview) -> float:
    return cage.total.above_h[cage.limit]


def _limit(cage: CageReview, measure: Measure) -> str:
    return measure.level(cage.limits.tiers[cage.limit].temperature_c)


def _same_limit(one: CageReview, other: CageReview) -> bool:
    return (
        one.limits.tiers[one.limit].temperature_c == other.limits.tiers[other.limit].temperature_c
    )  # fmt: skip


# --- what was done about it ---------------------------------------------------------------------------------------


def _answers(review: Review, measure: Measure) -> str:
    asked = [m for m in review.matters if m.action and not actions.keeps_in(m.action)]
    if not asked:
        return ""
    told, answered = _asked(asked, measure), [m for m in asked if m.answer]
    if not answered:
        return measure.say("review.asked.unanswered", asked=told)
    (overall,) = groups([_as_one(m) for m in answered])
    how = None if len(asked) == 1 else measure.say("review.asked.each_time")
    typical_min = overall.typical_answer_min
    return measure.say(
        "review.asked.answered",
        asked=told,
        how=how if len(answered) == len(asked) else measure.times(len(answered)),
        typically=typical_min is not None and len(answered) > 1,
        after=None if typical_min is None else measure.hours(typical_min / 60),
        helped=_helped(asked, measure),
    )


def _asked(asked: Sequence[Matter], measure: Measure) -> str:
    """What was asked for most."""
    kinds: dict[str, list[Matter]] = {}
    for matter in asked:
        kinds.setdefault(matter.action, []).append(matter)
    action, most = max(kinds.items(), key=lambda pair: len(pair[1]))
    act = measure.catalogue.name("asked", action) or measure.say("review.asked.else", action=action)
    if len(kinds) == 1:
        return measure.say("review.asked.one_kind", act=act, times=measure.times(len(most)))
    of_them = measure.say("review.asked.of_them", count=len(most))
    return measure.say("review.asked.several_kinds", times=measure.times(len(asked)), most=of_them, act=act)


def _helped(asked: Sequence[Matter], measure: Measure) -> str | None:
    """What is known of whether the shade helped."""
    followed = [m for m in asked if m.helped in ("yes", "no")]
    if not followed:
        return None
    good = sum(m.helped == "yes" for m in followed)
    if len(followed) == 1:
        return measure.say("review.helped.one" if good else "review.helped.one_not")
    how_many = {0: "none", len(followed): "all"}.get(good, "some")
    return measure.say(f"review.helped.{how_many}", count=len(followed), good=good)


def _as_one(matter: Matter) -> Matter:
    """For a median over all rules."""
    return replace(matter, rule="", subject="")


# --- how development went, and what is not known ------------------------------------------------------------------


def _growth(review: Review, measure: Measure) -> str:
    swing, gain = _swing(review, measure), _gain(review, measure)
    which = "both" if swing and gain else "swing" if swing else "gain" if gain else ""
    told = [measure.say(f"review.growth.{which}", swing=swing, gain=gain, degree=measure.degree)] if which else []
    gone = [c for c in review.cages if c.total.missing_h >= GONE_H]
    hours = [measure.hours(c.total.missing_h) for c in gone]
    if len({measure.hours(c.total.missing_h) for c in review.cages}) == 1 and len(gone) > 1:
        what = [measure.say("review.missing.in_every", hours=hours[0])]
    else:
        what = [measure.say("review.missing.in_one", hours=h, who=c.title) for h, c in zip(hours, gone, strict=True)]
    if what:
        told.append(measure.say("review.missing.told", what=measure.listed(what)))
    return " ".join(told)


def _swing(review: Review, measure: Measure) -> str | None:
    """By how much the days swung, from the enclosure that swung least to the one that swung most."""
    swings = [measure.span(c.total.swing_k) for c in review.cages if c.total.swing_k is not None]
    if not swings:
        return None
    low, high = (measure.number(f(swings), 0) for f in (min, max))
    return high if low == high else measure.say("review.growth.range", low=low, high=high)


def _gain(review: Review, measure: Measure) -> str | None:
    """How far development went, from the slowest enclosure to the fastest."""
    grown = [(measure.span(c.total.degree_days), c.title) for c in review.cages if c.total.degree_days is not None]
    if not grown:
        return None
    least, most = min(grown, key=lambda g: g[0]), max(grown, key=lambda g: g[0])
    low, high = measure.number(least[0], 0), measure.number(most[0], 0)
    if low == high:
        return high
    return measure.say("review.growth.gain_range", low=low, least=least[1], high=high, most=most[1])
