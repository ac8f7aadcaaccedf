"""From a form to an entry: what the keeper says on the page takes the same way as what comes over MQTT."""

from __future__ import annotations

import asyncio
import json
import math
import re
import time
from collections import OrderedDict
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Executor
from datetime import datetime, timedelta
from typing import NamedTuple

from sensord.intake import entries
from sensord.language.measure import POUND_KG
from sensord.model import AMOUNTS, ANSWERS, Arrival, Entry, Source, What
from sensord.ports import Transient
from sensord.web.snapshot import PageNeeds, StoreLook

LATEST_AGO_MIN = 48 * 60
LONGEST_TEXT = 500
CONFIRM_S = 2.0
"""How long to wait for the loop to store an entry before saying that it is still on its way."""

_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029\ud800-\udfff]+")
_INVISIBLE = re.compile(r"[\u200b-\u200f\u202a-\u202e\u2060-\u2069\ufeff]")


class Wrong(ValueError):
    """What was sent can't become an entry: the key of why and what would be right, and the key of what it is about."""

    def __init__(self, why: str, of: str = "") -> None:
        super().__init__(why, of)
        self._why, self._of = why, of

    def told(self, say: Callable[..., str]) -> str:
        """In words."""
        return say(f"page.wrong.{self._why}", of=say(self._of) if self._of else None)


class EntryRefused(Wrong):
    """What was sent is no entry, as the loop would say."""

    def told(self, say: Callable[..., str]) -> str:
        """In the words of the refusal."""
        return self._why


class Taken(NamedTuple):
    """What became of what was said."""

    entries: tuple[Entry, ...]
    is_stored: bool


def cleaned(text: str, longest: int = LONGEST_TEXT) -> str:
    """A person's text on one line, without what can't be seen but changes how the rest is read."""
    return _INVISIBLE.sub("", _CONTROL.sub(" ", text)).strip()[:longest].strip()


def number(text: str, what: str) -> float:
    """A number that a person wrote; `what`: the key of what it counts."""
    try:
        value = float(text.strip().replace(",", "."))
    except ValueError:
        raise Wrong("no_number", what) from None
    if not math.isfinite(value) or not 0 <= value <= 100_000:
        raise Wrong("range", what)
    return value


def spoken(form: Mapping[str, str], concerns: Sequence[str], now: datetime, author: str) -> list[dict[str, object]]:
    """The entries that a form says, as they go to the loop.

    `act` is `what|subject|argument`; an answer is about all `concerns` of the form.
    """
    word, _, rest = form.get("act", "").partition("|")
    subject, _, argument = rest.partition("|")
    try:
        what = What(word)
    except ValueError:
        raise Wrong("nothing_chosen") from None
    common: dict[str, object] = {"what": what.value, "at": _at(form, now).isoformat(), "source": Source.PAGE}
    if by := cleaned(author, 60):
        common["by"] = by
    if what in ANSWERS:
        if not concerns:
            raise Wrong("no_concern")
        return [{**common, "subject": cleaned(key, 120)} for key in dict.fromkeys(concerns)]
    common["subject"] = cleaned(subject, 120)
    if what in AMOUNTS:
        common["amount"] = _amount(what, subject, argument, form)
    text = argument if what is What.MOVED else form.get(f"stage-{subject}" if what is What.STAGE else "note", "")
    if what in (What.MOVED, What.STAGE, What.NOTE):
        common["text"] = cleaned(text)
        if not common["text"]:
            raise Wrong("empty_note") if what is What.NOTE else Wrong("nothing_chosen_of", f"terms.said.{what}")
    return [common]


def _at(form: Mapping[str, str], now: datetime) -> datetime:
    """When it was done: some minutes ago."""
    minutes = number(form.get("ago", "0") or "0", "page.wrong.minutes")
    if minutes > LATEST_AGO_MIN:
        raise Wrong("too_long_ago")
    return (now - timedelta(minutes=minutes)).replace(microsecond=0)


def _amount(what: What, subject: str, argument: str, form: Mapping[str, str]) -> float:
    if argument:
        return number(argument, "page.wrong.amount")
    if what is What.HEADCOUNT:
        count = number(form.get(f"count-{subject}", ""), "page.wrong.animals")
        if count != round(count):
            raise Wrong("not_whole")
        return count
    if "total-lb" in form:
        return round(number(form["total-lb"], "page.wrong.ballast") * POUND_KG, 3)
    return number(form.get("total-kg", ""), "page.wrong.ballast")


class EntryDesk:
    """Takes what was said, hands it to the loop, and waits a moment until it is stored. A form counts once."""

    def __init__(self, house: PageNeeds, look: StoreLook, threads: Executor) -> None:
        self._house, self._look, self._threads = house, look, threads
        self._taken: OrderedDict[str, Taken | None] = OrderedDict()

    def checked(self, said: Sequence[Mapping[str, object]]) -> list[tuple[bytes, Entry]]:
        """Payloads and the entries that the loop will make of them; Wrong says what would be right."""
        garden, topic = self._house.garden, self._house.settings.broker.entry_topic
        found = []
        for one in said:
            payload = json.dumps(one, ensure_ascii=False).encode()
            entry = entries.decode(
                Arrival(self._house.now(), topic, payload),
                garden.site.name,
                [e.name for e in garden.enclosures],
                [c.name for c in garden.cohorts],
                garden.rules.keys(),
            )
            if not isinstance(entry, Entry):
                raise EntryRefused(entry.reason)
            found.append((payload, entry))
        return found

    async def take(self, said: Sequence[Mapping[str, object]], once: str) -> Taken:
        """Say it, once for each `once`. Transient: too much is waiting."""
        if once in self._taken:
            known = self._taken[once]
            return known if known is not None else Taken((), False)
        checked = self.checked(said)
        self._taken[once] = None
        while len(self._taken) > 2000:
            self._taken.popitem(last=False)
        try:
            for payload, _ in checked:
                self._house.put(self._house.settings.broker.entry_topic, payload)
        except Transient:
            del self._taken[once]
            raise
        told = tuple(entry for _, entry in checked)
        outcome = Taken(told, await self._until(lambda: self._are_stored(told)))
        self._taken[once] = outcome
        return outcome

    def outcome(self, once: str) -> Taken | None:
        """What became of a form that was sent."""
        return self._taken.get(once)

    def _are_stored(self, told: Sequence[Entry]) -> bool:
        since = min(entry.at for entry in told) - timedelta(seconds=1)
        stored = {(e.at, e.subject, e.what, e.amount, e.text) for e in self._look.entries(since)}
        return all((e.at, e.subject, e.what, e.amount, e.text) in stored for e in told)

    async def _until(self, is_so: Callable[[], bool]) -> bool:
        deadline = time.monotonic() + CONFIRM_S
        while time.monotonic() < deadline:
            await asyncio.sleep(0.05)
            if await asyncio.get_running_loop().run_in_executor(self._threads, is_so):
                return True
        return False
