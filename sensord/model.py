"""The nouns of the house, frozen. No I/O, no clock, nothing but the standard library.

Inside sensord everything is SI, relative humidity is 0–1, instants are aware datetimes in UTC. Severity, urgency and
certainty use the words of the Common Alerting Protocol 1.2 (OASIS, CAP-v1.2-os, section 3.2.2).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from enum import IntEnum, IntFlag, StrEnum
from typing import NamedTuple

AMBIENT = "ambient"
"""The place of the shaded post that the enclosures are compared with; also of the wind gauge and the barometer."""

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
FAR = datetime(9999, 1, 1, tzinfo=UTC)
"""After everything."""
MILLISECOND = timedelta(milliseconds=1)


def milliseconds(instant: datetime) -> int:
    """Unix time of an aware instant [ms], exact (no float rounding)."""
    return (instant - EPOCH) // MILLISECOND


def instant(unix_milliseconds: int) -> datetime:
    """The UTC instant of a Unix time [ms]."""
    return EPOCH + timedelta(milliseconds=unix_milliseconds)


class Quantity(StrEnum):
    """What a reading is of; the unit is fixed by the quantity."""

    TEMPERATURE = "temperature"  # °C
    HUMIDITY = "relative_humidity"  # 0–1
    PRESSURE = "pressure"  # Pa, at the station (not reduced to sea level)
    WIND_SPEED = "wind_speed"  # m/s, mean
    WIND_GUST = "wind_gust"  # m/s, peak
    IRRADIANCE = "irradiance"  # W/m², on a horizontal surface
    BATTERY = "battery"  # 0–1 of full
    VOLTAGE = "voltage"  # V, of the probe's supply


UNIT = {
    Quantity.TEMPERATURE: "°C",
    Quantity.HUMIDITY: "1",
    Quantity.PRESSURE: "Pa",
    Quantity.WIND_SPEED: "m/s",
    Quantity.WIND_GUST: "m/s",
    Quantity.IRRADIANCE: "W/m²",
    Quantity.BATTERY: "1",
    Quantity.VOLTAGE: "V",
}


class Doubt(IntFlag):
    """Why a reading is not simply good; 0 is good. Doubtful readings are stored, and the rules decide what to use."""

    NONE = 0
    IMPOSSIBLE = 1  # outside what the sensor can measure, or not a number
    POWER_ON = 2  # the value a sensor shows when it has not measured yet (85.000 °C, −127)
    JUMP = 4  # changed faster than physics allows
    STUCK = 8  # exactly the same for too long
    WET = 16  # humidity pinned at saturation: the sensor is wet
    SUNLIT = 32  # the probe itself is in the sun
    DISAGREES = 64  # two probes of one place tell different stories
    CLOCK = 128  # dated by a clock that was not set
    FUTURE = 256  # dated after its receipt
    LATE = 512  # received long after it was measured
    RETAINED = 1024  # the broker's stored copy: an old reading

    UNUSABLE = IMPOSSIBLE | POWER_ON | JUMP | CLOCK | FUTURE
    """Doubts that keep a reading out of every computation."""


class Reading(NamedTuple):
    """One value of one quantity. Identity: (site, probe, quantity, measured_at to the millisecond)."""

    site: str
    probe: str
    quantity: Quantity
    measured_at: datetime
    received_at: datetime
    value: float
    doubts: int = 0


STEPS_PER_UNIT: dict[str, float] = {
    Quantity.TEMPERATURE: 1e4,  # 0.0001 °C: a 12-bit step of 0.0625 °C comes back exactly
    Quantity.HUMIDITY: 1e5,  # 0.001 % RH
    Quantity.PRESSURE: 10.0,  # 0.1 Pa
    Quantity.WIND_SPEED: 1e4,  # 0.0001 m/s
    Quantity.WIND_GUST: 1e4,
    Quantity.IRRADIANCE: 1e3,  # 0.001 W/m²
    Quantity.BATTERY: 1e5,
    Quantity.VOLTAGE: 1e4,  # 0.1 mV
}
"""A value is kept as a whole number of steps, so a decimal with no finer digits comes back equal, any other one to half a
step; every step is finer than the resolution of the sensors that measure the quantity."""

LARGEST_STEPS = 1e14
"""Beyond this a value is kept as it came: it is no measurement, but it must not be lost either."""


def as_kept(reading: Reading) -> Reading:
    """The reading with its value as every store gives it back."""
    scale = STEPS_PER_UNIT[reading.quantity]
    steps = reading.value * scale
    if not -LARGEST_STEPS < steps < LARGEST_STEPS:
        return reading
    kept = round(steps) / scale
    return reading if kept == reading.value else reading._replace(value=kept)


class Arrival(NamedTuple):
    """One message as it came from outside, before anyone has understood it."""

    received_at: datetime
    topic: str
    payload: bytes
    retained: bool = False
    redelivered: bool = False
    packet: int | None = None  # the broker's packet identifier, where there is one to acknowledge
    connection: int = 0  # which connection it came by; acknowledging is only valid on the same one


class Refusal(NamedTuple):
    """A message that could not be understood, kept for inspection."""

    received_at: datetime
    topic: str
    payload: bytes  # cut to the settings' limit
    reason: str  # what was wrong, where in the payload, and what would be right


class GapKind(StrEnum):
    """Why readings may be missing."""

    SESSION = "session"  # the broker had no session for us: what was sent meanwhile is gone
    OVERFLOW = "overflow"  # our own queue was full; unacknowledged messages come again after reconnecting
    SILENCE = "silence"  # nothing came from a probe that should have reported
    STOPPED = "stopped"  # the daemon was not running
    CLOCK = "clock"  # the clock stepped


class Gap(NamedTuple):
    """From when to when readings may be missing, and why. `ended_at` None: still open."""

    site: str
    kind: GapKind
    subject: str  # a probe, or "" for the whole site
    started_at: datetime
    ended_at: datetime | None
    detail: str = ""


@dataclass(frozen=True, slots=True)
class Site:
    """A place on earth."""

    name: str
    latitude_deg: float
    longitude_deg: float
    elevation_m: float
    time_zone: str
    title: str = ""


class Kind(StrEnum):
    """What sort of enclosure it is; each has an expected offset from ambient."""

    OPEN_MESH = "open mesh"
    FINE_MESH = "fine mesh"
    CLEAR_BOX = "clear box"
    PORCH = "porch"


@dataclass(frozen=True, slots=True)
class Enclosure:
    """A cage, box or porch as configured; shade and ballast are the state at the start, entries tell what came after."""

    site: str
    name: str
    title: str
    kind: Kind
    width_m: float
    depth_m: float
    height_m: float
    own_mass_kg: float
    ballast_kg: float
    pegged: bool
    open_fraction: float
    friction: float
    shaded: bool
    covered: bool


@dataclass(frozen=True, slots=True)
class Probe:
    """A device that measures, and where it stands."""

    site: str
    name: str
    place: str  # an enclosure's name, or AMBIENT
    sensor: str  # a sensor type that `quality` knows
    quantities: frozenset[Quantity]
    interval_s: float  # how often it should report


class Form(StrEnum):
    """The payload forms that can be read."""

    SENML = "senml"  # RFC 8428, JSON
    JSON = "json"  # any JSON document, by RFC 6901 pointers
    NUMBER = "number"  # the value alone, as text


@dataclass(frozen=True, slots=True)
class Recipe:
    """How to read one quantity of one probe from the messages of a topic."""

    site: str
    probe: str
    topic: str  # an MQTT topic filter: + and # stand as in MQTT
    form: Form
    quantity: Quantity
    unit: str = ""  # of the value in the payload: "°C", "°F", "%", "hPa", "mph", …; "" means the quantity's own unit
    pointer: str = ""  # JSON: RFC 6901 pointer to the value
    time_pointer: str | None = None  # JSON: pointer to the time; None: the payload carries none
    time_form: str = "rfc3339"  # how that time is written: rfc3339, unix (s) or unix-ms
    name: str = ""  # SenML: the resolved name; * and ? stand for any characters; "" takes every name


class Stage(StrEnum):
    """Stages of a butterfly; larvae by instar."""

    EGG = "egg"
    INSTAR_1 = "instar 1"
    INSTAR_2 = "instar 2"
    INSTAR_3 = "instar 3"
    INSTAR_4 = "instar 4"
    INSTAR_5 = "instar 5"
    PUPA = "pupa"
    ADULT = "adult"


@dataclass(frozen=True, slots=True)
class Cohort:
    """Animals of one species that hatched or were found together and move together."""

    site: str
    name: str
    species: str
    enclosure: str
    stage: Stage
    stage_since: datetime
    count: int


class What(StrEnum):
    """What a keeper can say. Append-only: an entry is never changed, a later one corrects it."""

    SEEN = "seen"  # of a concern: I know
    DONE = "done"  # of a concern: I did what was advised
    NOT_NOW = "not now"  # of a concern: I can't at the moment
    SHADED = "shaded"
    UNSHADED = "unshaded"
    COVERED = "covered"  # rain or wind cover on
    UNCOVERED = "uncovered"
    ANCHORED = "anchored"  # amount: kilograms of ballast now standing in or on the enclosure, in total
    BALLAST_ADDED = "ballast added"  # amount: kilograms added to what stood there
    PEGGED = "pegged"
    UNPEGGED = "unpegged"  # the pegs are out, or no longer hold
    SHELTERED = "sheltered"  # moved out of the wind or indoors for a while
    RETURNED = "returned"  # back in its place
    HEADCOUNT = "headcount"  # amount: animals counted
    STAGE = "stage"  # text: the stage that a cohort has reached
    MOVED = "moved"  # text: the enclosure that a cohort was moved to
    CLEANED = "cleaned"
    NOTE = "note"


ANSWERS = frozenset({What.SEEN, What.DONE, What.NOT_NOW})
AMOUNTS = {What.ANCHORED: "kg", What.BALLAST_ADDED: "kg", What.HEADCOUNT: "animals"}
MOST_BALLAST_KG = 1000.0
MOST = {What.ANCHORED: MOST_BALLAST_KG, What.BALLAST_ADDED: MOST_BALLAST_KG, What.HEADCOUNT: 10_000.0}
"""The largest amount that can be meant: more is a slip of the finger."""


class Source(StrEnum):
    """By which way an entry came."""

    MQTT = "mqtt"
    COMMAND = "command"
    PAGE = "page"
    SIMULATION = "simulation"


class Entry(NamedTuple):
    """Something that the keeper said or did."""

    site: str
    at: datetime
    received_at: datetime
    subject: str  # an enclosure, a cohort, a concern's key, or "" for the site
    what: What
    amount: float | None = None
    text: str = ""
    author: str = ""
    source: Source = Source.MQTT


class State(StrEnum):
    """What a rule can say. UNKNOWN is a value: too little data is never FINE."""

    FINE = "fine"
    BREACH = "breach"
    UNKNOWN = "unknown"


class Severity(IntEnum):
    """CAP 1.2 severity, ordered."""

    NONE = 0
    MINOR = 1
    MODERATE = 2
    SEVERE = 3
    EXTREME = 4

    @property
    def word(self) -> str:
        """The word that CAP 1.2 writes."""
        return self.name.capitalize()


class Urgency(StrEnum):
    """CAP 1.2 urgency."""

    IMMEDIATE = "Immediate"
    EXPECTED = "Expected"
    FUTURE = "Future"


class Certainty(StrEnum):
    """CAP 1.2 certainty."""

    OBSERVED = "Observed"
    LIKELY = "Likely"
    POSSIBLE = "Possible"


Number = float | int | str | bool | None


@dataclass(frozen=True, slots=True)
class Advice:
    """What to do, by when, and until when saying so still makes sense."""

    action: str  # the word of one of `actions`, which also makes it
    by: datetime | None = None  # the deadline told to the keeper
    holds_until: datetime | None = None  # after this the advice must not be sent any more
    outdoors: bool = True  # it sends somebody out: never while a gust front is there


@dataclass(frozen=True, slots=True)
class Verdict:
    """What a rule says of one subject at one instant."""

    rule: str
    subject: str  # an enclosure, a probe, or "" for the site
    state: State
    at: datetime
    reason: str  # one of the rule's own `Reason`, by which its sentence is found
    severity: Severity = Severity.NONE
    urgency: Urgency = Urgency.EXPECTED
    certainty: Certainty = Certainty.OBSERVED
    numbers: Mapping[str, Number] = field(
        default_factory=dict
    )  # SI; instants as datetimes are not numbers: use ISO text
    advice: Advice | None = None
    easing: bool = False  # FINE only by a margin smaller than the hysteresis: do not end a concern on it yet


class Standing(StrEnum):
    """Where a concern is in its life; the table in `judge` says how it moves."""

    FORMING = "forming"  # breached, but not yet for the dwell time
    OPEN = "open"
    ANSWERED = "answered"  # the keeper said seen, done or not now
    OVER = "over"


def concern_key(rule: str, subject: str) -> str:
    """`rule/subject`, or the rule alone where it is about the site: unique among the concerns of a site that are not over."""
    return f"{rule}/{subject}" if subject else rule


class Telling(StrEnum):
    """Why a concern has something to say now."""

    OPENED = "opened"
    WORSE = "worse"
    CHANGED = "changed"  # the same severity, but something else must be done now
    AGAIN = "again"  # still unanswered
    EASED = "eased"
    OVER = "over"
    FOLLOW_UP = "follow-up"  # whether the advice helped


class Hazard(StrEnum):
    """What a rule watches for. Each has its own share of the day's messages."""

    HEAT = "heat"
    WIND = "wind"  # storms included
    FROST = "frost"
    WET = "wet"
    WATCHING = "watching"  # the watch itself: probes, batteries, the clock, the broker
    OTHER = "other"


