"""What a rule is, what it declares and what it is handed."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta
from enum import StrEnum
from types import MappingProxyType
from typing import Any, NamedTuple, Protocol

from pydantic import BaseModel

from sensord.actions import Action
from sensord.ledger import Stand
from sensord.model import Concern, Entry, Probe, Quantity, Site, Verdict
from sensord.rules._anchoring import Held
from sensord.rules._manners import Manner
from sensord.rules._tracks import Seen
from sensord.rules._watching import Watch
from sensord.species.limits import Limits


class Per(StrEnum):
    """What a rule gives one verdict for."""

    ENCLOSURE = "enclosure"
    PROBE = "probe"
    SITE = "site"


class Unclear(StrEnum):
    """Why a rule can't say. Never told by itself, so it needs no sentence; `watch` and `silent` speak of what is not known."""

    AMBIENT_WRONG = "ambient wrong"
    JUST_STARTED = "just started"
    LEFT_TO_AMBIENT = "left to ambient"
    LEFT_TO_CLOCK = "left to clock"
    NO_AMBIENT = "no ambient"
    NO_ENCLOSURE = "no enclosure"
    NO_HUMIDITY = "no humidity"
    NO_INSIDE = "no inside"
    NO_PAIRS = "no pairs"
    NO_PROBE_AT_THE_POST = "no probe at the post"
    NO_SPECIES = "no species"
    NO_TEMPERATURE = "no temperature"
    NO_WIND_GAUGE = "no wind gauge"
    NOT_TOLD = "not told"
    NOTHING_IS_HEARD = "nothing is heard"
    NOTHING_KNOWN = "nothing known"
    NOTHING_MEASURES_IT = "nothing measures it"
    PROBE_IN_THE_SUN = "probe in the sun"
    SHELTERED = "sheltered"
    DEFECT = "defect"  # the rule failed instead of saying something


class Need(NamedTuple):
    """One kind of readings that a rule wants to be handed."""

    name: str  # the key in `Evidence.series`
    where: str  # "subject" (the enclosure or probe that is judged) or model.AMBIENT
    quantity: Quantity
    lookback: timedelta


NONE_SEEN: Mapping[str, tuple[Seen, ...]] = MappingProxyType({})
NONE_STANDING: Mapping[str, Concern] = MappingProxyType({})


class Evidence(NamedTuple):
    """Everything that a rule may look at. Empty where the rule did not ask or there is nothing.

    A tuple, because a turn makes ten of them: a frozen dataclass of so many fields takes three times as long.
    """

    site: Site
    subject: str
    parameters: Any  # the rule's Parameters, with the configuration's and the enclosure's overrides
    series: Mapping[str, tuple[Seen, ...]] = NONE_SEEN  # by need; one Seen a probe, primary first
    stand: Stand | None = None  # of the subject, for rules per enclosure
    stands: tuple[Stand, ...] = ()  # of all enclosures
    probe: Probe | None = None  # for rules per probe
    probes: tuple[Probe, ...] = ()
    limits: Limits | None = None  # of those who are in the subject
    held: Held | None = None  # how the subject is held against the wind
    entries: tuple[Entry, ...] = ()  # of the last 48 h about the subject or its concerns
    concern: Concern | None = None  # this rule's own standing concern about the subject
    others: Mapping[str, Concern] = NONE_STANDING  # all standing concerns by key
    watch: Watch | None = None


class Rule(Protocol):
    """What a rule file offers as RULE."""

    name: str  # one word in small letters, as in concern keys and configuration tables
    per: Per
    every: timedelta  # how often it is asked
    manner: Manner  # how patiently its concerns are spoken of, and which hazard it watches for
    reasons: type[StrEnum]  # what it can say, of a BREACH and of what is FINE: each has a sentence
    advises: tuple[Action, ...]  # what it may ask for
    Parameters: type[BaseModel]  # thresholds with bounds, defaults and, in each description, unit and source

    def needs(self, parameters: Any) -> tuple[Need, ...]:
        """Which readings to hand over."""

    def decide(self, evidence: Evidence, now: datetime) -> Verdict:
        """The verdict on the subject at `now`."""
