"""The routes by which something is said: forms of the page, and links in messages."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta
from typing import Any

from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response

from sensord.ledger import uncounted
from sensord.model import EPOCH, Concern, Entry, Message, Route, Source, Standing, What
from sensord.web import questions
from sensord.web.forms import Taken, Wrong, spoken
from sensord.web.guard import Role
from sensord.web.links import Link, LinkRefused
from sensord.web.phrases import BY_LINK
from sensord.web.rendering import wants_json
from sensord.web.sessions import Visit, address_of, first, form_of, is_from_here, visit_of
from sensord.web.shared import GardenPage

LINK = "sensord-link"
ANSWERS_BY_LINK = (What.DONE, What.SEEN, What.NOT_NOW)


async def say(garden_page: GardenPage, request: Request) -> Response:
    """One form of the page."""
    visit = visit_of(garden_page, request)
    if not visit.may_write or visit.is_new:
        return garden_page.sheets.message(request, 403, "no.log_in_to_write")
    fields = await form_of(garden_page, request, visit)
    if isinstance(fields, str):
        return garden_page.sheets.message(request, 403, fields)
    once = f"{visit.session.id} {fields.get('once', [''])[0][:60]}"
    try:
        said = spoken(first(fields), fields.get("concern", [])[:40], garden_page.house.now(), visit.session.name)
        outcome = await garden_page.desk.take(said, once)
    except Wrong as wrong:
        return garden_page.sheets.message(request, 400, "kept.not_kept", why=wrong.told(garden_page.sheets.say))
    garden_page.look_again()
    if wants_json(request):
        together = await garden_page.run(_uncounted, garden_page, outcome.entries)
        return JSONResponse({"ok": True, "text": _kept(garden_page, outcome, visit, together)})
    return RedirectResponse(f"{garden_page.root}/", 303)


def _uncounted(garden_page: GardenPage, told: Sequence[Entry]) -> tuple[str, ...]:
    """The cohorts whose counts are as they were, although a headcount was said."""
    counts = [e for e in told if e.what is What.HEADCOUNT]
    said = garden_page.look.entries(EPOCH) if counts else ()
    cohorts = garden_page.house.garden.cohorts
    return tuple(name for count in counts for name in uncounted(count, cohorts, said))


def _kept(garden_page: GardenPage, outcome: Taken, visit: Visit, together: Sequence[str]) -> str:
    if not outcome.entries:
        return garden_page.sheets.say("page.kept.already")
    phrases = garden_page.sheets.phrases(visit.units)
    words = [phrases.entry(e) for e in outcome.entries]
    lines = (
        phrases.say("page.kept.line", subject=w["subject"], what=w["what"], amount=w["amount"] or None) for w in words
    )
    key = "page.kept.kept_what" if outcome.is_stored else "page.kept.handed_in_what"
    kept = phrases.say(key, what=phrases.reader.joined("also", [*lines]), at=words[0]["at"])
    if not together:
        return kept
    cohorts = phrases.reader.listed([phrases.cohort(name) for name in together])
    return phrases.say("page.kept.uncounted", kept=kept, cohorts=cohorts)


# --- links in messages


async def link_form(garden_page: GardenPage, request: Request) -> Response:
    """What the link is about, and the buttons; looking at it does nothing."""
    found = await _found(garden_page, request)
    if isinstance(found, Response):
        return found
    link, message, used = found
    concerns = await garden_page.run(_standing, garden_page, message)
    units = visit_of(garden_page, request).units
    phrases = garden_page.sheets.phrases(units)
    guest = garden_page.door.guard.begin(Role.GUEST)
    visit = Visit(guest, garden_page.door.guard.form_token(guest), units)
    words: dict[str, Any] = {
        "message": message,
        "at": phrases.at(message.at),
        "until": phrases.at(link.until),
        "used": [(phrases.at(e.at), phrases.say(f"terms.said.{e.what}")) for e in used],
        "severity": phrases.say(f"terms.severity.{message.severity.name.lower()}"),
        "is_over": not concerns,
        "answers": [w.value for w in _left(used, concerns)] if concerns else [],
    }
    response = garden_page.sheets.page("link", visit, words)
    response.set_cookie(
        LINK,
        garden_page.door.guard.cookie_of(guest),
        path=request.url.path,
        secure=garden_page.door.is_encrypted,
        httponly=True,
        samesite="strict",
    )
    return response


async def link(garden_page: GardenPage, request: Request) -> Response:
    """Answer by the link, once each; after "done" it is used up."""
    if not is_from_here(request):
        return garden_page.sheets.message(request, 403, "no.elsewhere")
    found = await _found(garden_page, request)
    if isinstance(found, Response):
        return found
    _, message, used = found
    guest = garden_page.door.guard.session_of(request.cookies.get(LINK))
    if guest is None:
        return garden_page.sheets.message(request, 403, "link.again")
    fields = await form_of(garden_page, request, Visit(guest, garden_page.door.guard.form_token(guest), "metric"))
    if isinstance(fields, str):
        return garden_page.sheets.message(request, 403, fields)
    word = first(fields).get("act", "")
    if word not in {w.value for w in _left(used, ())}:
        return garden_page.sheets.message(request, 409, "link.spent")
    concerns = await garden_page.run(_standing, garden_page, message)
    if not concerns:
        return garden_page.sheets.message(request, 410, "link.over")
    if word not in {w.value for w in _left(used, concerns)}:
        return garden_page.sheets.message(request, 409, "link.only_seen")
    said: list[dict[str, object]] = [
        {
            "what": word,
            "subject": concern.key,
            "at": garden_page.house.now().replace(microsecond=0).isoformat(),
            "text": BY_LINK + message.key,
            "source": Source.PAGE,
            **({"by": message.route} if message.route == Route.STAND_IN else {}),
        }
        for concern in concerns
    ]
    outcome = await garden_page.desk.take(said, f"link {message.key} {word}")
    if not outcome.entries:
        return garden_page.sheets.message(request, 409, "link.spent")
    return garden_page.sheets.message(request, 200, "kept.thanks" if outcome.is_stored else "kept.thanks_later")


def _left(used: Sequence[Entry], concerns: Sequence[Concern]) -> tuple[What, ...]:
    """What may still be answered by a link; staying in is nothing that one does."""
    said = {entry.what for entry in used}
    stays = bool(concerns) and all(questions.keeps_in(c) for c in concerns)
    answers = (What.SEEN,) if stays else ANSWERS_BY_LINK
    return () if What.DONE in said else tuple(what for what in answers if what not in said)


async def _found(garden_page: GardenPage, request: Request) -> Response | tuple[Link, Message, list[Entry]]:
    """The link of a request, the message it is about, and the answers that came by it; or why there is none."""
    who = address_of(request)
    if garden_page.door.guesses.is_spent(who):
        return garden_page.sheets.message(request, 429, "no.attempts")
    now = garden_page.house.now()
    try:
        link = garden_page.links.read(request.path_params["token"], now)
    except LinkRefused as refused:
        garden_page.door.guesses.note(who)
        return garden_page.sheets.message(request, 403, f"link.{refused}")
    parcel = await garden_page.run(garden_page.look.message, link.message_key, link.until)
    if parcel is None:
        return garden_page.sheets.message(request, 410, "link.unknown_message")
    entries: list[Entry] = await garden_page.run(garden_page.look.entries, parcel.message.at - timedelta(days=1))
    used = [e for e in entries if e.text == BY_LINK + link.message_key]
    return link, parcel.message, used


def _standing(garden_page: GardenPage, message: Message) -> list[Concern]:
    """The concerns of the message that still are what it spoke of."""
    with garden_page.look.shelf() as shelf:
        concerns = {c.key: c for c in shelf.concerns.standing()}
    found = [concerns[key] for key in message.concerns if key in concerns]
    return [
        c
        for c in found
        if c.standing in (Standing.OPEN, Standing.ANSWERED) and c.opened_at is not None and c.opened_at <= message.at
    ]
