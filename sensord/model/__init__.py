"""The nouns of the house, frozen. No I/O, no clock, nothing but the standard library.

Inside sensord everything is SI, relative humidity is 0–1, instants are aware datetimes in UTC. Severity, urgency and
certainty use the words of the Common Alerting Protocol 1.2 (OASIS, CAP-v1.2-os, section 3.2.2).
"""

from sensord.model.entries import AMOUNTS as AMOUNTS
from sensord.model.entries import ANSWERS as ANSWERS
from sensord.model.entries import MOST as MOST
from sensord.model.entries import MOST_BALLAST_KG as MOST_BALLAST_KG
from sensord.model.entries import Entry as Entry
from sensord.model.entries import Source as Source
from sensord.model.entries import What as What
from sensord.model.matters import Advice as Advice
from sensord.model.matters import Asked as Asked
from sensord.model.matters import Certainty as Certainty
from sensord.model.matters import Concern as Concern
from sensord.model.matters import Hazard as Hazard
from sensord.model.matters import Notice as Notice
from sensord.model.matters import Number as Number
from sensord.model.matters import Severity as Severity
from sensord.model.matters import Standing as Standing
from sensord.model.matters import State as State
from sensord.model.matters import Telling as Telling
from sensord.model.matters import Unsaid as Unsaid
from sensord.model.matters import Urgency as Urgency
from sensord.model.matters import Verdict as Verdict
from sensord.model.matters import concern_key as concern_key
from sensord.model.measuring import AMBIENT as AMBIENT
from sensord.model.measuring import EPOCH as EPOCH
from sensord.model.measuring import FAR as FAR
from sensord.model.measuring import LARGEST_STEPS as LARGEST_STEPS
from sensord.model.measuring import MILLISECOND as MILLISECOND
from sensord.model.measuring import STEPS_PER_UNIT as STEPS_PER_UNIT
from sensord.model.measuring import UNIT as UNIT
from sensord.model.measuring import Arrival as Arrival
from sensord.model.measuring import Doubt as Doubt
from sensord.model.measuring import Gap as Gap
from sensord.model.measuring import GapKind as GapKind
from sensord.model.measuring import Quantity as Quantity
from sensord.model.measuring import Reading as Reading
from sensord.model.measuring import Refusal as Refusal
from sensord.model.measuring import as_kept as as_kept
from sensord.model.measuring import instant as instant
from sensord.model.measuring import milliseconds as milliseconds
from sensord.model.messages import Fate as Fate
from sensord.model.messages import Message as Message
from sensord.model.messages import Parcel as Parcel
from sensord.model.messages import Route as Route
from sensord.model.messages import Said as Said
from sensord.model.places import Cohort as Cohort
from sensord.model.places import Enclosure as Enclosure
from sensord.model.places import Form as Form
from sensord.model.places import Kind as Kind
from sensord.model.places import Probe as Probe
from sensord.model.places import Recipe as Recipe
from sensord.model.places import Site as Site
from sensord.model.places import Stage as Stage
