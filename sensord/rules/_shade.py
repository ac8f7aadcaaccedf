"""Whether shade helped: did the offset fall within half an hour, under comparable sun? A cloud is no success."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import NamedTuple

from sensord.model import Number, Site
from sensord.rules._readings import middle, pairs, seconds
from sensord.rules._sky import sun_at
from sensord.rules._tracks import Track
from sensord.science import sun

BEFORE = timedelta(minutes=30)
SETTLED = timedelta(minutes=15)
EARLIEST = timedelta(minutes=22)
JUDGED = timedelta(minutes=30)
LATEST = timedelta(minutes=60)
WORTHWHILE_K = 1.0
"""Below this offset there was nothing to win. Chosen."""
HELPED_SHARE, FAILED_SHARE = 0.7, 0.85
"""Of the offset that the sun of afterwards would have made without shade: at most, helped; at least, did not. Chosen."""
COMPARABLE = 0.6
"""The sun afterwards over the sun before; less is a cloud or the evening. Chosen."""
CLOUD_K = 0.7
"""Where nothing measures the sun: shaded air that cools so much by day is a sign of cloud. Chosen."""

YES, NO, UNKNOWN = "yes", "no", "unknown"


class Followed(NamedTuple):
    """What became of the offset after the shade was put on."""

    helped: str  # yes, no, unknown; "" where there is no shade to follow, or it was put on too long ago to be seen here
    before_k: float | None = None
    after_k: float | None = None


def helped(followed: Followed) -> dict[str, Number | datetime]:
    """The numbers that tell it: offsets before and after, and a name that is true for what became of it."""
    if not followed.helped:
        return {}
    little = followed.before_k is not None and followed.before_k < WORTHWHILE_K
    return {
        "shade_helped": followed.helped,
        f"helped_{followed.helped}": None if little else True,
        "offset_before_k": followed.before_k,
        "offset_after_k": followed.after_k,
    }


def follow(
    shaded_at: datetime | None, inside: Track, ambient: Track, irradiance: Track, site: Site, now: datetime
) -> Followed:
    """Compare the half hour before the shade with the time from a quarter of an hour to an hour after it."""
    if shaded_at is None or shaded_at > now:
        return Followed("")
    start, split = seconds(shaded_at - BEFORE), seconds(shaded_at)
    first, last = seconds(shaded_at + SETTLED), seconds(min(now, shaded_at + LATEST))
    earlier = pairs(inside, ambient, start, split)
    if len(earlier.differences) < 2:
        return Followed("")
    before_k = earlier.median()
    later = pairs(inside, ambient, first, last)
    if now - shaded_at < EARLIEST or len(later.differences) < 2:
        return Followed(UNKNOWN, before_k)
    after_k = later.median()
    ratio = _sun_ratio(irradiance, ambient, site, shaded_at, (start, split, first, last))
    if ratio is None or before_k < WORTHWHILE_K:
        return Followed(UNKNOWN, before_k, after_k)
    unshaded_k = before_k * ratio
    if after_k <= HELPED_SHARE * unshaded_k:
        return Followed(YES, before_k, after_k)
    if after_k >= FAILED_SHARE * unshaded_k and now - shaded_at >= JUDGED:
        return Followed(NO, before_k, after_k)
    return Followed(UNKNOWN, before_k, after_k)


def _sun_ratio(
    irradiance: Track, ambient: Track, site: Site, shaded_at: datetime, spans: tuple[float, float, float, float]
) -> float | None:
    """The sun afterwards over the sun before; None where they can't be compared."""
    measured_before, measured_after = middle(irradiance.between(*spans[:2])), middle(irradiance.between(*spans[2:]))
    if measured_before is not None and measured_after is not None:
        ratio = measured_after / measured_before if measured_before >= 100.0 else 0.0
        return ratio if ratio >= COMPARABLE else None
    clear = [
        sun.clear_sky_irradiance_w_m2(sun_at(site.latitude_deg, site.longitude_deg, at).elevation_deg)
        for at in (shaded_at - BEFORE / 2, shaded_at + LATEST / 2)
    ]
    air_before, air_after = middle(ambient.between(*spans[:2])), middle(ambient.between(*spans[2:]))
    clouded = air_before is not None and air_after is not None and air_after < air_before - CLOUD_K
    if clear[0] < 100.0 or clear[1] < COMPARABLE * clear[0] or clouded:
        return None
    return clear[1] / clear[0]
