"""Reviews for the page: worked out one at a time on a thread of their own, and kept for a while."""

from __future__ import annotations

import re
from collections import OrderedDict
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING

from sensord.web.snapshot import PageNeeds, StoreLook

if TYPE_CHECKING:
    from sensord.review import Review, Span

KEPT = 6
AS_OF_S = 600
"""A span that is not over is looked back on anew after so long."""
LABEL = re.compile(r"\d{4}-W\d{2}")

LookbackKey = tuple[str, int]


@dataclass(slots=True)
class Job:
    """One look back."""

    future: Future[Review]
    share: float = 0.0


class LookBacks:
    """The reviews that were asked for lately."""

    def __init__(self, house: PageNeeds, look: StoreLook) -> None:
        self._house, self._look = house, look
        self._thread = ThreadPoolExecutor(1, thread_name_prefix="page-review")
        self._jobs: OrderedDict[LookbackKey, Job] = OrderedDict()

    def close(self) -> None:
        """Begin nothing more; what is under way gives up at its next step."""
        self._jobs.clear()
        self._thread.shutdown(wait=False, cancel_futures=True)

    def ask(self, span: Span) -> Job:
        """The review of a span, begun where there is none yet."""
        at = int(self._look.known_at().timestamp() // AS_OF_S)
        key = (f"{span.first} {span.last}", at)
        if key not in self._jobs:
            job = Job(Future())
            self._jobs[key] = job
            job.future = self._thread.submit(self._work, span, key)
            while len(self._jobs) > KEPT:
                self._jobs.popitem(last=False)
        return self._jobs[key]

    def _work(self, span: Span, key: LookbackKey) -> Review:
        from sensord.review import lookback

        def progress(what: str, share: float) -> None:
            job = self._jobs.get(key)
            if job is None:
                raise InterruptedError("nobody waits for it any more")
            job.share = share

        since = lookback.season_start(self._house.garden, self._house.settings.review.season_start, span.last)
        with self._look.shelf() as shelf:
            return lookback.look_back(shelf, self._house.garden, span, since, self._look.known_at(), progress)

    def span(self, label: str, whole_season: bool) -> Span:
        """The week of a label (else the one that yesterday lies in), or the season; ValueError where there is none."""
        from sensord.review import lookback, weeks

        zone, settings = self._house.settings.zone, self._house.settings
        today = self._look.known_at().astimezone(zone).date()
        if whole_season:
            first = lookback.season_start(self._house.garden, settings.review.season_start, today)
            return weeks.season(max(first, today - timedelta(days=365)), today, zone)
        usual = weeks.week_label(today - timedelta(days=1))
        chosen = weeks.week(label if LABEL.fullmatch(label) else usual, zone)
        return chosen if chosen.first <= today else weeks.week(usual, zone)