class Unsaid(StrEnum):
    """Why something was not said: kept with its concern and in the outbox, and shown in the log and on the page."""

    QUIET = "quiet hours"
    STORM = "nobody is sent out while the storm is here"
    LATE = "it holds no more"
    DEADLINE = "its deadline has passed"
    EXPIRED = "it came too late"
    ANSWERED = "the keeper has answered"
    AGAIN = "it was said again since"
    FINE = "it is fine meanwhile"
    OVER = "it is over"
    ANEW = "it was over; what stands now is told by itself"
    BUDGET = "the day's messages are used up"
    SHARE = "the day's messages are used up, and the share of this hazard too"
    REST = "what is left of the day's messages is for news"


@dataclass(frozen=True, slots=True)
class Asked:
    """What is to be said of a concern and has not reached the phone: its message is on its way, or it was withheld."""

    at: datetime
    telling: Telling
    severity: Severity
    action: str
    withheld: Unsaid | None = None  # why it was not said; None while its message is on its way


@dataclass(frozen=True, slots=True)
class Concern:
    """A matter that stands: one rule about one subject."""

    site: str
    rule: str
    subject: str
    standing: Standing
    verdict: Verdict  # the latest
    breached_since: datetime
    fine_since: datetime | None = None
    unknown_since: datetime | None = None
    opened_at: datetime | None = None
    peak: Severity = Severity.NONE
    told: Severity = Severity.NONE  # what the phone knows: the last message about it that the channel took
    told_action: str = ""
    told_at: datetime | None = None
    tellings: int = 0
    asked: Asked | None = None  # what the phone is still to hear
    askings: int = 0  # how often something was to be said, delivered or not
    answered_at: datetime | None = None
    answer: What | None = None
    over_at: datetime | None = None

    @property
    def key(self) -> str:
        """By which it is told from the others: see `concern_key`."""
        return concern_key(self.rule, self.subject)

    @property
    def last_action(self) -> str:
        """What was last to be done about it, whether or not the phone has heard of it."""
        return self.asked.action if self.asked else self.told_action

    @property
    def withheld(self) -> Asked | None:
        """What was not said, with the reason."""
        return self.asked if self.asked and self.asked.withheld else None


