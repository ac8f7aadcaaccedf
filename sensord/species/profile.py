"""What a species file may say: the profile and its parts, frozen, each figure with its source and how sure it is."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from enum import StrEnum
from itertools import combinations
from typing import Annotated

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationInfo, field_validator

from sensord.language.terminal import say
from sensord.model import Severity, Stage
from sensord.science.bibliography import CITATIONS
from sensord.science.development import ORDER, DevelopmentPlan, Passage
from sensord.science.thresholds import Cutoff


class Confidence(StrEnum):
    """How sure a figure is."""

    PUBLISHED = "published"  # read in the source named
    SECOND_HAND = "second-hand"  # read in code, data or a page that cites the source
    COMPUTED = "computed"  # worked out from figures that were read
    PROXY = "proxy"  # another species' figure
    CHOSEN = "chosen"  # a decision of ours, for want of a figure
    FROM_MEMORY = "from memory"  # not checked against any text: not published


class _Frozen(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", str_strip_whitespace=True)


class Sourced(_Frozen):
    """A figure that says where it is from and how sure it is."""

    confidence: Confidence
    source: str = Field(default="", validate_default=True)  # a key of the bibliography or of [sources]
    note: str = ""

    @field_validator("source")
    @classmethod
    def _is_known(cls, key: str, info: ValidationInfo) -> str:
        confidence = info.data.get("confidence")
        if not key:
            if confidence in (None, Confidence.CHOSEN, Confidence.FROM_MEMORY):
                return key
            raise ValueError(say("species.no_source", confidence=confidence))
        known = (info.context or {}).get("sources", CITATIONS)
        if key not in known:
            raise ValueError(say("species.unknown_source", key=key))
        return key


class Figure(Sourced):
    """A value with its source; the unit is that of the key that holds it."""

    value: float = Field(strict=True, allow_inf_nan=False)


class StageSum(_Frozen):
    """The warmth that one stage takes, or several for which only the sum is known."""

    stage: Stage  # where it starts
    through: Stage | None = None  # the last stage that it covers; None: the same
    degree_days: Figure  # mean of animals [°C·d]
    sd: Figure  # spread between animals, one standard deviation [°C·d]
    lower_threshold: Figure | None = None  # of this passage, where it differs from the species' own [°C]

    @property
    def covers(self) -> tuple[Stage, ...]:
        """The stages it covers, in order."""
        return ORDER[ORDER.index(self.stage) : ORDER.index(self.through or self.stage) + 1]

    @field_validator("through")
    @classmethod
    def _goes_forward(cls, through: Stage | None, info: ValidationInfo) -> Stage | None:
        stage = info.data.get("stage")
        if through is not None and stage is not None and ORDER.index(through) < ORDER.index(stage):
            raise ValueError(say("species.backward", through=through, stage=stage))
        return through

    @field_validator("degree_days", "sd")
    @classmethod
    def _is_positive(cls, figure: Figure) -> Figure:
        if figure.value <= 0:
            raise ValueError(say("species.not_positive", value=f"{figure.value:g}"))
        return figure


def _severity(word: object) -> object:
    """CAP 1.2 writes severities as words."""
    words = {severity.word: severity for severity in Severity if severity is not Severity.NONE}
    if isinstance(word, str):
        if word not in words:
            raise ValueError(say("species.no_severity", word=word, known=", ".join(words)))
        return words[word]
    return word


class HeatTier(Sourced):
    """A temperature, how long it must last before it matters, and how badly it then matters."""

    name: str = Field(min_length=1)
    temperature_c: float = Field(strict=True, ge=-20, le=60)
    sustained_hours: float = Field(strict=True, ge=0, le=240)
    severity: Annotated[Severity, BeforeValidator(_severity)]
    stages: tuple[Stage, ...] = Field(default=(), max_length=len(ORDER))  # whose it is; empty: of all stages

    def shares(self, other: HeatTier) -> bool:
        """Whether there is a stage that both are of."""
        return not self.stages or not other.stages or not set(self.stages).isdisjoint(other.stages)


class ComfortBand(Sourced):
    """Between which temperatures the animals thrive [°C]."""

    low_c: float = Field(strict=True, ge=-20, le=60)
    high_c: float = Field(strict=True, ge=-20, le=60)

    @field_validator("high_c")
    @classmethod
    def _lies_above(cls, high: float, info: ValidationInfo) -> float:
        low = info.data.get("low_c")
        if low is not None and high <= low:
            raise ValueError(say("species.comfort", low=f"{low:g}", high=f"{high:g}"))
        return high


class Diapause(Sourced):
    """Pupae of autumn rest over winter: warmth alone does not bring them out, so no emergence is forecast."""

    why: str = Field(min_length=1)  # told to the keeper


class Species(_Frozen):
    """One species' profile."""

    name: str = Field(pattern=r"^[a-z0-9][a-z0-9_-]{0,39}$")
    scientific_name: str = Field(min_length=1)
    common_name: str = Field(min_length=1)
    migratory: bool = False
    proxy: str = ""  # of which species the figures are, where this one's own are not known; "" when they are its own
    lower_threshold: Figure
    upper_threshold: Figure | None = None
    cutoff: Cutoff = Cutoff.HORIZONTAL
    stages: tuple[StageSum, ...] = Field(min_length=1, max_length=len(ORDER))
    heat_tiers: tuple[HeatTier, ...] = Field(min_length=1, max_length=12)
    comfort: ComfortBand
    frost: Figure
    pupal_diapause: Diapause | None = None
    caveats: tuple[str, ...] = Field(default=(), max_length=20)
    sources: Mapping[str, str] = Field(default_factory=dict)

    @property
    def lower_threshold_c(self) -> float:
        """Below this, no development [°C]."""
        return self.lower_threshold.value

    @property
    def upper_threshold_c(self) -> float | None:
        """Above this, development gains nothing more; None where none is published [°C]."""
        return None if self.upper_threshold is None else self.upper_threshold.value

    @property
    def comfort_c(self) -> tuple[float, float]:
        """The comfortable band, low and high [°C]."""
        return self.comfort.low_c, self.comfort.high_c

    @property
    def frost_c(self) -> float:
        """At or below this, protect from frost [°C]."""
        return self.frost.value

    def plan(self) -> DevelopmentPlan:
        """What a development forecast needs of this profile."""
        passages = tuple(
            Passage(
                stage=part.stage,
                through=part.through or part.stage,
                degree_days=part.degree_days.value,
                sd_degree_days=part.sd.value,
                lower_c=(part.lower_threshold or self.lower_threshold).value,
                confidence=str(part.degree_days.confidence),
            )
            for part in self.stages
        )
        proxy = (f"The figures are those of {self.proxy}, for want of this species' own.",) if self.proxy else ()
        refusal = self.pupal_diapause.why if self.pupal_diapause else ""
        return DevelopmentPlan(passages, self.upper_threshold_c, self.cutoff, refusal, proxy + self.caveats)

    def figures(self) -> Iterator[tuple[str, Sourced]]:
        """Every sourced figure with its key, for pages that show how sure they are."""
        return _figures(self, "")

    @field_validator("upper_threshold")
    @classmethod
    def _lies_above(cls, upper: Figure | None, info: ValidationInfo) -> Figure | None:
        lower = info.data.get("lower_threshold")
        if upper is not None and lower is not None and upper.value <= lower.value:
            raise ValueError(say("species.thresholds", low=f"{lower.value:g}", high=f"{upper.value:g}"))
        return upper

    @field_validator("stages")
    @classmethod
    def _follow_each_other(cls, stages: tuple[StageSum, ...]) -> tuple[StageSum, ...]:
        covered = [stage for passage in stages for stage in passage.covers]
        if Stage.ADULT in covered:
            raise ValueError(say("species.adult"))
        if covered != list(ORDER[ORDER.index(covered[0]) : -1]):
            raise ValueError(say("species.gap", covered=", ".join(covered)))
        return stages

    @field_validator("heat_tiers")
    @classmethod
    def _ascend(cls, tiers: tuple[HeatTier, ...]) -> tuple[HeatTier, ...]:
        for cooler, hotter in combinations(tiers, 2):
            if not cooler.shares(hotter):
                continue
            if hotter.temperature_c <= cooler.temperature_c or hotter.severity < cooler.severity:
                raise ValueError(say("species.ascend", name=hotter.name))
        for stage in ORDER:
            if not any(not tier.stages or stage in tier.stages for tier in tiers):
                raise ValueError(say("species.no_tier", stage=stage))
        return tiers


def _figures(node: BaseModel, prefix: str) -> Iterator[tuple[str, Sourced]]:
    for key in type(node).model_fields:
        value = getattr(node, key)
        items = enumerate(value, 1) if isinstance(value, tuple) else [("", value)]
        for index, item in items:
            path = f"{prefix}{key}{f'[{index}]' if index else ''}"
            if isinstance(item, Sourced):
                yield path, item
            if isinstance(item, BaseModel):
                yield from _figures(item, f"{path}.")
