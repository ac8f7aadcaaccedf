"""Where things stand and who lives there: site, enclosures, probes, how their messages are read, cohorts by stage."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from sensord.model.measuring import Quantity


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
