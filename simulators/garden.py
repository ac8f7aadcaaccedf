"""The garden: weather, enclosures, probes and keeper in one seeded world, advanced in steps of a fixed length.

The same seed, settings, weather and start give the same messages, byte for byte, however `step` is called. What really
was (`truth`, `events`, `losses`) is kept beside what the probes say of it.
"""

from __future__ import annotations

import heapq
from array import array
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any, NamedTuple, Protocol

from sensord.model import AMBIENT, Message
from simulators.chance import stream
from simulators.enclosures import ALL_DAY, Cage, Exposure, Inside
from simulators.faults import NONE, Faults, Mishap
from simulators.probes import Air, Device, Sent, Shield
from simulators.sky import Sky, Weather, saturation_hpa

if TYPE_CHECKING:
    from sensord.config import Settings

STEP = timedelta(seconds=60)
MILLISECOND = timedelta(milliseconds=1)
LOST_WHEN_TIPPED = 0.25
"""Of the animals inside, when their enclosure is blown over: a guess."""
SLID_AGAIN_AFTER = timedelta(minutes=30)


class Event(NamedTuple):
    """Something that happened in the garden."""

    at: datetime
    subject: str  # an enclosure, a probe, or "" for the garden
    what: str
    detail: str = ""


class Truth(NamedTuple):
    """What really was, at the end of a step."""

    at: datetime
    temperature_c: Mapping[str, float]  # by place; of the air, not of a probe
    relative_humidity: Mapping[str, float]
    pressure_pa: float
    wind_speed_m_s: float
    wind_gust_m_s: float
    irradiance_w_m2: float
    rain_mm_h: float


class Resident(Protocol):
    """Who lives with the garden: reads messages, and does and says something about them at its steps."""

    def read(self, message: Message | Mapping[str, Any] | bytes | str) -> None:
        """A message arrives on the phone."""

    def turn(self, garden: Garden) -> list[Sent]:
        """What is done and said in the garden's present moment."""


