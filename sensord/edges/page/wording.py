"""From a snapshot to words: what the templates fill in. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from types import MappingProxyType

from sensord import letters
from sensord.edges.page.cagewords import CageWords, heard_now
from sensord.edges.page.look import House, Snapshot
from sensord.edges.page.scale import Scale
from sensord.figures import Reader, clock_time
from sensord.judge import manner_of, says_stay_in
from sensord.model import (
    AMBIENT,
    ANSWERS,
    Concern,
    Entry,
    Notice,
    Quantity,
    Standing,
    State,
    Telling,
    What,
)

BY_LINK = "by link "
"""What an entry's text begins with that came by a link; the message's key follows, and so it is known to be used."""
SOURCES = {"mqtt": "over MQTT", "page": "on the page", "command": "by command", "simulation": "simulated"}
NOTHING: Mapping[str, Concern] = MappingProxyType({})


class Pen:
    """Writes what needs no look at the store: instants, names, entries."""

    def __init__(self, house: House, now: datetime, units: str, standing: Mapping[str, Concern] = NOTHING) -> None:
        self.house, self.now = house, now
        self.scale = Scale(units == "us")
        keeper = house.settings.keeper.model_copy(update={"units": units})
        self.desk = letters.Desk(house.garden.site, house.garden.enclosures, keeper, house.texts, standing)
        self.reader: Reader = self.desk.reader(now)

    def at(self, instant: datetime, seconds: bool = False) -> str:
        """Local time, with the day where it isn't today's."""
        text = clock_time(instant, self.reader)
        if seconds and not self.scale.us:
            local = instant.astimezone(self.reader.zone)
            text = text.replace(f"{local:%H:%M}", f"{local:%H:%M:%S}", 1)
        return text

    def entry(self, entry: Entry) -> dict[str, str]:
        """One entry in words."""
        subject = entry.subject
        if entry.what in ANSWERS and "/" in subject:
            rule, _, place = subject.partition("/")
            subject = f"{self.desk.title_of(place)} ({rule})"
        elif subject:
            title = self.desk.title_of(subject)
            subject = title if title != subject else subject.capitalize()
        amount = ""
        if entry.amount is not None:
            is_mass = entry.what in (What.ANCHORED, What.BALLAST_ADDED)
            amount = self.scale.mass(entry.amount) if is_mass else f"{entry.amount:g}"
        text = self.desk.title_of(entry.text) if entry.what is What.MOVED else entry.text
        by_link = text.startswith(BY_LINK)
        return {
            "at": self.at(entry.at),
            "iso": entry.at.isoformat(timespec="seconds"),
            "subject": subject or "The garden",
            "what": str(entry.what),
            "amount": amount,
            "text": "" if by_link else text,
            "by": entry.author,
            "source": "by the link in a message" if by_link else SOURCES.get(entry.source, entry.source),
        }


class Wording(Pen):
    """What one kind of reader is shown of one snapshot."""

    def __init__(self, house: House, snapshot: Snapshot, units: str, stopped_since: datetime | None = None) -> None:
        super().__init__(house, snapshot.now, units, {c.key: c for c in snapshot.concerns})
        self.snapshot, self._stopped_since = snapshot, stopped_since

    def page(self) -> dict[str, object]:
        """Everything of the page that may change."""
        matters = self.matters()
        words = CageWords(self.house, self.snapshot, self.scale, self.at)
        return {
            "as_of": self.at(self.now, seconds=True),
            "answer": self.answer(matters),
            "matters": matters,
            "cages": [words.cage(cage) for cage in self.snapshot.cages],
            "post": words.post(),
            "said": [self.entry(e) for e in self.snapshot.said[:8]],
        }

    # --- what stands

    def matters(self) -> dict[str, list[dict[str, object]]]:
        """The concerns as the phone groups them: to do, answered, worth knowing."""
        found: dict[str, list[dict[str, object]]] = {"to_do": [], "answered": [], "known": []}
        opened = [c for c in self.snapshot.concerns if c.standing in (Standing.OPEN, Standing.ANSWERED)]
        sorts: dict[tuple[str, str], list[Concern]] = {}
        for concern in opened:
            sorts.setdefault((_sort(concern), str(concern.answer or "")), []).append(concern)
        for (sort, _), concerns in sorts.items():
            for group in letters.groups(Notice(self.now, Telling.OPENED, c) for c in concerns):
                found[sort].append(self._matter([n.concern for n in group], sort))
        for matters in found.values():
            matters.sort(key=lambda m: (not m["stay_in"], -int(m["severity"]), str(m["title"])))  # type: ignore[call-overload]
        return found

    def _matter(self, concerns: Sequence[Concern], sort: str) -> dict[str, object]:
        group = [Notice(self.now, Telling.OPENED, c) for c in concerns]
        stays = any(says_stay_in(c) for c in self.snapshot.concerns)
        waits = sort == "to_do" and stays and letters.goes_out(group)
        message = letters.write(group, self.desk, self.now, read_at=self.now, waits=waits).message
        verdict = concerns[0].verdict
        since = min(c.opened_at or c.breached_since for c in concerns)
        answered = max((c.answered_at for c in concerns if c.answered_at), default=None)
        unknown = min((c.unknown_since for c in concerns if c.unknown_since), default=None)
        fine = all(c.verdict.state is State.FINE for c in concerns)
        return {
            "id": "-".join(c.key.replace("/", "-").replace(" ", "-") for c in concerns),
            "keys": [c.key for c in concerns],
            "title": message.title,
            "text": message.text,
            "severity": int(max(c.verdict.severity for c in concerns)) if not fine else 0,
            "word": max(c.verdict.severity for c in concerns).word,
            "certainty": verdict.certainty.value,
            "stay_in": any(says_stay_in(c) for c in concerns),
            "since": self.at(since),
            "answer": self._answer_word(concerns[0]),
            "answered": self.at(answered) if answered else "",
            "unknown": self.at(unknown) if unknown else "",
            "fine": fine,
        }

    def _answer_word(self, concern: Concern) -> str:
        words = {What.SEEN: "seen", What.DONE: "done", What.NOT_NOW: "not now"}
        return words.get(concern.answer, "") if concern.answer else ""

    def answer(self, matters: dict[str, list[dict[str, object]]]) -> dict[str, object]:
        """The one line: is everything all right, and if not, what is to be done."""
        to_do, doubts = matters["to_do"], self.doubts()
        more = len(to_do) - 1
        lines = list(doubts)
        if to_do:
            kind, head = "do", str(to_do[0]["title"])
            if more > 0:
                lines.insert(0, f"and {more} more thing{'s' if more > 1 else ''} below")
        elif doubts:
            kind, head = "unsure", "I can't tell whether all is well"
        elif matters["answered"]:
            kind, head = "well", "Nothing new to do"
            lines.append("What stands below, you have answered.")
        else:
            kind, head = "well", "All is well: nothing to do"
        return {"kind": kind, "head": head, "lines": lines}

    def doubts(self) -> list[str]:
        """Why the page may not know how things are."""
        found = []
        if self._stopped_since is not None:
            found.append(f"The watching stands still since {self.at(self._stopped_since)}: nothing here is new.")
        if not self.snapshot.connected:
            since = self.snapshot.disconnected_since
            found.append(
                f"No connection to the broker{f' since {self.at(since)}' if since else ''}: nothing new comes in."
            )
        silent = [cage for cage in self.snapshot.cages if not heard_now(cage.place)]
        for cage in silent:
            at = cage.place.newest.get(Quantity.TEMPERATURE)
            found.append(
                f"No temperature from {cage.enclosure.title}" + (f" since {self.at(at.at)}." if at else " yet.")
            )
        if not heard_now(self.snapshot.post) and self.house.garden.probes_at(AMBIENT, Quantity.TEMPERATURE):
            found.append("No temperature from the shaded post: offsets are not known.")
        return found


def _sort(concern: Concern) -> str:
    """Whether a concern asks for something now."""
    if concern.standing is Standing.ANSWERED:
        return "answered"
    advised = concern.verdict.state is State.BREACH and concern.verdict.severity >= manner_of(concern.rule).tell_from
    left_to_do = concern.verdict.state is State.FINE and concern.verdict.advice is not None
    return "to_do" if advised or left_to_do or says_stay_in(concern) else "known"
