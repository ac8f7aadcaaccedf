"""What a reading is worth: good, or doubtful and why. Nothing is deleted or changed, only marked.

`Assessor` remembers a little of each series (a probe's quantity) and marks what the reading itself and its neighbours
show: outside the sensor's limits, a power-on value, a jump, a value that does not move any more, wet, in the sun, at odds
with the other probe of its place. What is dated earlier than the newest reading, or by a clock that can't be trusted, is
judged by its value alone and leaves no trace in the memory.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from statistics import median

from sensord.intake.history import (
    FINEST,
    FRESH_S,
    LEFT_BEHIND_S,
    LONGEST_STILL_S,
    MOVED,
    NIGHT_COUNTS,
    STUCK_READINGS,
    RememberedSeries,
    is_wet,
    jumps,
    leads_there,
    may_stand_still,
    note_change,
)
from sensord.model import AMBIENT, Doubt, Enclosure, Kind, Probe, Quantity, Reading, Site
from sensord.science import sun

NEVER = float("inf")
UNTRUSTED = int(Doubt.CLOCK | Doubt.FUTURE | Doubt.IMPOSSIBLE | Doubt.POWER_ON)
"""Readings with these doubts teach nothing about what comes after them."""


SUN_UP_DEG = 5.0
FAR_K = {Kind.OPEN_MESH: 6.0, Kind.FINE_MESH: 9.0, Kind.CLEAR_BOX: 15.0, Kind.PORCH: 8.0}
"""Further above ambient than the air in such an enclosure gets: the probe measures its own sunlight. Chosen; there is no
measurement of small cages in the sun. Unshielded sensors err by up to 25 K (Maclean et al. 2021, Methods in Ecology and
Evolution, abstract)."""
AMBIENT_FAR_K = 2.5
"""An ambient probe that is this much warmer than the mesh cages by day is in the sun itself: they are never that much cooler
than the air around them. Chosen."""
SUNLIT_AFTER_S = 600.0
FLICKER_K = 0.8
"""Mean change from reading to reading of a probe in the sun, by clouds and gusts; shaded air is calmer. Chosen."""
DISAGREE_AFTER_S = 600.0
PLACE_ALLOWS = {Quantity.TEMPERATURE: (1.0, 2.0), Quantity.HUMIDITY: (0.05, 0.10), Quantity.PRESSURE: (50.0, 50.0)}
"""What two spots of one place may differ by, at night and by day, beyond the tolerances of both sensors. Chosen."""
CLOCK_WENT_BACK_S = 900.0


class Assessor:
    """Marks the readings of a site. Deterministic: the same readings in the same order get the same marks."""

    def __init__(self, probes: Iterable[Probe], enclosures: Iterable[Enclosure], site: Site) -> None:
        self._site = site
        kinds = {enclosure.name: enclosure.kind for enclosure in enclosures}
        self._series: dict[tuple[str, Quantity], RememberedSeries] = {}
        for probe in probes:
            kind = None if probe.place == AMBIENT else kinds.get(probe.place, Kind.OPEN_MESH)
            for quantity in sorted(probe.quantities):
                self._series[probe.name, quantity] = RememberedSeries(probe, quantity, kind)
        for one in self._series.values():
            one.others = [s for s in self._series.values() if s.quantity is one.quantity and s is not one]
            one.peers = [s for s in one.others if s.place == one.place and s.quantity in PLACE_ALLOWS]
            kinds_compared = (None,) if one.kind is not None else (Kind.OPEN_MESH, Kind.FINE_MESH)
            one.measures = [s for s in one.others if s.kind in kinds_compared]
        self._sun_bucket, self._sun_is_up = -1, False

    def assess(self, readings: Sequence[Reading]) -> list[Reading]:
        """The readings, in the same order, with what is doubtful about them added to their doubts."""
        return [self._assess(reading) for reading in readings]

    def prime(self, readings: Iterable[Reading]) -> None:
        """Learn from what was stored before: the newest reading of each series suffices, more is better."""
        for reading in sorted(readings, key=lambda r: r.measured_at):
            series = self._series.get((reading.probe, reading.quantity))
            if series is None or reading.doubts & Doubt.UNUSABLE:
                continue
            self._assess(reading)
            at_s = reading.measured_at.timestamp()
            if reading.doubts & Doubt.WET:
                series.wet, series.saturated_since_s = True, at_s
            if reading.doubts & Doubt.SUNLIT:
                series.sunlit_since_s = at_s - SUNLIT_AFTER_S
            if reading.doubts & Doubt.DISAGREES:
                series.disagrees_since_s = at_s - DISAGREE_AFTER_S
            if reading.doubts & Doubt.STUCK:
                series.same_count, series.same_s = STUCK_READINGS, LONGEST_STILL_S

    def _assess(self, reading: Reading) -> Reading:
        _, probe, quantity, measured_at, _, value, before = reading
        series = self._series.get((probe, quantity))
        if series is None:
            return reading
        doubts, at_s = int(before), measured_at.timestamp()
        if value in series.power_on and not leads_there(series, value, at_s):
            doubts |= Doubt.POWER_ON
        elif not series.ability.lowest <= value <= series.ability.highest:
            doubts |= Doubt.IMPOSSIBLE
        if not doubts & UNTRUSTED and self._is_new(series, at_s, doubts):
            series.newest_s = at_s
            if jumps(series, value, at_s):
                doubts |= Doubt.JUMP
            else:
                doubts |= self._learn(series, value, at_s)
        return reading if doubts == before else Reading(*reading[:6], int(doubts))

    @staticmethod
    def _is_new(series: RememberedSeries, at_s: float, doubts: int) -> bool:
        """Whether it is the newest of its series. A reading of just now that is far behind shows that the clock went back."""
        if at_s > series.newest_s:
            return True
        if series.newest_s - at_s > CLOCK_WENT_BACK_S and not doubts & (Doubt.LATE | Doubt.RETAINED):
            series.forget()
            return True
        return False

    def _learn(self, series: RememberedSeries, value: float, at_s: float) -> int:
        """Take over a believable value; what its history and its neighbours make doubtful."""
        elapsed_s = at_s - series.believed_s
        doubts = 0
        note_change(series, value, elapsed_s)
        if value != series.value or series.same_count == 0:
            series.same_count, series.same_s = 1, 0.0
        elif series.still is not None and self._is_stuck(series, value, at_s, elapsed_s):
            doubts |= Doubt.STUCK
        series.value, series.believed_s = value, at_s
        if series.is_humidity:
            if is_wet(series, value, at_s):
                doubts |= Doubt.WET
        elif series.is_temperature and self._is_sunlit(series, value, at_s, elapsed_s):
            doubts |= Doubt.SUNLIT
        if series.peers and self._disagrees(series, value, at_s):
            doubts |= Doubt.DISAGREES
        return int(doubts)

    def _sun_up(self, at_s: float) -> bool:
        """Whether the sun may shine, to five minutes."""
        bucket = int(at_s / 300)
        if bucket != self._sun_bucket:
            when = datetime.fromtimestamp(bucket * 300 + 150, UTC)
            site = self._site
            self._sun_bucket = bucket
            self._sun_is_up = sun.position(site.latitude_deg, site.longitude_deg, when).elevation_deg > SUN_UP_DEG
        return self._sun_is_up

    def _is_stuck(self, series: RememberedSeries, value: float, at_s: float, elapsed_s: float) -> bool:
        """Exactly the same for too long, for a sensor with such steps at this time of day."""
        series.same_count += 1
        series.same_s += min(elapsed_s, FRESH_S) * (1.0 if self._sun_up(at_s) else NIGHT_COUNTS)
        if series.same_count == STUCK_READINGS / 2:
            series.stood_since_s = at_s
            series.stood = {other.probe: other.value for other in series.others if other.is_fresh(at_s)}
        if series.same_count < STUCK_READINGS or may_stand_still(series.quantity, value):
            return False
        assert series.still is not None
        after_s, usual_step = series.still
        step = series.ability.step if series.step is None else series.step
        if series.same_s >= min(after_s * max(FINEST, step / usual_step), LONGEST_STILL_S):
            return True
        least = MOVED.get(series.quantity)
        if least is None or at_s - series.stood_since_s < LEFT_BEHIND_S:
            return False
        moves = [
            abs(other.value - series.stood[other.probe])
            for other in series.others
            if other.probe in series.stood and other.is_fresh(at_s)
        ]
        alone = 2.0 if len(moves) == 1 else 1.0  # a single witness may be the faulty one
        return bool(moves) and median(moves) >= alone * (least + 3 * step)

    def _is_sunlit(self, series: RememberedSeries, value: float, at_s: float, elapsed_s: float) -> bool:
        """Warmer than the air there can be, or warm and restless, for a while with the sun up."""
        if elapsed_s > FRESH_S or not self._sun_up(at_s) or not _is_heated(series, value, at_s):
            series.sunlit_since_s = NEVER
            return False
        series.sunlit_since_s = min(series.sunlit_since_s, at_s)
        return at_s - series.sunlit_since_s >= SUNLIT_AFTER_S

    def _disagrees(self, series: RememberedSeries, value: float, at_s: float) -> bool:
        """Two or more of one place: too far from the other, or from the middle of all."""
        peers = [peer for peer in series.peers if peer.is_fresh(at_s)]
        if not peers:
            series.disagrees_since_s = NEVER
            return False
        if len(peers) == 1:
            middle, theirs = peers[0].value, peers[0].ability.tolerance
        else:
            middle = median([value, *(peer.value for peer in peers)])
            theirs = max(peer.ability.tolerance for peer in peers)
        by_night, by_day = PLACE_ALLOWS[series.quantity]
        beyond = abs(value - middle) - series.ability.tolerance - theirs
        if beyond <= by_night or beyond <= (by_day if self._sun_up(at_s) else by_night):
            series.disagrees_since_s = NEVER
            return False
        series.disagrees_since_s = min(series.disagrees_since_s, at_s)
        return at_s - series.disagrees_since_s >= DISAGREE_AFTER_S


def _is_heated(series: RememberedSeries, value: float, at_s: float) -> bool:
    """Far above the air around it; or not so far, and restless."""
    excess_k = _excess_k(series, value, at_s)
    far_k = AMBIENT_FAR_K if series.kind is None else FAR_K[series.kind]
    if excess_k is None or excess_k < far_k / 4:
        return False
    changes = series.changes
    return excess_k >= far_k or (len(changes) >= 8 and sum(changes) / len(changes) >= FLICKER_K)


def _excess_k(series: RememberedSeries, value: float, at_s: float) -> float | None:
    """Above the ambient post; of an ambient probe: above the mesh cages. None: nothing to compare with."""
    measures = [
        other.value
        for other in series.measures
        if other.is_fresh(at_s)
        and (
            series.kind is None or at_s - other.sunlit_since_s < SUNLIT_AFTER_S
        )  # a sunlit ambient probe is no measure
    ]
    if not measures:
        return None
    return value - (measures[0] if len(measures) == 1 else median(measures))
