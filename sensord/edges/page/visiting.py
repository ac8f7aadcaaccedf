"""Coming and going: who visits, logging in and out, sharing a view, and the units one likes to read."""

from __future__ import annotations

import logging
import re
from collections.abc import Mapping
from dataclasses import dataclass
from ipaddress import ip_address, ip_network
from urllib.parse import quote, urlsplit

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from sensord.edges.page.guard import Role, Session
from sensord.edges.page.office import Office
from sensord.edges.page.saying import cleaned

log = logging.getLogger("sensord.page")

SESSION, GUEST, UNITS = "sensord-session", "sensord-guest", "sensord-units"
SHARED_DAYS = (1, 7, 30, 120)
ASKED = re.compile(r"/(?:(?:curves|book|week|share)(?:\?[A-Za-z0-9_&=-]{1,120})?)?")
"""What may be asked for before logging in, and be landed on after: a page of ours, nothing else."""
FORM = "application/x-www-form-urlencoded"


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


def visit_of(office: Office, request: Request) -> Visit:
    """The visit of a request; without a password, on this computer, everyone is the keeper."""
    guard = office.guard
    session = guard.session_of(request.cookies.get(SESSION))
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
        units = office.house.settings.keeper.units
    return Visit(session, guard.form_token(session), units, is_new)


def greeted(office: Office, response: Response, visit: Visit) -> Response:
    """The answer, with the cookie of a new visit."""
    if visit.is_new:
        _give(office, response, visit.session)
    return response


def _give(office: Office, response: Response, session: Session) -> None:
    guest = session.role is Role.GUEST
    response.set_cookie(
        GUEST if guest else SESSION,
        office.guard.cookie_of(session),
        max_age=None if guest else int(office.guard.session_s),
        secure=office.house.settings.page.base_url.startswith("https:"),
        httponly=True,
        samesite="strict",
    )


def asked_for(address: str) -> str:
    """The page of ours that an address names; the first one where it names none."""
    return address if ASKED.fullmatch(address) else "/"


def ask_to_log_in(office: Office, request: Request, visit: Visit) -> Response:
    """Instead of a page of the garden, on which one lands afterwards."""
    query = request.url.query
    wanted = asked_for(request.url.path + (f"?{query}" if query else ""))
    address = "/login" if wanted == "/" else f"/login?to={quote(wanted, safe='')}"
    return greeted(office, RedirectResponse(address, 303), visit)


# --- what a writing request must bring


async def form_of(office: Office, request: Request, visit: Visit) -> Mapping[str, list[str]] | str:
    """The fields of a form that may be acted on; or why it may not."""
    if not is_from_here(request):
        return "This request comes from another site."
    if visit.is_new:
        return "This page was opened too long ago. Load it again, then try once more."
    if request.headers.get("content-type", "").partition(";")[0].strip().lower() != FORM:
        return "That is not a form of this page."
    fields: dict[str, list[str]] = {}
    async with request.form(max_files=0, max_fields=60) as form:
        for name, value in form.multi_items():
            if isinstance(value, str):
                fields.setdefault(name, []).append(value)
    if not office.guard.is_form_token(visit.session, fields.get("token", [""])[0]):
        return "This page was opened too long ago. Load it again, then try once more."
    if not office.writes.take(visit.session.id):
        return "That was often. Wait a minute."
    return fields


def is_from_here(request: Request) -> bool:
    """Whether a page of ours sent it: browsers say where a request comes from, and can't be made to lie about it."""
    if request.headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none"):
        return False
    origin = request.headers.get("origin")
    return origin is None or urlsplit(origin).netloc.lower() == request.headers.get("host", "").lower()


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


async def login_form(office: Office, request: Request) -> Response:
    """Ask for the password."""
    visit, to = visit_of(office, request), asked_for(request.query_params.get("to", ""))
    if visit.may_write:
        return RedirectResponse(to, 303)
    return greeted(office, office.paper.page("login", visit, {"wrong": "", "to": to}), visit)


