"""What a store promises that several sites share: each has its own, and none waits long for another."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from sensord.model import Arrival, Entry, Gap, GapKind, Quantity, Reading, Refusal, Site, What
from sensord.ports import Commit, Sending, Share, Store
from tests.store_promises import (
    ALDER,
    HOUR,
    LOW,
    NEVER,
    PLACES,
    SITE,
    START,
    ZONE,
    a_concern,
    a_message,
    a_verdict,
    afternoon,
    reading,
)

ELSEWHERE = "school"
ONE, OTHER = Site(SITE, 41.5, -83.5, 190.0, ZONE), Site(ELSEWHERE, 48.2, 16.4, 170.0, "Europe/Vienna")
TEMPERATURE = Quantity.TEMPERATURE


def everything(site: str, value: float) -> Commit:
    """One of each, the same for every site but for its name and one value."""
    return Commit(
        START,
        [reading(0, value)._replace(site=site)],
        [Refusal(START, "garden/x", b"?", f"of {site}")],
        [Entry(site, START, START, ALDER, What.SHADED)],
        [Gap(site, GapKind.SILENCE, LOW, START, None)],
        [Arrival(START + timedelta(seconds=value), "garden/alder", b"23.4", packet=7)],
        [a_concern(site=site)],
        [a_verdict()],
        [a_message("one", site=site)],
        held=[(a_message("held", site=site), "budget spent")],
        facts={"alive": site},
    )


def assert_has(share: Share, site: str, value: float) -> None:
    """What `everything` put in is there, and nothing else."""
    assert share.readings.series(LOW, TEMPERATURE, START, NEVER).values == [value]
    assert [r.reason for r in share.accounts.refusals()] == [f"of {site}"]
    assert [e.site for e in share.entries.between(START, NEVER)] == [site]
    assert [g.site for g in share.readings.gaps(START, NEVER)] == [site]
    again = Arrival(NEVER, "garden/alder", b"23.4", redelivered=True, packet=7)
    assert share.journal.first_receipt(again) == START + timedelta(seconds=value)
    assert [c.site for c in share.concerns.standing()] == [site]
    assert share.concerns.verdicts(START, NEVER) == [a_verdict()]
    assert [p.message.site for p in share.outbox.due()] == [site]
    assert [p.message.site for p in share.outbox.between(START, NEVER)] == [site, site]
    assert share.facts.recall("alive") == site
    counts = {"readings": 1, "duplicates": 0, "refused": 1, "entries": 1, "messages held": 1, "messages waiting": 1}
    assert share.accounts.counters() == counts


class SitePromises:
    """Subclass it, say how to open the store, and let pytest collect it."""

    def open(self, folder: Path) -> Store:
        """The store kept in this folder."""
        raise NotImplementedError

    def test_nothing_of_one_site_is_seen_by_another(self, tmp_path: Path) -> None:
        """The same names, keys, packets and facts at two sites are two of each, also after a restart."""
        store = self.open(tmp_path)
        one, other = store.of(ONE, PLACES), store.of(OTHER)
        one.journal.commit(everything(SITE, 20.0))
        assert other.accounts.counters()["readings"] == 0
        assert other.outbox.due() == other.concerns.standing() == []
        assert other.facts.recall("alive") is None
        other.journal.commit(everything(ELSEWHERE, 30.0))
        assert_has(one, SITE, 20.0)
        assert_has(other, ELSEWHERE, 30.0)
        one.journal.commit(Commit(START, sendings=[Sending("one", START)]))
        assert one.outbox.due() == []
        assert len(other.outbox.due()) == 1
        store.close()
        store = self.open(tmp_path)
        assert_has(store.of(OTHER), ELSEWHERE, 30.0)
        store.close()

    def test_a_thing_of_another_site_is_refused_with_its_commit(self, tmp_path: Path) -> None:
        """It would be a defect: nothing of the commit is stored, at either site."""
        store = self.open(tmp_path)
        one, other = store.of(ONE, PLACES), store.of(OTHER)
        theirs = everything(ELSEWHERE, 30.0)
        for part in ("readings", "entries", "gaps", "concerns", "messages", "held"):
            mixed = everything(SITE, 20.0)._replace(**{part: getattr(theirs, part)})
            with pytest.raises(ValueError, match=ELSEWHERE):
                one.journal.commit(mixed)
        for share in (one, other):
            assert share.accounts.counters() == {"readings": 0, "duplicates": 0, "refused": 0, "entries": 0}
            assert share.facts.recall("alive") is None
        one.journal.commit(everything(SITE, 20.0))
        assert_has(one, SITE, 20.0)
        store.close()

    def test_each_site_summarises_and_prunes_its_own(self, tmp_path: Path) -> None:
        """By its own days; what another site has neither is summarised nor goes."""
        store = self.open(tmp_path)
        one, other = store.of(ONE, PLACES), store.of(OTHER)
        mine = afternoon(30)
        one.journal.commit(Commit(START, mine))
        other.journal.commit(Commit(START, [r._replace(site=ELSEWHERE) for r in mine]))
        one.journal.summarise(NEVER)
        assert len(one.summaries.hours(LOW, TEMPERATURE, START, NEVER)) == 30
        assert other.summaries.hours(LOW, TEMPERATURE, START, NEVER) == []
        other.journal.summarise(NEVER)
        day = START.date()
        ours = one.summaries.days(LOW, TEMPERATURE, day, day + timedelta(days=3))
        theirs = other.summaries.days(LOW, TEMPERATURE, day, day + timedelta(days=3))
        assert [d.count for d in ours] != [d.count for d in theirs]  # midnight in New York is not midnight in Vienna
        assert sum(d.count for d in ours) == sum(d.count for d in theirs) == len(mine)
        assert other.summaries.tally(ALDER, START, NEVER) == []
        assert one.journal.prune(START + 20 * HOUR) > 0
        assert len(other.readings.series(LOW, TEMPERATURE, START, NEVER).values) == len(mine)
        store.close()

    def test_sites_commit_from_threads_of_their_own(self, tmp_path: Path) -> None:
        """Everything that three threads commit at once is there, each at its site."""
        store = self.open(tmp_path)
        sites = [replace(ONE, name=f"garden-{n}") for n in range(3)]
        shares = [store.of(site) for site in sites]

        def fill(share: Share, site: str) -> int:
            stored = 0
            for number in range(60):
                new = Reading(site, LOW, TEMPERATURE, START + number * HOUR, START + number * HOUR, float(number))
                stored += share.journal.commit(Commit(START, [new], facts={"last": str(number)})).stored
                assert share.readings.latest(LOW, TEMPERATURE) == new
                if number % 20 == 0:
                    share.journal.summarise(NEVER)
            return stored

        with ThreadPoolExecutor(3) as pool:
            done = [pool.submit(fill, share, site.name) for share, site in zip(shares, sites, strict=True)]
            assert [d.result(60) for d in done] == [60, 60, 60]
        for share in shares:
            share.journal.summarise(NEVER)
            assert share.readings.series(LOW, TEMPERATURE, START, NEVER).values == [float(n) for n in range(60)]
            assert len(share.summaries.hours(LOW, TEMPERATURE, START, NEVER)) == 60
            assert share.facts.recall("last") == "59"
        store.close()
