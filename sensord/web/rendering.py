"""Templates, static files by their content, and the answers that are made of them."""

from __future__ import annotations

import hashlib
import secrets
import time
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from threading import Lock
from typing import TYPE_CHECKING, Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, Response

from sensord.language import Catalogue
from sensord.language.markup import sayer
from sensord.web.live import ReaderKind, Regions
from sensord.web.phrases import Phrases
from sensord.web.snapshot import PageNeeds, Snapshot, StoreLook
from sensord.web.words import Wording

if TYPE_CHECKING:
    from sensord.web.sessions import Visit

HERE = Path(__file__).parent
STILL_S = 180.0
"""Real time without a sign of life of the loop after which the page says so."""
SAME_LOOK_S = 1.0
"""Requests that come together share a look at the store."""


class Sheets:
    """Makes pages of templates, for one garden or for the list of gardens.

    Args:
        texts: in whose words.
        title: what stands above every page.
        root: below which address they stand.
        can_log_in: whether there is anything to log in to.
        has_others: whether there are other gardens to go to.
    """

    def __init__(self, texts: Catalogue, title: str, root: str, can_log_in: bool, has_others: bool) -> None:
        self._templates = Environment(
            loader=FileSystemLoader(HERE / "templates"), autoescape=True, undefined=StrictUndefined, trim_blocks=True
        )
        self._texts = texts
        self._templates.globals.update(say=sayer(texts), lang=texts.tongue.tag)
        self._templates.globals.update(
            asset=_asset, site=title, root=root, can_log_in=can_log_in, has_others=has_others
        )

    def say(self, key: str, /, **parts: str | int | bool | None) -> str:
        """A sentence of the catalogue."""
        return self._texts.say(key, **parts)

    def page(self, name: str, visit: Visit, words: Mapping[str, Any], status: int = 200) -> Response:
        """A whole page."""
        common = {
            "role": visit.session.role.value,
            "name": visit.session.name,
            "may_write": visit.may_write,
            "token": visit.form_token,
            "once": lambda: secrets.token_urlsafe(12),
            "units": visit.units,
            "here": name,
            "notice": "",
        }
        return HTMLResponse(self._templates.get_template(f"{name}.html").render({**common, **words}), status)

    def message(self, request: Request, status: int, key: str, **parts: str | None) -> Response:
        """A plain word of the catalogue, as JSON to our own script."""
        text = self.say(f"page.{key}", **parts)
        if wants_json(request):
            return JSONResponse({"ok": False, "text": text}, status)
        html = self._templates.get_template("message.html").render(text=text, here="message")
        return HTMLResponse(html, status)


class GardenSheets(Sheets):
    """Makes the pages of one garden."""

    def __init__(self, house: PageNeeds, look: StoreLook) -> None:
        site = house.garden.site
        can_log_in = house.settings.page.is_guarded
        super().__init__(house.texts, site.title or site.name, house.root, can_log_in, bool(house.root))
        self._house, self._look = house, look
        self._lock = Lock()
        self._looked: tuple[float, Snapshot] | None = None
        self._alive: tuple[datetime, float] = (house.known_at(), time.monotonic())

    def snapshot(self) -> Snapshot:
        """One look at the store; the last one where it was made just now."""
        with self._lock:
            if self._looked is None or time.monotonic() - self._looked[0] > SAME_LOOK_S:
                self._looked = (time.monotonic(), self._look.snapshot())
            return self._looked[1]

    def warm(self) -> None:
        """Import, compile and look once, so that the first visitor doesn't wait for it."""
        self.regions(self.snapshot(), ReaderKind(self._house.settings.keeper.units, may_write=True))
        for name in ("now", "curves", "book", "message"):
            self._templates.get_template(f"{name}.html")

    def look_again(self) -> None:
        """Something was written: the next look is a new one."""
        with self._lock:
            self._looked = None

    def phrases(self, units: str) -> Phrases:
        """What writes for a reader of these units, without a look at the store."""
        return Phrases(self._house, self._look.known_at(), units)

    def wording(self, snapshot: Snapshot, units: str) -> Wording:
        """The words for a reader of these units."""
        known_at, seen = self._house.known_at(), time.monotonic()
        if known_at != self._alive[0]:
            self._alive = (known_at, seen)
        stopped = seen - self._alive[1] > STILL_S
        return Wording(self._house, snapshot, units, known_at if stopped else None)

    def regions(self, snapshot: Snapshot, kind: ReaderKind) -> Regions:
        """The pieces of the page that may change, by name."""
        words = {
            **self.wording(snapshot, kind.units).page(),
            "may_write": kind.may_write,
            "token": "",
            "once": lambda: "",
        }
        found = {name: self._part(name, words) for name in ("as_of", "answer", "matters", "post", "said")}
        for cage in words["cages"]:  # type: ignore[attr-defined]
            found[f"cage-{cage['name']}"] = self._part("cage", {**words, "cage": cage})
            if kind.may_write:
                found[f"acts-{cage['name']}"] = self._part("acts", {**words, "cage": cage})
        return found

    def _part(self, name: str, words: Mapping[str, Any]) -> str:
        return self._templates.get_template(f"parts/{name}.html").render(words).strip()


def wants_json(request: Request) -> bool:
    """Whether our own script asks."""
    return "application/json" in request.headers.get("accept", "")


_hashes: dict[str, str] = {}


def _asset(name: str) -> str:
    """The address of a static file: another one when it has changed, so that it may be kept for good."""
    if name not in _hashes:
        _hashes[name] = hashlib.sha256((HERE / "static" / name).read_bytes()).hexdigest()[:12]
    return f"/static/{name}?v={_hashes[name]}"
