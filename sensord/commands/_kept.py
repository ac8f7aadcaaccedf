"""What `sensord check` finds in the store: how much there is, when probes were heard, what was refused and what waits."""

from __future__ import annotations

from collections import Counter
from datetime import UTC, datetime, timedelta
from pathlib import Path

from sensord.commands import _house
from sensord.commands._finding import Finding
from sensord.engine.recovery import last_heard
from sensord.language.terminal import say
from sensord.ports import Shelf

SORTS_SHOWN = 5
"""Sorts of refusals that are shown, the newest first."""
LATELY = timedelta(days=1)
"""What was refused within this is wrong: by then, whatever sends it has been mended, or has sent it again."""


def kept(built: _house.OneGarden, path: Path, store: Shelf) -> list[Finding]:
    """What the store holds: how much, how new, what was refused and what waits."""
    now = datetime.now(UTC)
    counters = store.accounts.counters()
    readings, refused = counters.get("readings", 0), counters.get("refused", 0)
    found = [
        Finding("store", True, say("check.store", file=str(path), readings=readings, refused=refused)),
        *_heard(built, store, now),
        *_refused(built, store, now),
    ]
    waiting = [p for p in store.outbox.due() if p.attempts]
    if waiting:
        text = say("check.outbox", count=len(waiting), why=waiting[0].detail)
        found.append(Finding("outbox", False, text))
    return found


def _heard(built: _house.OneGarden, store: Shelf, now: datetime) -> list[Finding]:
    """When each probe was heard last; it may be as silent as the keeper is told nothing of."""
    found: list[Finding] = []
    for probe in built.garden.probes:
        heard = last_heard(store.readings, probe, now)
        if heard is None:
            found.append(Finding("probe", False, say("check.never_heard"), probe.name))
            continue
        age = (now - heard).total_seconds()
        fine = age <= built.garden.patience.silence_s(probe)
        text = say("check.last_heard", minutes=f"{age / 60:.0f}", long=not fine)
        found.append(Finding("probe", fine, text, probe.name))
    return found


def _refused(built: _house.OneGarden, store: Shelf, now: datetime) -> list[Finding]:
    """What was refused, by its reason: wrong if it was lately; what is long over is good to know."""

    def fine(newest_at: datetime) -> bool | None:
        return False if newest_at > now - LATELY else None

    found: list[Finding] = []
    refusals = store.accounts.refusals(built.settings.store.refusals_kept)
    sorts = Counter((refusal.topic, refusal.reason) for refusal in refusals)
    newest = {(r.topic, r.reason): r.received_at for r in reversed(refusals)}
    ordered = sorted(sorts, key=newest.__getitem__, reverse=True)
    for topic, reason in ordered[:SORTS_SHOWN]:
        at, times = _house.local_text(built, newest[topic, reason]), sorts[topic, reason]
        text = say("check.refused", topic=topic, count=times, at=at, why=reason)
        found.append(Finding("refused", fine(newest[topic, reason]), text))
    if others := ordered[SORTS_SHOWN:]:
        left = sum(sorts[sort] for sort in others)
        text = say("check.refused_more", left=left, count=len(others))
        found.append(Finding("refused", fine(newest[others[0]]), text))
    return found
