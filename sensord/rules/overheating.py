"""Overheating: level and duration against the tiers of the species; and a warning while there is time to shade.

The lowest tiers are an ordinary August afternoon: recorded and shown, never pushed. What asks for something is a tier of
Moderate and above that has lasted as long as the species' file says, or one that the day is about to reach.

Where the probe reads more above ambient than air in such an enclosure can be, it measures the sun on itself. The heat is
then judged by the most that is plausible; where that is bearable, this rule knows nothing, and `offset` speaks.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from enum import StrEnum

from sensord import actions
from sensord.model import AMBIENT, Certainty, Quantity, Severity, State, Urgency, Verdict
from sensord.rules import Evidence, Need, Per, Unclear
from sensord.rules._animals import is_empty
from sensord.rules._deadlines import deadline, kept
from sensord.rules._heat import MEAN_S, NEVER, HeatAbove, above
from sensord.rules._manners import HEAT
from sensord.rules._readings import Findings, breach, fine, round_up, seconds, slope_per_h, track, unknown
from sensord.rules._scene import Scene, Thresholds, action_for, scene_of, shade_settles
from sensord.rules._shade import helped
from sensord.rules._sky import WARMEST_H, Course, course, irradiance_need, low_sun_at, solar_hour
from sensord.rules._storm_signs import storm_asks
from sensord.rules._tracks import Track
from sensord.species.limits import Tier

NAME = "overheating"
EVERY_MIN = 5
EVERY = timedelta(minutes=EVERY_MIN)
LOOKBACK = timedelta(hours=6)
HOLDS = timedelta(minutes=90)
EVENING_H = 17.5
"""Solar time from which what still cools will be bearable soon. Chosen."""
SHADE_OFF_DEG = 15.0
"""When the sun stands so low, the shade that was put on today can come off. Chosen."""
LAST_OFF = timedelta(minutes=30)
"""From so long before sunset on nobody is sent for the shade: it can wait for the morning. Chosen."""
NIGHT = timedelta(hours=12)
SPOKEN_H = 0.05
"""A shorter spell is not worth a word; there is none while a tier holds only by its hysteresis [h]. Chosen."""
SHORTEST = timedelta(minutes=15)
"""What a keeper is given to put shade up, at least. Chosen."""


class Reason(StrEnum):
    """What this rule can say."""

    SHADE = "shade"
    ADD_AIRFLOW = "add airflow"
    MOVE_TO_SHADE = "move to shade"
    EXPECTED = "expected"
    WAIT = "wait"
    ENDURE = "endure"
    PASSING = "passing"
    EMPTY = "empty"
    SHADED = "shaded"
    WARM = "warm"
    COOL = "cool"


class Overheating:
    """Level and duration inside an enclosure."""

    name = NAME
    per = Per.ENCLOSURE
    every = EVERY
    manner = HEAT
    reasons = Reason
    advises = (actions.SHADE, actions.ADD_AIRFLOW, actions.MOVE_TO_SHADE, actions.UNSHADE)
    Parameters = Thresholds

    def needs(self, parameters: Thresholds) -> tuple[Need, ...]:
        """Temperatures of the last hours, and the sun where it is measured."""
        return (
            Need("inside", "subject", Quantity.TEMPERATURE, LOOKBACK),
            Need("ambient", AMBIENT, Quantity.TEMPERATURE, LOOKBACK),
            irradiance_need(LOOKBACK),
        )

    def decide(self, evidence: Evidence, now: datetime) -> Verdict:
        """FINE, on its way to a tier, or above one."""
        if evidence.stand is None or evidence.limits is None:
            return unknown(NAME, evidence, now, Unclear.NO_SPECIES)
        inside = track(evidence, "inside", now, -60, 90)
        if not inside.is_fresh(seconds(now)):
            return unknown(NAME, evidence, now, Unclear.NO_INSIDE)
        scene = scene_of(evidence, now, inside)
        spells = _spells(scene)
        facts = _facts(scene, spells)
        reached = _reached(scene, spells)
        if reached is not None:
            return _hot(scene, reached, spells[reached], facts)
        ahead = _ahead(scene)
        if ahead is not None:
            return _soon(scene, *ahead, facts)
        if scene.doubtful and _would_matter(scene, inside):
            return unknown(NAME, evidence, now, Unclear.PROBE_IN_THE_SUN, facts)
        return _fine(scene, facts)


RULE = Overheating()


def _spells(scene: Scene) -> dict[Tier, HeatAbove]:
    """Time above each tier; of those that ask for something, only where it is that warm now."""
    smooth = scene.inside.means(MEAN_S)
    warmest_now = max(smooth.values[-2:])
    return {
        tier: above(smooth, tier.temperature_c)
        if tier.severity < Severity.MODERATE or warmest_now >= tier.temperature_c
        else NEVER
        for tier in scene.tiers
    }


def _facts(scene: Scene, spells: dict[Tier, HeatAbove]) -> Findings:
    """The numbers that every verdict of this rule carries."""
    recorded = next(iter(spells.items()))
    return {
        "inside_c": scene.inside_c,
        "ambient_c": scene.ambient_c,
        "offset_k": scene.offset_k,
        "recorded_c": recorded[0].temperature_c,
        "recorded_h": recorded[1].hours,
        "recorded_degree_hours": recorded[1].degree_hours,
        **helped(scene.followed),
        **kept(scene.evidence),
        "probe_doubt": scene.doubtful or None,
    }


def _reached(scene: Scene, spells: dict[Tier, HeatAbove]) -> Tier | None:
    """The worst tier that asks for something: it lasted long enough, or it did and is not clearly left yet."""
    p: Thresholds = scene.evidence.parameters
    was = scene.evidence.concern.verdict if scene.evidence.concern else None
    held_c = was.numbers.get("tier_c") if was and was.state is State.BREACH and was.numbers.get("observed") else None
    found: Tier | None = None
    for tier in scene.tiers:
        if tier.severity < Severity.MODERATE:
            continue
        holds = isinstance(held_c, int | float) and held_c >= tier.temperature_c
        spell_h = spells[tier].spell_h
        if tier.severity is Severity.MODERATE:  # as of the last full quarter: enclosures that warm alike speak together
            spell_h -= (scene.now.minute % 15) / 60.0
        lasted = spell_h >= tier.after_h
        stays = holds and scene.inside_c >= tier.temperature_c - p.hysteresis_k
        if (lasted or stays) and (found is None or tier.severity >= found.severity):
            found = tier
    return found


def _hot(scene: Scene, tier: Tier, spell: HeatAbove, facts: Findings) -> Verdict:
    """Above a tier for long enough."""
    e, now = scene.evidence, scene.now
    facts |= {
        "observed": True,
        "tier_c": tier.temperature_c,
        "tier_of": tier.whose,
        "spell_h": spell.spell_h if spell.spell_h >= SPOKEN_H else None,
        "above_h": spell.hours,
        "dose_degree_hours": spell.degree_hours,
    }
    if is_empty(e):
        return breach(NAME, e, now, Reason.EMPTY, Severity.MINOR, None, facts)
    action, more = action_for(scene, tier, scene.ambient_c)
    bearable = tier.severity <= Severity.MODERATE
    if bearable and _will_pass(scene, tier):
        return breach(NAME, e, now, Reason.PASSING, Severity.MINOR, None, facts)
    certainty = Certainty.LIKELY if scene.doubtful else Certainty.OBSERVED
    if not action:  # the shade has just gone up, or all is done
        settling = shade_settles(scene)
        severity = tier.severity if settling or not bearable else Severity.MINOR
        return breach(
            NAME, e, now, Reason.WAIT if settling else Reason.ENDURE, severity, None, facts | more, certainty=certainty
        )
    facts |= {"overdue_at": deadline(e, action.word, now, now)[1].get("overdue_at")}
    advice = action.advice(holds_until=now + HOLDS)  # no deadline: now
    return breach(NAME, e, now, Reason(action.word), tier.severity, advice, facts | more, certainty=certainty)


def _soon(scene: Scene, tier: Tier, way: Course, crossing: datetime, peak_c: float, facts: Findings) -> Verdict:
    """On the way to a tier, with time left to shade. What else could be done is told when it is that warm."""
    e, now = scene.evidence, scene.now
    ambient_peak = None if scene.ambient_c is None else scene.ambient_c + way.rise_k
    action, more = action_for(scene, tier, ambient_peak, ahead=True)
    facts |= {"tier_c": tier.temperature_c, "tier_of": tier.whose, "peak_c": peak_c, "expected": True}
    certainty = Certainty.LIKELY if peak_c >= tier.temperature_c + 2.0 else Certainty.POSSIBLE
    if action is not actions.SHADE or is_empty(e):
        return breach(NAME, e, now, Reason.EXPECTED, Severity.MINOR, None, facts | more, Urgency.EXPECTED, certainty)
    by, due = deadline(e, action.word, _full_quarter(max(crossing, round_up(now + SHORTEST))), now)
    advice = action.advice(by, (by or now) + HOLDS)
    return breach(
        NAME, e, now, Reason(action.word), tier.severity, advice, facts | more | due, Urgency.EXPECTED, certainty
    )


def _full_quarter(at: datetime) -> datetime:
    """The full quarter of an hour before it."""
    return at - timedelta(minutes=at.minute % 15, seconds=at.second, microseconds=at.microsecond)


def _fine(scene: Scene, facts: Findings) -> Verdict:
    """Bearable; nearly too warm while within the hysteresis of the first tier that asks for something."""
    p: Thresholds = scene.evidence.parameters
    limit_c = next((t.temperature_c for t in scene.tiers if t.severity >= Severity.MODERATE), None)
    easing = False
    if limit_c is not None:
        near = scene.inside_c >= limit_c - p.hysteresis_k
        # A cloud at noon ends no hot day: what was expected is so until the day's warmest hour has passed.
        day_goes_on = solar_hour(scene.evidence.site, scene.now) < WARMEST_H and scene.inside_c >= limit_c - 6.0
        easing = near or (scene.evidence.concern is not None and day_goes_on)
    if _put_up_in_this_heat(scene):
        return _shaded(scene, facts, easing)
    warm = scene.inside_c >= scene.tiers[0].temperature_c
    return fine(NAME, scene.evidence, scene.now, Reason.WARM if warm else Reason.COOL, facts, easing)


def _put_up_in_this_heat(scene: Scene) -> bool:
    """The shade went up in the heat that ends now, and no storm is about, which would ask for more."""
    e, shaded_at = scene.evidence, scene.stand.shaded_at
    if e.concern is None or shaded_at is None:
        return False
    return shaded_at >= e.concern.breached_since and not storm_asks(e)


def _shaded(scene: Scene, facts: Findings, easing: bool) -> Verdict:
    """The shade has done its work: when it can come off."""
    e, now = scene.evidence, scene.now
    assert e.concern is not None
    low_at, sunset = (low_sun_at(e.site, now, elevation_deg) for elevation_deg in (SHADE_OFF_DEG, 0.0))
    if low_at is not None and low_at - now < timedelta(minutes=30):
        low_at = None  # it may take so long to be told: a time that has passed would only puzzle
    if scene.sky.elevation_deg < 0.0 or sunset is None or sunset - now <= LAST_OFF:
        facts |= {"off_morning": True}
        until = now + NIGHT
    else:
        facts |= {"off_at": round_up(low_at) if low_at else None, "off_now": low_at is None or None}
        until = min((low_at or now) + HOLDS, sunset)
    waits = e.concern.fine_since is None and now.minute % 30 >= EVERY_MIN  # again for company
    verdict = fine(NAME, e, now, Reason.SHADED, facts, easing or waits)
    return replace(verdict, advice=actions.UNSHADE.advice(holds_until=until))


def _would_matter(scene: Scene, uncut: Track) -> bool:
    """Whether what the doubtful probe shows would be a tier that asks for something."""
    limit_c = next((t.temperature_c for t in scene.tiers if t.severity >= Severity.MODERATE), 99.0)
    return uncut.values[-1] >= limit_c


def _will_pass(scene: Scene, tier: Tier) -> bool:
    """Past the day's warmest: cooling to below the tier within the hour or there already, without anybody's help."""
    hour = solar_hour(scene.evidence.site, scene.now)
    if hour < WARMEST_H:
        return False
    falling = slope_per_h(scene.inside.since(seconds(scene.now - timedelta(minutes=60))))
    if falling is None or falling >= 0.0:
        return False
    return scene.inside_c < tier.temperature_c or hour >= EVENING_H or scene.inside_c + falling <= tier.temperature_c


def _ahead(scene: Scene) -> tuple[Tier, Course, datetime, float] | None:
    """The lowest tier that asks for something and that the day is heading for: with course, crossing and peak."""
    p: Thresholds = scene.evidence.parameters
    tier = next((t for t in scene.tiers if t.severity >= Severity.MODERATE), None)
    if tier is None or not p.ahead_h or scene.inside_c < tier.temperature_c - 8.0:
        return None
    # The shaded air rises steadily; the inside jumps when the sun comes round a tree, which is no trend.
    riser = scene.ambient if scene.ambient_c is not None else scene.inside
    way = course(scene.evidence.site, scene.now, riser)
    if way is None:
        return None
    was = scene.evidence.concern
    standing = was is not None and was.verdict.state is State.BREACH
    margin_k = 0.0 if standing else p.ahead_margin_k
    peak_c = scene.inside_c + way.rise_k
    crossing = way.reaches(tier.temperature_c - scene.inside_c)
    if crossing is None or peak_c < tier.temperature_c + margin_k:
        return None
    if not standing and scene.now.minute % 30 >= EVERY_MIN:
        return None  # begun on the half hour, so that enclosures which warm alike make one message
    ahead = timedelta(hours=p.ahead_h + (1.0 if standing else 0.0))
    return (tier, way, crossing, peak_c) if crossing <= scene.now + ahead else None
