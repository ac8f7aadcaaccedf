"""The whole configuration of a garden, and what it means in the words of `model`."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

from pydantic import Field
from pydantic_settings import BaseSettings, SettingsConfigDict

from sensord.config.broker import BrokerSettings
from sensord.config.enclosures import CohortSettings, EnclosureSettings
from sensord.config.page import PageSettings
from sensord.config.people import KeeperSettings, PushSettings, ReviewSettings, SiteSettings
from sensord.config.probes import ProbeSettings
from sensord.config.sources import PREFIX
from sensord.config.store import InfluxSettings, StoreSettings
from sensord.config.values import Amount
from sensord.model import Cohort, Enclosure, Probe, Recipe, Site


class Settings(BaseSettings):
    """The whole configuration."""

    model_config = SettingsConfigDict(extra="forbid", frozen=True, env_prefix=PREFIX, env_nested_delimiter="__")

    site: SiteSettings
    keeper: KeeperSettings = KeeperSettings()
    push: PushSettings = PushSettings()
    broker: BrokerSettings = BrokerSettings()
    page: PageSettings = PageSettings()
    store: StoreSettings = StoreSettings()
    influx: InfluxSettings = InfluxSettings()
    review: ReviewSettings = ReviewSettings()
    rules: dict[str, dict[str, Amount]] = Field(default_factory=dict)
    enclosure: tuple[EnclosureSettings, ...] = Field(min_length=1)
    probe: tuple[ProbeSettings, ...] = Field(min_length=1)
    cohort: tuple[CohortSettings, ...] = ()
    species_directory: str = ""
    rules_directory: str = ""

    # What the core works with, in the words of `model`.

    @property
    def place_on_earth(self) -> Site:
        """The site."""
        s = self.site
        return Site(s.name, s.latitude_deg, s.longitude_deg, s.elevation_m, s.time_zone, s.title or s.name)

    @property
    def zone(self) -> ZoneInfo:
        """The site's time zone."""
        return ZoneInfo(self.site.time_zone)

    @property
    def enclosures(self) -> tuple[Enclosure, ...]:
        """The enclosures as they stand at the start."""
        return tuple(
            Enclosure(
                site=self.site.name,
                title=e.title or e.name.capitalize(),
                **{k: getattr(e, k) for k in ENCLOSURE_KEYS},
            )
            for e in self.enclosure
        )

    @property
    def probes(self) -> tuple[Probe, ...]:
        """The probes."""
        return tuple(
            Probe(self.site.name, p.name, p.place, p.sensor, frozenset(r.quantity for r in p.reads), p.every_s)
            for p in self.probe
        )

    @property
    def recipes(self) -> tuple[Recipe, ...]:
        """How each quantity of each probe is read."""
        return tuple(
            Recipe(
                site=self.site.name,
                probe=p.name,
                topic=r.topic or p.topic or "",
                form=r.form or p.form,
                quantity=r.quantity,
                unit=r.unit,
                pointer=r.pointer,
                time_pointer=p.time.pointer if p.time else None,
                time_form=p.time.form if p.time else "rfc3339",
                name=r.name,
            )
            for p in self.probe
            for r in p.reads
        )

    @property
    def cohorts(self) -> tuple[Cohort, ...]:
        """The cohorts as they were at the start."""
        return tuple(
            Cohort(self.site.name, c.name, c.species, c.enclosure, c.stage, c.stage_since, c.count) for c in self.cohort
        )


ENCLOSURE_KEYS = tuple(sorted(set(EnclosureSettings.model_fields) - {"title", "rules"}))


def local(settings: Settings, instant: datetime) -> datetime:
    """The site's local time of an instant: for people only."""
    return instant.astimezone(settings.zone)
