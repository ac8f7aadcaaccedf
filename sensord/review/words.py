"""The two or three sentences that a person would write about it, and numbers in the keeper's units."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from zoneinfo import ZoneInfo

from sensord.model import Doubt
from sensord.review.matters import Matter, groups
from sensord.review.whole import Cage, Review

WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
LEAST_H = 0.05
"""Less heat than three minutes is not worth a word. Chosen."""
USUAL_H = 1.0
"""A difference between weeks of less than an hour is no difference. Chosen."""
GONE_H = 1.0
"""So much missing is worth a word [h]. Chosen."""
DOUBTS = {
    Doubt.SUNLIT: "if the probe itself was not in the sun",
    Doubt.STUCK: "if the probe was not stuck",
    Doubt.DISAGREES: "another probe there says otherwise",
}
ACTS = {
    "shield probe": "to shield a probe",
    "add airflow": "for more air",
    "unshade": "to take shade off",
    "peg or shelter": "to peg down or shelter",
    "move to shade": "to move one into the shade",
    "look after": "to look after them",
    "return": "to put one back",
    "change battery": "to change a battery",
    "check ambient": "to check the shaded post",
    "check probe": "to check a probe",
    "check clock": "to check a clock",
    "check watch": "to look at what watches",
    "check shipping": "to look at the shipping of data",
}


@dataclass(frozen=True, slots=True)
class Measure:
    """How one reader wants numbers written. °F = °C × 9/5 + 32, differences and sums × 9/5, by definition."""

    us: bool
    zone: ZoneInfo

    @property
    def degree(self) -> str:
        """The unit of temperatures."""
        return "°F" if self.us else "°C"

    def value(self, celsius: float) -> float:
        """A temperature in the reader's unit."""
        return celsius * 1.8 + 32.0 if self.us else celsius

    def span(self, kelvin: float) -> float:
        """A difference, degree-hours or degree-days in the reader's unit."""
        return kelvin * 1.8 if self.us else kelvin

    def temperature(self, celsius: float) -> str:
        """33.4 °C"""
        return f"{_tenths(self.value(celsius))} {self.degree}"

    def level(self, celsius: float) -> str:
        """33 °C: a tier, in °F to the degree."""
        value = self.value(celsius)
        return f"{value:.0f} {self.degree}" if self.us or value == int(value) else f"{value:g} {self.degree}"

    def difference(self, kelvin: float) -> str:
        """12 °C: to the degree."""
        return f"{self.span(kelvin):.0f} {self.degree}"

    def clock(self, at: datetime) -> str:
        """15:40 or 3:40 pm"""
        local = at.astimezone(self.zone)
        if self.us:
            return f"{local.hour % 12 or 12}:{local:%M} {'am' if local.hour < 12 else 'pm'}"
        return f"{local:%H:%M}"

    def day(self, day: date) -> str:
        """20 Aug or Aug 20"""
        month = MONTHS[day.month - 1]
        return f"{month} {day.day}" if self.us else f"{day.day} {month}"

    def weekday(self, at: datetime) -> str:
        """Thursday"""
        return WEEKDAYS[at.astimezone(self.zone).weekday()]

    def moment(self, at: datetime) -> str:
        """Thu 20 Aug 15:40"""
        local = at.astimezone(self.zone)
        return f"{WEEKDAYS[local.weekday()][:3]} {self.day(local.date())} {self.clock(at)}"


def hours(value: float) -> str:
    """40 minutes, an hour, 6.4 hours."""
    if value < 0.95:
        minutes = max(1, round(value * 60))
        return "a minute" if minutes == 1 else f"{minutes} minutes"
    if value < 1.05:
        return "an hour"
    text = _tenths(value) if value < 20 else f"{value:.0f}"
    return f"{text.removesuffix('.0')} hours"


def _tenths(value: float) -> str:
    """One decimal, without a minus zero."""
    return f"{round(value, 1) + 0.0:.1f}"


def listed(names: Sequence[str]) -> str:
    """Alder; Alder and Birch; Alder, Birch and Cedar."""
    return "".join(names) if len(names) < 2 else f"{', '.join(names[:-1])} and {names[-1]}"


