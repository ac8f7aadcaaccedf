"""The pages that one looks at: now, curves, the log book, and the stream that keeps them alive."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from starlette.requests import Request
from starlette.responses import JSONResponse, Response, StreamingResponse

from sensord.language import Measure
from sensord.web import tables
from sensord.web.curves import FARTHEST_BACK, SPAN, Wanted
from sensord.web.live import Full, ReaderKind
from sensord.web.sessions import SESSION, Visit, ask_to_log_in, greeted, visit_of
from sensord.web.shared import Office

BOOK = timedelta(days=14)
MOST_LINES = 400


async def now(office: Office, request: Request) -> Response:
    """The one screen."""
    visit = visit_of(office, request)
    if not visit.may_look:
        return ask_to_log_in(office, request, visit)
    words = await office.run(_now_words, office, visit)
    outcome = office.desk.outcome(request.query_params.get("kept", ""))
    if outcome is not None and outcome.entries:
        words["notice"] = office.paper.say("page.kept.kept" if outcome.is_stored else "page.kept.handed_in")
    return greeted(office, office.paper.page("now", visit, words), visit)


def _now_words(office: Office, visit: Visit) -> dict[str, Any]:
    return office.paper.wording(office.paper.snapshot(), visit.units).page()


async def live(office: Office, request: Request) -> Response:
    """What changes, as it changes (server-sent events)."""
    visit = visit_of(office, request)
    if not visit.may_look or visit.is_new:
        return office.paper.message(request, 403, "no.log_in")
    try:
        office.hub.admit()
    except Full:
        return office.paper.message(request, 503, "no.too_many_pages")

    def is_welcome() -> bool:
        return office.door.guard.session_of(request.cookies.get(SESSION)) is not None

    events = office.hub.events(ReaderKind(visit.units, visit.may_write), is_welcome)
    return StreamingResponse(events, media_type="text/event-stream", headers={"x-accel-buffering": "no"})


async def curves(office: Office, request: Request) -> Response:
    """A day or a week."""
    visit = visit_of(office, request)
    if not visit.may_look:
        return ask_to_log_in(office, request, visit)
    wanted, back = _wanted(office, request, visit)
    words = await office.run(_curves_words, office, wanted, visit)
    words |= {"back": back, "query": f"span={wanted.span}&place={wanted.place}&back={back}"}
    return greeted(office, office.paper.page("curves", visit, words), visit)


async def curves_data(office: Office, request: Request) -> Response:
    """The same as numbers, for the drawing."""
    visit = visit_of(office, request)
    if not visit.may_look:
        return office.paper.message(request, 403, "no.log_in")
    wanted, _ = _wanted(office, request, visit)
    data = await office.run(office.curves.data, wanted)
    return JSONResponse({**data, "entries": [{"t": e.at.timestamp()} for e in data["entries"]]})


def _wanted(office: Office, request: Request, visit: Visit) -> tuple[Wanted, int]:
    """What is asked for; anything unknown is the usual: a day, all enclosures, until now."""
    ask = request.query_params
    span = ask.get("span", "day")
    span = span if span in SPAN else "day"
    places = {e.name for e in office.house.garden.enclosures}
    place = ask.get("place", "")
    back_text = ask.get("back", "0")
    back = int(back_text) if back_text.isascii() and back_text.isdigit() and len(back_text) < 4 else 0
    back = min(back, FARTHEST_BACK // SPAN[span])
    end = office.look.known_at() - back * SPAN[span]
    measure = Measure(office.house.texts, visit.units, office.house.settings.zone)
    return Wanted(span, end, place if place in places else "", measure), back


def _curves_words(office: Office, wanted: Wanted, visit: Visit) -> dict[str, Any]:
    data = office.curves.data(wanted)
    pen = office.paper.pen(visit.units)
    return {
        "span": wanted.span,
        "place": wanted.place,
        "place_title": next((e.title for e in office.house.garden.enclosures if e.name == wanted.place), None),
        "places": [(e.name, e.title) for e in office.house.garden.enclosures],
        "from_at": pen.at(wanted.end - SPAN[wanted.span]),
        "to_at": pen.at(wanted.end),
        "extremes": tables.extremes(data, pen),
        "table": tables.by_time(data, pen),
        "entries": [pen.entry(e) for e in data["entries"]],
        "tiers": [t["word"] for t in data["charts"][0]["tiers"]],
        "charts": [
            {
                "kind": c["kind"],
                "title": c["title"],
                "unit": c["unit"],
                "places": [line["label"] for line in c["lines"]],
            }
            for c in data["charts"]
            if c["lines"]
        ],
    }


async def book(office: Office, request: Request) -> Response:
    """What was said and what stood, the newest first."""
    visit = visit_of(office, request)
    if not visit.may_look:
        return ask_to_log_in(office, request, visit)
    words = await office.run(_book_words, office, visit)
    return greeted(office, office.paper.page("book", visit, words), visit)


def _book_words(office: Office, visit: Visit) -> dict[str, Any]:
    pen = office.paper.pen(visit.units)
    entries = office.look.entries(pen.now - BOOK)
    return {"lines": [pen.entry(e) for e in entries[:MOST_LINES]], "days": BOOK.days}
