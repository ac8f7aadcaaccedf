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
from sensord.web.shared import GardenPage

BOOK = timedelta(days=14)
MOST_LINES = 400


async def now(garden_page: GardenPage, request: Request) -> Response:
    """The one screen."""
    visit = visit_of(garden_page, request)
    if not visit.may_look:
        return ask_to_log_in(garden_page, request, visit)
    words = await garden_page.run(_now_words, garden_page, visit)
    outcome = garden_page.desk.outcome(request.query_params.get("kept", ""))
    if outcome is not None and outcome.entries:
        words["notice"] = garden_page.sheets.say("page.kept.kept" if outcome.is_stored else "page.kept.handed_in")
    return greeted(garden_page, garden_page.sheets.page("now", visit, words), visit)


def _now_words(garden_page: GardenPage, visit: Visit) -> dict[str, Any]:
    return garden_page.sheets.wording(garden_page.sheets.snapshot(), visit.units).page()


async def live(garden_page: GardenPage, request: Request) -> Response:
    """What changes, as it changes (server-sent events)."""
    visit = visit_of(garden_page, request)
    if not visit.may_look or visit.is_new:
        return garden_page.sheets.message(request, 403, "no.log_in")
    try:
        garden_page.hub.admit()
    except Full:
        return garden_page.sheets.message(request, 503, "no.too_many_pages")

    def is_welcome() -> bool:
        return garden_page.door.guard.session_of(request.cookies.get(SESSION)) is not None

    events = garden_page.hub.events(ReaderKind(visit.units, visit.may_write), is_welcome)
    return StreamingResponse(events, media_type="text/event-stream", headers={"x-accel-buffering": "no"})


async def curves(garden_page: GardenPage, request: Request) -> Response:
    """A day or a week."""
    visit = visit_of(garden_page, request)
    if not visit.may_look:
        return ask_to_log_in(garden_page, request, visit)
    wanted, back = _wanted(garden_page, request, visit)
    words = await garden_page.run(_curves_words, garden_page, wanted, visit)
    words |= {"back": back, "query": f"span={wanted.span}&place={wanted.place}&back={back}"}
    return greeted(garden_page, garden_page.sheets.page("curves", visit, words), visit)


async def curves_data(garden_page: GardenPage, request: Request) -> Response:
    """The same as numbers, for the drawing."""
    visit = visit_of(garden_page, request)
    if not visit.may_look:
        return garden_page.sheets.message(request, 403, "no.log_in")
    wanted, _ = _wanted(garden_page, request, visit)
    data = await garden_page.run(garden_page.curves.data, wanted)
    return JSONResponse({**data, "entries": [{"t": e.at.timestamp()} for e in data["entries"]]})


def _wanted(garden_page: GardenPage, request: Request, visit: Visit) -> tuple[Wanted, int]:
    """What is asked for; anything unknown is the usual: a day, all enclosures, until now."""
    ask = request.query_params
    span = ask.get("span", "day")
    span = span if span in SPAN else "day"
    places = {e.name for e in garden_page.house.garden.enclosures}
    place = ask.get("place", "")
    back_text = ask.get("back", "0")
    back = int(back_text) if back_text.isascii() and back_text.isdigit() and len(back_text) < 4 else 0
    back = min(back, FARTHEST_BACK // SPAN[span])
    end = garden_page.look.known_at() - back * SPAN[span]
    measure = Measure(garden_page.house.texts, visit.units, garden_page.house.settings.zone)
    return Wanted(span, end, place if place in places else "", measure), back


def _curves_words(garden_page: GardenPage, wanted: Wanted, visit: Visit) -> dict[str, Any]:
    data = garden_page.curves.data(wanted)
    phrases = garden_page.sheets.phrases(visit.units)
    return {
        "span": wanted.span,
        "place": wanted.place,
        "place_title": next((e.title for e in garden_page.house.garden.enclosures if e.name == wanted.place), None),
        "places": [(e.name, e.title) for e in garden_page.house.garden.enclosures],
        "from_at": phrases.at(wanted.end - SPAN[wanted.span]),
        "to_at": phrases.at(wanted.end),
        "extremes": tables.extremes(data, phrases),
        "table": tables.by_time(data, phrases),
        "entries": [phrases.entry(e) for e in data["entries"]],
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


async def book(garden_page: GardenPage, request: Request) -> Response:
    """What was said and what stood, the newest first."""
    visit = visit_of(garden_page, request)
    if not visit.may_look:
        return ask_to_log_in(garden_page, request, visit)
    words = await garden_page.run(_book_words, garden_page, visit)
    return greeted(garden_page, garden_page.sheets.page("book", visit, words), visit)


def _book_words(garden_page: GardenPage, visit: Visit) -> dict[str, Any]:
    phrases = garden_page.sheets.phrases(visit.units)
    entries = garden_page.look.entries(phrases.now - BOOK)
    return {"lines": [phrases.entry(e) for e in entries[:MOST_LINES]], "days": BOOK.days}