@dataclass(frozen=True, slots=True)
class Notice:
    """What the judge wants to be said; the postman makes messages of the notices of a moment."""

    at: datetime
    telling: Telling
    concern: Concern


class Said(NamedTuple):
    """What a message says of one concern."""

    concern: str  # its key
    telling: Telling
    severity: Severity
    action: str


class Route(StrEnum):
    """The routes of messages."""

    PHONE = "phone"  # to the keeper
    STAND_IN = "stand-in"  # by the second channel, to whoever stands in


@dataclass(frozen=True, slots=True)
class Message:
    """What the phone gets. `key` is stable: the same matter at the same moment has the same key in every attempt."""

    key: str
    site: str
    at: datetime
    rule: str
    subject: str  # subjects of a group, joined by ", "
    severity: Severity
    urgency: Urgency
    certainty: Certainty
    title: str
    text: str
    action: str
    concerns: tuple[str, ...]  # concern keys it speaks of
    holds_until: datetime | None
    route: Route = Route.PHONE
    telling: Telling = Telling.OPENED
    not_before: datetime | None = None  # held back until then (quiet hours)
    attachment: str = ""  # a picture to be made and sent with it, by its name: "review 2026-W34"
    said: tuple[Said, ...] = ()  # of each of its concerns; empty where it was written before that was kept


class Fate(StrEnum):
    """What has become of a message."""

    WAITING = "waiting"  # to go, or to go again
    SENT = "sent"  # the channel took it
    UNDELIVERED = "undelivered"  # given up
    WITHDRAWN = "withdrawn"  # it did not hold any more
    HELD = "held"  # never to go
    UNSENT = "not sent"  # all that another database keeps of one that did not go


class Parcel(NamedTuple):
    """A message in the outbox."""

    message: Message
    attempts: int
    due_at: datetime
    state: Fate
    detail: str = ""
    sent_at: datetime | None = None  # when the channel took it
