"""The rules: one file each. A rule declares what it needs and how often, is handed exactly that, and gives a verdict.

A rule file defines `RULE`, an object that satisfies `Rule`; `all_rules` finds it. Rules from elsewhere (`edges.rule_files`) are
written with the names that stand here. Rules are functions of evidence and
`now`: no I/O, no clock, no state of their own. What must be remembered between two turns stands in the concern.
"""

from __future__ import annotations

import importlib
import pkgutil
from datetime import datetime

from sensord.ledger import Stand
from sensord.model import State, Verdict
from sensord.rules._bounds import Bounds
from sensord.rules._evidence import Evidence, Need, Per, Rule, Unclear
from sensord.rules._manners import FAIR_DAY, HEAT, NOTE, STORM, UNHURRIED, USUAL, WATCHING, Manner
from sensord.rules._readings import breach, fine, middle, pairs, seconds, track, unknown
from sensord.rules._tracks import Seen, Track
from sensord.rules._watching import Watch

__all__ = (
    "FAIR_DAY", "HEAT", "NOTE", "STORM", "UNHURRIED", "USUAL", "WATCHING", "Bounds", "Evidence", "Manner", "Need", "Per",
    "Rule", "Seen", "Stand", "Track", "Unclear", "Watch", "all_rules", "breach", "fine", "middle", "pairs", "seconds",
    "track", "unknown", "verdict_of",
)  # fmt: skip


def verdict_of(rule: Rule, evidence: Evidence, now: datetime) -> Verdict:
    """What a rule says, held to what it declares.

    Raises:
        ValueError: when it gives a reason or an advice that is none of its own: a defect of the rule.
    """
    verdict = rule.decide(evidence, now)
    known = Unclear if verdict.state is State.UNKNOWN else rule.reasons
    if not isinstance(verdict.reason, known):
        raise ValueError(f'{rule.name}: "{verdict.reason}" is none of the reasons that it declares')
    if verdict.advice is not None and verdict.advice.action not in {action.word for action in rule.advises}:
        raise ValueError(f'{rule.name}: "{verdict.advice.action}" is none of the actions that it declares')
    return verdict


def all_rules() -> dict[str, Rule]:
    """Every rule in this folder, by name, in alphabetical order."""
    modules = sorted(m.name for m in pkgutil.iter_modules(__path__) if not m.name.startswith("_"))
    found: dict[str, Rule] = {}
    for name in modules:
        rule: Rule | None = getattr(importlib.import_module(f"{__name__}.{name}"), "RULE", None)
        if rule is not None:
            found[rule.name] = rule
    return found