class Garden:
    """A made-up garden that can be stepped through."""

    def __init__(
        self,
        seed: int,
        start: datetime,
        weather: Weather,
        settings: Settings,
        faults: Faults = NONE,
        mishaps: Sequence[Mishap] = (),
        exposures: Mapping[str, Exposure] | None = None,
        shields: Mapping[str, Shield] | None = None,
        keeper: Resident | None = None,
        step: timedelta = STEP,
    ) -> None:
        self.start, self.now, self.step_length = start.astimezone(UTC), start.astimezone(UTC), step
        self.settings, self.keeper = settings, keeper
        self.cages = {e.name: Cage(e, (exposures or {}).get(e.name, ALL_DAY)) for e in settings.enclosures}
        self.devices = [
            Device(
                probe,
                [r for r in settings.recipes if r.probe == probe.name],
                seed,
                self.start,
                faults,
                mishaps,
                (shields or {}).get(probe.name, Shield.GOOD),
            )
            for probe in settings.probes
        ]
        self.animals = {name: sum(c.count for c in settings.cohorts if c.enclosure == name) for name in self.cages}
        self.losses = dict.fromkeys(self.cages, 0)
        self.events: list[Event] = []
        self.sky: Sky = weather.sky(self.start)
        self._weather, self._luck = weather, stream(seed, "luck of the animals")
        self._slid: dict[str, datetime] = {}
        self._under_way: list[tuple[datetime, int, Sent]] = []
        self._count = 0
        self._last_sent = self.start
        self._truth_of_places = [AMBIENT, *self.cages]
        self._truth = array("f")

    # --- time passes --------------------------------------------------------------------------------------------------

    def step(self, until: datetime) -> list[Sent]:
        """Go on to the last whole step not after `until`; returns what reached the broker, strictly ascending by time."""
        while self.now + self.step_length <= until:
            self._one_step()
        sent = []
        while self._under_way and self._under_way[0][0] <= self.now:
            message = heapq.heappop(self._under_way)[2]
            self._last_sent = max(message.at, self._last_sent + MILLISECOND)
            sent.append(Sent(self._last_sent, message.topic, message.payload))
        return sent

    def _one_step(self) -> None:
        self.now += self.step_length
        step_s = self.step_length.total_seconds()
        self.sky = sky = self._weather.sky(self.now)
        if self.keeper is not None:
            for message in self.keeper.turn(self):
                self._post(message)
        inside = {name: cage.warm(sky, step_s) for name, cage in self.cages.items()}
        self._blow(sky)
        airs = {name: _air_inside(sky, air) for name, air in inside.items()}
        airs[AMBIENT] = _air_at_the_post(sky)
        for device in self.devices:
            sent, began = device.turn(self.now, airs[device.probe.place])
            for message in sent:
                self._post(message)
            for spell in began:
                until = f"until {spell.until:%Y-%m-%dT%H:%MZ}" if spell.until else "for good"
                self.events.append(Event(self.now, device.probe.name, f"fault: {spell.fault}", until))
        self._remember(sky, airs)

    def _post(self, message: Sent) -> None:
        self._count += 1
        heapq.heappush(self._under_way, (message.at, self._count, message))

    def _blow(self, sky: Sky) -> None:
        """What the gust of this step does to the enclosures, and to who is in them."""
        wet = sky.rain_mm_h > 4.0
        for name, cage in self.cages.items():
            what = cage.push(sky, wet)
            if not what or (what == "slid" and self.now - self._slid.get(name, self.start) < SLID_AGAIN_AFTER):
                continue
            self._slid[name] = self.now
            lost = 0
            if what == "tipped over":
                lost = sum(self._luck.random() < LOST_WHEN_TIPPED for _ in range(self.animals[name]))
                self.animals[name] -= lost
                self.losses[name] += lost
            detail = f"gust {sky.wind_gust_m_s:.1f} m/s, ballast {cage.ballast_kg:g} kg, {lost} lost"
            self.events.append(Event(self.now, name, what, detail))

    # --- what really was ----------------------------------------------------------------------------------------------

    def _remember(self, sky: Sky, airs: Mapping[str, Air]) -> None:
        for place in self._truth_of_places:
            self._truth.append(airs[place].temperature_c)
            self._truth.append(airs[place].relative_humidity)
        self._truth.extend((sky.pressure_pa, sky.wind_speed_m_s, sky.wind_gust_m_s, sky.irradiance_w_m2, sky.rain_mm_h))

    def truth(self, at: datetime) -> Truth:
        """What really was at the end of the step that `at` lies in; ValueError for times that the garden has not seen."""
        width = 2 * len(self._truth_of_places) + 5
        index = max(0, -((self.start - at) // self.step_length) - 1)
        steps = len(self._truth) // width
        if at <= self.now and index == steps > 0:  # asked from another thread, while this very step is being computed
            index -= 1
        if at < self.start or index >= steps:
            raise ValueError(f"the garden has lived from {self.start.isoformat()} to {self.now.isoformat()}")
        row = self._truth[index * width : (index + 1) * width]
        places = len(self._truth_of_places)
        return Truth(
            self.start + (index + 1) * self.step_length,
            dict(zip(self._truth_of_places, row[0 : 2 * places : 2], strict=True)),
            dict(zip(self._truth_of_places, row[1 : 2 * places : 2], strict=True)),
            *row[2 * places :],
        )

    def note(self, subject: str, what: str, detail: str = "") -> None:
        """Enter something into the garden's log, now."""
        self.events.append(Event(self.now, subject, what, detail))


def _air_inside(sky: Sky, inside: Inside) -> Air:
    return Air(
        inside.temperature_c,
        min(1.0, inside.vapour_pressure_hpa / saturation_hpa(inside.temperature_c)),
        sky.pressure_pa,
        sky.wind_speed_m_s,
        sky.wind_gust_m_s,
        sky.irradiance_w_m2,
        inside.sunlight_w_m2,
        inside.airflow_m_s,
        inside.rain_mm_h,
    )


def _air_at_the_post(sky: Sky) -> Air:
    """The shaded post: out of the beam, with some light from the sky; its screen keeps the rain off."""
    return Air(
        sky.temperature_c,
        sky.relative_humidity,
        sky.pressure_pa,
        sky.wind_speed_m_s,
        sky.wind_gust_m_s,
        sky.irradiance_w_m2,
        0.4 * sky.diffuse_w_m2,
        max(0.1, 0.3 * sky.wind_speed_m_s),
        0.0,
    )
