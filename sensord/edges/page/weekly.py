"""The week looked back on, as a page: worked out off the loop, one at a time, while the page says how far it is."""

from __future__ import annotations

import asyncio
import re
from collections import OrderedDict
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING, Any

from starlette.requests import Request
from starlette.responses import Response

from sensord.edges.page.look import House, Look
from sensord.edges.page.visiting import ask_to_log_in, greeted, visit_of

if TYPE_CHECKING:
    from sensord.edges.page.app import Office
    from sensord.review import Review, Span

KEPT = 6
AS_OF_S = 600
"""A span that is not over is looked back on anew after so long."""
AT_ONCE_S = 0.8
AGAIN_S = 2
LABEL = re.compile(r"\d{4}-W\d{2}")

Key = tuple[str, int]


@dataclass(slots=True)
class Job:
    """One look back."""

    future: Future[Review]
    share: float = 0.0


class LookBacks:
    """The reviews that were asked for lately."""

    def __init__(self, house: House, look: Look) -> None:
        self._house, self._look = house, look
        self._thread = ThreadPoolExecutor(1, thread_name_prefix="page-review")
        self._jobs: OrderedDict[Key, Job] = OrderedDict()

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

    def _work(self, span: Span, key: Key) -> Review:
        from sensord import lookback

        def progress(what: str, share: float) -> None:
            job = self._jobs.get(key)
            if job is None:
                raise InterruptedError("nobody waits for it any more")
            job.share = share

        since = lookback.season_start(self._house.garden, self._house.settings.review.season_start, span.last)
        with self._look.reader() as reader:
            return lookback.look_back(reader, self._house.garden, span, since, self._look.known_at(), progress)

    def span(self, label: str, whole_season: bool) -> Span:
        """The week of a label (else the one that yesterday lies in), or the season; ValueError where there is none."""
        from sensord import lookback
        from sensord.review import weeks

        zone, settings = self._house.settings.zone, self._house.settings
        today = self._look.known_at().astimezone(zone).date()
        if whole_season:
            first = lookback.season_start(self._house.garden, settings.review.season_start, today)
            return weeks.season(max(first, today - timedelta(days=365)), today, zone)
        usual = weeks.week_label(today - timedelta(days=1))
        chosen = weeks.week(label if LABEL.fullmatch(label) else usual, zone)
        return chosen if chosen.first <= today else weeks.week(usual, zone)


async def week(office: Office, request: Request) -> Response:
    """A week, or the season."""
    visit = visit_of(office, request)
    if not visit.may_look:
        return ask_to_log_in(office, visit)
    whole_season = request.query_params.get("whole") == "season"
    try:
        span = office.lookbacks.span(request.query_params.get("week", ""), whole_season)
    except ValueError as error:
        return office.paper.message(request, 404, f"There is no such week: {error}")
    job = office.lookbacks.ask(span)
    done = await _done(job)
    words: dict[str, Any] = {"whole_season": whole_season, "share": round(100 * job.share), "body": ""}
    words |= await office.run(_links, office, span)
    if done:
        trouble = job.future.exception()
        if trouble is not None:
            return office.paper.message(request, 503, f"It can't be looked back on at the moment: {trouble}")
        words |= await office.run(_words, job.future.result(), visit.units)
    response = office.paper.page("week", visit, words)
    if not done:
        response.headers["refresh"] = str(AGAIN_S)
    return greeted(office, response, visit)


async def _done(job: Job) -> bool:
    deadline = asyncio.get_running_loop().time() + AT_ONCE_S
    while not job.future.done() and asyncio.get_running_loop().time() < deadline:
        await asyncio.sleep(0.03)
    return job.future.done()


def _words(review: Review, units: str) -> dict[str, Any]:
    from sensord.edges import report
    from sensord.review.words import headline, sentences

    measure = report.measure_of(review, units)
    return {
        "headline": headline(review, measure),
        "told": " ".join(sentences(review, measure)),
        "body": report.body(review, units, heading=2),
    }


def _links(office: Office, span: Span) -> dict[str, str]:
    """The weeks before and after, where there are any."""
    from sensord.review import weeks

    today = office.look.known_at().astimezone(span.zone).date()
    after = span.last + timedelta(days=1)
    return {
        "headline": "The season" if (span.last - span.first).days > 6 else f"Week of {span.first}",
        "told": "",
        "before": weeks.week_label(span.first - timedelta(days=1)),
        "after": weeks.week_label(after) if after <= today else "",
    }


async def week_css(office: Office, request: Request) -> Response:
    """How a review looks."""
    return Response(_css(), media_type="text/css", headers={"cache-control": "max-age=3600"})


def _css() -> str:
    from sensord.edges import report

    return report.css()
