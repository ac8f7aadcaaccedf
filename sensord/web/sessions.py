"""Coming and going: who visits, logging in and out, sharing a view, and the units one likes to read."""

from __future__ import annotations

import logging
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from ipaddress import ip_address, ip_network
from typing import Any, Protocol
from urllib.parse import quote, urlsplit

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from sensord.web.door import Door
from sensord.web.forms import cleaned
from sensord.web.guard import Role, Session

log = logging.getLogger("sensord.page")

SESSION, GUEST, UNITS = "sensord-session", "sensord-guest", "sensord-units"
SHARED_DAYS = (1, 7, 30, 120)
ASKED = re.compile(r"/(?:(?:curves|book|week|share)(?:\?[A-Za-z0-9_&=-]{1,120})?)?")
"""What may be asked for before logging in, and be landed on after: a page of ours, nothing else."""
FORM = "application/x-www-form-urlencoded"


class AnswerSheets(Protocol):
    """What a visitor is answered on."""

    def page(self, name: str, visit: Visit, words: Mapping[str, Any], status: int = 200) -> Response:
        """A whole page."""

    def message(self, request: Request, status: int, key: str, **parts: str | None) -> Response:
        """A plain word of the catalogue."""

    def say(self, key: str, /, **parts: str | int | bool | None) -> str:
        """A sentence of the catalogue."""


class Room(Protocol):
    """Where one visits: the pages of one garden, or the list of gardens."""

    @property
    def door(self) -> Door:
        """Who is let in."""

    @property
    def site(self) -> str:
        """Which garden; "" for the list."""

    @property
    def root(self) -> str:
        """Below which address its pages stand."""

    @property
    def usual_units(self) -> str:
        """Units for those who have not chosen."""

    @property
    def sheets(self) -> AnswerSheets:
        """What a visitor is answered on."""

    async def run(self, work: Callable[..., Any], *arguments: Any) -> Any:
        """Something that takes a moment, off the loop."""


@dataclass(frozen=True, slots=True)
class Visit:
    """Who asks, and what goes with it."""

    session: Session
    form_token: str
    units: str
    is_new: bool = False  # the cookie is still to be given

    @property
    def may_look(self) -> bool:
        """Whether anything of the garden may be shown."""
        return self.session.role in (Role.VIEWER, Role.KEEPER)

    @property
    def may_write(self) -> bool:
        """Whether anything may be said."""
        return self.session.role is Role.KEEPER


def visit_of(room: Room, request: Request) -> Visit:
    """The visit of a request; without a password, on this computer, everyone is the keeper."""
    guard = room.door.guard
    session = guard.session_of(request.cookies.get(SESSION))
    if session is not None and session.role is Role.VIEWER and session.site != room.site:
        session = None  # a link to look at one garden opens no other
    is_new = False
    if session is None and not guard.is_guarded:
        session, is_new = guard.begin(Role.KEEPER), True
    if session is None:
        session = guard.session_of(request.cookies.get(GUEST))
        session = session if session is not None and session.role is Role.GUEST else None
    if session is None:
        session, is_new = guard.begin(Role.GUEST), True
    units = request.cookies.get(UNITS, "")
    if units not in ("metric", "us"):
        units = room.usual_units
    return Visit(session, guard.form_token(session), units, is_new)


def greeted(room: Room, response: Response, visit: Visit) -> Response:
    """The answer, with the cookie of a new visit."""
    if visit.is_new:
        _give(room, response, visit.session)
    return response


def _give(room: Room, response: Response, session: Session) -> None:
    guest = session.role is Role.GUEST
    response.set_cookie(
        GUEST if guest else SESSION,
        room.door.guard.cookie_of(session),
        max_age=None if guest else int(room.door.guard.session_s),
        secure=room.door.is_encrypted,
        httponly=True,
        samesite="strict",
    )


def asked_for(room: Room, address: str) -> str:
    """The page of the room that an address names; its first one where it names none."""
    begins = address.startswith(room.root)
    return address if begins and ASKED.fullmatch(address[len(room.root) :]) else f"{room.root}/"


def ask_to_log_in(room: Room, request: Request, visit: Visit) -> Response:
    """Instead of a page of the garden, on which one lands afterwards."""
    query = request.url.query
    wanted = asked_for(room, request.url.path + (f"?{query}" if query else ""))
    address = f"{room.root}/login" + ("" if wanted == f"{room.root}/" else f"?to={quote(wanted, safe='')}")
    return greeted(room, RedirectResponse(address, 303), visit)


# --- what a writing request must bring


async def form_of(room: Room, request: Request, visit: Visit) -> Mapping[str, list[str]] | str:
    """The fields of a form that may be acted on; or the key of why it may not."""
    if not is_from_here(request):
        return "no.elsewhere"
    if visit.is_new:
        return "no.too_long_open"
    if request.headers.get("content-type", "").partition(";")[0].strip().lower() != FORM:
        return "no.no_form"
    fields: dict[str, list[str]] = {}
    async with request.form(max_files=0, max_fields=60) as form:
        for name, value in form.multi_items():
            if isinstance(value, str):
                fields.setdefault(name, []).append(value)
    if not room.door.guard.is_form_token(visit.session, fields.get("token", [""])[0]):
        return "no.too_long_open"
    if not room.door.writes.take(visit.session.id):
        return "no.often"
    return fields