def sentences(review: Review, measure: Measure) -> tuple[str, ...]:
    """Two or three sentences: how hot it was, what was done about it, how development went and what is not known."""
    if not review.cages or review.is_empty:
        return (f"Nothing was measured in {_span_word(review)}, so nothing can be said of it.",)
    made = [_heat(review, measure), _answers(review, measure), _growth(review, measure)]
    return tuple(text for text in made if text)


def headline(review: Review, measure: Measure) -> str:
    """The span in words: Week 34, 17 to 23 August."""
    first, last = review.span.first, review.span.last
    days = f"{measure.day(first)} to {measure.day(last)} {last.year}"
    if review.span.is_season:
        return f"The season, {days}"
    return f"Week {last.isocalendar().week}, {days}"


def _span_word(review: Review) -> str:
    return "this season" if review.span.is_season else "this week"


# --- how hot it was -----------------------------------------------------------------------------------------------


def _heat(review: Review, measure: Measure) -> str:
    known = [c for c in review.cages if c.total.high is not None]
    hot = sorted((c for c in known if _over(c) >= LEAST_H), key=lambda c: -_over(c))
    if not hot:
        return _mild(review, known, measure)
    worst = hot[0]
    text = f"{worst.title} was the hottest: {hours(_over(worst))} at or above {_limit(worst, measure)}"
    text += _most_and_top(review, worst, measure)
    others = [f"{c.title} {hours(_over(c))}" for c in hot[1:]]
    cool = [c.title for c in known if _over(c) < LEAST_H]
    if others and all(_same_limit(c, worst) for c in hot):
        text += f"; {listed(others)}"
    elif others:
        text += f"; {listed([f'{o} above its own limit' for o in others])}"
    if cool:
        text += f"; {listed(cool)} stayed below"
    return f"{text}.{_compared(review, worst, measure)}"


def _mild(review: Review, known: Sequence[Cage], measure: Measure) -> str:
    warmest = max(known, key=lambda c: c.total.high.value_c if c.total.high else 0.0)
    verb = "reached" if len(known) > 1 else "did not reach"
    who = "No enclosure" if len(known) > 1 else warmest.title
    text = f"{who} {verb} {_limit(warmest, measure)}; the highest was {_top(review, warmest, measure)}"
    text += f" in {warmest.title}" if len(known) > 1 else ""
    return f"{text}.{_compared(review, warmest, measure)}"


def _top(review: Review, cage: Cage, measure: Measure) -> str:
    high = cage.total.high
    assert high is not None
    when = measure.day(high.at.astimezone(measure.zone).date()) if review.span.is_season else measure.weekday(high.at)
    return f"{measure.temperature(high.value_c)} on {when} at {measure.clock(high.at)}{_unless(cage)}"


def doubt(cage: Cage) -> str:
    """Why the highest reading is doubtful; "" where it is not."""
    return next((why for flag, why in DOUBTS.items() if cage.high_doubts & flag), "")


def _unless(cage: Cage) -> str:
    return f" ({doubt(cage)})" if doubt(cage) else ""


def _most_and_top(review: Review, cage: Cage, measure: Measure) -> str:
    """Which day brought more than half of it, and the highest temperature with its time."""
    parts = [(row.above_h[cage.limit], row) for row in cage.rows]
    most, row = max(parts, key=lambda pair: pair[0])
    top, high = _top(review, cage, measure), cage.total.high
    if sum(part >= LEAST_H for part, _ in parts) < 2 or most < 0.5 * _over(cage) or high is None:
        return f", and up to {top}"
    if review.span.is_season:
        return f", {hours(most)} of it in the week of {measure.day(row.start.astimezone(measure.zone).date())}, and up to {top}"
    day = measure.weekday(row.start)
    if row.start <= high.at < row.end:
        reached = f"{measure.temperature(high.value_c)} at {measure.clock(high.at)}"
        return f", {hours(most)} of it on {day}, when it reached {reached}{_unless(cage)}"
    return f", {hours(most)} of it on {day}, and up to {top}"


def _compared(review: Review, cage: Cage, measure: Measure) -> str:
    """With the week before, where both are known well enough to compare."""
    before = cage.before
    if before is None or before.known_h < 0.5 * before.hours or cage.is_patchy or not review.is_over:
        return ""
    more = _over(cage) - before.above_h[cage.limit]
    if abs(more) < USUAL_H:
        return f" For {cage.title} that is much like the week before." if _over(cage) >= LEAST_H else ""
    direction = "more" if more > 0 else "less"
    if _over(cage) < LEAST_H:
        return f" The week before it had {hours(-more)} above that in {cage.title}."
    return f" For {cage.title} that is {hours(abs(more))} {direction} than the week before."


