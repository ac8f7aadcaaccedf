"""The routes by which something is said: forms of the page, and links in messages."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta
from typing import Any

from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response

from sensord.model import Concern, Entry, Message, Route, Source, Standing, What
from sensord.web import questions
from sensord.web.forms import Taken, Wrong, spoken
from sensord.web.guard import Role
from sensord.web.links import Link, LinkRefused
from sensord.web.rendering import wants_json
from sensord.web.sessions import Visit, address_of, first, form_of, is_from_here, visit_of
from sensord.web.shared import Office
from sensord.web.writing import BY_LINK

LINK = "sensord-link"
ANSWERS_BY_LINK = (What.DONE, What.SEEN, What.NOT_NOW)


async def say(office: Office, request: Request) -> Response:
    """One form of the page."""
    visit = visit_of(office, request)
    if not visit.may_write or visit.is_new:
        return office.paper.message(request, 403, "no.log_in_to_write")
    fields = await form_of(office, request, visit)
    if isinstance(fields, str):
        return office.paper.message(request, 403, fields)
    once = f"{visit.session.id} {fields.get('once', [''])[0][:60]}"
    try:
        said = spoken(first(fields), fields.get("concern", [])[:40], office.house.now(), visit.session.name)
        outcome = await office.desk.take(said, once)
    except Wrong as wrong:
        return office.paper.message(request, 400, "kept.not_kept", why=wrong.told(office.paper.say))
    office.look_again()
    if wants_json(request):
        return JSONResponse({"ok": True, "text": _kept(office, outcome, visit)})
    return RedirectResponse(f"{office.root}/", 303)


def _kept(office: Office, outcome: Taken, visit: Visit) -> str:
    if not outcome.entries:
        return office.paper.say("page.kept.already")
    pen = office.paper.pen(visit.units)
    words = [pen.entry(e) for e in outcome.entries]
    lines = (pen.say("page.kept.line", subject=w["subject"], what=w["what"], amount=w["amount"] or None) for w in words)
    key = "page.kept.kept_what" if outcome.is_stored else "page.kept.handed_in_what"
    return pen.say(key, what=pen.reader.joined("also", [*lines]), at=words[0]["at"])


# --- links in messages


async def link_form(office: Office, request: Request) -> Response:
    """What the link is about, and the buttons; looking at it does nothing."""
    found = await _found(office, request)
    if isinstance(found, Response):
        return found
    link, message, used = found
    concerns = await office.run(_standing, office, message)
    units = visit_of(office, request).units
    pen = office.paper.pen(units)
    guest = office.door.guard.begin(Role.GUEST)
    visit = Visit(guest, office.door.guard.form_token(guest), units)
    words: dict[str, Any] = {
        "message": message,
        "at": pen.at(message.at),
        "until": pen.at(link.until),
        "used": [(pen.at(e.at), pen.say(f"terms.said.{e.what}")) for e in used],
        "severity": pen.say(f"terms.severity.{message.severity.name.lower()}"),
        "is_over": not concerns,
        "answers": [w.value for w in _left(used, concerns)] if concerns else [],
    }
    response = office.paper.page("link", visit, words)
    response.set_cookie(
        LINK, office.door.guard.cookie_of(guest), path=request.url.path, httponly=True, samesite="strict"
    )
    return response


async def link(office: Office, request: Request) -> Response:
    """Answer by the link, once each; after "done" it is used up."""
    if not is_from_here(request):
        return office.paper.message(request, 403, "no.elsewhere")
    found = await _found(office, request)
    if isinstance(found, Response):
        return found
    _, message, used = found
    guest = office.door.guard.session_of(request.cookies.get(LINK))
    if guest is None:
        return office.paper.message(request, 403, "link.again")
    fields = await form_of(office, request, Visit(guest, office.door.guard.form_token(guest), "metric"))
    if isinstance(fields, str):
        return office.paper.message(request, 403, fields)
    word = first(fields).get("act", "")
    if word not in {w.value for w in _left(used, ())}:
        return office.paper.message(request, 409, "link.spent")
    concerns = await office.run(_standing, office, message)
    if not concerns:
        return office.paper.message(request, 410, "link.over")
    if word not in {w.value for w in _left(used, concerns)}:
        return office.paper.message(request, 409, "link.only_seen")
    said: list[dict[str, object]] = [
        {
            "what": word,
            "subject": concern.key,
            "at": office.house.now().replace(microsecond=0).isoformat(),
            "text": BY_LINK + message.key,
            "source": Source.PAGE,
            **({"by": message.route} if message.route == Route.STAND_IN else {}),
        }
        for concern in concerns
    ]
    outcome = await office.desk.take(said, f"link {message.key} {word}")
    if not outcome.entries:
        return office.paper.message(request, 409, "link.spent")
    return office.paper.message(request, 200, "kept.thanks" if outcome.is_stored else "kept.thanks_later")


def _left(used: Sequence[Entry], concerns: Sequence[Concern]) -> tuple[What, ...]:
    """What may still be answered by a link; staying in is nothing that one does."""
    said = {entry.what for entry in used}
    stays = bool(concerns) and all(questions.keeps_in(c) for c in concerns)
    answers = (What.SEEN,) if stays else ANSWERS_BY_LINK
    return () if What.DONE in said else tuple(what for what in answers if what not in said)


async def _found(office: Office, request: Request) -> Response | tuple[Link, Message, list[Entry]]:
    """The link of a request, the message it is about, and the answers that came by it; or why there is none."""
    who = address_of(request)
    if office.door.guesses.is_spent(who):
        return office.paper.message(request, 429, "no.attempts")
    now = office.house.now()
    try:
        link = office.links.read(request.path_params["token"], now)
    except LinkRefused as refused:
        office.door.guesses.note(who)
        return office.paper.message(request, 403, f"link.{refused}")
    parcel = await office.run(office.look.message, link.message_key, link.until)
    if parcel is None:
        return office.paper.message(request, 410, "link.unknown_message")
    entries: list[Entry] = await office.run(office.look.entries, parcel.message.at - timedelta(days=1))
    used = [e for e in entries if e.text == BY_LINK + link.message_key]
    return link, parcel.message, used


def _standing(office: Office, message: Message) -> list[Concern]:
    """The concerns of the message that still are what it spoke of."""
    with office.look.shelf() as shelf:
        concerns = {c.key: c for c in shelf.concerns.standing()}
    found = [concerns[key] for key in message.concerns if key in concerns]
    return [
        c
        for c in found
        if c.standing in (Standing.OPEN, Standing.ANSWERED) and c.opened_at is not None and c.opened_at <= message.at
    ]