def is_from_here(request: Request) -> bool:
    """Whether a page of ours sent it: browsers say where a request comes from, and can't be made to lie about it."""
    if request.headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none"):
        return False
    origin = request.headers.get("origin")
    if origin is None:
        return True
    try:
        return urlsplit(origin).netloc.lower() == request.headers.get("host", "").lower()
    except ValueError:  # no browser writes such an address
        return False


def address_of(request: Request) -> str:
    """Who tries: an address, or the network that one household has of IPv6."""
    host = request.client.host if request.client else ""
    try:
        address = ip_address(host)
    except ValueError:
        return host
    return str(ip_network(f"{address}/64", strict=False)) if address.version == 6 else host


def first(fields: Mapping[str, list[str]]) -> dict[str, str]:
    """Each field's first value."""
    return {name: values[0] for name, values in fields.items()}


# --- the routes


async def login_form(room: Room, request: Request) -> Response:
    """Ask for the password."""
    visit, to = visit_of(room, request), asked_for(room, request.query_params.get("to", ""))
    if visit.may_write:
        return RedirectResponse(to, 303)
    return greeted(room, room.sheets.page("login", visit, {"wrong": "", "to": to}), visit)


async def login(room: Room, request: Request) -> Response:
    """Let in who knows the password or the token."""
    visit = visit_of(room, request)
    fields = await form_of(room, request, visit)
    if isinstance(fields, str):
        return room.sheets.message(request, 403, fields)
    who, form = address_of(request), first(fields)
    to = asked_for(room, form.get("to", ""))
    if room.door.tries.is_spent(who):
        log.warning("too many attempts to log in from %s", who)
        words = {"wrong": room.sheets.say("page.no.attempts"), "to": to}
        return room.sheets.page("login", visit, words, 429)
    room.door.tries.note(who)
    if not await room.run(room.door.guard.knows, form.get("password", "")):
        log.warning("an attempt to log in from %s failed", who)
        return room.sheets.page("login", visit, {"wrong": room.sheets.say("page.login.wrong"), "to": to}, 403)
    room.door.tries.forgive(who)
    response: Response = RedirectResponse(to, 303)
    _give(room, response, room.door.guard.begin(Role.KEEPER, cleaned(form.get("name", ""), 40)))
    response.delete_cookie(GUEST)
    return response


async def logout(room: Room, request: Request) -> Response:
    """End the session."""
    visit = visit_of(room, request)
    fields = await form_of(room, request, visit)
    if isinstance(fields, str):
        return room.sheets.message(request, 403, fields)
    room.door.guard.end(visit.session)
    response = RedirectResponse(f"{room.root}/login", 303)
    response.delete_cookie(SESSION)
    return response


async def units(room: Room, request: Request) -> Response:
    """Read in °C or °F, on this device."""
    visit = visit_of(room, request)
    fields = await form_of(room, request, visit)
    if isinstance(fields, str):
        return room.sheets.message(request, 403, fields)
    wanted = first(fields).get("units", "")
    if wanted not in ("metric", "us"):
        return room.sheets.message(request, 400, "no.units")
    response = RedirectResponse(f"{room.root}/", 303)
    response.set_cookie(UNITS, wanted, max_age=365 * 86_400, httponly=True, samesite="strict")
    return response


async def share_form(room: Room, request: Request) -> Response:
    """Offer links by which others may look."""
    visit = visit_of(room, request)
    if not visit.may_write:
        return ask_to_log_in(room, request, visit)
    return greeted(room, room.sheets.page("share", visit, {"days": SHARED_DAYS, "address": ""}), visit)


async def share(room: Room, request: Request) -> Response:
    """Make such a link. It is shown once and kept nowhere."""
    visit = visit_of(room, request)
    if not visit.may_write:
        return room.sheets.message(request, 403, "no.only_keeper_shares")
    fields = await form_of(room, request, visit)
    if isinstance(fields, str):
        return room.sheets.message(request, 403, fields)
    days = first(fields).get("days", "")
    if days not in {str(d) for d in SHARED_DAYS}:
        return room.sheets.message(request, 400, "no.no_days")
    base = room.door.base_url or f"{request.url.scheme}://{request.headers.get('host', '')}"
    address = f"{base}{room.root}/view/{room.door.guard.view_token(int(days), room.site)}"
    return room.sheets.page("share", visit, {"days": SHARED_DAYS, "address": address, "for_days": int(days)})


async def view(room: Room, request: Request) -> Response:
    """Come in to look, by a shared link."""
    visit = visit_of(room, request)
    if visit.may_look:
        return greeted(room, RedirectResponse(f"{room.root}/", 303), visit)
    who = address_of(request)
    if room.door.guesses.is_spent(who):
        return room.sheets.message(request, 429, "no.attempts")
    if not room.door.guard.is_view_token(request.path_params["token"], room.site):
        room.door.guesses.note(who)
        return room.sheets.message(request, 403, "no.view_over")
    session = room.door.guard.begin(Role.VIEWER, site=room.site)
    response = room.sheets.page("welcome", Visit(session, room.door.guard.form_token(session), visit.units), {})
    _give(room, response, session)
    return response
