"""What is watched, and who lives in it at the start: [[enclosure]] and [[cohort]]."""

from __future__ import annotations

from pydantic import Field

from sensord.config.values import Amount, Instant, Name, Table
from sensord.model import Kind, Stage


class EnclosureSettings(Table):
    """[[enclosure]]"""

    name: Name
    title: str = Field(default="", max_length=40)
    kind: Kind = Kind.OPEN_MESH
    width_m: float = Field(gt=0.05, le=10)
    depth_m: float = Field(gt=0.05, le=10)
    height_m: float = Field(gt=0.05, le=5)
    own_mass_kg: float = Field(gt=0, le=500)
    ballast_kg: float = Field(default=0, ge=0, le=1000)
    pegged: bool = False
    open_fraction: float = Field(default=0.5, ge=0, le=0.95)
    friction: float = Field(default=0.3, gt=0, le=1.5)
    shaded: bool = False
    covered: bool = False
    rules: dict[str, dict[str, Amount]] = Field(default_factory=dict)


class CohortSettings(Table):
    """[[cohort]]"""

    name: Name
    species: str = "monarch"
    enclosure: Name
    stage: Stage
    stage_since: Instant
    count: int = Field(ge=0, le=100_000)