async def login(office: Office, request: Request) -> Response:
    """Let in who knows the password or the token."""
    visit = visit_of(office, request)
    fields = await form_of(office, request, visit)
    if isinstance(fields, str):
        return office.paper.message(request, 403, fields)
    who, form = address_of(request), first(fields)
    to = asked_for(form.get("to", ""))
    if office.tries.is_spent(who):
        log.warning("too many attempts to log in from %s", who)
        words = {"wrong": "Too many attempts. Wait a quarter of an hour.", "to": to}
        return office.paper.page("login", visit, words, 429)
    office.tries.note(who)
    if not await office.run(office.guard.knows, form.get("password", "")):
        log.warning("an attempt to log in from %s failed", who)
        return office.paper.page("login", visit, {"wrong": "That is not it.", "to": to}, 403)
    office.tries.forgive(who)
    response: Response = RedirectResponse(to, 303)
    _give(office, response, office.guard.begin(Role.KEEPER, cleaned(form.get("name", ""), 40)))
    response.delete_cookie(GUEST)
    return response


async def logout(office: Office, request: Request) -> Response:
    """End the session."""
    visit = visit_of(office, request)
    fields = await form_of(office, request, visit)
    if isinstance(fields, str):
        return office.paper.message(request, 403, fields)
    office.guard.end(visit.session)
    response = RedirectResponse("/login", 303)
    response.delete_cookie(SESSION)
    return response


async def units(office: Office, request: Request) -> Response:
    """Read in °C or °F, on this device."""
    visit = visit_of(office, request)
    fields = await form_of(office, request, visit)
    if isinstance(fields, str):
        return office.paper.message(request, 403, fields)
    wanted = first(fields).get("units", "")
    if wanted not in ("metric", "us"):
        return office.paper.message(request, 400, "Units are metric or us.")
    response = RedirectResponse("/", 303)
    response.set_cookie(UNITS, wanted, max_age=365 * 86_400, httponly=True, samesite="strict")
    return response


async def share_form(office: Office, request: Request) -> Response:
    """Offer links by which others may look."""
    visit = visit_of(office, request)
    if not visit.may_write:
        return ask_to_log_in(office, request, visit)
    return greeted(office, office.paper.page("share", visit, {"days": SHARED_DAYS, "address": ""}), visit)


async def share(office: Office, request: Request) -> Response:
    """Make such a link. It is shown once and kept nowhere."""
    visit = visit_of(office, request)
    if not visit.may_write:
        return office.paper.message(request, 403, "Only the keeper can share the page.")
    fields = await form_of(office, request, visit)
    if isinstance(fields, str):
        return office.paper.message(request, 403, fields)
    days = first(fields).get("days", "")
    if days not in {str(d) for d in SHARED_DAYS}:
        return office.paper.message(request, 400, "Choose for how many days.")
    base = office.house.settings.page.base_url or f"{request.url.scheme}://{request.headers.get('host', '')}"
    address = f"{base}/view/{office.guard.view_token(int(days))}"
    return office.paper.page("share", visit, {"days": SHARED_DAYS, "address": address, "for_days": int(days)})


async def view(office: Office, request: Request) -> Response:
    """Come in to look, by a shared link."""
    visit = visit_of(office, request)
    if visit.may_look:
        return greeted(office, RedirectResponse("/", 303), visit)
    who = address_of(request)
    if office.guesses.is_spent(who):
        return office.paper.message(request, 429, "Too many attempts. Wait a quarter of an hour.")
    if not office.guard.is_view_token(request.path_params["token"]):
        office.guesses.note(who)
        return office.paper.message(request, 403, "This link doesn't hold any more. Ask for a new one.")
    session = office.guard.begin(Role.VIEWER)
    response = office.paper.page("welcome", Visit(session, office.guard.form_token(session), visit.units), {})
    _give(office, response, session)
    return response
