"""The enclosures and the shaded post in words, and what can be said of them with a tap. Pure."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta

from sensord.model import Cohort, Doubt, Quantity, Severity, What
from sensord.web.measured import Measured, MeasuredPlace, Trend
from sensord.web.phrases import Phrases
from sensord.web.snapshot import Cage, Snapshot

STEADY_K_H = 0.3
SAME_K = 0.25
WAVERS_K = 0.5
"""A temperature that usually changes by as much within five minutes, without a direction, is not steady."""
STEADY_PA = 50.0
JUST_NOW = timedelta(minutes=2)
NEARLY = 0.8
"""From this share of what it holds on, the wind is near."""
CardWords = dict[str, object]


class CageWords:
    """In the words and units of the reader that the phrases are for."""

    def __init__(self, phrases: Phrases, snapshot: Snapshot) -> None:
        self.house, self.snapshot = phrases.house, snapshot
        self.phrases, self.reader, self.say, self.at = phrases, phrases.reader, phrases.say, phrases.reader.at

    def cage(self, cage: Cage) -> CardWords:
        """One enclosure."""
        e, stand = cage.enclosure, cage.stand
        temperature = cage.place.newest.get(Quantity.TEMPERATURE)
        return {
            "name": e.name,
            "title": e.title,
            "kind": self.say(f"terms.kind.{e.kind}"),
            "who": [self._who(c) for c in stand.cohorts],
            "temperature": self._measured(temperature, self.reader.temperature),
            "doubt": self._doubt(temperature),
            "tier": self._tier(cage),
            "hot": self._hot(cage),
            "offset": self._offset(cage.offset_k),
            "humidity": self._measured(cage.place.newest.get(Quantity.HUMIDITY), self.reader.percent),
            "trend": self._trend(cage.place.trend) if heard_now(cage.place) else "",
            "heard": self._heard(cage.place),
            "silent": cage.place.is_silent,
            "wind": self._wind(cage),
            "states": self._states(cage),
            "course": self._course(cage),
            "acts": self._acts(cage),
            "counts": [{**self._cohort(c), "count": c.count} for c in stand.cohorts],
            "moves": [
                {**self._cohort(c), "to": [(o.name, o.title) for o in self.house.garden.enclosures if o.name != e.name]}
                for c in stand.cohorts
            ],
            "ballast": self.reader.short(self.reader.mass_value(stand.ballast_kg)),
            "mass_unit": self.reader.mass_unit,
            "mass_field": "total-lb" if self.reader.us else "total-kg",
        }

    def _measured(self, found: Measured | None, write: Callable[[float], str]) -> CardWords | None:
        if found is None:
            return None
        text = write(found.value)
        number, _, unit = text.rpartition(" ")
        return {"number": number, "unit": unit, "old": "" if found.is_fresh else self.at(found.at)}

    def _doubt(self, found: Measured | None) -> str:
        if found is None or not found.is_fresh:
            return ""
        if found.doubts & Doubt.SUNLIT:
            return self.say("page.card.sunlit")
        return self.say("page.card.disagree") if found.doubts & Doubt.DISAGREES else ""

    def _tier(self, cage: Cage) -> str:
        """The highest tier that it is above now."""
        found = cage.place.newest.get(Quantity.TEMPERATURE)
        if found is None or not found.is_fresh:
            return ""
        above = [t for t in cage.tiers if found.value >= t.temperature_c]
        level = self.reader.temperature(above[-1].temperature_c, 0) if above else ""
        return self.say("page.card.above", level=level) if above else ""

    def _hot(self, cage: Cage) -> str:
        """Above which tier it is now, of those that are told, where there are animals in it."""
        above, found = cage.place.newest.get(Quantity.TEMPERATURE), cage.stand.cohorts
        if above is None or not above.is_fresh or not found:
            return ""
        tell_from = self.house.garden.rules["overheating"].manner.tell_from
        told = [t for t in cage.tiers if t.severity >= tell_from and above.value >= t.temperature_c]
        return self.reader.temperature(told[-1].temperature_c, 0) if told else ""

    def _offset(self, offset_k: float | None) -> str:
        if offset_k is None:
            return self.say("page.not_known")
        if abs(offset_k) < SAME_K:
            return self.say("page.card.as_outside")
        way = "warmer" if offset_k > 0 else "cooler"
        return self.say(f"page.card.{way}", by=self.reader.difference(abs(offset_k)))

    def _trend(self, trend: Trend | None) -> str:
        if trend is None:
            return ""
        if not trend.is_clear or abs(trend.k_h) < STEADY_K_H:
            return self.say("page.card.steady" if trend.step_k < WAVERS_K else "page.card.up_and_down")
        way = "rising" if trend.k_h > 0 else "falling"
        return self.say(f"page.card.{way}", by=self.reader.difference(abs(trend.k_h)))

    def _heard(self, place: MeasuredPlace) -> str:
        if place.heard_at is None:
            return self.say("page.card.heard.never")
        age, at = self.snapshot.now - place.heard_at, self.at(place.heard_at)
        if place.is_silent:
            return self.say("page.card.heard.silent", at=at)
        if age <= JUST_NOW:
            return self.say("page.card.heard.now")
        minutes = round(age.total_seconds() / 60)
        return self.say("page.card.heard.minutes" if minutes < 90 else "page.card.heard.at", count=minutes, at=at)

    def _wind(self, cage: Cage) -> CardWords:
        """What it holds against what blows."""
        stand, holds, gust = cage.stand, cage.holds_m_s, cage.gust_m_s
        say = self.say("page.card.holds.unmeasured") if gust is None else ""
        kind = "unknown"
        if stand.sheltered_at is not None:
            kind, say = "held", self.say("page.card.holds.sheltered", at=self.at(stand.sheltered_at))
        elif stand.pegged:
            kind, say = "held", self.say("page.card.holds.pegged")
        elif gust is not None and holds is not None:
            kind = "held" if gust < NEARLY * holds else "near" if gust < holds else "over"
            say = self.say(f"page.card.holds.{kind}")
            if kind != "over" and cage.worst_m_s is not None and cage.worst_m_s >= holds:
                say = self.say("page.card.holds.exceeded", gust=self.reader.wind(cage.worst_m_s))
        top = max((holds or 0.0) * 1.3, (gust or 0.0) * 1.1, 5.0)
        how = "about" if cage.gust_estimated else "up_to"
        return {
            "kind": kind,
            "say": say,
            "holds": self.reader.wind(holds) if holds is not None else self.say("page.not_known"),
            "with": self.reader.mass(stand.ballast_kg),
            "now": "" if gust is None else self.say(f"page.card.holds.{how}", gust=self.reader.wind(gust)),
            "holds_at": round(200 * holds / top, 1) if holds is not None else None,
            "now_at": round(200 * gust / top, 1) if gust is not None else None,
        }

    def _states(self, cage: Cage) -> list[str]:
        stand = cage.stand
        found = []
        if stand.shaded:
            found.append(self.say("page.card.shaded", at=self.at(stand.shaded_at) if stand.shaded_at else None))
        if stand.covered:
            found.append(self.say("page.card.covered", at=self.at(stand.covered_at) if stand.covered_at else None))
        return found

    def _who(self, cohort: Cohort) -> str:
        return self.say(f"terms.animals.{cohort.stage}", count=cohort.count)

    def _cohort(self, cohort: Cohort) -> CardWords:
        return {"name": cohort.name, "title": self.phrases.cohort(cohort.name), "who": self._who(cohort)}

    def _course(self, cage: Cage) -> CardWords | None:
        """The last day as lines of a small drawing, on one scale for all enclosures."""
        if not cage.place.course:
            return None
        every = [v for c in self.snapshot.cages for _, v in c.place.course]
        line = next((t for t in cage.tiers if t.severity >= Severity.MODERATE), None)
        low, high = min(every) - 1.0, max([*every, line.temperature_c if line else 0.0]) + 1.0
        strokes: list[list[str]] = [[]]
        before = None
        for hours, value in sorted(cage.place.course, reverse=True):
            if before is not None and before - hours > 0.6:
                strokes.append([])
            strokes[-1].append(f"{240 - 10 * hours:.1f},{60 - 60 * (value - low) / (high - low):.1f}")
            before = hours
        values = [v for _, v in cage.place.course]
        return {
            "strokes": [" ".join(s) for s in strokes if s],
            "line": round(60 - 60 * (line.temperature_c - low) / (high - low), 1) if line else None,
            "say": self.say(
                "page.card.course",
                low=self.reader.temperature(min(values)),
                high=self.reader.temperature(max(values)),
            ),
        }

    def _acts(self, cage: Cage) -> list[tuple[str, str]]:
        """What can be said of an enclosure with one tap: (value of the button, its words)."""
        stand, name, brick = cage.stand, cage.enclosure.name, self.house.settings.keeper.brick_kg
        sheltered = stand.sheltered_at is not None
        say, mass = self.say, self.reader.mass
        acts = [
            (What.UNSHADED if stand.shaded else What.SHADED, 0),
            (What.BALLAST_ADDED, 1),
            (What.BALLAST_ADDED, 2),
            (What.RETURNED if sheltered else What.SHELTERED, 0),
            (What.UNCOVERED if stand.covered else What.COVERED, 0),
            (What.CLEANED, 0),
            (What.UNPEGGED if stand.pegged else What.PEGGED, 0),
        ]
        return [
            (
                f"{what}|{name}|{f'{bricks * brick:g}' if bricks else ''}",
                say(f"page.write.act.{what}", count=bricks, mass=mass(bricks * brick)),
            )
            for what, bricks in acts
        ]

    def post(self) -> CardWords:
        """The shaded post, wind and barometer."""
        newest, change = self.snapshot.post.newest, self.snapshot.change_pa
        pressure = newest.get(Quantity.PRESSURE)
        tendency = ""
        if change is not None and pressure is not None and pressure.is_fresh:
            way = "steady" if abs(change) < STEADY_PA else "pressure_rising" if change > 0 else "pressure_falling"
            tendency = self.say(f"page.card.{way}", by=self.reader.pressure(abs(change)))
        return {
            "temperature": self._measured(newest.get(Quantity.TEMPERATURE), self.reader.temperature),
            "humidity": self._measured(newest.get(Quantity.HUMIDITY), self.reader.percent),
            "wind": self._measured(newest.get(Quantity.WIND_SPEED), self.reader.wind),
            "gust": self._gust(),
            "gust_lately": self.snapshot.gust_m_s is not None,
            "pressure": self._measured(pressure, self.reader.pressure),
            "tendency": tendency,
            "trend": self._trend(self.snapshot.post.trend) if heard_now(self.snapshot.post) else "",
            "heard": self._heard(self.snapshot.post),
            "silent": self.snapshot.post.is_silent,
        }

    def _gust(self) -> CardWords | None:
        """The figure that the enclosures are held against; where there is none, the last that was measured."""
        if self.snapshot.gust_m_s is None:
            return self._measured(self.snapshot.post.newest.get(Quantity.WIND_GUST), self.reader.wind)
        number, _, unit = self.reader.wind(self.snapshot.gust_m_s).rpartition(" ")
        return {"number": number, "unit": unit, "old": ""}


def heard_now(place: MeasuredPlace) -> bool:
    """Whether its temperature is one of now."""
    found = place.newest.get(Quantity.TEMPERATURE)
    return found is not None and found.is_fresh
