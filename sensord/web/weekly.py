"""The week looked back on, as a page: worked out off the loop, one at a time, while the page says how far it is."""

from __future__ import annotations

import asyncio
from datetime import timedelta
from typing import TYPE_CHECKING, Any

from starlette.requests import Request
from starlette.responses import Response

from sensord.language import Measure
from sensord.web.reviews import Job
from sensord.web.sessions import ask_to_log_in, greeted, visit_of
from sensord.web.shared import Office

if TYPE_CHECKING:
    from sensord.review import Review, Span

AT_ONCE_S = 0.8
AGAIN_S = 2


async def week(office: Office, request: Request) -> Response:
    """A week, or the season."""
    visit = visit_of(office, request)
    if not visit.may_look:
        return ask_to_log_in(office, request, visit)
    whole_season = request.query_params.get("whole") == "season"
    try:
        span = office.lookbacks.span(request.query_params.get("week", ""), whole_season)
    except ValueError as error:
        return office.paper.message(request, 404, "week.no_such", why=str(error))
    job = office.lookbacks.ask(span)
    done = await _done(job)
    words: dict[str, Any] = {"whole_season": whole_season, "share": round(100 * job.share), "body": ""}
    words["share_text"] = office.paper.pen(visit.units).reader.percent(job.share)
    words |= await office.run(_links, office, span)
    if done:
        trouble = job.future.exception()
        if trouble is not None:
            return office.paper.message(request, 503, "week.trouble", why=str(trouble))
        words |= await office.run(_words, office, job.future.result(), visit.units)
    response = office.paper.page("week", visit, words)
    if not done:
        response.headers["refresh"] = str(AGAIN_S)
    return greeted(office, response, visit)


async def _done(job: Job) -> bool:
    deadline = asyncio.get_running_loop().time() + AT_ONCE_S
    while not job.future.done() and asyncio.get_running_loop().time() < deadline:
        await asyncio.sleep(0.03)
    return job.future.done()


def _words(office: Office, review: Review, units: str) -> dict[str, Any]:
    from sensord.report import sheet
    from sensord.review.words import headline, sentences

    measure = Measure(office.house.texts, units, review.span.zone)
    return {
        "headline": headline(review, measure),
        "told": " ".join(sentences(review, measure)),
        "body": sheet.body(review, measure, heading=2),
    }


def _links(office: Office, span: Span) -> dict[str, str]:
    """The weeks before and after, where there are any."""
    from sensord.review import weeks

    today = office.look.known_at().astimezone(span.zone).date()
    after, is_season = span.last + timedelta(days=1), (span.last - span.first).days > 6
    return {
        "headline": office.paper.say("page.week.the_season" if is_season else "page.week.week_of", day=str(span.first)),
        "told": "",
        "before": weeks.week_label(span.first - timedelta(days=1)),
        "after": weeks.week_label(after) if after <= today else "",
    }


async def week_css(office: Office, request: Request) -> Response:
    """How a review looks."""
    return Response(_css(), media_type="text/css", headers={"cache-control": "max-age=3600"})


def _css() -> str:
    from sensord.report import sheet

    return sheet.css()
