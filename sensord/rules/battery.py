"""Battery: a probe's battery is nearly empty; told once, well before the probe falls silent."""

from __future__ import annotations

from datetime import datetime, timedelta
from enum import StrEnum

from pydantic import Field

from sensord import actions
from sensord.model import AMBIENT, Number, Quantity, Severity, Verdict
from sensord.rules import Evidence, Need, Per, Unclear
from sensord.rules._manners import WATCHING
from sensord.rules._readings import Bounds, breach, fine, middle, track, unknown
from sensord.rules._watching import title_of

NAME = "battery"
LOOKBACK = timedelta(hours=6)
LATEST = 7


class Reason(StrEnum):
    """What this rule can say."""

    LOW = "low"
    FULL_ENOUGH = "full enough"


class Thresholds(Bounds):
    """When a battery is low."""

    low_ratio: float = Field(0.15, gt=0, lt=1, description="of full [0–1]; chosen")
    low_v: float = Field(2.4, ge=0, le=48, description="or this voltage [V]; two cells nearly empty; chosen; 0: never")
    hysteresis_ratio: float = Field(0.05, ge=0, le=0.5, description="it is over when so much above [0–1]; chosen")


class Battery:
    """Whether a probe's battery lasts."""

    name = NAME
    per = Per.PROBE
    every = timedelta(minutes=30)
    manner = WATCHING
    reasons = Reason
    advises = (actions.CHANGE_BATTERY,)
    Parameters = Thresholds

    def needs(self, parameters: Thresholds) -> tuple[Need, ...]:
        """What it tells of its own supply."""
        return (
            Need("battery", "subject", Quantity.BATTERY, LOOKBACK),
            Need("voltage", "subject", Quantity.VOLTAGE, LOOKBACK),
        )

    def decide(self, evidence: Evidence, now: datetime) -> Verdict:
        """Full enough, low, or not told."""
        p: Thresholds = evidence.parameters
        probe = evidence.probe
        if probe is None:
            return unknown(NAME, evidence, now, Unclear.NOTHING_KNOWN)
        ratio = _latest(evidence, "battery", now, 1.05)
        volts = _latest(evidence, "voltage", now, 100.0)
        facts: dict[str, Number | datetime] = {
            "probe": probe.name,
            "place": title_of(evidence.stands, probe.place) if probe.place != AMBIENT else None,
            "at_post": (probe.place == AMBIENT) or None,
            "battery_ratio": ratio,
            "voltage": volts,
        }
        if ratio is None and (volts is None or not p.low_v):
            return unknown(NAME, evidence, now, Unclear.NOT_TOLD, facts)
        if (ratio is not None and ratio <= p.low_ratio) or (volts is not None and p.low_v and volts <= p.low_v):
            advice = actions.CHANGE_BATTERY.advice(holds_until=now + timedelta(days=2))
            return breach(NAME, evidence, now, Reason.LOW, Severity.MINOR, advice, facts)
        easing = (ratio is not None and ratio <= p.low_ratio + p.hysteresis_ratio) or (
            volts is not None and bool(p.low_v) and volts <= p.low_v * (1 + p.hysteresis_ratio)
        )
        return fine(NAME, evidence, now, Reason.FULL_ENOUGH, facts, easing)


RULE = Battery()


def _latest(evidence: Evidence, need: str, now: datetime, highest: float) -> float | None:
    """The middle of the last few values: a transmitting probe's battery sags for a moment."""
    readings = track(evidence, need, now, 0.0, highest)
    return middle(readings.between(readings.times_s[-LATEST:][0], float("inf"))) if readings.times_s else None
