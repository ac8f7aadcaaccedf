"""Storm: anchor while there is time, stay in while it is here, look after the enclosure when it has passed.

What is expected from local signs alone is a gust of a chosen size, the mean strongest wind of thunderstorm outflows. It is
held against the gust that the enclosure stands as it is ballasted now. A cover or a shade cloth on it catches the wind:
the advice is to take it off, and counts on that.

A deadline stays what was told first. Shortly before it, and after it, nobody is sent for many bricks any more: a few pegs or
the lee of a wall, or leaving it and staying in.

While a gust front or a strong gust is there the only advice is to stay in, and for a while after it nobody is asked to
carry ballast: nobody is ever sent out into it. No sensor here hears thunder; every text says so.
"""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import datetime, timedelta
from enum import StrEnum

from sensord import actions
from sensord.model import Certainty, Severity, Urgency, Verdict
from sensord.rules import Evidence, Need, Per, Unclear
from sensord.rules._anchoring import is_draped, is_safe
from sensord.rules._animals import has_pupae, is_empty
from sensord.rules._deadlines import deadline, told_deadline
from sensord.rules._manners import STORM
from sensord.rules._readings import Findings, breach, fine, round_up, unknown
from sensord.rules._sky import sky_at
from sensord.rules._storm_signs import needs, signs
from sensord.rules._storm_view import StormView, Thresholds, facts_of, front_stays, view_of
from sensord.rules._tracks import NOTHING

NAME = "storm"
NOBODY_CARRIES = timedelta(hours=1)
"""So long after it was there no ballast is asked for. Chosen; half of it is the usual wait after the last thunder."""
LEAD = timedelta(minutes=40)
"""What a keeper is given from the first sign on. Chosen: the pressure falls fastest in the last hour before a front."""
NO_RUSH = timedelta(minutes=20)
"""So long before the deadline that was told, and after it, nobody is sent for much ballast any more. Chosen."""
MUCH_KG = 10.0
"""More than this, over all enclosures, is not carried in a hurry. Chosen."""
STILL_FALLS_PA = -160.0
"""Over three hours: "falling", not "falling slowly"."""
SHADE_STAYS_C, HIGH_SUN_DEG = 29.0, 25.0
"""In air this warm and sun this high shade is not taken off for a storm that is only possible. Chosen."""
LOOK_AFTER_HOLDS = timedelta(hours=12)


class Reason(StrEnum):
    """What this rule can say."""

    ANCHOR = "anchor"
    NO_TIME = "no time"
    UNCOVER = "uncover"
    UNSHADE = "unshade"
    PEG_OR_SHELTER = "peg or shelter"
    HOLDS = "holds"
    STAY_IN = "stay in"
    LOOK_AFTER = "look after"
    NOTHING_CAME = "nothing came"
    PASSING = "passing"
    CALM = "calm"


class Storm:
    """Wind and storm signs against what holds the enclosure."""

    name = NAME
    per = Per.ENCLOSURE
    every = timedelta(minutes=2)
    manner = STORM
    reasons = Reason
    advises = (
        actions.ANCHOR,
        actions.PEG_OR_SHELTER,
        actions.UNCOVER,
        actions.UNSHADE,
        actions.STAY_IN,
        actions.LOOK_AFTER,
    )
    Parameters = Thresholds

    def needs(self, parameters: Thresholds) -> tuple[Need, ...]:
        """Barometer, wind and air at the post."""
        return needs()

    def decide(self, evidence: Evidence, now: datetime) -> Verdict:
        """Calm, anchor, stay in, or look after."""
        if evidence.held is None:
            return unknown(NAME, evidence, now, Unclear.NO_ENCLOSURE)
        p: Thresholds = evidence.parameters
        seen = signs(evidence, now, p)
        if not seen.anything:
            return unknown(NAME, evidence, now, Unclear.NOTHING_MEASURES_IT)
        view = view_of(evidence, now, evidence.held, seen)
        facts = facts_of(view)
        if view.here_at == now or front_stays(view):
            return _stay_in(view, facts)
        if view.here_at is not None and now - view.here_at < NOBODY_CARRIES:
            return _passed(view, facts)
        if seen.expected:
            return _prepare(view, facts)
        return _passed(view, facts) if view.here_at is not None else _calm(view, facts)


RULE = Storm()


