"""Who is in an enclosure, as far as a rule needs to know."""

from __future__ import annotations

from sensord.model import Stage
from sensord.rules import Evidence, Stand


def is_empty(evidence: Evidence) -> bool:
    """The ledger knows where all animals are, and none is in here. A ledger without animals says nothing."""
    return evidence.stand is not None and not evidence.stand.cohorts and any(s.cohorts for s in evidence.stands)


def has_pupae(stand: Stand) -> bool:
    """Whether pupae are in it: days indoors cost them their bearings. Source: [TengerTrolander2019]"""
    return any(c.stage is Stage.PUPA for c in stand.cohorts)
