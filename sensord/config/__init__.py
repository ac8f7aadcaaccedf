"""What the configuration means: one TOML file, with environment variables and secrets files over it.

Precedence, highest first: environment (`SENSORD_BROKER__PORT=8883`), secrets files (one file a value, named
`broker__password`, in the directory that $CREDENTIALS_DIRECTORY or `--secrets` names), the TOML file, the defaults here.
All mistakes are reported at once, each with where it stands, what is wrong and what is allowed: what can be read of a
document with mistakes is checked all the same.
"""

from sensord.config.broker import BrokerSettings as BrokerSettings
from sensord.config.disagreements import Parameters as Parameters
from sensord.config.enclosures import CohortSettings as CohortSettings
from sensord.config.enclosures import EnclosureSettings as EnclosureSettings
from sensord.config.house import Found as Found
from sensord.config.house import Further as Further
from sensord.config.house import GardenFound as GardenFound
from sensord.config.house import HousePush as HousePush
from sensord.config.house import HouseSettings as HouseSettings
from sensord.config.house import load as load
from sensord.config.house import load_house as load_house
from sensord.config.mistakes import Mistakes as Mistakes
from sensord.config.mistakes import field_at as field_at
from sensord.config.mistakes import plain_words as plain_words
from sensord.config.page import PageSettings as PageSettings
from sensord.config.people import KeeperSettings as KeeperSettings
from sensord.config.people import PushSettings as PushSettings
from sensord.config.people import ReviewSettings as ReviewSettings
from sensord.config.people import SiteSettings as SiteSettings
from sensord.config.probes import ProbeSettings as ProbeSettings
from sensord.config.probes import ReadSettings as ReadSettings
from sensord.config.settings import Settings as Settings
from sensord.config.settings import local as local
from sensord.config.store import InfluxSettings as InfluxSettings
from sensord.config.store import StoreSettings as StoreSettings
from sensord.config.values import Table as Table