def _stay_in(view: StormView, facts: Findings) -> Verdict:
    """It is here: nobody goes out. How loudly it is said depends on whether the enclosure is in danger."""
    by, gust = view.held.by, view.signs.gust_m_s or 0.0
    front = view.signs.front or front_stays(view)
    loose = not is_safe(view.stand)
    beyond = loose and gust >= view.holds_m_s * math.sqrt(by.safety_factor)  # the margin is used up
    severity = Severity.MODERATE if front else Severity.MINOR
    if beyond or (front and loose and view.holds_m_s < by.design_gust_m_s):
        severity = Severity.SEVERE
    if is_empty(view.evidence):
        severity = Severity.MINOR
    facts |= {"front": front or None, "beyond": beyond or None}
    advice = actions.STAY_IN.advice(holds_until=view.now + timedelta(minutes=30))
    return breach(NAME, view.evidence, view.now, Reason.STAY_IN, severity, advice, facts)


def _passed(view: StormView, facts: Findings) -> Verdict:
    """It was here within the hour: calm is waited for, then the enclosure is looked after."""
    p, gust = view.thresholds, view.signs.gust_m_s or 0.0
    if gust >= p.calm_gust_m_s or view.signs.expected:
        return fine(NAME, view.evidence, view.now, Reason.PASSING, facts, easing=True)
    return _look_after(view, facts)


def _look_after(view: StormView, facts: Findings, easing: bool = False) -> Verdict:
    verdict = fine(NAME, view.evidence, view.now, Reason.LOOK_AFTER, facts, easing)
    if is_empty(view.evidence):
        return verdict
    return replace(verdict, advice=actions.LOOK_AFTER.advice(holds_until=view.now + LOOK_AFTER_HOLDS))


def _prepare(view: StormView, facts: Findings) -> Verdict:
    """There is time: hold the enclosure against the gust that may come."""
    seen, e, now = view.signs, view.evidence, view.now
    gust = max(view.held.by.design_gust_m_s, 1.3 * (seen.highest_m_s or 0.0))
    facts |= {"expected_gust_m_s": gust, "pupae": has_pupae(view.stand) or None}
    certainty = Certainty.LIKELY if seen.expected == "likely" else Certainty.POSSIBLE
    action, more = view.held.to_hold(gust, seen.wet)
    if not action and is_draped(view.stand):
        action = actions.UNCOVER if view.stand.covered else actions.UNSHADE
        if action is actions.UNSHADE and seen.expected != "likely" and _needs_shade(view):
            action = None  # the heat is certain, the storm is not
    if is_safe(view.stand) or action is None:
        return breach(NAME, e, now, Reason.HOLDS, Severity.MINOR, None, facts, Urgency.EXPECTED, certainty)
    severity = Severity.MINOR if is_empty(e) else Severity.MODERATE
    reason = Reason(action.word)
    if action is actions.ANCHOR and _too_late_for_bricks(view, gust):
        action, reason = actions.PEG_OR_SHELTER, Reason.NO_TIME
    by, due = deadline(e, action.word, round_up(now + LEAD), now)
    if reason is Reason.NO_TIME:
        by, due = None, {}
    advice = action.advice(by, by or now + LEAD)
    return breach(NAME, e, now, reason, severity, advice, facts | more | due, Urgency.EXPECTED, certainty)


def _too_late_for_bricks(view: StormView, gust_m_s: float) -> bool:
    """Much is to be carried, and what was told for it is nearly over: then only what is quick is asked for."""
    due = told_deadline(view.evidence, actions.ANCHOR.word)
    if due is None or due - view.now >= NO_RUSH:
        return False
    stands = [s for s in view.evidence.stands if not is_safe(s)]
    asked = [replace(view.held, stand=s).to_hold(gust_m_s, view.signs.wet)[1].get("add_kg") for s in stands]
    return sum(kg for kg in asked if isinstance(kg, int | float)) > MUCH_KG


def _needs_shade(view: StormView) -> bool:
    """Warm air and a high sun."""
    hot = view.signs.air_c is not None and view.signs.air_c >= SHADE_STAYS_C
    return hot and sky_at(view.evidence.site, view.now, NOTHING).elevation_deg >= HIGH_SUN_DEG


def _calm(view: StormView, facts: Findings) -> Verdict:
    """No sign; nearly one, while a concern about it stands and the pressure has not stopped falling."""
    was = view.evidence.concern
    easing = was is not None and view.signs.change_pa is not None and view.signs.change_pa <= STILL_FALLS_PA
    if was is not None and actions.keeps_in(was.last_action):  # it did come, and kept everybody in until now
        return _look_after(view, facts, easing)
    return fine(NAME, view.evidence, view.now, Reason.CALM if was is None else Reason.NOTHING_CAME, facts, easing)
