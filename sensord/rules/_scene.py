"""What `overheating` sees of an enclosure at one instant, and what would help that the keeper has not done yet."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from pydantic import Field

from sensord import actions
from sensord.actions import Action
from sensord.model import Doubt, Number, Severity, What
from sensord.rules import Evidence, Stand
from sensord.rules._heat import HeatLimits
from sensord.rules._kinds import COVER_ADDS_K, EXPECTED
from sensord.rules._readings import middle, pairs, remembered, seconds, track
from sensord.rules._shade import NO, Followed, follow
from sensord.rules._sky import Sky, sky_at
from sensord.rules._tracks import NOTHING, Track
from sensord.species.limits import Tier

SHADE_SETTLES = timedelta(minutes=30)
SUN_AHEAD = timedelta(hours=1)
"""Shade is put up against the sun of a while later."""
KEEPER_HEAT_C = 32.0
"""Ambient temperature from which the keeper is told to mind their own heat. Chosen."""


class Thresholds(HeatLimits):
    """Thresholds of the rule; what is not given comes from the species file."""

    hysteresis_k: float = Field(1, ge=0.1, le=5, description="a tier holds until it is this much cooler [K]; chosen")
    near_k: float = Field(
        1, ge=0, le=5, description="ambient this close below a tier: shade alone can't cool below it [K]; chosen"
    )
    ahead_h: float = Field(2.5, ge=0, le=6, description="a tier is warned of when it is so near [h]; 0: never; chosen")
    ahead_margin_k: float = Field(
        0.7, ge=0, le=5, description="the day must be heading for this much above the tier [K]; chosen"
    )


@dataclass(frozen=True, slots=True)
class Scene:
    """What the rule sees of one enclosure at one instant."""

    evidence: Evidence
    now: datetime
    inside: Track
    ambient: Track
    inside_c: float
    ambient_c: float | None
    offset_k: float | None
    doubtful: bool  # the probe seems to measure the sun on itself; `inside` is then cut to what is plausible
    sky: Sky
    tiers: tuple[Tier, ...]
    followed: Followed

    @property
    def stand(self) -> Stand:
        """How the enclosure stands."""
        assert self.evidence.stand is not None
        return self.evidence.stand


def scene_of(evidence: Evidence, now: datetime, inside: Track) -> Scene:
    """The scene, from readings of which `inside` are fresh; stand and limits must be known."""
    assert evidence.stand is not None
    assert evidence.limits is not None
    ambient = track(evidence, "ambient", now, -60, 60)
    irradiance = track(evidence, "irradiance", now, 0, 2000)
    sky = sky_at(evidence.site, now, irradiance)
    recent_s = seconds(now) - max(900.0, 3 * inside.interval_s)
    difference = pairs(inside, ambient, recent_s, seconds(now))
    offset_k = difference.median() if ambient.is_fresh(seconds(now)) and difference.differences else None
    far_k = EXPECTED[evidence.stand.enclosure.kind].far_k + (COVER_ADDS_K if evidence.stand.covered else 0.0)
    doubtful = offset_k is not None and sky.may_shine and offset_k > far_k
    if doubtful:
        inside = _cut(inside, ambient, far_k)
    elif offset_k is not None:
        doubtful = sky.may_shine and inside.since(recent_s).share(Doubt.SUNLIT) > 0.5
    followed = follow(evidence.stand.shaded_at, inside, ambient, irradiance, evidence.site, now)
    newest = inside.since(seconds(now) - max(600.0, 2.5 * inside.interval_s))
    return Scene(
        evidence=evidence,
        now=now,
        inside=inside,
        ambient=ambient,
        inside_c=middle(newest) if newest.values else inside.values[-1],  # type: ignore[arg-type]
        ambient_c=middle(ambient.since(recent_s)) if ambient.is_fresh(seconds(now)) else None,
        offset_k=offset_k,
        doubtful=doubtful,
        sky=sky,
        tiers=evidence.limits.tiers,
        followed=followed if followed.helped else _told_before(evidence),
    )


def _cut(inside: Track, ambient: Track, far_k: float) -> Track:
    """The inside as warm as its air can be: at most `far_k` above the ambient of the same time."""
    matched = pairs(inside, ambient, inside.times_s[0], inside.times_s[-1])
    excess = dict(zip(matched.times_s, matched.differences, strict=True))
    values = [v - max(0.0, excess.get(t, 0.0) - far_k) for t, v in zip(inside.times_s, inside.values, strict=True)]
    return Track.of(inside.times_s, values, inside.doubts, inside.interval_s)


def _told_before(evidence: Evidence) -> Followed:
    """What was found of this shade while the time before it could still be seen."""
    helped = remembered(evidence, "shade_helped")
    if evidence.stand is None or not evidence.stand.shaded or not isinstance(helped, str):
        return Followed("")
    before, after = remembered(evidence, "offset_before_k"), remembered(evidence, "offset_after_k")
    return Followed(
        helped,
        before if isinstance(before, float) else None,
        after if isinstance(after, float) else None,
    )


def action_for(
    scene: Scene, tier: Tier, ambient_c: float | None, ahead: bool = False
) -> tuple[Action | None, dict[str, Number]]:
    """What would help that the keeper has not done yet, with the numbers that its text needs; None is: wait and see.

    `ahead`: `ambient_c` is of later today, when the sun may have come round.
    """
    p: Thresholds = scene.evidence.parameters
    stand, site = scene.stand, scene.evidence.site
    near = ambient_c is not None and ambient_c >= tier.temperature_c - p.near_k
    expected = EXPECTED[stand.enclosure.kind]
    closed = stand.covered or expected.low_k > 1.0
    later = sky_at(site, scene.now + SUN_AHEAD, NOTHING)
    more: dict[str, Number] = {
        "airflow": (near or closed) or None,
        "shade_limit": near or None,
        "covered": stand.covered or None,
        "closed_box": (closed and not stand.covered) or None,
        "keeper_heat": (scene.ambient_c is not None and scene.ambient_c >= KEEPER_HEAT_C) or None,
        "sun_azimuth_deg": later.azimuth_deg if scene.sky.may_shine else None,
        "sun_elevation_deg": scene.sky.elevation_deg if scene.sky.may_shine else None,
    }
    sun_adds = ahead or scene.offset_k is None or scene.offset_k > expected.low_k
    indoors = stand.sheltered_at is not None  # or on a porch: the sun is not what warms it
    if not stand.shaded and not indoors and scene.sky.may_shine and (sun_adds or not near):
        return actions.SHADE, more
    if shade_settles(scene):
        return None, more
    more |= {"shaded": stand.shaded or None, "shade_failed": (scene.followed.helped == NO) or None}
    beaten = scene.followed.helped == NO or (not near and not closed)
    if stand.shaded and not indoors and scene.sky.may_shine and beaten:
        return actions.MOVE_TO_SHADE, more
    if not _is_aired(scene.evidence):
        return actions.ADD_AIRFLOW, more
    # All is done that can be done where it stands. A bearable tier is then borne; above it there are cooler places.
    return (None, more) if tier.severity <= Severity.MODERATE else (actions.MOVE_TO_SHADE, more)


def shade_settles(scene: Scene) -> bool:
    """The shade has just gone up: what it does can't be told yet."""
    at = scene.stand.shaded_at
    return scene.stand.shaded and at is not None and scene.now - at < SHADE_SETTLES


def _is_aired(evidence: Evidence) -> bool:
    """The keeper has given it more air since this heat began."""
    was = evidence.concern
    return was is not None and was.answer is What.DONE and was.told_action == actions.ADD_AIRFLOW.word
