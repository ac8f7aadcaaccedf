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
from sensord.web.shared import GardenPage

if TYPE_CHECKING:
    from sensord.review import Review, Span

AT_ONCE_S = 0.8
AGAIN_S = 2


async def week(garden_page: GardenPage, request: Request) -> Response:
    """A week, or the season."""
    visit = visit_of(garden_page, request)
    if not visit.may_look:
        return ask_to_log_in(garden_page, request, visit)
    whole_season = request.query_params.get("whole") == "season"
    try:
        span = garden_page.lookbacks.span(request.query_params.get("week", ""), whole_season)
    except ValueError as error:
        return garden_page.sheets.message(request, 404, "week.no_such", why=str(error))
    job = garden_page.lookbacks.ask(span)
    done = await _done(job)
    words: dict[str, Any] = {"whole_season": whole_season, "share": round(100 * job.share), "body": ""}
    words["share_text"] = garden_page.sheets.phrases(visit.units).reader.percent(job.share)
    words |= await garden_page.run(_links, garden_page, span)
    if done:
        trouble = job.future.exception()
        if trouble is not None:
            return garden_page.sheets.message(request, 503, "week.trouble", why=str(trouble))
        words |= await garden_page.run(_words, garden_page, job.future.result(), visit.units)
    response = garden_page.sheets.page("week", visit, words)
    if not done:
        response.headers["refresh"] = str(AGAIN_S)
    return greeted(garden_page, response, visit)


async def _done(job: Job) -> bool:
    deadline = asyncio.get_running_loop().time() + AT_ONCE_S
    while not job.future.done() and asyncio.get_running_loop().time() < deadline:
        await asyncio.sleep(0.03)
    return job.future.done()


def _words(garden_page: GardenPage, review: Review, units: str) -> dict[str, Any]:
    from sensord.report import sheet
    from sensord.review.words import headline, sentences

    measure = Measure(garden_page.house.texts, units, review.span.zone)
    return {
        "headline": headline(review, measure),
        "told": " ".join(sentences(review, measure)),
        "body": sheet.body(review, measure, heading=2),
    }


def _links(garden_page: GardenPage, span: Span) -> dict[str, str]:
    """The weeks before and after, where there are any."""
    from sensord.review import weeks

    today = garden_page.look.known_at().astimezone(span.zone).date()
    after, is_season = span.last + timedelta(days=1), (span.last - span.first).days > 6
    return {
        "headline": garden_page.sheets.say(
            "page.week.the_season" if is_season else "page.week.week_of", day=str(span.first)
        ),
        "told": "",
        "before": weeks.week_label(span.first - timedelta(days=1)),
        "after": weeks.week_label(after) if after <= today else "",
    }


async def week_css(garden_page: GardenPage, request: Request) -> Response:
    """How a review looks."""
    return Response(_css(), media_type="text/css", headers={"cache-control": "max-age=3600"})


def _css() -> str:
    from sensord.report import sheet

    return sheet.css()