def _over(cage: Cage) -> float:
    return cage.total.above_h[cage.limit]


def _limit(cage: Cage, measure: Measure) -> str:
    return measure.level(cage.limits.tiers[cage.limit].temperature_c)


def _same_limit(one: Cage, other: Cage) -> bool:
    return (
        one.limits.tiers[one.limit].temperature_c == other.limits.tiers[other.limit].temperature_c
    )  # fmt: skip


# --- what was done about it ---------------------------------------------------------------------------------------


def _answers(review: Review, measure: Measure) -> str:
    asked = [m for m in review.matters if m.action and m.action != "stay in"]
    if not asked:
        return ""
    kinds: dict[str, list[Matter]] = {}
    for matter in asked:
        kinds.setdefault(matter.action, []).append(matter)
    action, most = max(kinds.items(), key=lambda pair: len(pair[1]))
    act = ACTS.get(action, f"to {action}")
    what = f"You were asked {act} {times(len(most))}"
    if len(kinds) > 1:
        what = f"You were asked for something {times(len(asked))}, {_of_them(len(most))} {act}"
    answered = [m for m in asked if m.answer]
    if not answered:
        return f"{what}, and no answer came."
    (overall,) = groups([_as_one(m) for m in answered])
    text = f"{what}; you answered "
    text += ("each time" if len(asked) > 1 else "") if len(answered) == len(asked) else times(len(answered))
    if overall.typical_answer_min is not None:
        text = f"{text.rstrip()}{', typically' if len(answered) > 1 else ''} after {hours(overall.typical_answer_min / 60)}"
    return f"{text.rstrip()}.{_helped(asked)}"


def _of_them(count: int) -> str:
    return "once" if count == 1 else f"{count} times"


def _helped(asked: Sequence[Matter]) -> str:
    """What is known of whether the shade helped."""
    followed = [m for m in asked if m.helped in ("yes", "no")]
    if not followed:
        return ""
    good = sum(m.helped == "yes" for m in followed)
    if len(followed) == 1:
        return f" The one act that could be followed up {'helped' if good else 'was not enough'}."
    how_many = {0: "none", len(followed): "all"}.get(good, str(good))
    return f" Of the {len(followed)} acts that could be followed up, {how_many} helped."


def _as_one(matter: Matter) -> Matter:
    """For a median over all rules."""
    return replace(matter, rule="", subject="")


def times(count: int) -> str:
    """once, twice, 3 times"""
    return {1: "once", 2: "twice"}.get(count, f"{count} times")


# --- how development went, and what is not known ------------------------------------------------------------------


def _growth(review: Review, measure: Measure) -> str:
    swings = [c.total.swing_k for c in review.cages if c.total.swing_k is not None]
    grown = [(c.title, c.total.degree_days) for c in review.cages if c.total.degree_days is not None]
    parts = []
    if swings:
        low, high = (measure.span(f(swings)) for f in (min, max))
        between = f"{low:.0f} to {high:.0f}" if round(low) != round(high) else f"{high:.0f}"
        parts.append(f"days swung by {between} {measure.degree} from their coolest to their warmest")
    if grown:
        least, most = min(grown, key=lambda g: g[1]), max(grown, key=lambda g: g[1])
        low, high = measure.span(least[1]), measure.span(most[1])
        amount = f"{high:.0f}" if round(low) == round(high) else f"{low:.0f} ({least[0]}) to {high:.0f} ({most[0]})"
        parts.append(f"development gained {amount} {measure.degree}-days")
    gone = [f"{hours(c.total.missing_h)} in {c.title}" for c in review.cages if c.total.missing_h >= GONE_H]
    if len({hours(c.total.missing_h) for c in review.cages}) == 1 and len(gone) > 1:
        gone = [f"{hours(review.cages[0].total.missing_h)} in every enclosure"]
    text = " and ".join(parts)
    text = f"{text[:1].upper()}{text[1:]}." if text else ""
    if gone:
        text += f"{' ' if text else ''}Nothing is known of {listed(gone)}."
    return text
