"""A garden of two cages and a post, for the rules that watch the watching."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Any

from sensord.model import (
    AMBIENT,
    Probe,
    Quantity,
    Verdict,
)
from sensord.rules import Rule, silent
from tests.rules.scenes import NOON, enclosure, evidence, probe
from tests.rules.scenes import watch as watching

SECOND, MINUTE, HOUR = timedelta(seconds=1), timedelta(minutes=1), timedelta(hours=1)
NIGHT = NOON + 11 * HOUR
BIRCH, ALDER = probe("birch-1", "birch"), probe("alder-1", "alder")
POST = probe("post", AMBIENT)
BAROMETER = probe("barometer", AMBIENT, Quantity.PRESSURE)
PROBES = (BIRCH, ALDER, POST, BAROMETER)
CAGES = (enclosure(), enclosure("alder"))


def heard(now: datetime = NOON, **minutes_ago: float) -> dict[str, datetime]:
    """All are heard a moment ago, but those that are named."""
    return {p.name: now - minutes_ago.get(p.name.replace("-", "_"), 0.5) * MINUTE for p in PROBES}


def about(of: Probe, series: Mapping[str, Any] | None = None, rule: Rule = silent.RULE, **more: Any) -> Verdict:
    """What a rule per probe says of one of them."""
    more.setdefault("watch", watching(NOON, heard()))
    known = evidence(rule, series or {}, NOON, subject=of.name, cages=CAGES, probe=of, probes=PROBES, **more)
    return rule.decide(known, NOON)
