"""From a snapshot to words: what the templates fill in. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import NamedTuple

from sensord import actions
from sensord.concerns import says_stay_in
from sensord.messages import goes_out, groups, write
from sensord.model import (
    AMBIENT,
    Certainty,
    Concern,
    Notice,
    Quantity,
    Severity,
    Standing,
    State,
    Telling,
    What,
)
from sensord.rules._readings import moment
from sensord.rules._storm_signs import SignThresholds
from sensord.web import questions
from sensord.web.cards import CageWords, CardWords, heard_now
from sensord.web.phrases import Phrases
from sensord.web.snapshot import PageNeeds, Snapshot

Card = dict[str, object]


class Excess(NamedTuple):
    """Something that the cards show to be too much: as the head of the page, also where one must stay in, and as a line."""

    look: str
    stay: str
    line: str
    is_wind: bool
    is_covered: bool  # something that stands already speaks of it


class Wording(Phrases):
    """What one kind of reader is shown of one snapshot."""

    def __init__(self, house: PageNeeds, snapshot: Snapshot, units: str, stopped_since: datetime | None = None) -> None:
        super().__init__(house, snapshot.now, units, {c.key: c for c in snapshot.concerns})
        self.snapshot, self._stopped_since = snapshot, stopped_since

    def page(self) -> dict[str, object]:
        """Everything of the page that may change."""
        matters = self.matters()
        words = CageWords(self, self.snapshot)
        cages = [words.cage(cage) for cage in self.snapshot.cages]
        return {
            "as_of": self.at(self.now, seconds=True),
            "answer": self.answer(matters, cages),
            "matters": matters,
            "cages": cages,
            "post": words.post(),
            "said": [self.entry(e) for e in self.snapshot.said[:8]],
        }

    # --- what stands

    def matters(self) -> dict[str, list[Card]]:
        """The concerns as the phone groups them: to do, answered, worth knowing. What only keeps people in is one."""
        found: dict[str, list[Card]] = {"to_do": [], "answered": [], "known": []}
        opened = [c for c in self.snapshot.concerns if c.standing in (Standing.OPEN, Standing.ANSWERED)]
        sorted_ = [
            (c, questions.sort_of(c, self.desk.manner_of(c.rule), self.snapshot.advised_since.get(c.key)))
            for c in opened
        ]
        stay = [(c, sort) for c, sort in sorted_ if questions.keeps_in(c)]
        sorts: dict[tuple[str, str], list[Concern]] = {}
        for concern, sort in [
            *((c, s) for c, s in sorted_ if not questions.keeps_in(c)),
            *((c, "to_do") for c in self.snapshot.left),
        ]:
            answer = str(concern.answer or "") if sort == "answered" else ""
            sorts.setdefault((sort, answer), []).append(concern)
        for (sort, _), concerns in sorts.items():
            for group in self._groups(concerns, sort):
                found[sort].append(self._matter(group, sort))
        if stay:
            sort = questions.together([c for c, _ in stay], [s for _, s in stay])
            found[sort].append(self._stay_in([c for c, _ in stay], sort))
        for matters in found.values():
            matters.sort(key=lambda m: (not m["stay_in"], -int(m["severity"]), str(m["title"])))  # type: ignore[call-overload]
        return found

    def _groups(self, concerns: Sequence[Concern], sort: str) -> list[list[Concern]]:
        """As the phone groups them; of what is fine by now each is told for itself."""
        if sort == "known":
            fine = [[c] for c in concerns if c.verdict.state is State.FINE]
            concerns = [c for c in concerns if c.verdict.state is not State.FINE]
            return [*fine, *self._groups(concerns, "")]
        notices = [Notice(self.now, Telling.OPENED, c) for c in concerns]
        return [[n.concern for n in group] for group in groups(notices)]

    def _matter(self, concerns: Sequence[Concern], sort: str) -> Card:
        group = [Notice(self.now, Telling.OPENED, c) for c in concerns]
        stays = any(says_stay_in(c) for c in self.snapshot.concerns)
        fine = all(c.verdict.state is State.FINE for c in concerns)
        lead, waits = concerns[0], sort == "to_do" and stays and not fine and goes_out(group)
        message = write(group, self.desk, self.now, read_at=self.now, waits=waits).message
        name = self.matter(lead.rule, self._titles(concerns))
        has_text = self.house.texts.find(lead.verdict.rule, lead.verdict.reason) is not None
        title, text = (message.title, message.text) if has_text else (name, "")
        if fine:
            title = (
                self.say("page.matters.fine", matter=name) if sort == "known" else self._afterwards(concerns) or title
            )
        return self._shown({**self._facts(concerns, fine), "title": title, "text": text})

    def _stay_in(self, concerns: Sequence[Concern], sort: str) -> Card:
        """One matter, however many enclosures: nobody goes out."""
        here = sorted((c for c in concerns if c.verdict.state is State.BREACH), key=lambda c: -c.verdict.severity)
        if here:
            return self._shown(
                {**self._matter(here, sort), **self._facts([*here, *(c for c in concerns if c not in here)], False)}
            )
        words = {"title": self.say("page.matters.storm_passing"), "text": self.say("page.matters.stay_on")}
        return self._shown({**self._facts(concerns, False), **words, "severity": 0})

    def _facts(self, concerns: Sequence[Concern], fine: bool) -> Card:
        """Everything but the words."""
        verdict = concerns[0].verdict
        since = min(c.opened_at or c.breached_since for c in concerns)
        answered = max((c.answered_at for c in concerns if c.answered_at), default=None)
        unknown = min((c.unknown_since for c in concerns if c.unknown_since), default=None)
        worst = max(c.verdict.severity for c in concerns)
        answers = [c.answer for c in concerns if c.standing is Standing.ANSWERED]
        return {
            "id": "-".join(c.key.replace("/", "-").replace(" ", "-") for c in concerns),
            "keys": [c.key for c in concerns],
            "severity": 0 if fine else int(worst),
            "worst": worst,
            "certainty": verdict.certainty,
            "stay_in": any(says_stay_in(c) for c in concerns),
            "keeps_in": any(questions.keeps_in(c) for c in concerns),
            "subjects": [(c.rule, c.subject) for c in concerns],
            "since": self.at(since),
            "answer": answers[0] if answers and answers[0] else None,
            "answered": self.at(answered) if answered else "",
            "unknown": self.at(unknown) if unknown else "",
            "withheld": next((self._why(c) for c in concerns if c.withheld and not fine), ""),
            "fine": fine,
            "fine_since": self._fine_since(concerns) if fine else "",
        }

    def _shown(self, matter: Card) -> Card:
        """The matter, with what is said of it beside its words."""
        say, worst, answer = self.say, matter["worst"], matter["answer"]
        assert isinstance(worst, Severity)
        certainty = matter["certainty"]
        assert isinstance(certainty, Certainty)
        sure = certainty is Certainty.OBSERVED
        severity = say(f"terms.severity.{worst.name.lower()}")
        likely = None if sure else say(f"terms.certainty_within.{certainty.lower()}")
        bad = say("page.matters.severity", severity=severity, certainty=likely)
        title, within = str(matter["title"]), say(f"terms.severity_within.{worst.name.lower()}")
        known = say("page.matters.known_since", title=title, severity=within, at=str(matter["since"]))
        fine = say("page.matters.fine_since", title=title, at=str(matter["fine_since"]) or None)
        return {
            **matter,
            "how_bad": bad if matter["severity"] else say("page.matters.passed"),
            "answer_word": say(f"terms.said.{answer}" if answer else "page.matters.you_said.answered"),
            "known": fine if matter["fine"] else known,
        }

    def _why(self, concern: Concern) -> str:
        """Why what is to be said of it was not said."""
        why = concern.withheld.withheld if concern.withheld else None
        return self.say(f"terms.unsaid.{why.name.lower()}") if why else ""

    def _fine_since(self, concerns: Sequence[Concern]) -> str:
        since = [c.fine_since for c in concerns if c.fine_since]
        return self.at(max(since)) if since else ""

    def _titles(self, concerns: Sequence[Concern]) -> str:
        order = [e.name for e in self.house.garden.enclosures]
        subjects = sorted(
            {c.subject for c in concerns}, key=lambda s: (order.index(s) if s in order else len(order), s)
        )
        return self.reader.listed([self.desk.title_of(s) for s in subjects])

    def _afterwards(self, concerns: Sequence[Concern]) -> str:
        """What is to be done now that it is fine; "" where the text's own title says it."""
        who, lead = self._titles(concerns), concerns[0]
        action = questions.action_of(lead.verdict)
        if action == actions.UNSHADE.word:
            off_at = moment(lead.verdict.numbers.get("off_at"))
            return self.say("page.matters.unshade", who=who, at=self.at(off_at) if off_at else None)
        waiting = [c for c in concerns if says_stay_in(c)]
        if not waiting or action != actions.LOOK_AFTER.word:
            return ""
        calm_at = max(
            (c.fine_since + self.desk.manner_of(c.rule).fine_for for c in waiting if c.fine_since), default=None
        )
        if calm_at is None or calm_at <= self.now:
            return self.say("page.matters.look_after", who=who)
        return self.say("page.matters.look_after_from", at=self.at(calm_at), who=who)

    def answer(self, matters: dict[str, list[Card]], cages: Sequence[CardWords]) -> Card:
        """The one line: is everything all right, and if not, what is to be done. It never says less than a card."""
        to_do, answered, doubts, say = matters["to_do"], matters["answered"], self.doubts(), self.say
        looks = self._looks(cages, [*to_do, *answered])
        news = [look for look in looks if not look.is_covered]
        if to_do:
            more = [say("page.answer.more", count=len(to_do) - 1)] if len(to_do) > 1 else []
            return {"kind": "do", "head": str(to_do[0]["title"]), "lines": [*more, *(n.line for n in news), *doubts]}
        lines = [*(look.line for look in looks), *doubts]
        open_ = [m for m in answered if not (m["fine"] and m["answer"] is What.DONE)]
        stays = any(m["keeps_in"] for m in answered)
        if news:
            kind, head = "look", news[0].stay if stays else news[0].look
            gusts = max((c.gust_m_s or 0.0 for c in self.snapshot.cages), default=0.0) if news[0].is_wind else 0.0
            told = say("page.answer.if_it_stays", blows=gusts >= self._strong_m_s())
            lines = [told, *(line for line in lines if line != news[0].line)]
        elif stays:
            kind, head = "look", say("page.answer.stay_in")
        elif doubts:
            kind, head = "unsure", say("page.answer.unsure")
        elif open_:
            kind, head = ("look" if looks else "well"), say("page.answer.nothing_new")
        else:
            kind, head = "well", say("page.answer.well")
        if open_ and not (doubts and kind == "unsure"):
            lines.append(say("page.answer.answered_below"))
        return {"kind": kind, "head": head, "lines": lines}

    def _strong_m_s(self) -> float:
        """From which gust on the storm rule sends nobody out [m/s]."""
        p = self.house.garden.parameters["storm", ""]
        assert isinstance(p, SignThresholds)
        return p.strong_gust_m_s

    def _looks(self, cages: Sequence[CardWords], matters: Sequence[Card]) -> list[Excess]:
        """What the cards show to be too much, and whether something that stands above speaks of it."""
        stands = {(rule, subject) for m in matters if not m["fine"] for rule, subject in m["subjects"]}  # type: ignore[attr-defined]
        over = [c for c in cages if c["wind"]["kind"] == "over"]  # type: ignore[index]
        found = []
        if over:
            covered = all(("storm", c["name"]) in stands or ("wind", c["name"]) in stands for c in over)
            found.append(self._excess("gusts", over, "", covered))
        for tier in dict.fromkeys(str(c["hot"]) for c in cages if c["hot"]):
            hot = [c for c in cages if c["hot"] == tier]
            covered = all(("overheating", c["name"]) in stands for c in hot)
            found.append(self._excess("hot", hot, tier, covered))
        return found

    def _excess(self, what: str, cages: Sequence[CardWords], tier: str, covered: bool) -> Excess:
        who, count = self.reader.listed([str(c["title"]) for c in cages]), len(cages)
        look, stay, line = (
            self.say(f"page.answer.{what}.{way}", who=who, tier=tier, count=count) for way in ("look", "stay", "line")
        )
        return Excess(look, stay, line, is_wind=what == "gusts", is_covered=covered)

    def doubts(self) -> list[str]:
        """Why the page may not know how things are."""
        say, found = self.say, []
        if self._stopped_since is not None:
            found.append(say("page.doubt.stopped", at=self.at(self._stopped_since)))
        if not self.snapshot.connected:
            since = self.snapshot.disconnected_since
            found.append(say("page.doubt.disconnected", at=self.at(since) if since else None))
        for cage in self.snapshot.cages:
            if not heard_now(cage.place):
                newest, who = cage.place.newest.get(Quantity.TEMPERATURE), cage.enclosure.title
                at = self.at(newest.at) if newest else None
                found.append(say("page.doubt.silent" if at else "page.doubt.never", who=who, at=at))
        if not heard_now(self.snapshot.post) and self.house.garden.probes_at(AMBIENT, Quantity.TEMPERATURE):
            found.append(say("page.doubt.post"))
        return found
